"""A disk that is full ends a study in one line."""

import resource
from pathlib import Path

import pytest

from quietward.contracts.errors import BadStudy
from tests.studies import run_study, small


def test_a_full_disk_is_one_line(tmp_path: Path) -> None:
    """As far as a job can tell: a file may not grow beyond 20,000 bytes, and what is measured is larger."""
    plan = small(cases=[{"shift": "two-at-once", "hours": 0.6, "seeds": [1, 2]}])
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, before[1]))
    try:
        with pytest.raises(BadStudy) as refused:
            run_study(plan, tmp_path / "done")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert str(refused.value).startswith(f"--out: '{tmp_path / 'done'}'. Cannot be written to: ")
    assert "\n" not in str(refused.value)
