"""StaffModel believe calls as far as they earn it, do one thing at a time, and come sooner to what is more urgent."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
import simpy
from msgspec import structs

from quietward.simulator.truth import Span
from quietward.study import score
from quietward.study.alarms import AlarmChange, Call, NotedTime
from quietward.study.staff import BedTruth, Staff, Visit, run_shift
from quietward.study.staff_model import StaffModel
from tests.studies import small

LOOK, BEDSIDE, TEAM = 1, 2, 3
NOTHING = BedTruth([], [], [])


@dataclass
class Rung:
    """An alarm that calls as a test says. answered: bed and time."""

    calls: list[Call]
    changes: list[AlarmChange] = field(default_factory=list)
    answered: list[tuple[int, float]] = field(default_factory=list)
    standing: dict[int, int] = field(default_factory=dict)

    def next_s(self) -> float:
        return self.calls[0].t_s if self.calls else np.inf

    def step(self) -> list[Call]:
        call = self.calls.pop(0)
        self.standing[call.bed] = call.level
        return [call]

    def noted(self) -> list[NotedTime]:
        return []

    def level(self, variant: int, bed: int) -> int:
        assert variant == 0
        return self.standing.get(bed, 0)

    def answer(self, variant: int, bed: int, t_s: float) -> None:
        if variant == 0 and self.standing.pop(bed, 0):
            self.answered.append((bed, t_s))


def usual(**tables: dict[str, Any]) -> StaffModel:
    """Return staff with some numbers changed; nobody has a student unless it is said."""
    staff = structs.replace(small().variants[0].staff, student_share=0.0)
    parts = {name: structs.replace(getattr(staff, name), **table) for name, table in tables.items()}
    return structs.replace(staff, **parts)


BUSY_WITH_NOTHING = {"round_every_min": 1e6, "again_after_min": 1e6, "other_every_min": 1e6, "spread": 0.0}


def test_who_is_free_is_called_when_the_call_comes_and_not_before() -> None:
    """Nothing happens between a call that nobody believes and the next one."""
    staff, rung = usual(tasks=BUSY_WITH_NOTHING, trust={"least": 0.0}), Rung([])
    rung.calls = [Call(0, 0, 100.0, LOOK, "a", "raised"), Call(0, 0, 5000.0, BEDSIDE, "a", "raised")]
    env = simpy.Environment()
    on_shift = Staff(env, staff, [NOTHING], rung, 0, 0, {LOOK: 0.0, BEDSIDE: 1.0}, "a")
    run_shift(env, rung, lambda call: on_shift.on_call(call, None), 9000)
    (visit,) = on_shift.visits
    assert visit.from_s > 5000


def shift(
    calls: list[tuple[float, int, int]], beds: list[BedTruth], staff: StaffModel, ppv: float = 1.0, seed: str = "a",
    hours: float = 12.0, is_true: bool = False, ends_s: list[float] | None = None,
) -> tuple[Staff, Rung]:  # fmt: skip
    """Let a shift go by. calls: time, bed, level; is_true: whether they are true positives."""
    rung = Rung([Call(0, bed, t, level, "a-fall", "raised") for t, bed, level in calls])
    env = simpy.Environment()
    expected = dict.fromkeys((LOOK, BEDSIDE, TEAM), ppv)
    staff_on_shift = Staff(env, staff, beds, rung, 0, 0, expected, seed, ends_s=ends_s)
    run_shift(env, rung, lambda call: staff_on_shift.on_call(call, is_true), hours * 3600)
    return staff_on_shift, rung


@pytest.mark.parametrize("ppv", [0.25, 0.5, 0.75])
def test_calls_are_answered_at_the_rate_at_which_they_stand_for_something(ppv: float) -> None:
    """Bliss, Gilson, Deaton, Ergonomics 1995;38:2300: most people match the rate of true alarms; these were tested."""
    staff = usual(tasks=BUSY_WITH_NOTHING, trust={"matching_share": 1.0, "slower": [1.0, 1.0, 1.0]})
    calls = [(600.0 * (i + 1), 0, BEDSIDE) for i in range(400)]
    _, rung = shift(calls, [NOTHING], staff, ppv, hours=70)
    assert len(rung.answered) / 400 == pytest.approx(ppv, abs=0.08)


def test_who_does_not_match_answers_all_or_none() -> None:
    """The same study: about one in ten."""
    staff = usual(tasks=BUSY_WITH_NOTHING, trust={"matching_share": 0.0, "least": 0.0})
    calls = [(600.0 * (i + 1), 0, BEDSIDE) for i in range(50)]
    assert [len(shift(calls, [NOTHING], staff, ppv)[1].answered) for ppv in (0.4, 0.6)] == [0, 50]


def test_the_more_stood_for_nothing_in_two_hours_the_slower() -> None:
    """Bonafide and others, J Hosp Med 2015: 0 to 29, 30 to 79, 80 and more in the 120 min before, each step slower."""
    staff = usual(tasks=BUSY_WITH_NOTHING)

    def waited(before: int) -> float:
        calls = [(7200.0 * i / 100, 1, LOOK) for i in range(before)]
        _, rung = shift([*calls, (7300.0, 0, BEDSIDE)], [NOTHING] * 2, staff)
        return next(t for bed, t in rung.answered if bed == 0) - 7300

    few, some, many = (waited(n) for n in (20, 50, 95))
    slower = staff.trust.slower
    walk_s, notice_s = staff.tasks.walk_s, staff.call.notice_s
    assert [few, some, many] == pytest.approx([walk_s + notice_s * factor for factor in slower])


def test_a_strip_is_read_at_the_station_before_anybody_goes() -> None:
    staff = usual(tasks=BUSY_WITH_NOTHING, call={"reads_right": 1.0})
    needed = BedTruth([Span("bedside", 100, 5000)], [], [])
    staff_on_shift, rung = shift([(200, 0, LOOK), (300, 1, LOOK)], [needed, NOTHING], staff)
    (visit,) = staff_on_shift.visits
    assert visit.bed == 0
    assert visit.from_s == pytest.approx(200 + 15 + 25 + 40)
    assert sorted(bed for bed, _ in rung.answered) == [0, 1]


def test_the_most_urgent_comes_first_and_one_thing_at_a_time() -> None:
    staff = usual(tasks=BUSY_WITH_NOTHING)
    beds = [BedTruth([Span("bedside", 0, 9000)], [], []) for _ in range(3)]
    staff_on_shift, _ = shift([(10, 0, BEDSIDE), (60, 1, LOOK), (70, 2, BEDSIDE)], beds, staff, hours=1)
    assert [v.bed for v in staff_on_shift.visits] == [0, 2, 1]
    assert all(a.until_s < b.from_s for a, b in zip(staff_on_shift.visits, staff_on_shift.visits[1:], strict=False))


def test_rounds_come_round_without_any_call() -> None:
    staff_on_shift, _ = shift([], [NOTHING] * 4, usual(), hours=8)
    for bed in range(4):
        came = [v.from_s for v in staff_on_shift.visits if v.bed == bed]
        assert 12 <= len(came) <= 17
        assert max(np.diff(came)) < 3600


def test_a_call_for_the_team_brings_others() -> None:
    beds = [BedTruth([Span("team", 0, 9000)], [], []), *[NOTHING] * 7]
    staff_on_shift, _ = shift([(60, 0, TEAM)], beds, usual(tasks=BUSY_WITH_NOTHING), hours=1)
    assert {v.who for v in staff_on_shift.visits if v.bed == 0} >= {"nurse 1", "clinicians"}


def test_a_nurse_who_finds_that_the_team_is_needed_calls_it_and_stays_until_it_is_there() -> None:
    staff = usual(tasks=BUSY_WITH_NOTHING, team={"comes_in_s": 2000.0})
    needed = BedTruth([Span("bedside", 0, 300), Span("team", 300, 9000)], [], [])
    staff_on_shift, _ = shift([(100, 0, BEDSIDE)], [needed], staff, hours=2)
    nurse, clinicians = staff_on_shift.visits
    assert nurse.from_s == pytest.approx(100 + 15 + 40)
    assert clinicians.from_s == pytest.approx(300 + 2000)  # called when it became a need for the team, and once
    assert nurse.until_s == clinicians.from_s
    assert (nurse.why, clinicians.who) == ("call", "clinicians")


@pytest.mark.parametrize(("calls", "why"), [([], "round"), ([(100.0, 0, BEDSIDE)], "call")])
def test_clinicians_come_for_what_the_nurse_had_come_for(calls: list[tuple[float, int, int]], why: str) -> None:
    """Whom a nurse calls who found the need on her round answers no call."""
    needed = BedTruth([Span("team", 50, 9000)], [], [])
    staff_on_shift, _ = shift(calls, [needed], usual(), hours=2)
    assert {(v.who, v.why) for v in staff_on_shift.visits} >= {("clinicians", why)}
    (_, team) = score.score_shift([7200.0], [needed], [[0]], [], [], [], staff_on_shift.visits).episodes
    assert team.clinicians_s is not None
    assert (team.answered_s is None) == (why == "round")


def test_where_somebody_was_needed_she_looks_again_before_the_round_is_due() -> None:
    staff = usual(tasks={**BUSY_WITH_NOTHING, "again_after_min": 10.0})
    staff_on_shift, _ = shift([(100, 0, BEDSIDE)], [BedTruth([Span("bedside", 0, 1500)], [], [])], staff, hours=2)
    first, second, _ = staff_on_shift.visits
    assert second.from_s - first.until_s == pytest.approx(600 + 40)
    assert (first.why, second.why) == ("call", "look again")


def test_who_helped_at_a_bed_of_somebody_else_leaves_it_to_them_afterwards() -> None:
    """One call for the team made every nurse who came go round that bed to the end of the shift."""
    beds = [BedTruth([Span("team", 0, 3000)], [], []), *[NOTHING] * 7]
    staff_on_shift, _ = shift([(60, 0, TEAM)], beds, usual(), hours=6)
    assert {v.who for v in staff_on_shift.visits if v.bed == 0 and v.why == "call"} >= {"nurse 1", "nurse 2"}
    assert {v.who for v in staff_on_shift.visits if v.bed == 0 and v.why != "call"} <= {"nurse 1", "clinicians"}


def test_without_rounds_there_are_none_but_looks_after_care() -> None:
    (staff,) = [v.staff for v in small(alarm=[], vary=[]).other_staff if v.staff_is == "no rounds"]
    needed = BedTruth([Span("bedside", 0, 1500)], [], [])
    staff_on_shift, _ = shift([(100, 0, BEDSIDE)], [needed, *[NOTHING] * 3], staff, hours=8)
    assert {v.why for v in staff_on_shift.visits} <= {"call", "look again"}


def test_nobody_goes_round_a_bed_whose_signal_has_ended() -> None:
    staff_on_shift, _ = shift([], [NOTHING] * 4, usual(), hours=6, ends_s=[3600.0, 7200.0, 21600.0, 21600.0])
    last = {bed: max(v.from_s for v in staff_on_shift.visits if v.bed == bed) for bed in range(4)}
    assert last[0] < 3600 + 300
    assert last[1] < 7200 + 300
    assert min(last[2], last[3]) > 18000


def test_a_student_reads_strips_and_tells_the_nurse() -> None:
    staff = structs.replace(
        usual(tasks={**BUSY_WITH_NOTHING, "student_reads_right": 1.0, "teaching": 1.5}), student_share=1.0
    )
    needed = BedTruth([Span("bedside", 0, 9000)], [], [])
    staff_on_shift, _ = shift([(100, 0, LOOK)], [needed], staff)
    (visit,) = staff_on_shift.visits
    assert visit.from_s == pytest.approx(100 + 15 + 60 + 40)
    assert visit.until_s - visit.from_s == pytest.approx(480 * 1.5)


def test_the_same_seed_gives_the_same_shift_and_another_one_another() -> None:
    def visits(seed: str) -> list[Visit]:
        return shift([(1000, 1, BEDSIDE), (5000, 0, LOOK)], [NOTHING] * 3, usual(), seed=seed)[0].visits

    assert visits("a") == visits("a") != visits("b")


@pytest.mark.parametrize("level", [LOOK, BEDSIDE, TEAM])
@pytest.mark.parametrize("students", [0.0, 1.0])
def test_one_more_call_at_a_bed_changes_no_luck_at_another(level: int, students: float) -> None:
    """As what is done to women: variants that call otherwise elsewhere have the same numbers drawn here."""
    tasks = {**BUSY_WITH_NOTHING, "spread": 0.5}
    staff = structs.replace(usual(tasks=tasks), student_share=students, beds_per_nurse=8)
    needed = BedTruth([Span("team", 0, 1e6)], [], [])
    beds = [needed if bed == 5 else NOTHING for bed in range(8)]
    calls = [(6000.0 * (i + 1), 5, (LOOK, BEDSIDE, TEAM)[i % 3]) for i in range(24)]

    def came(calls: list[tuple[float, int, int]]) -> dict[int, list[Visit]]:
        staff_on_shift, _ = shift(sorted(calls), beds, staff, 0.6, hours=50)
        return {bed: [v for v in staff_on_shift.visits if v.bed == bed] for bed in (3, 5)}

    usually, once_more = came(calls), came([*calls, *((9000.0 + i, 3, level) for i in (0.0, 12000.0, 24000.0))])
    assert once_more[5] == usually[5]
    assert len(usually[5]) > 10
    assert once_more[3] or level == LOOK


@pytest.mark.parametrize(
    ("t_s", "about_signal", "is_true"),
    [
        (0, False, False),
        (450, False, True),
        (1100, False, True),
        (1300, False, False),
        (2100, False, False),
        (2100, True, True),
    ],
)
def test_a_call_is_true_for_what_is_there_or_will_be_before_long(t_s: float, about_signal: bool, is_true: bool) -> None:
    truth = BedTruth([Span("bedside", 1000, 1200)], [], [Span("off", 2000, 2400)])
    call = Call(0, 0, t_s, LOOK, "a", "raised", about_signal)
    assert truth.is_true_positive(call, 600.0 if t_s < 1000 else 0.0) == is_true
