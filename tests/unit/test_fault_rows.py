"""A row of the fault table fails for what it is there to notice."""

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from quietward.runtime.process import ENDS_ANYWAY_AFTER_S
from tests.faults import table
from tests.faults.faults import CALM_AT_MOST_S, Fault, all_faults, nothing
from tests.faults.table import Row
from tests.faults.ward import Moment, Page

FAULT = Fault("made up", nothing, nothing)
GOOD = Row(FAULT, "x", "x", said_s=5.0, calm_s=8.0, well_s=1.0)


def moment(*states: str, at: float | None = None, troubles: Sequence[str] = ()) -> Moment:
    beds = {f"bed-{n}": (state, "") for n, state in enumerate(states)}
    return Moment(time.monotonic() if at is None else at, beds, {}, list(troubles))


def looked(*seen: tuple[float, Moment], stood_before: Sequence[str] = ()) -> Row:
    """What a row notes of a page that shows some moments. stood_before: words that the page said before the fault."""
    ward: Any = type("Ward", (), {"page": Page(0, frozenset())})
    row = Row(FAULT)
    for passed_s, one in seen:
        ward.page.moments.append(one)
        table._look(ward, row, passed_s, {table._kind_of(one) for one in stood_before})
    return row


def test_the_last_moment_in_which_a_bed_looked_calm_counts() -> None:
    calm, blind = moment("quiet", "lost"), moment("lost", "unwatched")
    assert looked((5, blind), (6, blind)).calm_s == 5
    assert looked((5, blind), (6, calm), (11, blind), (12, blind)).calm_s == 11
    assert looked((5, blind), (6, calm)).calm_s is None


def test_what_the_page_said_before_is_not_what_it_says_of_the_fault() -> None:
    slow = {"bed-1": ("quiet", "its clock is 32 min ahead of the server's")}
    before, then = (
        Moment(time.monotonic(), slow, {}, []),
        Moment(time.monotonic(), slow, {}, ["ingest: silent for 5 s"]),
    )
    row = looked((1, before), (5, then), stood_before=["quiet: its clock is 33 min ahead of the server's"])
    assert (row.first, row.said_s) == ("ingest: silent for 5 s", 5)
    other = Moment(time.monotonic(), slow | {"bed-2": ("lost", "No data for 8 s")}, {}, [])
    assert looked((8, other), stood_before=["quiet: its clock is 1 min ahead of the server's"]).first.startswith(
        "lost: No"
    )
    assert looked((1, before)).first.startswith("quiet: its clock"), "where it is new"


def test_a_page_that_has_lost_its_server_looks_calm_no_more() -> None:
    row = looked((2, moment("quiet")), (4, moment("quiet", at=time.monotonic() - 60)))
    assert (row.calm_s, row.first, row.said_s) == (4, "lost connection to the server", 4)


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (GOOD, ""),
        (replace(GOOD, well_s=None), "not well again"),
        (replace(GOOD, first="", said_s=None), "said nothing"),
        (replace(GOOD, said_s=12.1), "said after 12.1 s"),
        (replace(GOOD, calm_s=CALM_AT_MOST_S + 0.1), "calm for too long"),
        (replace(GOOD, calm_s=None), "calm for too long"),
        (replace(GOOD, lost=1), "1 s lost"),
        (replace(GOOD, log_is_whole=False), "numbered"),
        (replace(GOOD, gap_s=9.0), ""),
        (replace(GOOD, fault=replace(FAULT, gap_at_most_s=3.5), gap_s=3.6), "no frame for 3.6 s"),
        (replace(GOOD, grown_mb=table.GROWS_AT_MOST_MB + 1), "grew by 41 MB"),
        (replace(GOOD, quiet_s=2.0), "quiet after 2.0 s"),
    ],
)
def test_a_row_says_what_should_not_be(row: Row, says: str) -> None:
    assert row.faults == [] if not says else says in row.faults[0]
    assert len(row.faults) <= 1
    assert table.line(row).count("|") == table.HEAD.splitlines()[0].count("|")


def test_a_bed_that_nothing_is_known_of_may_not_be_quiet_for_a_time() -> None:
    moments = [moment("quiet", at=9.0), moment("quiet", at=11.0, troubles=["store"]), moment("noted", at=12.0)]
    assert table._quiet_after(moments, 10.0, 60.0) is None
    assert table._quiet_after([*moments, moment("noted", "quiet", at=15.0)], 10.0, 60.0) == 5.0
    assert table._quiet_after([moment("quiet", at=71.0)], 10.0, 60.0) is None


def test_no_part_is_stopped_for_so_long_that_it_ends_when_it_is_continued() -> None:
    assert max(one.hold_s for one in all_faults() if "stopped" in one.name) < ENDS_ANYWAY_AFTER_S / 2
