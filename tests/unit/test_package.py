"""One import name: only `quietward` is installed, and what lies in the user's folder is never taken for a part."""

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SETUP = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
PARTS = ("simulator", "ingest", "detect", "dashboard", "study", "load", "practice")


def test_every_folder_with_code_is_part_of_the_one_package() -> None:
    folders = {file.parent.relative_to(ROOT) for top in ("quietward", *PARTS) for file in (ROOT / top).rglob("*.py")}
    there = {
        ".".join(folder.parts if folder.parts[0] == "quietward" else ("quietward", *folder.parts)) for folder in folders
    }
    assert set(SETUP["packages"]) == there
    assert SETUP["package-dir"] == {f"quietward.{part}": part for part in PARTS}


NOT_SHIPPED = re.compile(r"dashboard/screenshots/|(^|/)ruff\.toml$")
"""What lies in a folder of the package and is for whoever works on it."""


def test_the_wheel_carries_every_file_that_is_not_python() -> None:
    git = shutil.which("git")
    if git is None or not (ROOT / ".git").exists():
        pytest.skip("git does not know this tree")
    command = [git, "ls-files", "--", "quietward", *PARTS]
    tracked = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    needed = {file for file in tracked.stdout.splitlines() if not file.endswith(".py") and not NOT_SHIPPED.search(file)}
    shipped = set()
    for package, patterns in SETUP["package-data"].items():
        folder = ROOT / SETUP["package-dir"].get(package, package.replace(".", "/"))
        for pattern in patterns:
            files = {str(file.relative_to(ROOT)) for file in folder.glob(pattern) if file.is_file()}
            assert files & needed, f"{package}: {pattern} carries nothing"
            shipped |= files
    assert "quietward/py.typed" in needed
    assert needed <= shipped, sorted(needed - shipped)


def test_files_of_the_users_folder_are_not_imported(tmp_path: Path) -> None:
    for name in ("detect", "study", "load", "dashboard", "simulator", "quietward"):
        (tmp_path / f"{name}.py").write_text(f"raise SystemExit('the {name}.py of this folder was executed')\n")
    code = "from quietward.runtime.process import command_of; print(*command_of('study', '--help'), sep='\\n')"
    command = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True, timeout=60
    ).stdout.splitlines()
    found = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=60)
    assert found.returncode == 0, found.stderr
    assert "quietward study" in found.stdout


def test_what_an_engine_needs_to_run_the_core_stays_short() -> None:
    """Whoever writes the same for another engine shall see at once what there is to do."""
    assert len((ROOT / "quietward" / "dataflow.py").read_text().splitlines()) <= 150
