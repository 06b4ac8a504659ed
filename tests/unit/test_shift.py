"""What happened on a ward, from the logs of its beds: every number is counted here once more by hand."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.log import Event
from quietward.contracts.notice import NOTICE
from quietward.dashboard.history.export import shift_as_csv
from quietward.dashboard.history.shift import BedLog, BedShift, KeyFigure, shift_report

NOW = 1_790_000_000_000
MINUTE = 60_000


def event(minutes_ago: float, kind: str, text: str = "said", **detail: float | str | None) -> Event:
    t = NOW - round(minutes_ago * MINUTE)
    return Event(f"bed-1-{t}", "bed-1", t, kind, text, detail)


def flag(minutes_ago: float, what: str, level: str = "look", name: str = "bed-1-f1", by: str = "") -> Event:
    who = {"by": by} if by else {}
    return event(minutes_ago, f"flag-{what}", f"{level}: why {what}", flag=name, level=level, reason="why", **who)


def kept(*log: Event, minutes: int = 120, bed: str = "bed-1") -> BedLog:
    return BedLog(bed, NOW, sorted(log, key=lambda e: e.t), [NOW - m * MINUTE for m in range(minutes, -1, -1)])


def one(*log: Event, hours: float = 4.0, minutes: int = 120) -> BedShift:
    return shift_report([kept(*log, minutes=minutes)], hours).beds[0]


def figures(*beds: BedLog, hours: float = 4.0) -> dict[str, str]:
    return {f.name: f.value for f in shift_report(list(beds), hours).figures}


STORY = (
    flag(60, "raised"),
    flag(50, "escalated", "bedside"),
    flag(45, "acknowledged", "bedside", by="Kim"),
    flag(30, "worsened", "team"),
    flag(28, "acknowledged", "team", by="Ann"),
    flag(20, "eased", "quiet"),
    flag(10, "raised", "look", "bed-1-f2"),
)


BOTH_TWINS = (
    flag(60, "raised"),
    flag(59, "raised", name="bed-1-s1"),
    flag(55, "escalated", "bedside"),
    flag(54, "escalated", "bedside", "bed-1-s1"),
    flag(50, "acknowledged", "bedside", by="Kim"),
    flag(50, "acknowledged", "bedside", "bed-1-s1", by="Kim"),
    flag(30, "worsened", "team", "bed-1-s1"),
    flag(25, "acknowledged", "team", "bed-1-s1", by="Ann"),
)


def test_flags_of_both_twins_that_one_press_answers_are_one_call() -> None:
    bed = one(*BOTH_TWINS)
    assert (bed.calls, bed.longest_wait_s) == (3, 600.0)
    assert sum(f.of_second for f in bed.flags) == 5, "what is drawn are the flags of each"
    of_ward = figures(kept(*BOTH_TWINS))
    assert of_ward["Calls"] == "3: 1 team, 1 bedside, 1 look"
    assert of_ward["Answered within 5 minutes"] == "1 of 2"
    assert of_ward["Escalated unanswered"] == "1"


def test_a_higher_call_of_the_other_twin_counts() -> None:
    assert one(flag(60, "raised"), flag(59, "raised", "team", "bed-1-s1")).calls == 2
    assert one(flag(60, "raised"), flag(60, "raised", name="bed-1-s1")).calls == 1
    eased = (flag(60, "raised"), flag(50, "eased", "quiet"), flag(40, "raised", name="bed-1-s1"))
    assert one(*eased).calls == 2


def test_a_flag_is_told_level_by_level_and_says_who_waited() -> None:
    bed = one(*STORY)
    told = [(f.from_s / 60, f.until_s / 60, f.level, f.waits) for f in bed.flags]
    assert told == [
        (-60, -50, "look", True),
        (-50, -45, "bedside", True),
        (-45, -30, "bedside", False),
        (-30, -28, "team", True),
        (-28, -20, "team", False),
        (-10, 0, "look", True),
    ]
    assert bed.flags[2].text == "bedside: why escalated"  # an answered one still says why it stood
    assert (bed.calls, bed.longest_wait_s, bed.waits_s) == (4, 15 * 60, 600)


def test_the_figures_of_that_story() -> None:
    found = figures(kept(*STORY), kept(bed="bed-2"))
    assert found["Calls"] == "4: 1 team, 1 bedside, 2 look"
    assert found["Calls per bed-hour"] == "1.00"  # two beds, two hours each
    assert found["Busiest ten minutes"] == "2 calls"
    assert found["Answered within 5 minutes"] == "1 of 3"  # after 2 and 15 min; one has waited for 10
    assert found["Until somebody answered"] == "8 min, 14 min, 15 min"
    assert found["Waiting now"] == "1, the longest for 10 min"
    assert found["Resolved before answered"] == "0"
    assert found["Escalated unanswered"] == "1"


def test_what_was_done_and_whether_it_helped() -> None:
    done = [
        flag(60, "raised"),
        event(55, "care", "turned to the side, by Kim", by="Kim", what="turned"),
        event(45, "care-result", what="turned", by="Kim", helped=1.0),
        event(40, "care", by="Ann", what="examined"),
        event(30, "care-result", what="examined", by="Ann", helped=0.0),
        event(5, "held-back", condition="x", why="y"),
        flag(54, "eased", "quiet"),
    ]
    bed = one(*done)
    assert [(m.at_s / 60, m.what, m.by) for m in bed.interventions] == [
        (-55, "turned to the side", "Kim"),
        (-40, "vaginal examination", "Ann"),
    ]
    found = figures(kept(*done))
    assert (found["Care notes"], found["Suppressed"]) == ("2: 1 helped, 1 no improvement", "1")
    assert (found["Until somebody answered"], found["Resolved before answered"]) == ("5 min, 5 min, 5 min", "0")


def test_what_eased_before_anybody_came_is_no_answer() -> None:
    found = figures(kept(flag(60, "raised"), flag(58, "eased", "quiet")))
    assert (found["Resolved before answered"], found["Until somebody answered"]) == ("1", "–")
    assert found["Answered within 5 minutes"] == "–"


def test_only_the_last_hours_count() -> None:
    bed = one(*STORY, hours=0.5)
    assert [(f.from_s / 60, f.level) for f in bed.flags] == [(-30, "team"), (-28, "team"), (-10, "look")]
    assert bed.calls == 2
    assert figures(kept(*STORY), hours=0.5)["Calls per bed-hour"] == "4.00"


def test_a_bed_of_which_nothing_is_on_record_is_no_calm_bed() -> None:
    found = shift_report([BedLog("bed-1", NOW, [], [])], 4.0).beds[0]
    assert found.gaps == [(-4 * 3600, 0.0)]


def test_a_detector_that_died_leaves_its_time_blank() -> None:
    """Now goes on by the bed's clock, also while nobody looks."""
    minutes = [NOW - m * MINUTE for m in range(240, 119, -1)]
    found = shift_report([BedLog("bed-1", NOW, [flag(200, "raised")], minutes)], 4.0).beds[0]
    assert found.gaps == [(-120 * 60, 0.0)]


