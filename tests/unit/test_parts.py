"""Parts of the core one by one against the same parts of the plain reader, on inputs that meet their limits exactly.

Whole traces seldom lie on a limit: a run that lasts just as long as it is doubted, a height that is just enough. Here
lengths are drawn from those around each limit, and values from a grid on which the limits lie. Every part stands at the
second of two beds: the first stays as it began.
"""

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pytest

from quietward.contracts.fields import HZ, UA_LOWEST
from quietward.detect.core import arrays, records
from quietward.detect.core.patterns import accelerations, decelerations, earlier, excursions, history, naming
from quietward.detect.core.patterns.accelerations import Rise
from quietward.detect.core.patterns.decelerations import Kind
from quietward.detect.core.patterns.earlier import Earlier
from quietward.detect.core.patterns.excursions import DOWN, UA, UP, Excursion, Excursions
from quietward.detect.core.patterns.history import History
from quietward.detect.core.patterns.shape import Work
from quietward.detect.core.records import Rows
from quietward.detect.core.signal import baseline, conditioning, minute, sinusoidal, steps, variability
from quietward.detect.core.signal.baseline import Stretches
from quietward.detect.core.signal.conditioning import Conditioning, Mark
from quietward.detect.core.signal.histogram import Window
from quietward.detect.core.signal.minute import LENGTH, Minute
from quietward.detect.core.signal.sinusoidal import Pattern
from quietward.detect.core.signal.steps import Steps
from quietward.detect.core.signal.variability import Variability
from tests import oracle
from tests.compiled import refine
from tests.oracle import Contraction, Departure, Doubt, Left, Machine, PlainBed, Stepped
from tests.reference_measures import sinusoidal_min
from tests.traces import RULES, bell

READING, NUMBERS = RULES.reading, RULES.numbers
LOWEST = READING.signal.fhr_lowest_bpm
N = 1
NAN = math.nan


def beds(kind: Any, **sizes: str) -> Any:
    """Return two beds that have seen nothing. sizes: of parts that are named otherwise there."""
    return arrays.empty(kind, 2, RULES.sizes | {here: RULES.sizes[there] for here, there in sizes.items()})


def is_untouched(found: Any, kind: Any, **sizes: str) -> bool:
    """Say whether the neighbour, bed 0, is as it began."""
    pairs = zip(arrays.every(found), arrays.every(beds(kind, **sizes)), strict=True)
    return all(np.array_equal(a[..., 0], b[..., 0], equal_nan=a.dtype.kind == "f") for a, b in pairs)


def runs(rng: np.random.Generator, values: Sequence[float], lengths: Sequence[int], until: int) -> list[float]:
    """Return values, each for one of the lengths, one after the other."""
    found = list[float]()
    while len(found) < until:
        found += [float(rng.choice(values))] * int(rng.choice(lengths))
    return found[:until]


# Which samples may be used.

RATES = (
    70, 72.75, 75.5, 75.75, 95, 100, 110, 115, 120, 120, 140, 140, 140, 140, 145, 165, 165.25, 200, 200.25, 205, 240,
    240.25, 30, 29.75, NAN, NAN, 90, 93, 60, 257.5, 280, 280.25,
)  # fmt: skip
RUNS = (1, 1, 2, 4, 7, 8, 9, 10, 15, 16, 17, 24, 60, 118, 119, 120, 121, 122, 240)


@pytest.mark.parametrize("seed", range(6))
def test_what_is_used_of_the_fhr_and_when(seed: int) -> None:
    """Sample by sample, and what was held back with it; whether the rate has stepped; the newest that was used."""
    rng = np.random.default_rng(seed)
    c, plain, marks = beds(Conditioning), Doubt(), Rows.of(Mark, 10_000)
    reference, unread, newest_at = NAN, list[int](), -1
    for now, bpm in enumerate(runs(rng, RATES, RUNS, 12_000)):
        if now % 97 == 0:
            reference = float(rng.choice([NAN, 115, 140, 140, 140, 165]))
        expected = plain.use(now, bpm, reference)
        used, unread = taken(c, now, bpm, reference, marks), [*unread, now]
        assert used == {at: x for at, x in expected.items() if at in unread}, now
        while unread and (not plain.is_on or unread[0] <= now - oracle.HELD_S * HZ):
            unread.pop(0)
        newest_at = now if expected else newest_at
        assert c.stepped[N] == plain.stepped, now
        assert (c.suspect_since[N] >= 0) == plain.is_on, now
        same(conditioning.newest(c, N, newest_at), plain.last_bpm if newest_at >= 0 else NAN)
    assert is_untouched(c, Conditioning)


