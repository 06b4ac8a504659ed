"""A study says which code it was made with, and nothing where that is not known."""

import shutil
import subprocess
from pathlib import Path

import pytest

from quietward.study import provenance


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A checkout with one file, and the same once more where it would be installed."""
    git = [shutil.which("git") or "git", "-C", str(tmp_path), "-c", "user.name=a", "-c", "user.email=a@b.c"]
    installed = tmp_path / ".venv" / "study"
    installed.mkdir(parents=True)
    for folder in (tmp_path, installed):
        (folder / "code.py").write_text("")
    for words in (["init", "-q"], ["add", "code.py"], ["commit", "-q", "-m", "a"]):
        subprocess.run([*git, *words], check=True, capture_output=True)
    return tmp_path


def test_code_in_a_checkout_is_of_its_commit(checkout: Path) -> None:
    commit = provenance.commit_of(checkout / "code.py")
    assert len(commit) == 12
    (checkout / "code.py").write_text("changed = True\n")
    assert provenance.commit_of(checkout / "code.py") == f"{commit}+"


def test_code_that_was_installed_below_a_checkout_is_not_of_its_commit(checkout: Path) -> None:
    assert provenance.commit_of(checkout / ".venv" / "study" / "code.py") == "unknown"


def test_code_outside_of_a_checkout_is_of_no_commit(tmp_path: Path) -> None:
    (tmp_path / "code.py").write_text("")
    assert provenance.commit_of(tmp_path / "code.py") == "unknown"
