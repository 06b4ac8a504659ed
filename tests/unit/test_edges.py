"""Small pure parts of the core at the edges of what they decide: who counts, who is worse, how long, which words."""

import math
from itertools import product

import numpy as np
import pytest
from msgspec import structs

from quietward.contracts.fields import HZ
from quietward.contracts.summary import (
    ConcernContribution,
    FetusSummary,
    Level,
    RuleClass,
    SignalState,
    TraceSummary,
)
from quietward.detect.core import arrays
from quietward.detect.core.alerting import conditions, flags
from quietward.detect.core.alerting.flags import COVERAGE, LOST, NOT_SUPPRESSED, Attention
from quietward.detect.core.alerting.policy import BEDSIDE, LOOK, NOTED, TEAM
from quietward.detect.core.alerting.rule_sets import compare, rounded_baseline
from quietward.detect.core.measures.findings import ASKED, BASELINE_BPM, VARIABILITY_BPM
from quietward.detect.core.patterns.excursions import DOWN, UA
from quietward.detect.core.people import acts, care, stays
from quietward.detect.core.reporting import twins
from quietward.detect.core.reporting.carry_over import carry_level
from quietward.detect.core.reporting.quantities import Quantity, time_in_words
from quietward.detect.core.signal.selection import kth_smallest
from quietward.detect.core.state.state import State
from tests.traces import RULES

POLICY = RULES.policy
N = 1


def two_beds() -> State:
    return State(RULES, ["other", "bed"], ["", ""])


# Order.


@pytest.mark.parametrize("seed", range(30))
def test_the_kth_smallest_is_where_sorting_would_put_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 40))
    values = rng.integers(0, int(rng.choice([2, 10, 1000])), n).astype(float)
    for k in range(n):
        shuffled = np.concatenate([rng.permutation(values), [-1.0]])  # behind the first n nothing is looked at
        assert kth_smallest(shuffled, n, k) == sorted(values)[k]
        assert shuffled[n] == -1.0


# Which conditions count.

EVERY = list(product((False, True), (NOTED, LOOK, BEDSIDE, TEAM), (-1, 0, 9), (NOT_SUPPRESSED, COVERAGE, LOST)))


def beside(size: int) -> Attention:
    """Return two beds with so many conditions."""
    found: Attention = arrays.empty(Attention, 2, {"conditions": size})
    return found


def test_what_is_shelved_counts_only_for_the_team_and_what_is_noted_never() -> None:
    a = beside(len(EVERY))
    for i, (is_active, rank, shelved_until, why) in enumerate(EVERY):
        a.active[i, N], a.rank[i, N], a.shelved_until[i, N], a.suppressed[i, N] = is_active, rank, shelved_until, why
    counting, said_without = flags.counting_at(a, N), flags.said_at(a, N).tolist()
    a.level[N] = LOOK
    said = flags.said_at(a, N).tolist()
    for i, (is_active, rank, shelved_until, why) in enumerate(EVERY):
        is_aside = shelved_until != -1 and rank != TEAM
        counts = is_active and rank != NOTED and not is_aside
        assert (flags.counts(a, i, N), bool(counting[i])) == (counts, counts)
        is_there = is_active or why == COVERAGE
        assert flags.is_there(a, i, N) == said_without[i] == is_there
        assert said[i] == (is_there and (counts or rank == NOTED))
    assert not flags.counting_at(a, 0).any()


@pytest.mark.parametrize("seed", range(4))
def test_clauses_hold_at_their_limits_also_at_those_of_one_bed(seed: int) -> None:
    """The first limit of the release keeps its distance from the limit that one bed has."""
    rng, numbers = np.random.default_rng(seed), POLICY.numbers
    for i, c in enumerate(POLICY.condition):
        own = float(rng.choice(c.for_one_bed)) if c.for_one_bed and rng.random() < 0.5 else math.nan
        by = 0.0 if math.isnan(own) else own - c.all[0][2]
        for _ in range(25):
            values = {name: float(rng.choice([0, 1, -1, math.nan])) for name in ASKED}
            for clause in rng.permutation(
                [*c.all, *c.release, *c.helped, *c.release_acknowledged, *c.release_needs]
            ).tolist():
                values[clause[0]] = float(clause[2]) + float(rng.choice([0, 0, 0.125, -0.125]))
            for name, _, limit in (c.all[0], c.release[0]):
                if rng.random() < 0.3:
                    values[name] = limit + by + float(rng.choice([0, 0, 0.125, -0.125]))
            measures = np.array([[math.nan, value] for value in values.values()])
            first, release = (c.all[0][2] + by, c.release[0][2] + by)
            all_hold = all(
                compare(values[name], sign, first if k == 0 else limit) for k, (name, sign, limit) in enumerate(c.all)
            )
            released = any(
                compare(values[name], sign, release if k == 0 else limit)
                for k, (name, sign, limit) in enumerate(c.release)
            )
            helped, answered = (
                any(compare(values[name], sign, limit) for name, sign, limit in part)
                for part in (c.helped, c.release_acknowledged)
            )
            may_end = all(compare(values[name], sign, limit) for name, sign, limit in c.release_needs)
            assert conditions._all_hold(numbers.all, i, measures, N, 0, own) == all_hold
            assert conditions.one_holds(numbers.helped, i, measures, N, 0) == helped
            assert conditions._is_released(numbers, i, measures, N, 0, own, False) == (may_end and released)
            assert conditions._is_released(numbers, i, measures, N, 0, own, True) == (released or answered)