def taken(c: Conditioning, now: int, bpm: float, reference: float, marks: Rows[Mark]) -> dict[int, float]:
    """Return what is used with a sample, as the second is taken: it, and what had been held back before it."""
    found = conditioning.usable_fhr(c, N, now, bpm, reference, READING.signal, marks)
    used = {} if math.isnan(found) else {now: found}
    known, followed = conditioning.known(c, N, now), int(c.followed[N])
    if followed < now == known:
        used |= {at: c.held[at % LENGTH, N] for at in range(followed, now) if not np.isnan(c.held[at % LENGTH, N])}
    if followed <= known:
        c.followed[N] = known + 1
    return used


def same(found: float, expected: float, within: float = 1e-9) -> None:
    """Assert that two numbers are the same, unknown only where both are."""
    assert (math.isnan(found) and math.isnan(expected)) or abs(found - expected) <= within, (found, expected)


# Departures.

HEIGHTS = {
    DOWN: (-3.0, 0, 0.1, 0.2, 2, 4, 4.1, 4.9, 5, 5.1, 6, 8, 8.1, 9.9, 10.0, 12.0, 14.9, 15.0, 20.0, 32.0, 40.0),
    UA: (-3.0, 0.0, 1.0, 1.1, 2.0, 3.0, 3.1, 4.0, 4.1, 7.9, 8.0, 10.0, 12.0, 12.1, 20.0, 39.9, 40.0, 60.0),
}  # fmt: skip
HEIGHTS = {row: heights + (NAN,) * 4 for row, heights in (*HEIGHTS.items(), (UP, HEIGHTS[DOWN]))}
LENGTHS = (
    1, 1, 1, 2, 3, 20, 39, 40, 41, 59, 60, 61, 79, 80, 81, 99, 100, 101, 240, 599, 600, 601, 1199, 1200, 2399, 2400,
)  # fmt: skip
USUAL = (0.0, 0.2, 0.25, 2.5, 10.0, 12.5, 20.0, 25.0, 60.0, 75.0, 114.0, 115.0)


