"""Scores of shifts against examples done by hand and against published definitions."""

import numpy as np
import pytest

from quietward.simulator.truth import Span
from quietward.study import score
from quietward.study.alarms import AlarmChange, Call, NotedTime
from quietward.study.score import ShiftScore
from quietward.study.staff import BedTruth, Visit

NOTHING = BedTruth([], [], [])


def shift(
    calls: list[tuple[float, int]], needs: list[Span] | None = None, told: list[AlarmChange] | None = None,
    noted: list[NotedTime] | None = None, visits: list[Visit] | None = None, hours: float = 2.0,
) -> ShiftScore:  # fmt: skip
    """Score one bed with one nurse. calls: time and level."""
    made = [(Call(0, 0, t, level, "a-fall", "raised"), False) for t, level in calls]
    truth = [BedTruth(needs or [], [], [])]
    return score.score_shift([hours * 3600], truth, [[0]], made, told or [], noted or [], visits or [])


def test_time_noted_ends_with_the_signal() -> None:
    noted = [NotedTime(0, 0, 0.0, 900.0), NotedTime(0, 0, 3600.0, np.inf), NotedTime(0, 0, 8000.0, np.inf)]
    assert shift([], noted=noted).noted_hours == 1.25


def test_a_flood_begins_with_more_than_ten_in_ten_minutes() -> None:
    """ANSI/ISA-18.2-2016: from more than 10 in 10 min until fewer than 5."""
    ten = [(60.0 * i, 1) for i in range(10)]
    assert shift(ten).flood_s == 0
    # the eleventh makes a flood of minute 10, which lasts until fewer than five are left in the last ten minutes
    found = shift([*ten, (599.0, 1)])
    assert found.peak_in_10_min == 11
    assert 300 <= found.flood_s <= 420


def test_even_calls_are_the_most_that_can_be_managed() -> None:
    """12 an hour are 2 in 10 min (ANSI/ISA-18.2-2016: the most that can be managed)."""
    found = shift([(300.0 * i, 1) for i in range(24)])
    assert found.interruptions / found.nurse_hours / 6 == pytest.approx(2)
    assert found.flood_s == 0


def test_three_of_a_kind_in_a_minute_chatter() -> None:
    """A working rule of the trade: on and off three times or more in a minute."""
    assert shift([(0, 1), (20, 1), (40, 1)]).chattering == 3
    assert shift([(0, 1), (20, 1), (90, 1)]).chattering == 0


def test_what_is_over_at_once_and_stays_away_is_fleeting() -> None:
    assert shift([], told=[AlarmChange(0, 0, 10, 1, False), AlarmChange(0, 0, 18, 0, False)]).fleeting == 1
    assert shift([], told=[AlarmChange(0, 0, 10, 1, False), AlarmChange(0, 0, 21, 0, False)]).fleeting == 0
    back = [AlarmChange(0, 0, 10, 1, False), AlarmChange(0, 0, 18, 0, False), AlarmChange(0, 0, 50, 1, False)]
    assert shift([], told=back).fleeting == 0


def test_what_nobody_answers_for_half_an_hour_is_stale() -> None:
    raised = [AlarmChange(0, 0, 0, 1, False), AlarmChange(0, 0, 1200, 2, False)]
    assert shift([], told=[*raised, AlarmChange(0, 0, 1900, 0, False)]).stale == 1
    assert shift([], told=[*raised, AlarmChange(0, 0, 1700, 2, True)]).stale == 0


BOTH = [Span("bedside", 1000, 1150), Span("team", 1150, 1600)]


def test_a_need_that_grows_is_one_of_the_bedside_and_one_of_the_team() -> None:
    bedside, team = shift([], BOTH).episodes
    assert (bedside.level, bedside.from_s, bedside.lasts_s, bedside.reached_s) == ("bedside", 1000, 600, None)
    assert (team.level, team.from_s, team.lasts_s, team.reached_s) == ("team", 1150, 450, None)
    assert shift([], BOTH).longest_wait_s == 600


