"""A plain installation does what README promises of it; a command that needs more says which extra brings it."""

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from quietward.contracts.errors import MissingExtra, extra
from quietward.recordings.files import write_recording
from quietward.runtime.doctor import NEEDED

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
EXTRAS: dict[str, list[str]] = PROJECT["optional-dependencies"]
OPTIONAL = ("bytewax", "edfio", "fhir", "matplotlib", "pandas", "pyarrow", "scipy", "simpy", "sklearn", "wfdb")
"""Packages that a plain installation does not bring. (Jinja2, of the studies, comes with Dash's Flask anyway.)"""
PLAIN = """
import asyncio
from quietward.recordings import files, wfdb_files
from quietward.dashboard import app
from quietward.dashboard.print import files
from quietward.detect import assess, service
from quietward.ingest import service
from quietward.practice import routes, simulated
from quietward.runtime import demo, doctor, embedded
from quietward.simulator import output, service
from quietward.study import ward_hours, what_if
import quietward
quietward.assess([140] * 240)._repr_html_()
simulated.make(simulated.code_of("calm", 1))
ward_hours._planned("attention")
"""
MISSING = """raise ModuleNotFoundError("No module named {0!r}", name="{0}")"""


@pytest.fixture
def plain(tmp_path: Path) -> dict[str, str]:
    """Return an environment in which the packages of the extras cannot be imported."""
    for name in OPTIONAL:
        (tmp_path / f"{name}.py").write_text(MISSING.format(name))
    return os.environ | {"PYTHONPATH": str(tmp_path)}


def run(plain: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments], env=plain, capture_output=True, text=True, check=False, timeout=120
    )


def test_what_the_demo_and_its_page_need_is_there(plain: dict[str, str]) -> None:
    found = run(plain, "-c", PLAIN)
    assert found.returncode == 0, found.stderr


def test_recordings_are_written_and_read(plain: dict[str, str], tmp_path: Path) -> None:
    out = tmp_path / "out"
    written = run(plain, "-m", "quietward", "simulate", "--scenario", "calm", "--beds", "1", "--hours", "0.1",
                  "--out", str(out))  # fmt: skip
    assert written.returncode == 0, written.stderr
    again = run(plain, "-m", "quietward", "assess", str(out), "--out", str(out), "--format", "fhir")
    assert again.returncode == 0, again.stderr
    read = run(plain, "-m", "quietward", "assess", str(out), "--json")
    assert read.returncode == 0, read.stderr
    assert read.stdout.count('"record":"bed-1"') == 2


@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        (["assess", "x.csv", "--plot", "x.png"], "pictures"),
        (["assess", "x.hea"], "recordings"),
        (["assess", "x.edf"], "edf"),
        (["assess", "x.parquet"], "parquet"),
        (["study"], "studies"),
        (["load", "--beds", "1"], "load"),
    ],
)
def test_a_command_that_needs_more_names_the_extra(
    plain: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], name: str
) -> None:
    (tmp_path / "x.hea").write_text("x 1 4 4\nx.dat 80 100 8 0 0 0 0 FHR\n")
    for suffix in (".edf", ".parquet"):
        write_recording(tmp_path / f"x{suffix}", np.full(8, 140.0), np.full(8, 10.0))
    monkeypatch.chdir(tmp_path)
    found = run(plain, "-m", "quietward", *arguments)
    assert found.returncode == 2, found.stderr
    (line,) = [line for line in found.stderr.splitlines() if line.startswith("quietward:")]
    assert f"pip install 'quietward[{name}]'" in line
    assert "Traceback" not in found.stderr
    assert name in EXTRAS


def test_the_library_names_its_extra(plain: dict[str, str]) -> None:
    found = run(plain, "-c", "import quietward; quietward.assess([140]).to_frame()")
    assert found.stderr.splitlines()[-1].startswith("quietward.contracts.errors.MissingExtra: to_frame needs: 'pandas'")
    assert "pip install 'quietward[frames]'" in found.stderr


def test_a_mistake_of_our_own_is_not_taken_for_a_missing_package() -> None:
    with pytest.raises(ModuleNotFoundError), extra("studies", "this test"):
        import quietward.no_such_module  # type: ignore[import-not-found]  # noqa: F401
    says = r"this test needs: 'no_such_package'.*quietward\[studies\]"
    with pytest.raises(MissingExtra, match=says), extra("studies", "this test"):
        import no_such_package  # type: ignore[import-not-found]  # noqa: F401


def test_the_test_extra_brings_all_others() -> None:
    """All but those for work on the project itself are in `all`."""
    assert "quietward[all,docs]" in EXTRAS["test"]
    (every,) = EXTRAS["all"]
    assert set(re.findall(r"\w+", every.partition("[")[2])) == set(EXTRAS) - {"all", "docs", "fuzz", "test"}


def test_the_doctor_asks_for_nothing_that_a_plain_installation_lacks() -> None:
    plain = {name for line in PROJECT["dependencies"] for name in re.findall(r"[a-z-]+", line.partition(">")[0])}
    assert set(NEEDED) <= plain
