"""`.ci/wheels` finds the machines for which a package has no wheel, and wheels whose hash nobody has written down."""

import runpy
from typing import Any

import pytest

from tests.unit.test_deploy import ROOT

WHEELS = runpy.run_path(str(ROOT / ".ci" / "wheels"))


def package(*files: str, **more: str) -> dict[str, Any]:
    wheels = [
        {"url": f"file:///somewhere/{file}", "hashes": {"sha256": f"{number}a"}} for number, file in enumerate(files)
    ]
    return {"name": "p", "version": "1.0", "wheels": wheels} | more


@pytest.mark.parametrize(
    "files",
    [
        ["p-1.0-py3-none-any.whl"],
        ["p-1.0-py2.py3-none-manylinux2014_aarch64.whl", "p-1.0-py3-none-manylinux_2_28_x86_64.whl"],
        ["p-1.0-cp38-abi3-manylinux_2_17_aarch64.manylinux2014_aarch64.whl", "p-1.0-cp311-abi3-manylinux1_x86_64.whl"],
    ],
)
def test_a_wheel_for_all_is_enough(files: list[str]) -> None:
    assert list(WHEELS["missing"]([package(*files)])) == []


@pytest.mark.parametrize(
    "file",
    [
        "p-1.0-cp313-cp313-manylinux_2_28_x86_64.whl",
        "p-1.0-cp313-cp313-manylinux_2_40_aarch64.whl",
        "p-1.0-cp313-cp313-musllinux_1_2_aarch64.whl",
        "p-1.0-cp313-cp313t-manylinux_2_28_aarch64.whl",
        "p-1.0-cp313-cp313-macosx_11_0_arm64.whl",
    ],
)
def test_a_wheel_for_another_machine_is_none(file: str) -> None:
    fits = [
        f"p-1.0-cp3{n}-cp3{n}-manylinux_2_28_{machine}.whl" for n in (11, 12, 14) for machine in ("x86_64", "aarch64")
    ]
    fits.append("p-1.0-cp313-cp313-manylinux_2_28_x86_64.whl")
    (found,) = WHEELS["missing"]([package(*fits, file)])
    assert found == ("p", "1.0", ["Python 3.13 on aarch64"])


def test_what_is_not_installed_there_needs_no_wheel() -> None:
    fits = [f"p-1.0-cp3{n}-cp3{n}-manylinux_2_28_x86_64.whl" for n in (11, 12)]
    marker = "python_full_version < '3.13' and platform_machine == 'x86_64' and sys_platform != 'win32'"
    assert list(WHEELS["missing"]([package(*fits, marker=marker)])) == []
    assert list(WHEELS["missing"]([package(marker="sys_platform == 'win32'")])) == []


def test_a_source_alone_is_no_wheel() -> None:
    ((_, _, where),) = WHEELS["missing"]([{"name": "p", "version": "1.0", "sdist": {"url": "p-1.0.tar.gz"}}])
    assert len(where) == 8


def test_a_wheel_without_a_hash_is_named() -> None:
    found = package("p-1.0-py3-none-any.whl", "p-1.0-cp311-cp311-manylinux_2_28_aarch64.whl")
    listed = "q==1.0 \\\n    --hash=sha256:1a\np==1.0 ; python_version > '3' \\\n    --hash=sha256:0a"
    assert WHEELS["without_hash"]([found], listed) == ["p-1.0-cp311-cp311-manylinux_2_28_aarch64.whl"]
    assert WHEELS["without_hash"]([found], listed + " \\\n    --hash=sha256:1a\n") == []
    assert WHEELS["without_hash"]([found], "p==1.1 \\\n    --hash=sha256:0a\n") == [], (
        "another version is not of the image"
    )
