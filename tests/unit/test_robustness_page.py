"""docs/robustness.md is what `tests.bench.robustness` writes: its rows, its columns, a number in each place."""

import re
from pathlib import Path

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
