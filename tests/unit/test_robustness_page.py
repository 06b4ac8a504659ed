"""docs/robustness.md is what `tests.bench.robustness` writes: its rows, its columns, a number in each place."""

import re
from pathlib import Path

import numpy as np
import pytest

from quietward.contracts.notice import NOTICE
from tests.bench import robustness

PAGE = Path("docs/robustness.md")


def test_the_page_has_the_rows_and_columns_of_the_command() -> None:
    lines = PAGE.read_text().splitlines()
    assert NOTICE in lines
    assert set((robustness.__doc__ or "").splitlines()[2:]) <= {*lines, ""}
    head, line, *rows = (one for one in lines if one.startswith("|"))
    assert head == robustness.HEAD
    assert line.count("---") == head.count("|") - 1
    cells = [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]
    assert [name for name, *_ in cells] == list(robustness.ROWS)
    assert all(re.fullmatch(r"[01]\.\d\d", number) for _, *numbers in cells for number in numbers)
    assert {len(row) for row in cells} == {head.count("|") - 1}


def test_what_is_spoilt_is_the_time_and_not_the_values() -> None:
    fhr, ua = np.arange(60.0, 260.0, 0.02), np.full(10_000, 10.0)
    random = np.random.default_rng(0)
    read, _ = robustness.eight_hz(fhr, ua, random)
    assert read == pytest.approx(fhr + 0.005, abs=0.01)  # between its own value and the next
    late, same = robustness.clock_drifts(0.01, 1200)(fhr, ua, random)
    assert late[1199 * 4] == pytest.approx(fhr[1187 * 4], abs=0.03)
    assert late[1200 * 4] == fhr[1200 * 4]
    assert len(late) == len(same) == len(fhr)
