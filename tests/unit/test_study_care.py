"""Where care changes the course: nothing changes what was before it, and who is not reached loses reserve."""

from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import pytest
from msgspec import structs

from quietward.contracts.commands import CareKind
from quietward.contracts.errors import BadStudy
from quietward.contracts.fields import HZ
from quietward.simulator.care import Care
from quietward.simulator.truth import MinuteTruth, Span
from quietward.study import care, cases
from quietward.study.alarms import Call
from quietward.study.cases import MeasuredShifts, simulate_bed
from quietward.study.plan import StudyPlan, Variant
from quietward.study.score import Outcome, ShiftScore
from quietward.study.staff import NURSE_DOES, BedTruth, TruthOverTime
from quietward.study.staff_model import Done
from quietward.study.truth import KnownTruth, until
from tests.studies import small

CASES = [{"scenarios": ["cord-not-recovering", "late-with-falling-variability"], "hours": 1.5, "seeds": [1, 3]}]
NOBODY = {"round_every_min": 1e6, "other_every_min": 1e6}


@cache
def measured() -> tuple[StudyPlan, MeasuredShifts]:
    plan = small(cases=CASES, vary=[], alarm=[], care_changes_course=True)
    (group,) = cases.group_cases(plan.study)
    return plan, cases.measure_shifts(group, plan.rules, Path(mkdtemp()))


def unheard(variant: Variant) -> Variant:
    """The same, with staff who answer nothing and make no rounds."""
    staff = variant.staff
    tasks = structs.replace(staff.tasks, **NOBODY)
    trust = structs.replace(staff.trust, least=0.0, matching_share=1.0)
    return structs.replace(variant, staff=structs.replace(staff, tasks=tasks, trust=trust))


@cache
def played() -> tuple[list[ShiftScore], list[ShiftScore]]:
    """With staff who answer all calls, and with staff who answer none."""
    plan, found = measured()
    today = plan.variants[0]
    n = len(found.cases)
    all_true, none_true = dict.fromkeys((1, 2, 3), 1.0), dict.fromkeys((1, 2, 3), 0.0)
    answered, missed = care.simulate_shifts(
        found, [today, unheard(today)], [[all_true] * n, [none_true] * n], plan.rules
    )
    return answered, missed


def outcomes(shifts: list[ShiftScore]) -> list[Outcome]:
    return [outcome for shift in shifts for outcome in shift.outcomes]


def test_who_is_not_reached_loses_reserve() -> None:
    answered, missed = (outcomes(shifts) for shifts in played())
    assert [(o.bed, o.what) for o in answered] == [(o.bed, o.what) for o in missed]
    plan, found = measured()
    expected = [[dict.fromkeys((1, 2, 3), 1.0)] * len(found.cases)]
    for draw in (2, 3):  # who comes sooner is luck: under one draw of the staff some help most, under others others
        (again,) = care.simulate_shifts(found, plan.variants, expected, plan.rules, draw=draw)
        answered, missed = [*answered, *outcomes(again)], [*missed, *missed[: len(outcomes(again))]]
    less = [there.most_used - here.most_used for here, there in zip(answered, missed, strict=True)]
    assert min(less) >= -0.02
    assert max(less) > 0.1
    assert not any(o.is_birth for o in missed)
    assert all(not shift.visits for shift in played()[1])


def test_with_nobody_there_the_course_is_what_was_measured() -> None:
    _, found = measured()
    truth = [t for t in found.truth if t is not None]
    assert [o.most_used for o in outcomes(played()[1])] == [max(m.reserve_used for m in t.minutes) for t in truth]


def test_the_same_again() -> None:
    plan, found = measured()
    ((again, *_),) = care.simulate_shifts(
        found, plan.variants, [[dict.fromkeys((1, 2, 3), 1.0)] * len(found.cases)], plan.rules
    )
    assert again == played()[0][0]


