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
    """Return the commit, with `+` behind it where files differ from it; `unknown` outside of a checkout."""
    folder = Path(__file__).resolve().parent
    try:
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
