"""Results: the same for any number of workers and after a break, with uncertainty, and a choice with its reasons."""

import csv
import dataclasses
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from markupsafe import escape
from matplotlib.patches import Rectangle

from quietward.contracts.notice import NOTICE
from quietward.study import (
    cases,
    check,
    figures,
    plan,
    report,
    report_page,
    result,
    run,
    simulation,
    statistics,
    tables,
    what_if,
)
from quietward.study.cases import Case
from quietward.study.plan import StudyPlan
from quietward.study.progress import Progress
from quietward.study.result import Estimate, Share, Summary, VariantRow
from quietward.study.run import Result
from quietward.study.score import BedTime, CallCount, Episode, Outcome, ShiftScore
from quietward.study.staff import AGAIN, CLINICIANS
from tests.studies import measured_shifts, run_study, small


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("study")


@pytest.fixture(scope="module")
def found(folder: Path) -> Result:
    return run_study(small(), folder, workers=2)


@pytest.fixture(scope="module")
def summary(found: Result) -> Summary:
    return result.summarize(found, draws=200)


@pytest.fixture(scope="module")
def rows(summary: Summary) -> list[VariantRow]:
    return summary.rows


def test_workers_and_a_break_change_nothing(found: Result, folder: Path, tmp_path: Path) -> None:
    for path in folder.glob("*.npz"):  # the measures are there, the shifts are not
        (tmp_path / path.name).write_bytes(path.read_bytes())
    for path in folder.glob("*.truth.json"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    again = run_study(small(), tmp_path)
    assert (again.with_staff, again.unanswered, again.ppv) == (found.with_staff, found.unanswered, found.ppv)
    before = {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
    steps: list[Progress] = []
    groups = cases.group_cases(small().study)
    resumed = run.run(small(), groups, tmp_path, workers=2, moved=steps.append)
    assert resumed.with_staff == found.with_staff
    assert {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()} == before
    assert (steps[0].phase, steps[0].bed_hours) == (0, 0)
    assert steps[0].of == pytest.approx(4 * 8 * 0.6)
    assert (steps[-1].phase, steps[-1].bed_hours, steps[-1].left_s) == (2, steps[-1].of, 0)
    assert [step.phase for step in steps] == sorted(step.phase for step in steps)


def test_calls_are_what_their_scores_say(rows: list[VariantRow], summary: Summary) -> None:
    for row, shifts in zip(rows, summary.reported.with_staff, strict=True):
        calls = sum(t.count for s in shifts for t in s.calls)
        assert row.calls_per_bed_hour["all"].value == pytest.approx(calls / (2 * 8 * 0.6))
        assert sum(of.calls for of in row.reasons) == calls
        for level in ("look", "bedside", "team"):
            own = [of for of in row.reasons if of.level == level]
            for of_all, each in (
                (row.calls_per_bed_hour[level], [of.per_bed_hour for of in own]),
                (row.interruptions_by_level[level], [of.per_nurse_hour for of in own]),
            ):
                assert of_all.value == pytest.approx(sum(e.value or 0.0 for e in each))
        per_nurse_hour = sum(s.interruptions for s in shifts) / sum(s.nurse_hours for s in shifts)
        assert sum(e.value or 0.0 for e in row.interruptions_by_level.values()) == pytest.approx(per_nurse_hour)
        assert row.needs == sum(e.level == "team" for s in shifts for e in s.episodes)


def test_an_eager_alarm_interrupts_more(rows: list[VariantRow]) -> None:
    rate = {row.name: row.interruptions_per_nurse_hour.value or 0.0 for row in rows}
    assert rate["at once"] > rate["for 14 s"] > rate["today"] > 0
    today = next(row for row in rows if row.name == "today")
    assert (today.interruptions_against_today.value, today.late_against_today) == (0, result.Paired(0, 0, 1.0))


def test_what_was_seen_lies_within_its_interval(rows: list[VariantRow]) -> None:
    for row in rows:
        shown: list[Estimate | Share] = [row.interruptions_per_nurse_hour, row.calls_per_bed_hour["all"]]
        for e in [*shown, row.late, *row.ppv.values()]:
            if isinstance(e, Share) and not e.of:
                assert e.value is None
                continue
            assert e.value is not None
            assert e.low is not None
            assert e.high is not None
            assert e.low <= e.value <= e.high


def test_no_share_is_certain(rows: list[VariantRow]) -> None:
    """None of a few, or all of them, leaves open what it is in the long run."""
    for row in rows:
        for share in (row.late, row.flagged_before, *row.ppv.values()):
            if share.of:
                low, high = statistics.exact_interval(share.count, share.of)
                assert (share.low or 0.0) <= low + 1e-9 < high <= (share.high or 0.0) + 1e-9
        for rate in row.calls_per_bed_hour.values():
            assert rate.value or rate.high == pytest.approx(3.689 / (2 * 8 * 0.6), abs=0.001)


def test_uncertainty_is_that_of_the_mean_of_the_shifts() -> None:
    """For a mean of many the 95 % of a bootstrap are those of the normal distribution (Efron 1979)."""
    rng = np.random.default_rng(1)
    values = rng.gamma(2.0, 3.0, 400)
    drawn = rng.multinomial(400, np.full(400, 1 / 400), 4000)
    e = result.estimate(np.concatenate([[values.mean()], drawn @ values / 400]))
    half = 1.96 * values.std(ddof=1) / 20
    assert e.value == pytest.approx(values.mean())
    assert [e.low, e.high] == pytest.approx([values.mean() - half, values.mean() + half], rel=0.03)


def test_nothing_beats_what_is_on_the_front() -> None:
    points = [(1.0, 0.5), (2.0, 0.2), (2.0, 0.3), (3.0, 0.2), (0.5, 0.9), (4.0, 0.0), (9.0, float("nan"))]
    assert result.front(points) == [True, True, False, False, True, True, False]


def test_every_second_shift_of_a_kind_is_one_to_choose_on() -> None:
    assert run.halves(["night"] * 5 + ["busy"] * 2 + ["calm"]) == ([1, 3, 6], [0, 2, 4, 5, 7])


def test_each_half_learns_trust_from_its_own_shifts(found: Result) -> None:
    """Where a policy is chosen, what calls are worth on the shifts that are reported is not known."""
    chosen_on, reported = run.halves([case.shift for case in found.cases])
    for unanswered, expected in zip(found.unanswered, found.ppv, strict=True):
        for half in (chosen_on, reported):
            own = simulation.ppv_by_level([unanswered[i] for i in half])
            assert [expected[i] for i in half] == [own] * len(half)
    assert any(expected[0] != expected[1] for expected in found.ppv)
    assert found.of(reported).ppv == [[expected[i] for i in reported] for expected in found.ppv]


def test_each_draw_of_the_staff_has_learnt_from_other_shifts_of_its_half() -> None:
    """What a half has taught is uncertain, too: but for the first draw, from as many of its shifts, drawn again."""
    shifts = [Case("night-shift", 8, seed) for seed in range(16)]
    nobody = [score_of_calls(true=i, false=40 - i) for i in range(16)]
    first, second, third = (run._learnt(nobody, shifts, 1, draw) for draw in (1, 2, 3))
    assert first[1] == {1: pytest.approx(sum(range(1, 16, 2)) / (8 * 40))}
    assert first[0] == {1: pytest.approx(sum(range(0, 16, 2)) / (8 * 40))}
    for half in (0, 1):
        assert len({of[half][1] for of in (first, second, third)}) == 3
        assert all(of[half::2] == [of[half]] * 8 for of in (first, second, third))
    likewise = run._learnt([score_of_calls(true=2 * i, false=80 - 2 * i) for i in range(16)], shifts, 1, 2)
    assert likewise == second, "under every variant from the same shifts"
    rare = [
        score_of_calls(true=0, false=10) if i < 2 else msgspec.structs.replace(score([], 0), calls=[])
        for i in range(16)
    ]
    for draw in range(2, 12):
        assert all(of == {1: 0.0} for of in run._learnt(rare, shifts, 1, draw)), "none drawn: as the half has taught"


def score_of_calls(true: int, false: int) -> ShiftScore:
    """A shift with calls of which so many are true positives."""
    calls = [CallCount("x", 1, True, true, true), CallCount("x", 1, False, false, false)]
    return msgspec.structs.replace(score([], 0), calls=calls)


def test_intervals_of_rates_contain_what_the_draws_of_the_staff_differ_by() -> None:
    """All shifts are alike, and the three draws are not: without them the interval would be a point."""
    draws = [[score([False], interruptions)] * 12 for interruptions in (8, 16, 24)]
    (row,) = made_up({"today": [one for draw in draws for one in draw]}, staff_draws=3).rows
    rate = row.interruptions_per_nurse_hour
    assert (rate.low, rate.value, rate.high) == (1.0, 2.0, 3.0)


def test_staff_of_each_shift_expect_what_its_half_has_taught() -> None:
    """In the first of two shifts nothing is believed, in the second all: the same staff, other answers."""
    measured, planned = measured_shifts(), small(vary=[], alarm=[])
    none, full = dict.fromkeys((1, 2, 3), 0.0), dict.fromkeys((1, 2, 3), 1.0)
    (apart,) = simulation.simulate_shifts(measured, planned.variants, [[none, full]])
    (believed,) = simulation.simulate_shifts(measured, planned.variants, [[full, full]])
    assert apart[1] == believed[1]
    answers = [sum(v.why == "call" for v in shifts[0].visits) for shifts in (apart, believed)]
    assert answers[0] < answers[1]


def score(late: Sequence[bool], interruptions: int) -> ShiftScore:
    """A shift of 8 nurse-hours with needs that are late or not."""
    episodes = [Episode(i, "team", 100.0, 900.0, 0.0, 0.0, 600.0 if x else 60.0) for i, x in enumerate(late)]
    calls = [CallCount("x", 1, False, interruptions, interruptions)]
    return ShiftScore(32.0, 8.0, 8.0, calls, {}, episodes, [], [], 0, 0.0, 0, 0, 0, 600.0)


def test_what_the_trace_does_not_show_is_not_late_by_it() -> None:
    """Reached after 10 min: in time where the trace shows it after 6, too late where it does at once."""
    reached_s, shown_s = [600.0, 600.0, 600.0, None], [360.0, 0.0, None, 0.0]
    shift = score([True] * 4, 8)
    episodes = [
        msgspec.structs.replace(e, reached_s=there, shown_s=shown)
        for e, there, shown in zip(shift.episodes, reached_s, shown_s, strict=True)
    ]
    (row,) = made_up({"today": [msgspec.structs.replace(shift, episodes=episodes)] * 2}).rows
    assert (row.late.count, row.late.of) == (4, 4)
    assert (row.late_once_shown.count, row.late_once_shown.of) == (2, 3)
    (need,) = row.by_need
    assert need.late_once_shown == row.late_once_shown
    words = report.headline(row, small().study)
    assert "shows 3 of the 4 while they last" in words
    assert "1 of 3 within 5 min of that" in words


def test_a_need_for_the_team_is_met_by_clinicians_and_answered_by_who_came_for_a_call() -> None:
    """All reached by a nurse at once, half of them on her round; clinicians after 4, 10 and 11 min, and never."""
    shift = score([False] * 4, 8)
    came = [(0.0, 240.0), (None, 600.0), (300.0, 660.0), (None, None)]
    episodes = [
        msgspec.structs.replace(e, answered_s=answered, clinicians_s=clinicians)
        for e, (answered, clinicians) in zip(shift.episodes, came, strict=True)
    ]
    summary = made_up({"today": [msgspec.structs.replace(shift, episodes=episodes)] * 2})
    (row,) = summary.rows
    assert (row.late.count, row.late.of) == (0, 4)
    assert {within: (share.count, share.of) for within, share in row.clinicians_within.items()} == {
        "5": (1, 4), "10": (2, 4)
    }  # fmt: skip
    assert (row.answered_in_time.count, row.answered_in_time.of) == (2, 4)
    (need,) = row.by_need
    assert (need.clinicians_within, need.answered_in_time) == (row.clinicians_within, row.answered_in_time)
    page = report_page.render(summary.reported, report.full_report(summary.reported, summary, "quietward study x"))
    assert "clinicians there within 10 min" in page
    assert page.count("2 of 4 (7 % to 93 %)") >= 4


@pytest.mark.parametrize(
    ("reached", "in_time", "meets", "says"),
    [
        ("anybody", 4, True, "meets its limit, but not with certainty: 4 of 4 needs (team) reached within 5 min"),
        ("answer", 2, True, "meets its limit, but not with certainty: 2 of 4 needs (team) answered within 5 min"),
        (
            "clinicians",
            1,
            False,
            "DOES NOT MEET its limit, but not with certainty: 1 of 4 needs (team) reached by clin",
        ),
    ],
)
def test_a_study_says_what_its_limit_counts_as_reached(reached: str, in_time: int, meets: bool, says: str) -> None:
    """The same four needs, all shown at once: a nurse at once, answers to two of them, clinicians in time at one."""
    shift = score([False] * 4, 8)
    came = [(0.0, 240.0), (None, 600.0), (300.0, 660.0), (None, None)]
    episodes = [
        msgspec.structs.replace(e, answered_s=answered, clinicians_s=clinicians, shown_s=0.0)
        for e, (answered, clinicians) in zip(shift.episodes, came, strict=True)
    ]
    summary = made_up({"today": [msgspec.structs.replace(shift, episodes=episodes)] * 2}, counts=reached)
    (row,) = summary.rows
    assert (row.late.count, row.late.of, row.meets) == (4 - in_time, 4, meets)
    assert row.late_once_shown.count == row.by_need[0].late.count == len(summary.late) == 4 - in_time
    assert row.reached.never == {"anybody": 0, "answer": 2, "clinicians": 1}[reached]
    assert row.by_need[0].reached == row.reached
    assert summary.today_on_all.median_s == row.reached.p50
    full = report.full_report(summary.reported, summary, "quietward study x")
    assert says in full.headline
    page = report_page.render(summary.reported, full)
    counted = result.COUNTED[summary.reported.planned.study.limit.reached]
    assert f"{counted.verb.capitalize()}: {counted.means}." in page
    assert f"Late: not {counted.verb} within 5 min" in page
    assert f"median to {counted.to}" in page


def test_where_care_spares_a_woman_a_need_the_others_are_compared() -> None:
    """Care changes the course: under the second policy bed 0 never needs anybody, and bed 1 is reached in time."""
    shift = score([True, True, False], 8)
    spared = score([False, False, False], 8)
    spared = msgspec.structs.replace(spared, episodes=spared.episodes[1:])
    today, other = made_up({"today": [shift] * 4, "other": [spared] * 4}).rows
    assert (today.late.count, today.late.of) == (4, 6)
    assert (other.late.count, other.late.of) == (0, 4)
    paired = other.late_against_today
    assert (paired.late_here_only, paired.late_there_only) == (0, 2)


def made_up_result(
    scores: dict[str, list[ShiftScore]],
    limit: float = 5.0,
    reached: float = 0.5,
    staff_draws: int = 1,
    vary: list[dict[str, Any]] | None = None,
    counts: str = "anybody",
) -> Result:
    """Return policies with these scores, shift by shift; the first is today's."""
    if vary is None:
        vary = [{"key": "long-fall.limit", "values": list(range(60, 59 + len(scores)))}] if len(scores) > 1 else []
    asked = {"interruptions_per_nurse_hour": limit, "reached_share": reached, "reached": counts}
    planned = small(vary=vary, alarm=[], staff_draws=staff_draws, limit=asked)
    variants = [msgspec.structs.replace(v, name=name) for v, name in zip(planned.variants, scores, strict=True)]
    return as_played(msgspec.structs.replace(planned, variants=variants, other_staff=[]), list(scores.values()), [])


def as_played(planned: StudyPlan, of_each: list[list[ShiftScore]], others: list[list[ShiftScore]]) -> Result:
    """Return scores as those of a plan's variants, and of those with other staff."""
    n = len(of_each[0]) // planned.study.staff_draws
    shifts = [Case("night-shift", 8, seed) for seed in range(n)]
    nobody = [own[:n] for own in of_each]
    return Result(planned, shifts, of_each, nobody, [[{}] * len(own) for own in of_each], others)


def made_up(scores: dict[str, list[ShiftScore]], *args: Any, **kwargs: Any) -> Summary:
    """Summarize policies with these scores, as `made_up_result` takes them."""
    return result.summarize(made_up_result(scores, *args, **kwargs), draws=200)


def rendered(ran: Result) -> str:
    """Return the report of a study as HTML."""
    summary = result.summarize(ran, draws=20)
    return report_page.render(summary.reported, report.full_report(ran, summary, "quietward study x"))


@pytest.mark.parametrize("name", plan.names())
def test_every_report_says_what_its_figures_hang_on(name: str) -> None:
    """Rounds, trust and numbers of nurses under today's policy, also where care changes the course."""
    planned = plan.load(name)
    shifts = [score([True, False], 8)] * 4 * planned.study.staff_draws
    page = rendered(as_played(planned, [shifts] * len(planned.variants), [shifts] * len(planned.other_staff)))
    section = page.partition("What the figures hang on")[2].partition("</section>")[0]
    for words in plan.OTHER_STAFF:
        assert f"<td>{words}</td>" in section, words
    assert "With other staff today's figures lie between" in page


def test_of_the_chosen_policy_it_is_said_what_other_trust_makes_of_it() -> None:
    scores = {"today": [score([True, False], 16)] * 8, "chosen": [score([False, False], 16)] * 8}
    ran = made_up_result(scores)
    more = result.chosen_with_other_staff(ran)
    assert [(v.name, v.staff_is) for v in more] == [
        ("chosen", "half of all calls answered, or more"), ("chosen", "all calls answered")
    ]  # fmt: skip
    assert [v.staff.trust.least for v in more] == [0.5, 1.0]
    planned = msgspec.structs.replace(ran.planned, other_staff=more)
    page = rendered(as_played(planned, ran.with_staff, [scores["chosen"]] * 2))
    assert page.count("<td>all calls answered</td>") == 1
    assert result.chosen_with_other_staff(made_up_result({"today": scores["chosen"], "other": scores["today"]})) == []
    assert result.chosen_with_other_staff(made_up_result(scores, limit=0.1)) == []


def test_where_none_is_chosen_those_are_named_that_cannot_be_told_apart_from_todays() -> None:
    scores = {
        "today": [score([i % 12 < 2, False], 16 + i % 3) for i in range(24)],
        "alike": [score([False, False], 17) for _ in range(24)],
        "louder": [score([False, False], 30) for _ in range(24)],
        "later": [score([True, True], 17) for _ in range(24)],
    }
    ran = made_up_result(scores, limit=0.1)
    choice = result.summarize(ran, draws=20).choice
    assert (choice.name, choice.of) == (None, 3)
    assert (choice.alike, choice.as_late) == (["alike"], ["alike", "louder"])
    page = rendered(ran)
    assert "2 of the 3 other policies cannot be told apart from today's. Nor by interruptions:" in page
    assert "alike: long-fall.limit 60" in page.partition('class="alike"')[2][:200]


def test_what_is_left_of_the_reserve_at_the_birth_is_compared_too(tmp_path: Path) -> None:
    """The same was used at the most; under the other policy half of it had come back by then."""

    def ends(used: float, *, late: bool) -> ShiftScore:
        outcomes = [
            Outcome(bed, "abruption", 3600.0, is_birth=True, reserve_used=used, most_used=0.8) for bed in (0, 1)
        ]
        beds = [BedTime(bed, 1, 8 * 3600.0, 0.0) for bed in range(4)]
        return msgspec.structs.replace(score([late, False], 8), outcomes=outcomes, each_bed=beds)

    ran = made_up_result({"today": [ends(0.8, late=True)] * 8, "other": [ends(0.4, late=False)] * 8})
    summary = result.summarize(ran, draws=50)
    today, other = (row.outcomes for row in summary.rows)
    assert today is not None
    assert other is not None
    assert (today.used_at_end.value, other.used_at_end.value) == pytest.approx((0.8, 0.4))
    assert other.used_at_end_against_today.value == pytest.approx(-0.4)
    assert [other.used_at_end_p, other.p] == pytest.approx([2 / 2**4, 1.0])
    full = report.full_report(ran, summary, "quietward study x")
    page = report_page.render(summary.reported, full)
    assert "used at birth or at the end, mean" in page
    assert "-0.4 (-0.4 to -0.4), p 0.12" in page
    tables.write(tmp_path, ran)
    report.write(tmp_path, full, page)
    of_reserve = {one.what: one for one in check.check(tmp_path) if "outcomes" in one.what}
    assert {f"{name}: outcomes, {what}" for name in ("today", "other") for what in (
        "most used", "used at end", "used at end p", "used at end against today, low"
    )} <= of_reserve.keys()  # fmt: skip
    assert all(one.is_same for one in of_reserve.values())


def test_draws_of_the_staff_that_say_the_same_make_nothing_more_certain() -> None:
    late = [[True, False], [False, False], [True, True], [False, False, True]] * 3
    other = [[True, False], [True, False], [True, True], [False, False, False]] * 3
    scores = {
        "today": [score(x, 9 + i) for i, x in enumerate(late)],
        "other": [score(x, 16) for x in other],
        "never late": [score([False] * len(x), 30) for x in late],
    }
    once = made_up(scores)
    three = made_up({name: own * 3 for name, own in scores.items()}, staff_draws=3)
    assert three.choice.name == once.choice.name
    assert [row.name for row in three.rows] == [row.name for row in once.rows]
    for one, same in zip(once.rows, three.rows, strict=True):
        assert (same.late.count, same.late.of) == (3 * one.late.count, 3 * one.late.of)
        assert (same.late.low, same.late.high) == pytest.approx((one.late.low, one.late.high))
        rates = [row.interruptions_per_nurse_hour for row in (one, same)]
        assert (rates[1].low, rates[1].value, rates[1].high) == pytest.approx(
            (rates[0].low, rates[0].value, rates[0].high)
        )
        assert same.late_against_today.p >= one.late_against_today.p * 0.9


def test_shifts_are_played_with_several_draws_of_their_staff(found: Result, folder: Path) -> None:
    three = run_study(small(staff_draws=3), folder)
    n = len(found.cases)
    for once, drawn in zip(found.with_staff, three.with_staff, strict=True):
        assert len(drawn) == 3 * n
        assert drawn[:n] == once, "the first draw is that of a study with one"
        assert all(drawn[k * n : (k + 1) * n] != once for k in (1, 2)), "others come at other times"
    assert three.unanswered == found.unanswered
    for once_learnt, learnt in zip(found.ppv, three.ppv, strict=True):
        assert learnt[:n] == once_learnt
    assert any(learnt[:n] != learnt[k * n : (k + 1) * n] for learnt in three.ppv for k in (1, 2))
    assert three.of([1, 3]).ppv[0][2] == three.ppv[0][n + 1]
    assert len(three.of([1, 3]).with_staff[0]) == 6
    assert three.of([1, 3]).with_staff[0][2] == three.with_staff[0][n + 1]


def test_a_policy_is_chosen_on_one_half_and_reported_on_the_other() -> None:
    """Lucky is the best on the shifts to choose on, every second, and the worst on the others."""
    summary = made_up(
        {
            "today": [score([True, False, False], 16)] * 12,
            "lucky": [score([True, True, False], 16), score([False] * 3, 16)] * 6,
            "plain": [score([True, False, False], 24)] * 12,
        }
    )
    assert summary.choice.name == "lucky"
    assert summary.choice.late is not None
    assert (summary.choice.late.count, summary.choice.late.of, summary.choice.chosen_on) == (0, 18, 6)
    lucky = next(row for row in summary.rows if row.name == "lucky")
    assert (lucky.late.count, lucky.late.of) == (12, 18)
    assert lucky.meets is False
    assert (lucky.late_against_today.late_here_only, lucky.late_against_today.late_there_only) == (6, 0)
    assert lucky.late_against_today.p == pytest.approx(2 / 2**6)


def test_of_those_that_meet_the_limit_the_least_late_is_chosen_then_the_quietest() -> None:
    scores = {
        "today": [score([True, False], 16)] * 12,
        "late": [score([True, True], 8)] * 12,
        "loud": [score([False, False], 80)] * 12,
        "less loud": [score([False, False], 32)] * 12,
        "quietest": [score([False, False], 16)] * 12,
    }
    assert made_up(scores).choice.name == "quietest"
    assert made_up(scores, limit=1.0).choice.name is None
    assert "none of the policies meets the limit" in made_up(scores, limit=1.0).choice.why


def test_staff_are_an_assumption_and_never_chosen() -> None:
    """More nurses, or nurses who believe all, would be the least late; that recommends no policy."""
    scores = {
        "today": [score([True, False], 16)] * 12,
        "more nurses": [score([False, False], 8)] * 12,
        "trust": [score([False, False], 8)] * 12,
    }
    vary = [{"key": "staff.beds_per_nurse", "values": [2]}, {"key": "staff.trust.least", "values": [1]}]
    summary = made_up(scores, vary=vary)
    assert (summary.choice.name, summary.choice.of) == ("today", 0)
    today, *others = summary.rows
    assert (today.is_own_staff, today.on_front) == (True, True)
    assert [(row.is_own_staff, row.on_front, row.meets) for row in others] == [(False, False, True)] * 2
    full = report.full_report(summary.reported, summary, "quietward study x")
    page = report_page.render(summary.reported, full)
    assert "Variants with other staff are shown and never chosen" in page


def test_what_cannot_be_told_apart_is_named_together() -> None:
    rng = np.random.default_rng(1)
    noise = rng.integers(-6, 7, 24).tolist()
    scores = {
        "today": [score([i % 12 < 2, False], 16 + x) for i, x in enumerate(noise)],
        "chosen": [score([False, False], 16) for _ in noise],
        "as late, louder": [score([False, False], 30 + x) for x in noise],
        "later": [score([True, False], 16) for _ in noise],
    }
    summary = made_up(scores)
    choice = summary.choice
    assert choice.name == "chosen"
    assert choice.of == 3
    assert choice.alike == ["today"]
    assert choice.as_late == ["today", "as late, louder"]
    page = report_page.render(summary.reported, report.full_report(summary.reported, summary, "quietward study x"))
    assert "Today's cannot be told apart from it: nothing here is a reason to change" in page
    assert "2 of the 3 other policies cannot be told apart from it. Nor by interruptions:" in page


def test_with_one_shift_nothing_is_chosen() -> None:
    summary = made_up({"today": [score([False], 8)], "other": [score([False], 4)]})
    assert summary.choice.name is None
    assert "one shift of a kind at most" in summary.choice.why
    (today, _) = summary.rows
    assert (today.late.count, today.late.of) == (0, 1)
    assert today.late.high == pytest.approx(0.975)
    assert (today.interruptions_per_nurse_hour.value, today.interruptions_per_nurse_hour.low) == (1.0, None)


@pytest.mark.parametrize(
    ("late", "says"),
    [
        (0, ("meets its limit: 64 of 64 needs (team) reached within 5 min, at least 90 % asked for; "
            "0 of 64 (0 % to 6 %) late; 2 interruptions per nurse-hour (2 to 2), at most 5 asked for.")),
        (5, "meets its limit, but not with certainty: 59 of 64 needs (team)"),
        (8, "DOES NOT MEET its limit, but not with certainty: 56 of 64 needs (team)"),
        (40, "DOES NOT MEET its limit: 24 of 64 needs (team)"),
    ],
)  # fmt: skip
def test_the_first_line_says_whether_todays_policy_meets_its_limit(late: int, says: str) -> None:
    half = [score([i < late], 16) for i in range(64)]
    summary = made_up({"today": [one for one in half for _ in range(2)]}, reached=0.9)
    study = summary.reported.planned.study
    full = report.full_report(summary.reported, summary, "quietward study x")
    assert full.headline.startswith("Today's policy (attention) ")
    assert says in full.headline
    page = report_page.render(summary.reported, full)
    assert page.index("</h1>") < page.index(f">{escape(full.headline)}<") < page.index(study.purpose)


def test_where_nothing_is_chosen_that_is_said(summary: Summary, found: Result) -> None:
    none = dataclasses.replace(summary, choice=result.Choice(None, "none meets the limit", 2))
    full = report.full_report(found, none, "quietward study x")
    assert full.chosen is None
    page = report_page.render(summary.reported, full)
    assert "No policy is recommended:</strong> none meets the limit" in page
    for words in ("Intervals of shares are exact", "Told apart: p below .05", "votes of nine experts"):
        assert words in page, "what explains the figures does not hang on a choice"
    assert "simulator and the detector come from one hand" in page[: page.index("</section>")]


def test_names_in_the_report_are_text_and_no_markup(found: Result, summary: Summary) -> None:
    renamed = [msgspec.structs.replace(row, name=f"<b>{row.name}</b>") if row.numbers else row for row in summary.rows]
    marked = dataclasses.replace(summary, rows=renamed)
    full = report.full_report(found, marked, "quietward study '<i>x</i>'", ["<u>no.csv</u>: cannot be read"])
    page = report_page.render(summary.reported, msgspec.structs.replace(full, chosen=None))
    assert "<u>" not in page
    assert "no.csv" in page
    assert "<b>" not in page
    assert "<i>" not in page
    assert "quietward study &#39;&lt;i&gt;x&lt;/i&gt;&#39;" in page


def test_the_report_says_what_it_is_and_how_it_is_made_again(found: Result, summary: Summary, tmp_path: Path) -> None:
    rows = summary.rows
    full = report.full_report(found, summary, "quietward study for-tests --out x")
    paths = {path.name: path for path in report.write(tmp_path, full, report_page.render(summary.reported, full))}
    page = paths["report.html"].read_text()
    for text in (NOTICE, "quietward study for-tests --out x", "ISA-18.2", "Görges", *(row.name for row in rows)):
        assert text in page, text
    assert "http" not in page.replace("http://www.w3.org", "").replace("http://purl.org", "").replace(
        "http://creativecommons.org", ""
    ).replace("https://matplotlib.org", "")
    assert msgspec.json.decode(paths["report.json"].read_bytes(), type=report.FullReport).rows == rows
    lines = list(csv.DictReader(io.StringIO(paths["variants.csv"].read_text())))
    assert [line["variant"] for line in lines] == [row.name for row in rows]
    assert float(lines[1]["long-fall.limit"]) == 60


def test_what_would_have_been_is_there_for_every_number(tmp_path: Path) -> None:
    found = what_if.build_what_if(small(), measured_shifts())
    assert [s.key for s in found.sliders] == ["long-fall.limit", "concern-raised.hold_s", "escalation.look_after_s"]
    for slider in found.sliders:
        values = [p.value for p in slider.positions]
        assert slider.today in values
        assert values == sorted(values)
    today = [next(p for p in s.positions if p.value == s.today) for s in found.sliders]
    assert all(p.flags == today[0].flags for p in today)
    assert today[0].flags
    falls = [sum(p.calls.values()) for p in found.sliders[0].positions]
    assert falls[0] >= falls[-1]
    path = what_if.write(tmp_path, found)
    assert msgspec.json.decode(path.read_bytes(), type=what_if.WhatIf) == found


def test_the_shaded_area_is_what_was_asked_for() -> None:
    """Few interruptions alone are not: they come with most needs late, too."""
    study = small(limit={"interruptions_per_nurse_hour": 1.5, "reached_share": 0.95}).study
    (panel,) = figures.front([], study, None).axes
    (shaded,) = (patch for patch in panel.patches if isinstance(patch, Rectangle))
    (left, bottom), (right, top) = shaded.get_bbox().get_points()
    assert (left, right) == (0, 1.5)
    assert bottom == panel.get_ylim()[0] < 0
    assert top == pytest.approx(5)
    assert "1.5" in [text.get_text() for text in panel.get_xticklabels()]


def test_who_was_first_at_a_bed_is_told_of_every_need() -> None:
    by = {"call": 3, "round": 2, AGAIN: 4, CLINICIANS: 1, "": 5}
    said = report_page.first_there(by)
    assert sum(int(part.rpartition(" ")[2]) for part in said.split(", ")) == sum(by.values()), said