def test_another_order_of_what_is_done_has_the_same_luck() -> None:
    """Each bed has its own draw of the n-th of each kind: done sooner, later or beside others it relieves as much."""
    orders: list[list[CareKind]] = [
        ["turned", "fluids-checked", "clinician-called", "turned"],
        ["clinician-called", "turned", "turned", "fluids-checked"],
        ["turned", "turned"],
    ]

    def luck(bed: str, order: list[CareKind]) -> dict[tuple[CareKind, int], list[tuple[str, float, float]]]:
        care, found = Care(bed), {}
        for i, what in enumerate(order):
            t_s = 600.0 * i
            relieved = [
                (s.what, round(s.from_s - t_s, 6), round(s.until_s - t_s, 6)) for s in care.did(what, t_s).relieved
            ]
            found[what, order[:i].count(what)] = relieved
        return found

    for bed in map(str, range(20)):
        first, other, fewer = (luck(bed, order) for order in orders)
        assert other == first
        assert fewer == {key: first[key] for key in fewer}
    of_all = [luck(str(bed), orders[0]) for bed in range(20)]
    assert any(one["turned", 0] != one["turned", 1] for one in of_all), "done once more is drawn once more"
    assert any(one != of_all[0] for one in of_all)


def test_what_is_done_changes_nothing_before_it() -> None:
    _, found = measured()
    case = found.cases[0]
    without, done_s = simulate_bed(case, 0), 2403.0
    with_it = simulate_bed(case, 0, [Done(done_s, 0, NURSE_DOES)])
    before = slice(int(done_s) * HZ)
    assert np.array_equal(without.fhr[before], with_it.fhr[before], equal_nan=True)
    assert np.array_equal(without.ua[before], with_it.ua[before], equal_nan=True)
    assert len(with_it.fhr) == len(without.fhr)


def test_what_care_prevents_was_a_reason_to_come() -> None:
    need = Span("team", 1000, 2000)
    truth = TruthOverTime([(900, BedTruth([need], [], [])), (np.inf, BedTruth([], [], []))])
    assert truth.is_needed(800, ahead_s=600)
    assert truth.is_true_positive(Call(0, 0, 900, 1, "a", "raised"), 600)
    assert not truth.is_needed(901, ahead_s=600)
    assert truth.needed_from(850, 1200, "team") == 1000
    assert truth.needed_from(950, 1200) is None


def test_after_a_birth_nothing_is_true_any_more() -> None:
    minutes = [MinuteTruth(60.0 * i, 140, 10, i / 10) for i in range(1, 8)]
    whole = KnownTruth([Span("team", 100, 400), Span("team", 300, 400)], [], [], minutes=minutes)
    cut = until(whole, 200)
    assert cut.needs == [Span("team", 100, 200)]
    assert [m.t_s for m in cut.minutes] == [60, 120, 180]


def test_recordings_do_not_respond(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("t_s,fhr,ua\n0,140,1\n")
    with pytest.raises(BadStudy, match=r"care_changes_course: True. Leave it out"):
        small(cases=[{"recordings": str(tmp_path), "hours": 0.5}], care_changes_course=True)


def test_children_are_born_whatever_anybody_does() -> None:
    night = {"shift": "emergency-night", "hours": 2, "seeds": [11, 12], "emergencies_per_shift": 10}
    plan = small(cases=[night], vary=[], alarm=[])
    (group,) = cases.group_cases(plan.study)
    whole = cases.measure_shifts(group, plan.rules, Path(mkdtemp()))
    born = cases.with_births(whole, 600)
    for bed, (before, after) in enumerate(zip(whole.truth, born.truth, strict=True)):
        assert before is not None
        assert after is not None
        onset = next((o for o in group[bed // 12].emergencies if o.bed == bed % 12), None)
        team_s = min((n.from_s for n in before.needs if n.what == "team"), default=np.inf)
        ends_s = 7200 if onset is None else min(7200, team_s + 600)
        assert born.seconds[bed] == ends_s
        assert all(n.until_s <= ends_s for n in after.needs)
        own = born.evaluations.second[born.evaluations.bed == bed]
        assert own.max() < ends_s
    assert (born.seconds < whole.seconds).any()