def test_a_policy_is_handed_over_as_its_file_has_it() -> None:
    numbers, e = POLICY.numbers, POLICY.escalation
    for i, c in enumerate(POLICY.condition):
        assert (numbers.hold_s[i, 0], numbers.release_s[i, 0]) == (c.hold_s, c.release_s)
        assert numbers.look_after_s[i, 0] == (e.look_after_s if c.look_after_s is None else c.look_after_s)
        assert numbers.look_by_s[i, 0] == (math.inf if c.look_by_s is None else c.look_by_s)
        assert numbers.inhibited_by[i].tolist() == [other.name in c.inhibited_by for other in POLICY.condition]
        assert numbers.unless[i].tolist() == [other.name in c.unless for other in POLICY.condition]
        assert (c.level, c.goes_up_to) == tuple(
            ("noted", "look", "bedside", "team")[rank] for rank in (numbers.rank[i], numbers.max_level[i])
        )
        assert POLICY.place(c.name) == i
    r = POLICY.repeat
    assert numbers.repeat_s[:, 0].tolist() == [math.inf, r.look_s, r.bedside_s, r.team_s]
    assert (numbers.bedside_after_s[0], numbers.bedside_by_s[0]) == (e.bedside_after_s, e.bedside_by_s)
    assert numbers.team_by_s[0] == e.team_by_s
    assert POLICY.place("none of this name") is None


# Numbers and words.


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"), (59.6, "60 s"), (99, "99 s"), (100, "1 min"), (119.9, "1 min"), (120, "2 min"), (5999, "99 min"),
        (6000, "1 h 40 min"), (7199, "1 h 59 min"), (7200, "2 h 0 min"),
    ],
)  # fmt: skip
def test_times_in_words(seconds: float, words: str) -> None:
    assert time_in_words(seconds) == f"{Quantity(seconds):time}" == words


def test_a_number_that_is_not_known_is_called_so() -> None:
    assert f"{Quantity(math.nan):time}" == f"{Quantity(math.nan):.0f}" == "unknown"
    assert f"{Quantity(7.26):.1f}" == "7.3"


@pytest.mark.parametrize(
    ("bpm", "to_bpm", "rounded"),
    [(112.49, 5, 110), (112.5, 5, 115), (117.5, 5, 120), (107.5, 5, 110), (110, 5, 110), (112.49, 0, 112.49)],
)
def test_a_baseline_is_rounded_half_up_to_what_the_rule_set_says(bpm: float, to_bpm: float, rounded: float) -> None:
    """NICHD 2008: in increments of 5 bpm. That a half goes up is common practice, no source."""
    assert rounded_baseline(bpm, to_bpm) == rounded


def test_usual_baselines_are_those_that_no_criterion_names() -> None:
    """NICHD 2008 and FIGO 2015: 110 to 160 bpm."""
    assert {rules.usual_baseline_bpm for rules in RULES.rule_sets} == {(110.0, 160.0)}


# Which of twins is worse.


def fetus(
    level: Level = Level.QUIET,
    concern: float | None = None,
    signal: SignalState = SignalState.GOOD,
    flag: str | None = None,
    answered_by: str | None = None,
    why: str = "",
) -> FetusSummary:
    parts = [ConcernContribution("depth", concern or 0.0)]
    return FetusSummary(
        signal, why, 140.0, 140.0, 8.0, None, concern, parts, level, f"{level} {flag}", None, flag, answered_by
    )  # fmt: skip


LEVELS = [Level.QUIET, Level.NOTED, Level.LOOK, Level.BEDSIDE, Level.TEAM]


def test_a_bed_with_two_asks_for_what_the_worse_one_does() -> None:
    for (i, a), (k, b) in product(enumerate(LEVELS), enumerate(LEVELS)):
        assert twins.worse_of(fetus(a), fetus(b)).level is LEVELS[max(i, k)]