@pytest.mark.parametrize("row", [DOWN, UP, UA])
@pytest.mark.parametrize("seed", range(2))
def test_where_departures_begin_and_end(row: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    numbers = (READING.deceleration, READING.acceleration, READING.contraction)[row]
    e, closed, plain = beds(Excursions), Rows.of(Excursion, 1), Machine(row, numbers)
    how = set[str]()
    parts = [runs(rng, HEIGHTS[row], LENGTHS[: rng.choice([12, len(LENGTHS)])], 1500) for _ in range(6)]
    for now, y in enumerate(y for part in parts for y in [*part, *[NAN] * int(rng.choice([1, 30, 59, 60, 61]))]):
        if now % 240 == 0:
            usual = float(rng.choice(USUAL))
            excursions.set_thresholds(e, row, N, usual, NUMBERS.rows[row])
        tolerance = min(max(numbers.tolerance_share * usual, numbers.tolerance_least), numbers.tolerance_at_most)
        enter = min(max(numbers.enter_share * usual, numbers.enter), numbers.enter_at_most)
        was_open = plain.open
        expected = plain.sample(now, y, tolerance, enter)
        opens = excursions.step(e, row, N, now, y, NUMBERS.rows[row], closed)
        assert opens == (plain.opened_at == now and not was_open and (plain.open or expected is not None)), now
        assert e.open[row, N] == plain.open, now
        assert (expected is not None) == bool(closed.written[0]), now
        if expected is not None:
            closed.written[0] = 0
            compare(closed.rows[0], expected, now)
            how.add("level" if expected.new_level else "cut" if expected.cut else "kept" if expected.kept else "small")
    assert {"cut", "kept", "small"} <= how
    assert is_untouched(e, Excursions)


def compare(x: Excursion, expected: Departure, now: int) -> None:
    """Compare one that has just closed."""
    assert (x.n, x.row, x.closed_at, x.what, x.said, x.exact) == (N, expected.row, now, excursions.UNNAMED, False, True)
    assert (x.onset, x.reached_at, x.peak_at, x.end) == (expected.onset, expected.reached, expected.peak, expected.end)
    assert x.height == expected.height
    assert (x.cut, x.new_level, x.kept) == (expected.cut, expected.new_level, expected.kept)
    why = excursions.LEVEL if expected.new_level else excursions.AS_SAID if expected.kept else excursions.SMALL
    assert x.why == why
    assert x.contraction_onset == x.contraction_peak == arrays.LONG_AGO
    same(x.area, expected.area, 1e-6)


@pytest.mark.parametrize(("height", "after_s"), [(14.75, 150), (15.0, 600), (30.0, 600)])
def test_what_lasts_is_a_new_level(height: float, after_s: int) -> None:
    """NICHD 2008: from ten minutes on it is a new baseline. What is shallow has drifted sooner: own choice."""
    e, closed = beds(Excursions), Rows.of(Excursion, 9)
    excursions.set_thresholds(e, DOWN, N, 0.0, NUMBERS.rows[DOWN])
    for now in range(10 + after_s * HZ + 1):
        assert not closed.written[0]
        excursions.step(e, DOWN, N, now, 0.0 if now < 10 else height, NUMBERS.rows[DOWN], closed)
    (x,) = closed.rows[:1]
    assert (x.onset, x.end, x.closed_at, x.new_level, x.kept) == (10, now, now, True, False)
    assert x.why == excursions.LEVEL
    assert not e.open[DOWN, N]


def test_coverage_is_the_share_of_samples_that_were_there() -> None:
    e, closed = beds(Excursions), Rows.of(Excursion, 9)
    excursions.set_thresholds(e, DOWN, N, 0.0, NUMBERS.rows[DOWN])
    fall = [0.0] * 10 + [20.0] * 30 + [NAN] * 10 + [20.0] * 10 + [0.0]
    for now, y in enumerate(fall):
        excursions.step(e, DOWN, N, now, y, NUMBERS.rows[DOWN], closed)
    (x,) = records.taken(closed, Excursion)
    assert (x.onset, x.end, x.length_s) == (10, 60, 12.5)
    assert x.coverage == pytest.approx(41 / 50)  # 40 of its samples, and the one that ended it
    assert (x.fall_s, excursions.fall_s(x), excursions.length_s(x)) == (0.25, 0.25, 12.5)


# Steps of the level.

STEP_RATES = (140.0, 140.0, 128.0, 127.75, 130.5, 149.75, 152.0, 100.0, 70.0, 200.0, 250.0, NAN, NAN)
STEP_RUNS = (1, 2, 8, 9, 10, 11, 12, 13, 39, 40, 41, 42, 49, 50, 51, 60, 62, 130)


@pytest.mark.parametrize("seed", range(2))
def test_steps_of_the_level(seed: int) -> None:
    """Levels that are flat or restless, with gaps; followed every 5 s, and at times later or sooner."""
    rng = np.random.default_rng(seed)
    ring = beds(Window, ring="fhr ring")
    s, plain, reference, told = beds(Steps), Stepped({}), NAN, 0
    bpm = runs(rng, STEP_RATES, STEP_RUNS, 1500)
    restless, edges = runs(rng, (0, 0, 0, 0, 4, 12), (90, 200), 1500), rng.random(1500) < 0.1
    for second in range(1500):
        swing = restless[second] * (-1) ** second
        for k in range(HZ):
            x = NAN if edges[second] and k >= 1 + second % 3 else bpm[second] + swing
            put_into(ring, second * HZ + k, x)
            if not math.isnan(x):
                plain.fhr[second * HZ + k] = x
        if rng.random() < 0.02:
            reference = float(rng.choice([NAN, 140, 140, 140, 130, 100]))
        if second % 5 == 4 or rng.random() < 0.05:
            steps.follow(s, N, second, ring, reference, LOWEST, READING.step)
            plain.follow(second, reference)
            before, after = plain.levels or (NAN, NAN)
            same(float(s.before_bpm[N]), before)
            if plain.levels:
                same(float(s.after_bpm[N]), after)
                told += s.since[N] == second
    assert told > 2
    assert is_untouched(s, Steps)


def put_into(w: Window, sample: int, bpm: float) -> None:
    w.ring[sample % w.ring.shape[0], N] = 0 if math.isnan(bpm) else round((bpm - LOWEST) * 4) + 4


@pytest.mark.parametrize("lasts_s", [599, 600, 601])
def test_a_step_is_doubted_for_no_longer_than_the_baselines_window(lasts_s: int) -> None:
    """Common practice, no source: what lasts that long is what the bed is judged by."""
    ring, s = beds(Window, ring="fhr ring"), beds(Steps)
    first_told = 99 + READING.step.after_s - 1  # from second 99 to the next but one; all that are asked for are over
    for second in range(first_told + lasts_s + 2):
        for k in range(HZ):
            put_into(ring, second * HZ + k, 140.0 if second < 100 else 100.0)
        steps.follow(s, N, second, ring, 140.0, LOWEST, READING.step)
        is_over = second < first_told or second > first_told + READING.step.longest_s  # told again a second later
        assert np.isnan(s.before_bpm[N]) == is_over


# Levels that have been left.


@pytest.mark.parametrize("seed", range(8))
def test_levels_that_have_been_left(seed: int) -> None:
    rng, limits = np.random.default_rng(seed), READING.earlier
    e, plain, second = beds(Earlier), Left(), 0
    for _ in range(4000):
        second += int(rng.choice([5, 5, 5, 5, 60, 595, 1800]))
        baseline_bpm, fhr = (float(x) for x in rng.choice([NAN, 100, 110, 120, 129.75, 130, 140, 150], 2))
        if rng.random() < 0.15:
            length = int(rng.choice([60, 299.75, 300, 600]) * HZ)
            onset = max(0, second - int(rng.choice([0, 1, 3599, 3600, 3601]))) * HZ + int(rng.integers(0, HZ))
            row, is_new, is_cut = int(rng.choice([DOWN, UP])), bool(rng.random() < 0.7), bool(rng.random() < 0.3)
            height = float(rng.choice([24.75, 25, 40]))
            level = float(rng.choice([110, 120, 130, 140]))
            departure = Departure(row, onset, onset, onset, onset + length, height, 0.0, is_new, True, is_cut)
            plain.leave(departure, level, is_new)
            earlier.leave(e, closed_as(departure), level, is_new, limits)
        falls_since = max(0, second - int(rng.choice([0, 5, 60, 600]))) if rng.random() < 0.5 else None
        plain.follow(second, baseline_bpm, fhr, NAN if falls_since is None else falls_since)
        since = -1 if falls_since is None else falls_since
        earlier.follow(e, N, second, baseline_bpm, fhr, since, READING.look.every_s, limits)
        assert (earlier.is_down(e, N, limits), bool(e.goes_on[N])) == (plain.is_down, plain.goes_on)
        assert e.fell_at[N] == plain.fell_at or plain.fell_at == -math.inf
        for found, expected in ((e.before_fall_bpm, plain.before_fall), (e.before_rise_bpm, plain.before_rise)):
            same(float(found[N]), expected)
        unseen = not math.isnan(plain.before_fall) and plain.seen < limits.back_for_s
        assert earlier.is_unseen(e, N, limits) == unseen
        now = baseline_bpm if plain.back >= limits.back_for_s else fhr
        is_known = not math.isnan(now) and not (unseen and plain.back)
        below = 0.0 if math.isnan(plain.before_fall) else plain.before_fall - now if is_known else NAN
        same(earlier.below_bpm(e, N, baseline_bpm, fhr, limits), 0.0 if below < 0 else below)
        risen = baseline_bpm - plain.before_rise
        same(earlier.risen_bpm(e, N, baseline_bpm), risen if risen > 0 else 0.0)
    assert is_untouched(e, Earlier)


def closed_as(x: Departure) -> Excursion:
    """Return the same as the core writes it."""
    return Excursion(
        N, x.row, x.end, x.onset, x.reached, x.peak, x.end, x.height, x.area, 1.0, x.cut, x.new_level, x.kept, x.exact
    )


# Flanks, looked at again.


@pytest.mark.parametrize("row", [DOWN, UA])
@pytest.mark.parametrize("seed", range(2))
def test_flanks_are_drawn_out_as_the_plain_reader_does(row: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(8):
        length_s, before = float(rng.choice([8, 20, 45, 90])), int(rng.integers(0, 170))
        piece = bell(float(rng.choice([12, 30, 60])), length_s) if rng.random() < 0.5 else flat_bottomed(rng, length_s)
        height = np.concatenate([np.zeros(before), piece, np.zeros(int(rng.integers(0, 120)))])
        height = np.round((height + rng.normal(0, float(rng.choice([0, 1, 4])), len(height))) * 4) / 4
        for _ in range(int(rng.integers(0, 4))):
            at = int(rng.integers(0, len(height)))
            height[at : at + int(rng.integers(1, 60))] = NAN
        first = int(rng.integers(0, 1000))
        onset = max(first - (rng.random() < 0.05), first + before + int(rng.integers(-4, 20)))
        end = min(first + len(height), onset + max(4, int(len(piece) * rng.uniform(0.4, 1.1))))
        ahead = 0 if row == UA else int(rng.choice([0, 10, 40]))
        x = Departure(row, onset, onset + 1, onset + 1, end, 30.0, 1.0, False, True)
        expected = oracle.second_look(x, first, height.tolist(), ahead)
        found = looked_at_again(closed_as(x), first, height, ahead)
        assert (found.onset, found.reached_at, found.peak_at, found.end, found.exact) == (
            expected.onset, expected.reached, expected.peak, expected.end, expected.exact,
        )  # fmt: skip


def flat_bottomed(rng: np.random.Generator, length_s: float) -> Any:
    down, up = rng.uniform(0.05, 0.5, 2) * length_s * HZ
    t = np.arange(1, length_s * HZ)
    return 30 * np.clip(np.minimum(t / down, (length_s * HZ - t) / up), 0, 1)


def looked_at_again(x: Excursion, first: int, height: Any, ahead: int) -> Excursion:
    return refine(x, first, height, READING.flanks, ahead)


# Names.


def near(*limits: float) -> list[float]:
    """Return limits, and what is a sample or a quarter of a bpm to either side of them."""
    return [limit + by for limit in limits for by in (-0.25, 0.0, 0.25)]


@pytest.mark.parametrize("seed", range(2))
def test_kinds_of_falls(seed: int) -> None:
    """At each limit of both rule sets, exactly and a sample beside it; at contractions of any place."""
    rng, kinds = np.random.default_rng(seed), set[str]()
    for _ in range(3000):
        onset = 1000
        slope, length = rng.choice(near(5, 25, 30, 35)), rng.choice(near(15, 40, 60, 120, 180))
        back = rng.choice(near(25, 30, 35, 60)) if rng.random() < 0.5 else length / 2
        end = onset + round(length * HZ)
        peak = max(onset, end - round(back * HZ)) if rng.random() < 0.5 else onset + round(slope * HZ) - 1
        reached = onset + round(slope * HZ) - 1
        x = Departure(DOWN, onset, reached, peak, end, float(rng.choice(near(10, 15))), 1.0, False, True)
        x.exact = bool(rng.random() < 0.5)
        own = contraction_at(rng, x) if rng.random() < 0.8 else None
        found = closed_as(x)
        if own is not None:
            found.contraction_onset, found.contraction_peak = own.onset, own.peak
        for rules in RULES.rule_sets:
            expected = oracle.fall_kind(x, own, rules)
            own_end = arrays.LONG_AGO if own is None else own.end
            assert Kind(decelerations.kind(found, own_end, rules.deceleration, READING.kind)).word == expected
            kinds.add(expected)
    assert kinds == {kind.word for kind in Kind}


def contraction_at(rng: np.random.Generator, x: Departure) -> Contraction:
    """Return one whose onset, peak and end lie at the limits of what they are compared with."""
    onset = x.onset - round(rng.choice([*near(0, 15, 20), 40, 70]) * HZ)
    peak = x.peak - round(rng.choice([*near(0, 15, -15), 40]) * HZ)
    return Contraction(onset, peak, end := x.end + int(rng.choice([-60, -1, 0, 1])), end)


def test_an_open_abrupt_fall_may_still_become_late() -> None:
    """FIGO 2015: late by its return, where it began more than 20 s after the contraction and has its nadir behind its
    peak. NICHD 2008 does not ask for the return.
    """
    nichd, figo = (rules.deceleration for rules in RULES.rule_sets)
    x = closed_as(Departure(DOWN, 1000, 1020, 1020, 1060, 30.0, 1.0, False, True))
    x.contraction_onset, x.contraction_peak = 1000 - 20 * HZ - 1, 1019
    assert decelerations.return_decides(x, Kind.VARIABLE, figo)
    assert not decelerations.return_decides(x, Kind.VARIABLE, nichd)
    assert not decelerations.return_decides(x, Kind.LATE, figo)
    x.contraction_onset = 1000 - 20 * HZ
    assert not decelerations.return_decides(x, Kind.VARIABLE, figo)
    x.contraction_onset, x.contraction_peak = 1000 - 20 * HZ - 1, 1020
    assert not decelerations.return_decides(x, Kind.VARIABLE, figo)
    x.contraction_onset, x.contraction_peak = arrays.LONG_AGO, arrays.LONG_AGO
    assert not decelerations.return_decides(x, Kind.VARIABLE, figo)


def test_kinds_of_rises() -> None:
    kinds = set[str]()
    for rules in RULES.rule_sets:
        for height in near(10, 15):
            for length in near(10, 15, 120, 600):
                for slope in near(8, 30, 600):
                    for weeks in (0, 1, 31, 32, 40):
                        x = Departure(UP, 0, round(slope * HZ) - 1, 1, round(length * HZ), height, 1.0, False, True)
                        expected = oracle.rise_kind(x, rules, weeks)
                        assert Rise(accelerations.rise(closed_as(x), rules.acceleration, weeks)).word == expected
                        kinds.add(expected)
    assert kinds == {"none", "acceleration", "prolonged acceleration"}


@pytest.mark.parametrize("seed", range(3))
def test_the_contraction_that_a_fall_belongs_to(seed: int) -> None:
    """The last that began before the nadir and was not over for more than a minute; also one that goes on."""
    rng = np.random.default_rng(seed)
    late = int(READING.kind.late_within_s * HZ)
    for _ in range(800):
        h, e = beds(History), beds(Excursions)
        x = Departure(DOWN, 4000, 4050, 4060, 4100, 30.0, 1.0, False, True)
        now, of_bed = 4200, list[Contraction]()
        for end in sorted(rng.choice([2000, 3000, 4000 - late - 1, 4000 - late, 4000 - late + 1, 4055], 3)):
            of_bed.append(Contraction(int(end) - 200, int(end) - 90, int(end), int(end)))
            closed = closed_as(Departure(UA, end - 200, 0, end - 90, end, 30.0, 1.0, False, True))
            history.add_contraction(h, closed, is_read=True)
        if rng.random() < 0.7:
            e.open[UA, N] = True
            e.onset[UA, N] = onset = int(rng.choice([4059, 4060, 4061, 3990]))
            e.peak_at[UA, N] = peak = onset + int(rng.choice([10, 80, 200]))
            over = peak + int(READING.kind.falls_as_long * (peak - onset))
            of_bed.append(Contraction(onset, peak, max(now, over), now))
        expected, found = oracle.contraction_of(x, of_bed), closed_as(x)
        going_on = history.going_on(e, N, now, READING.kind)
        end = history.find_contraction(h, found, going_on, READING.kind)
        place = (found.contraction_onset, found.contraction_peak, end)
        assert place == ((arrays.LONG_AGO,) * 3 if expected is None else (expected.onset, expected.peak, expected.end))


def test_a_contraction_that_goes_on_is_read_from_its_flanks() -> None:
    """Its peak is the middle of its top and not its highest single value, its end where its way back leads."""
    ua = np.full(200 * HZ, 10.0)
    ua[40 * HZ : 140 * HZ] += 20 * (1 - np.cos(2 * np.pi * np.arange(100 * HZ) / (100 * HZ)))
    ua[75 * HZ] = 55
    second, h, e = 122, beds(History), beds(Excursions)
    window = Window(np.zeros(2, dtype=np.int64), np.zeros((200 * HZ, 2), dtype=np.uint16))
    for sample in range((second + 1) * HZ):
        window.ring[sample, N] = round((ua[sample] - UA_LOWEST) * 4) + 4
    e.open[UA, N], e.onset[UA, N], e.peak_at[UA, N] = True, 48 * HZ, 75 * HZ
    fall = closed_as(Departure(DOWN, 320, 400, 400, 490, 30.0, 1.0, False, True))
    room, work = closed_as(Departure(UA, 0, 0, 0, 1, 0.0, 0.0, False, True)), Work.of(8000)
    _, peak, end = naming.contraction_going_on(fall, room, h, window, e, second, 10.0, work, READING)
    assert peak / HZ == pytest.approx(90, abs=3)
    assert end / HZ == pytest.approx(140, abs=6)
    e.open[UA, N] = False
    none = naming.contraction_going_on(fall, room, h, window, e, second, 10.0, work, READING)
    assert none == (arrays.LONG_AGO,) * 3


# A minute.


def some_minutes(rng: np.random.Generator) -> Iterator[Any]:
    """Yield minutes with more or less of them there: also just half, and a sample less."""
    wide, slow = (0.5, 4, 4.5, 5, 5.5, 6, 24, 25.5, 26), (3, 3.25, 4, 4.75, 5, 2.75, 5.25, 9)
    for _ in range(90):
        t = np.arange(LENGTH) / LENGTH
        bpm = 140 + rng.uniform(-20, 20) * t + rng.normal(0, float(rng.choice([0, 0.5, 4])), LENGTH)
        bpm += float(rng.choice(wide)) / 2 * np.sin(2 * np.pi * (float(rng.choice(slow)) * t + rng.random()))
        gone = rng.permutation(LENGTH)[: int(rng.choice([0, 0, 20, 119, 120, 121, 240]))]
        bpm[gone] = NAN
        yield bpm


def test_variability_of_minutes() -> None:
    """Bandwidth, with and without what is slow, excursions left out; the mean of ten; minutes in a row; waves."""
    rng, plain = np.random.default_rng(4), PlainBed()
    v, pattern, m = beds(Variability), beds(Pattern), beds(Minute)
    work = variability.Work.of(READING.sinusoidal)
    low = high = 0
    for number, bpm in enumerate(some_minutes(rng)):
        m.samples[minute.FHR, :, N] = bpm
        m.in_excursion[:, N] = apart = rng.random(LENGTH) < rng.choice([0, 0.1, 0.5])
        second = number * 60 + 59
        args = (v, pattern, m, N, second, work, READING.variability, READING.sinusoidal)
        variability.finish_minute(*args)
        plain.bandwidths.append(oracle.bandwidth(bpm[~apart].tolist()))
        short, long = (
            oracle.moving_mean(bpm.tolist(), int(s * HZ) // 2)
            for s in (READING.variability.fine_short_s, READING.variability.fine_long_s)
        )
        fine = oracle.bandwidth([a - b for x, a, b in zip(bpm, short, long, strict=True) if not math.isnan(x)])
        plain.waves.append(None if math.isnan(oracle.bandwidth(bpm.tolist())) else oracle.is_wave(bpm.tolist()))
        same(float(v.minute_bpm[N]), plain.bandwidths[-1])
        same(float(v.minutes[number % variability.KEPT_MIN, N]), plain.bandwidths[-1])
        same(float(v.fine[number % variability.KEPT_MIN, N]), fine)
        same(float(v.bpm[N]), plain.variability)
        assert pattern.lasted_min[N] == sinusoidal_min(plain, RULES.rule_sets[0])
        if not math.isnan(plain.variability):
            low = low + 1 if round(plain.variability) < READING.variability.low_below_bpm else 0
            high = high + 1 if round(plain.variability) > READING.variability.high_above_bpm else 0
        assert (v.low_min[N], v.high_min[N]) == (low, high)
    assert is_untouched(v, Variability)
    assert is_untouched(pattern, Pattern)


@pytest.mark.parametrize("seed", range(4))
def test_a_pattern_of_waves_begins_goes_on_and_ends(seed: int) -> None:
    rng, plain, pattern, lasted = np.random.default_rng(seed), PlainBed(), beds(Pattern), set[int]()
    for _ in range(400):
        is_wave = bool(rng.random() < rng.choice([0.5, 0.75, 0.95]))
        plain.waves.append(is_wave)
        sinusoidal.follow_pattern(pattern, N, is_wave, READING.sinusoidal)
        plain.waves = plain.waves[-60:] if pattern.lasted_min[N] == 0 else plain.waves
        assert pattern.lasted_min[N] == sinusoidal_min(plain, RULES.rule_sets[0])
        lasted.add(int(pattern.lasted_min[N]))
    assert len(lasted) > 8


# The baseline's window.


@pytest.mark.parametrize("seed", range(3))
def test_the_level_of_the_window(seed: int) -> None:
    """Levels far apart, just apart and close; little of the signal there; looked at as late as a minute allows."""
    rng, plain = np.random.default_rng(seed), PlainBed()
    m, s = beds(Minute), beds(Stretches, stretches="fhr stretches", bpm="fhr bpm")
    levels = (140, 140, 120, 119, 161, 160, 146, 100, 30, 240, NAN, NAN)
    level, found = runs(rng, levels, (20, 115, 120, 121, 300), 2400), 0
    noise = np.round(rng.normal(0, 1.5, 2400 * HZ) * 4) / 4
    reached = 0
    for second in range(2400):
        for k in range(HZ):
            sample = second * HZ + k
            bpm = min(max(level[second] + noise[sample] * (second // 200 % 2), LOWEST), 240)
            minute.push(m, N, sample, bpm, NAN)
            if not math.isnan(bpm):
                plain.fhr[sample] = bpm
        if second - reached < 45 and rng.random() > 0.05:
            continue
        baseline.catch_up(s, m, N, second, LOWEST, READING.baseline)
        for end in range(len(plain.stretches) * 5 + 5, second + 2, 5):
            plain.stretches.append(plain._stretch(end))
        reached = len(plain.stretches) * 5
        plain.reference = float(rng.choice([NAN, 140, 140, 140, 120, 160, 100]))
        expected = plain._level()
        same(
            baseline.measure(s, N, plain.reference, LOWEST, READING.baseline), expected, 2e-3
        )  # a weight may be rounded otherwise
        found += not math.isnan(expected)
    assert found > 20
    assert is_untouched(s, Stretches, stretches="fhr stretches", bpm="fhr bpm")


def test_two_levels_of_a_minute_and_a_half_each_are_no_baseline() -> None:
    """NICHD 2008: at least two minutes. What lies between them would be a level at which the FHR never was."""
    m, s = beds(Minute), beds(Stretches, stretches="fhr stretches", bpm="fhr bpm")
    for second in range(210):
        for k in range(HZ):
            minute.push(m, N, second * HZ + k, 130.0 if second < 90 else 150.0, NAN)
        baseline.catch_up(s, m, N, second, LOWEST, READING.baseline)
        found = baseline.measure(s, N, NAN, LOWEST, READING.baseline)
        assert math.isnan(found) == (second < 209), second
    assert found == 150