def test_minutes_without_a_look_are_told() -> None:
    minutes = [NOW - m * MINUTE for m in (60, 59, 58, 30, 29, 28, 10)]
    found = shift_report([BedLog("bed-1", NOW, [], minutes)], 4.0).beds[0]
    assert [(a / 60, b / 60) for a, b in found.gaps] == [(-58, -31), (-28, -11), (-10, 0)]
    assert found.since_s == -3600
    assert one(minutes=90).gaps == []


def test_an_empty_ward_says_nothing_happened() -> None:
    assert figures()["Calls"] == "0"
    assert figures()["Calls per bed-hour"] == "–"
    assert figures(kept())["Waiting now"] == "nobody"


KINDS = ("raised", "escalated", "worsened", "acknowledged", "eased", "shelved", "renewed", "repeated")


@given(st.lists(st.tuples(st.floats(0, 300), st.sampled_from(KINDS), st.sampled_from(["look", "bedside", "team"]))))
def test_stretches_lie_in_order_within_the_hours_and_waits_add_up(told: list[tuple[float, str, str]]) -> None:
    log = [flag(ago, what, "quiet" if what in ("eased", "shelved") else level, by="Kim") for ago, what, level in told]
    bed = one(*log, hours=3.0)
    assert all(-3 * 3600 <= f.from_s <= f.until_s <= 0 for f in bed.flags)
    assert all(a.until_s <= b.from_s for a, b in zip(bed.flags, bed.flags[1:], strict=False))
    waiting = sum(f.until_s - f.from_s for f in bed.flags if f.waits)
    assert waiting <= 3 * 3600 + 0.001  # sums of thousandths
    if bed.waits_s is not None:
        assert bed.flags[-1].waits
        assert bed.flags[-1].until_s == 0


@pytest.mark.parametrize("text", ["=1+1", "plain, with a comma"])
def test_the_table_has_the_notice_and_every_stretch(text: str) -> None:
    log = [event(30, "flag-raised", text, flag="bed-1-f1", level="look", reason=text)]
    rows = list(csv.DictReader(io.StringIO(shift_as_csv(shift_report([kept(*log)], 4.0)), newline="")))
    assert rows[0]["reason"] == NOTICE
    assert [(r["bed"], r["level"], r["answered"]) for r in rows[1:]] == [("bed-1", "look", "no")]
    assert rows[1]["reason"].lstrip("'") == text
    assert not rows[1]["reason"].startswith("=")
    assert rows[1]["from"] == "2026-09-21T13:43:20.000Z"


def test_every_figure_says_what_it_means() -> None:
    assert all(isinstance(f, KeyFigure) and f.meaning for f in shift_report([kept(*STORY)], 4.0).figures)


def test_flags_of_twins_stand_each_in_their_own_line() -> None:
    """Both ask at once, and one answer is for both; each is told by itself."""
    first = (flag(30, "raised", "team"), flag(20, "acknowledged", "team", by="Kim"))
    second = (flag(30, "raised", "look", "bed-1-s1"), flag(20, "acknowledged", "look", "bed-1-s1", by="Kim"))
    bed = one(*first, *second)
    told = [(f.of_second, f.from_s / 60, f.until_s / 60, f.level, f.waits) for f in bed.flags]
    assert told == [
        (False, -30, -20, "team", True),
        (False, -20, 0, "team", False),
        (True, -30, -20, "look", True),
        (True, -20, 0, "look", False),
    ]