def test_of_equals_the_one_nobody_has_answered_speaks_then_the_first() -> None:
    open_one, answered = fetus(Level.LOOK, flag="open"), fetus(Level.LOOK, flag="answered", answered_by="Kim")
    for pair in ((open_one, answered), (answered, open_one)):
        assert twins.worse_of(*pair).flag == "open"
    assert twins.worse_of(answered, fetus(Level.LOOK)).flag == "answered"


def test_what_nobody_has_answered_is_not_behind_a_higher_level_that_somebody_has() -> None:
    answered = structs.replace(fetus(Level.TEAM, flag="b-f1", answered_by="Kim"), level_since=1000)
    waits = structs.replace(fetus(Level.BEDSIDE, flag="b-s1"), level_since=9000)
    for pair in ((answered, waits), (waits, answered)):
        found = twins.worse_of(*pair)
        assert (found.level, found.flag, found.acknowledged_by) == (Level.TEAM, "b-s1", None)
        assert found.level_since == 9000, "so long has nobody answered"
        assert found.reason == "bedside b-s1 · team b-f1", "what waits first: it is what is new"
    both = twins.worse_of(fetus(Level.LOOK, flag="b-f1"), fetus(Level.TEAM, flag="b-s1"))
    assert (both.flag, both.reason) == ("b-s1", "team b-s1"), "the higher of two that wait"


def test_a_reason_of_both_twins_names_the_first_fact_of_each_and_more_where_there_is_room() -> None:
    answered = structs.replace(fetus(Level.TEAM, flag="b-f1", answered_by="Kim"), reason="a" * 50 + " · fact")
    waits = structs.replace(fetus(Level.LOOK, flag="b-s1"), reason="b" * 30 + " · more")
    assert twins.worse_of(answered, waits).reason == f"{'b' * 30} · more · {'a' * 50}"
    long = structs.replace(waits, reason="b" * 80 + " · more")
    assert twins.worse_of(answered, long).reason == f"{'b' * 80} · {'a' * 50}", "neither is left out"


def test_concern_and_signal_are_those_of_whichever_is_worse() -> None:
    found = twins.worse_of(fetus(Level.LOOK, 0.0, flag="x"), fetus(concern=None, signal=SignalState.LOST, why="gone"))
    assert (found.level, found.concern, found.signal) == (Level.LOOK, 0.0, SignalState.LOST)
    assert found.signal_reason == "second twin: gone"
    found = twins.worse_of(fetus(concern=30.0, signal=SignalState.POOR, why="half"), fetus(concern=30.5))
    assert (found.concern, found.concern_parts[0].points, found.signal_reason) == (30.5, 30.5, "first twin: half")


def test_rates_that_are_the_same_from_a_share_on_put_both_in_doubt() -> None:
    limits = RULES.reading.twins
    good, lost = fetus(), fetus(signal=SignalState.LOST, why="gone")
    for share, is_doubted in ((limits.doubtful_share, True), (limits.doubtful_share - 0.01, False), (math.nan, False)):
        a, b = twins.doubted(good, lost, {"same_as_twin_1min": share}, limits)
        assert (a.signal is SignalState.POOR, a.signal_reason == twins.SAME_RATE) == (is_doubted, is_doubted)
        assert (b.signal, b.signal_reason) == (SignalState.LOST, "gone")
    assert (
        twins.worse_of(*twins.doubted(good, good, {"same_as_twin_1min": 1.0}, limits)).signal_reason == twins.SAME_RATE
    )


def test_a_class_that_cannot_be_said_is_worse_than_normal_and_better_than_the_others() -> None:
    in_order = [1, 0, 2, 3]
    for a, b in product(in_order, in_order):
        (found,) = twins.worse_classes([RuleClass("r", a, f"{a}", ["x"])], [RuleClass("r", b, f"{b}", [], ["y"])])
        assert found.rank == in_order[max(in_order.index(a), in_order.index(b))]
        assert found.name == f"{found.rank}"
        assert (found.criteria, found.missing) == (["first twin: x"], ["second twin: y"])


# How long a bed may be silent.


@pytest.mark.parametrize(
    ("silent_for_s", "for_s", "left_s"),
    [(None, 60, 60), (0, 60, 60), (3540, 60, 60), (3541, 60, 59), (3599, 60, 1), (3600, 60, 0), (4000, 60, 0)],
)
def test_all_that_is_pressed_has_one_end(silent_for_s: int | None, for_s: int, left_s: int) -> None:
    """An hour after the last call, whatever is pressed."""
    state, now = two_beds(), 5000
    assert POLICY.longest.silent_s == 3600
    if silent_for_s is not None:
        state.attention.silent_from[N] = now - silent_for_s
    until, refused = acts._silent_until(state, N, now, for_s)
    assert (bool(refused), until) == (not left_s, now + left_s if left_s else 0)