@pytest.mark.parametrize(
    ("from_s", "until_s", "to_bedside", "to_team"),
    [
        (0, 999, None, None),  # left before anybody was needed
        (900, 1100, 0, None),
        (1100, 1120, 100, None),  # left before it became one for the team
        (1100, 1200, 100, 0),  # who came to the fall was there when it became one for the team
        (1300, 1400, 300, 150),
        (1600, 1700, None, None),  # it was over
    ],
)
def test_time_to_somebody_at_the_bed(
    from_s: float, until_s: float, to_bedside: float | None, to_team: float | None
) -> None:
    bedside, team = shift([], BOTH, visits=[Visit(0, from_s, until_s, "nurse 1")]).episodes
    assert (bedside.reached_s, team.reached_s) == (to_bedside, to_team)


def test_who_came_is_told_apart() -> None:
    call, round_ = Visit(0, 1100, 1200, "nurse 1", "call"), Visit(0, 1050, 1060, "nurse 2", "round")
    clinicians = Visit(0, 1500, 1700, "clinicians", "call")

    def came(*visits: Visit) -> list[tuple[str, float | None, float | None]]:
        return [(e.reached_by, e.reached_s, e.clinicians_s) for e in shift([], BOTH, visits=list(visits)).episodes]

    assert came(clinicians, call, round_) == [("round", 50, 500), ("call", 0, 350)]
    assert came(clinicians) == [("clinicians", 500, 500), ("clinicians", 350, 350)]
    assert came(round_) == [("round", 50, None), ("", None, None)]


def test_a_round_is_no_answer_to_a_call() -> None:
    call, round_ = Visit(0, 1300, 1400, "nurse 1", "call"), Visit(0, 1050, 1600, "nurse 2", "round")
    clinicians = Visit(0, 1500, 1700, "clinicians", "call")

    def answered(*visits: Visit) -> list[float | None]:
        return [e.answered_s for e in shift([], BOTH, visits=list(visits)).episodes]

    assert answered(round_) == [None, None]
    assert answered(round_, call, clinicians) == [300, 150]
    assert answered(round_, clinicians) == [500, 350]


def test_from_when_on_the_trace_shows_a_need_is_known_beside_when_it_begins() -> None:
    def shown(pathological: list[Span] | None) -> list[float | None]:
        truth = BedTruth(BOTH, [], [], pathological=pathological)
        return [e.shown_s for e in score.score_shift([7200.0], [truth], [[0]], [], [], [], []).episodes]

    assert shown([Span("late decelerations", 1100.0, 1300.0)]) == [100.0, 0.0]
    assert shown([]) == shown(None) == [None, None]


def test_flagged_before_and_after() -> None:
    told = [AlarmChange(0, 0, 800, 1, False), AlarmChange(0, 0, 1300, 2, False), AlarmChange(0, 0, 2000, 0, False)]
    bedside, team = shift([], BOTH, told).episodes
    assert (bedside.flagged_s, bedside.called_s) == (-200, 300)
    assert (team.flagged_s, team.called_s) == (-350, 150)
    over = [AlarmChange(0, 0, 500, 2, False), AlarmChange(0, 0, 900, 0, False)]
    assert {e.flagged_s for e in shift([], BOTH, over).episodes} == {None}


def test_a_call_for_the_team_interrupts_every_nurse() -> None:
    calls = [(Call(0, 0, 10.0, 3, "a-fall", "raised"), True), (Call(0, 0, 20.0, 1, "a-fall", "raised"), True)]
    found = score.score_shift([3600.0] * 4, [NOTHING] * 4, [[0, 2], [1, 3]], calls, [], [], [])
    assert found.interruptions == 3
    assert [(t.level, t.true_positive, t.count, t.heard) for t in found.calls] == [(1, True, 1, 1), (3, True, 1, 2)]
