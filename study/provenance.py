"""Which code a study was made with: version, and commit where the code lies in a checkout."""

import shutil
import subprocess
from functools import cache
from pathlib import Path

from quietward import __version__

UNKNOWN = "unknown"
GIT_S = 10


@cache
def commit() -> str:
    """Return the commit that this package is of."""
    return commit_of(Path(__file__))


def commit_of(file: Path) -> str:
    """Return the commit, with `+` behind it where files differ from it; `unknown` where git does not know the file.

    A package that was installed below a checkout lies in it and is none of its files.
    """
    folder, name = file.resolve().parent, file.resolve().name
    try:
        _git(folder, "ls-files", "--error-unmatch", name)
        return _git(folder, "rev-parse", "--short=12", "HEAD") + ("+" if _git(folder, "status", "-s", "-uno") else "")
    except (OSError, subprocess.SubprocessError):
        return UNKNOWN


def version() -> str:
    """Return the version of this package."""
    return __version__


def _git(folder: Path, *words: str) -> str:
    git = shutil.which("git") or "git"
    said = subprocess.run([git, "-C", str(folder), *words], capture_output=True, text=True, check=True, timeout=GIT_S)
    return said.stdout.strip()