def test_a_beds_clock_goes_on_while_nothing_comes_and_never_back() -> None:
    state = two_beds()
    state.clock.second[N], state.clock.at[N] = 500, 90_000
    at = {80_000: 500, 90_000: 500, 90_999: 500, 91_000: 501, 150_500: 560}
    assert {ms: acts.second_now(state, N, ms) for ms in at} == at


def test_a_bed_without_a_clock_goes_by_the_servers() -> None:
    state = two_beds()
    assert stays.present_second(state, N, 90_999) == 90
    state.clock.placed[N], state.clock.at[N] = 0, 90_000  # one second of it has come
    at = {80_000: 0, 90_000: 0, 90_999: 0, 91_000: 1, 150_500: 60}
    assert {ms: stays.present_second(state, N, ms) for ms in at} == at


# What a trace was before something was done, and after it.


@pytest.mark.parametrize("is_long_enough", [True, False])
def test_a_trace_before_care_in_numbers(is_long_enough: bool) -> None:
    """Decelerations and contractions that began within the time that care is given to help, and what goes on."""
    state, notable, second = two_beds(), RULES.reading.notable, 4000
    h, e, now = state.history, state.excursions, (second + 1) * HZ
    since, least = now - POLICY.care.helps_within_s * HZ, notable.deceleration_s * HZ
    falls = [
        (since + 1, least, notable.deceleration_bpm, 100.0), (since + 400, 2 * least, 40.0, 63.0),
        (since, least, 50.0, 500.0), (since + 800, least - 1, 60.0, 700.0),
        (since + 1200, least, notable.deceleration_bpm - 1 / 64, 900.0),
    ]  # fmt: skip
    for slot, (onset, length, depth, area) in enumerate(falls):
        h.fall_onset[slot, N], h.fall_end[slot, N] = onset, onset + length
        h.fall_depth[slot, N], h.fall_area[slot, N] = depth, area
    e.open[DOWN, N], e.onset[DOWN, N] = True, now - least + (not is_long_enough)
    e.height[DOWN, N], e.area[DOWN, N] = 45.0, 10.0
    h.contraction_onset[:2, N], e.open[UA, N] = (since, since + 1), True
    state.findings.values[0, [BASELINE_BPM, VARIABILITY_BPM], N] = 140.26, 7.0
    found = care.stretch(state, N, second)
    assert (found.decelerations, found.deepest_bpm, found.area_bpm_min) == (
        (3, 45.0, 2.9) if is_long_enough else (2, 40.0, 2.7)
    )
    assert (found.baseline_bpm, found.variability_bpm, found.contractions) == (140.3, 7.0, 2)
    assert care.stretch(state, 0, second) == TraceSummary(0, 0.0, 0.0, None, None, 0), "the other bed has seen nothing"


# What is said of a bed whose state was built anew.


def carried(summary: FetusSummary, found: int = 0, second: int = 700) -> State:
    state = two_beds()
    state.attention.level[N], state.clock.second[N] = found, second
    state.attention.active[0, N] = True
    carry_level(state, N, summary)
    return state


@pytest.mark.parametrize(
    ("found", "carried_level"),
    [(0, BEDSIDE), (LOOK, BEDSIDE), (BEDSIDE, 0), (TEAM, 0)],
)
def test_a_flag_stands_and_is_carried_where_nothing_here_asks_for_as_much(found: int, carried_level: int) -> None:
    a = carried(fetus(Level.BEDSIDE, flag="bed-3"), found).attention
    assert (a.level[N], a.escalated_level[N]) == (BEDSIDE, BEDSIDE)
    assert (a.carried[N], a.from_conditions[N]) == (carried_level, BEDSIDE)
    assert a.level_since[N] == 700
    assert not a.acknowledged[N]
    assert not a.level[0]


def test_what_is_not_a_flag_is_not_carried() -> None:
    for summary in (fetus(Level.NOTED), fetus(Level.QUIET), fetus(Level.BEDSIDE)):
        a = carried(summary).attention
        assert (a.level[N], a.carried[N], a.level_since[N]) == (0, 0, -1)


def test_an_answer_is_carried_and_covers_what_is_there() -> None:
    state = carried(fetus(Level.BEDSIDE, flag="bed-3", answered_by="Kim"), second=-1)
    a = state.attention
    assert (a.acknowledged[N], a.acknowledged_at[N], state.words_of(N).acknowledged_by) == (True, 0, "Kim")
    assert a.acknowledged_for[:, N].tolist() == a.active[:, N].tolist()
