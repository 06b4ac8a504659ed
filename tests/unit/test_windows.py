"""Every measure from what is remembered of a bed, with events that begin at the very edges of the windows.

What the plain reader would remember is drawn at random, and written into the core's arrays as well; then both work out
all measures from it. Onsets lie a sample before, at and after the edges, lengths and depths at the limits.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.detect.core import arrays
from quietward.detect.core.measures import measuring
from quietward.detect.core.measures.findings import MEASURES, values_of
from quietward.detect.core.patterns.decelerations import Kind
from quietward.detect.core.patterns.excursions import DOWN, UA
from quietward.detect.core.patterns.history import KEPT, in_64ths
from quietward.detect.core.signal import tone, twins, usable
from quietward.detect.core.state.beds import Beds
from quietward.detect.core.state.state import State
from tests.oracle import Contraction, Fall, PlainBed, Rise, SeenFall
from tests.reference_measures import WITHIN, all_of, same
from tests.traces import RULES

READING = RULES.reading
N = 1
NAN = math.nan
SEEDS = range(14)
COPIED = {"low_variability_min", "high_variability_min", "sinusoidal_min"}
"""Kept up minute by minute, and only written down here; see `test_parts.py`."""
WORDS = ["none", "early", "late", "variable", "prolonged", "undetermined"]


@dataclass
class Drawn:
    """One bed as the plain reader remembers it, and as the core does."""

    plain: PlainBed
    beds: Beds
    seconds: int

    @property
    def now(self) -> int:
        return self.seconds * HZ


def pick(rng: np.random.Generator, *values: float) -> float:
    return float(rng.choice(values))


def onsets(rng: np.random.Generator, now: int) -> list[int]:
    """Return some, in order and well apart: near the edges of 10, 20, 30 and 60 minutes, and between."""
    edges = [now - minutes * 60 * HZ + int(rng.integers(-1, 2)) for minutes in (10, 20, 30, 60)]
    chosen = sorted({*(e for e in edges if rng.random() < 0.8), *rng.integers(0, now - 800, 5).tolist()})
    return [onset for i, onset in enumerate(chosen) if onset >= 0 and (i == 0 or onset - chosen[i - 1] > 900)]


def drawn(seed: int) -> Drawn:
    rng = np.random.default_rng(seed)
    seconds = int(rng.choice([59, 60, 600, 1799, 1800, 1801, 3899, 3900, 4230, 4259]))
    state = State(RULES, ["other", "bed"], ["", ""])
    found = Drawn(PlainBed(), state.all, seconds)
    signal_of(rng, found)
    levels_of(rng, found)
    if seconds > 1000:
        events_of(rng, found)
    if seconds > 300:
        going_on_of(rng, found)
    plain, beds = found.plain, found.beds
    plain.stage, plain.weeks = int(rng.integers(1, 3)), int(rng.choice([0, 1, 40]))
    beds.running.stage[N], beds.running.weeks[N] = plain.stage, plain.weeks
    plain.ua_is_useful, plain.rest = bool(rng.random() < 0.8), pick(rng, NAN, 10)
    beds.tone.useful[N], beds.tone.rest[N] = plain.ua_is_useful, plain.rest
    plain.values = [120.0] + [140.0] * int(rng.choice([1, 240, 241]))
    beds.conditioning.same[N] = len(plain.values) - 1
    plain.doubt.stepped = bool(rng.random() < 0.3)
    beds.conditioning.stepped[N] = plain.doubt.stepped
    if rng.random() < 0.3:
        plain.stepped.levels, beds.steps.before_bpm[N] = (140, 100), 140
    return found


def signal_of(rng: np.random.Generator, d: Drawn) -> None:
    """Samples of FHR and UA, with seconds and minutes of which some or none is there, and at last often nothing."""
    share = np.repeat(rng.choice([0, 0.5, 1, 1], d.seconds // 30 + 1), 30)[: d.seconds]
    share[d.seconds - int(rng.choice([0, 0, 1, 5, 20])) :] = 0
    mhr, begins = 120.0, max(0, d.seconds - 1900)  # before that nothing came
    d.plain.ua_was_useful, d.beds.usable.seconds[N] = [False] * begins, begins
    for second in range(begins, d.seconds):
        there = rng.random(HZ) < share[second]
        toco = rng.random(HZ) < share[d.seconds - 1 - second]
        is_useful = bool(second % 700 > 60)
        bpm = rng.choice([89.75, 90, 90.25, 114.75, 115, 120, 125, 125.25, 140], HZ)
        for k in range(HZ):
            at = second * HZ + k
            if there[k]:
                d.plain.fhr[at] = float(bpm[k])
                if abs(bpm[k] - mhr) <= READING.signal.mother_within_bpm:
                    d.plain.near_mother.add(at)
            if toco[k]:
                d.plain.ua[at] = 20.0
        d.plain.ua_was_useful.append(is_useful)
        low, near = (bpm < READING.notable.low_fhr_bpm) & there, (abs(bpm - mhr) <= 5) & there
        counts = (int(there.sum()), int(toco.sum()) * is_useful, int(low.sum()), int(near.sum()))
        usable.count_second(d.beds.usable, N, second, *counts)
        if second > begins + 60 and rng.random() < 0.02:
            change_late(rng, d, second)


def change_late(rng: np.random.Generator, d: Drawn, second: int) -> None:
    """Use a sample only now that came some seconds ago."""
    at = int(rng.integers(second - 57, second))
    sample = at * HZ + int(rng.integers(0, HZ))
    if sample in d.plain.fhr:
        return
    d.plain.fhr[sample], is_low, is_near = (80.0, True, False) if rng.random() < 0.5 else (121.0, False, True)
    d.plain.near_mother |= {sample} if is_near else set()
    usable.count_late(d.beds.usable, N, at, is_low, is_near)


def levels_of(rng: np.random.Generator, d: Drawn) -> None:
    """Baseline second by second, bandwidths minute by minute."""
    plain, beds = d.plain, d.beds
    bpm = np.repeat(rng.choice([99.75, 100, 109.75, 110, 140, 160, 160.25, 170, NAN], d.seconds // 7 + 1), 7)[
        : d.seconds
    ]
    steady = int(rng.choice([0, 100, 1000]))
    bpm[max(0, d.seconds - steady) :] = pick(rng, 95, 105, 165, NAN)
    for second in range(d.seconds):
        level = float(bpm[second])
        plain.baselines.append(level)
        there = sum(sample in plain.fhr for sample in range(second * HZ, second * HZ + HZ))
        measuring.keep_up(beds.running, N, second, level, there)
        if second % 60 == 59:
            minute = second // 60 % len(beds.variability.minutes)
            plain.bandwidths.append(pick(rng, NAN, 5, 5.5, 5.75, 6, 12))
            plain.fine.append(pick(rng, NAN, 4.75, 5, 5.25))
            beds.variability.minutes[minute, N], beds.variability.fine[minute, N] = plain.bandwidths[-1], plain.fine[-1]
            measuring.end_minute(beds.minutes, N, second, level, plain.bandwidths[-1])
    plain.baseline = pick(rng, NAN, 100, 140)
    plain.reference = plain.baseline if rng.random() < 0.8 else 140.0
    beds.baseline.bpm[N], beds.baseline.reference_bpm[N] = plain.baseline, plain.reference
    beds.variability.bpm[N] = plain.variability


def events_of(rng: np.random.Generator, d: Drawn) -> None:
    """Falls, rises and contractions that are over, in the rings as if many had been there before."""
    plain, h = d.plain, d.beds.history
    h.decelerations[N] = h.contractions[N] = h.accelerations[N] = int(rng.integers(0, KEPT))
    for onset in onsets(rng, d.now):
        length = int(pick(rng, *(s + by for s in (15, 60, 120, 180) for by in (-0.25, 0, 0.25))) * HZ)
        depth, lowest = pick(rng, 9, 14.75, 15, 30, 59.75, 60), pick(rng, 69.75, 70, 90)
        kinds = {rules.name: str(rng.choice(WORDS)) for rules in RULES.rule_sets}
        plain.falls.append(Fall(onset, onset + length, depth, depth * length / 8, lowest, kinds))
        slot = h.decelerations[N] % KEPT
        h.fall_onset[slot, N], h.fall_end[slot, N] = onset, onset + length
        h.fall_depth[slot, N], h.fall_area[slot, N] = in_64ths(depth), in_64ths(depth * length / 8)
        h.fall_lowest[slot, N] = lowest
        for i, rules in enumerate(RULES.rule_sets):
            h.fall_kind[i, slot, N] = Kind[kinds[rules.name].upper()]
        h.decelerations[N] += 1
    for onset in onsets(rng, d.now):
        plain.rises.append(Rise(onset, onset + 80, {}))
        h.rise_onset[h.accelerations[N] % KEPT, N] = onset
        h.accelerations[N] += 1
    for onset in onsets(rng, d.now):
        peak, end = onset + 120, onset + int(rng.choice([200, 280, 360]))
        over_at = end // HZ * HZ + HZ
        plain.contractions.append(Contraction(onset, peak, end, over_at))
        since_s = onset // HZ
        read = sum(at in plain.fhr for at in range(since_s * HZ, over_at))
        slot = h.contractions[N] % KEPT
        h.contraction_onset[slot, N], h.contraction_peak[slot, N], h.contraction_end[slot, N] = onset, peak, end
        h.contraction_read[slot, N] = read >= READING.notable.read_share * (over_at - since_s * HZ)
        h.contractions[N] += 1


def going_on_of(rng: np.random.Generator, d: Drawn) -> None:
    """What goes on, and what has been left or was last seen."""
    plain, e, left, r = d.plain, d.beds.excursions, d.beds.earlier, d.beds.running
    if rng.random() < 0.6:
        machine, onset = plain.machines[DOWN], d.now - int(pick(rng, 14.75, 15, 15.25, 60, 119.75, 120, 121) * HZ)
        height = pick(rng, 14.75, 15, 15.25, 25, 40, 70)
        machine.open, machine.onset, machine.height = True, onset, height
        machine.heights = [(at, height * 0.75) for at in range(onset, d.now) if rng.random() < 0.9]
        e.open[DOWN, N], e.onset[DOWN, N], e.height[DOWN, N] = True, onset, height
        e.area[DOWN, N], e.used[DOWN, N] = machine.area, len(machine.heights)
    if rng.random() < 0.4:
        plain.machines[UA].open, plain.machines[UA].onset = True, d.now - int(rng.integers(1, 100))
        e.open[UA, N], e.onset[UA, N] = True, plain.machines[UA].onset
    plain.left.before_fall, plain.left.before_rise = pick(rng, NAN, 120, 150), pick(rng, NAN, NAN, 130, 115)
    plain.left.fell_at = d.seconds - int(rng.choice([0, 1, 100]))
    plain.left.seen, plain.left.back = int(rng.choice([0, 59, 60, 61])), int(rng.choice([0, 59, 60]))
    left.before_fall_bpm[N], left.before_rise_bpm[N] = plain.left.before_fall, plain.left.before_rise
    left.fell_at[N], left.seen_s[N], left.back_s[N] = plain.left.fell_at, plain.left.seen, plain.left.back
    if rng.random() < 0.4:
        at_s = d.seconds - int(rng.choice([5, 30, 200]))
        plain.seen_fall = SeenFall(at_s, pick(rng, 0, 7, 100), pick(rng, 20, 200), 30.0)
        r.fall_seen_at[N], r.fall_missed_s[N] = at_s - 1, plain.seen_fall.missed_s
        r.fall_seen_s[N], r.fall_seen_bpm[N] = plain.seen_fall.length_s, 30.0


Measured = list[dict[str, float]]
"""All measures by rule set."""


@cache
def both_of(seed: int) -> tuple[Measured, Measured]:
    """Return what the core measures of a bed that is drawn, and what the plain reader does."""
    d = drawn(seed)
    found = measured(d)
    d.plain._see_fall()
    return found, [all_of(d.plain, rules) for rules in RULES.rule_sets]


def measured(d: Drawn) -> Measured:
    """Return what the core measures, by rule set."""
    b, second = d.beds, d.seconds - 1
    measuring.measure(
        b.findings, N, second, b.conditioning, b.steps, b.usable, b.baseline, b.earlier, d.plain.newest,
        b.variability, b.sinusoidal, b.tone, b.excursions, b.history, b.running, b.minutes, READING.notable,
        READING.earlier, RULES.numbers.tachysystole, READING.look.every_s,
    )  # fmt: skip
    return [values_of(b.findings, i, np.array([N]))[0] for i in range(len(RULES.rule_sets))]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_measure_is_that_of_the_plain_reader(seed: int) -> None:
    for found, expected, rules in zip(*both_of(seed), RULES.rule_sets, strict=True):
        for name in MEASURES:
            if name not in COPIED:
                assert same(found[name], expected[name], WITHIN), (name, rules.name, found[name], expected[name])


@pytest.mark.parametrize("name", [name for name in MEASURES if name not in {*COPIED, "same_as_twin_1min"}])
def test_what_is_drawn_has_it_at_more_than_one_value(name: str) -> None:
    """A test of the test above: what is the same throughout has not been tried."""
    assert len({repr(both_of(seed)[1][0][name]) for seed in SEEDS}) >= 2


def test_what_is_copied_is_copied() -> None:
    d = drawn(1)
    d.beds.variability.low_min[N], d.beds.variability.high_min[N], d.beds.sinusoidal.lasted_min[N] = 3, 4, 5
    (found, _) = measured(d)
    assert [found[name] for name in ("low_variability_min", "high_variability_min", "sinusoidal_min")] == [3, 4, 5]


# The tone of the uterus.


def tone_of(samples: Sequence[int], levels: Sequence[float], still: int = 1) -> tuple[float, float, bool]:
    """Return span, resting tone and use of a window of samples in whole units and of the means between evaluations."""
    beds = State(RULES, ["other", "bed"], ["", ""]).all
    for unit in samples:
        beds.ua.counts[0, N] -= 1  # each puts a 'no value' out of the window
        beds.ua.counts[unit + 1, N] += 1
    beds.levels.ua[: len(levels), N] = levels
    beds.tone.still[N] = still
    tone.measure(beds.tone, beds.levels, beds.ua, N, np.zeros(1000), READING.tone)
    return float(beds.tone.span[N]), float(beds.tone.rest[N]), bool(beds.tone.useful[N])


@pytest.mark.parametrize("seed", range(20))
def test_span_and_resting_tone_are_order_statistics(seed: int) -> None:
    rng, limits = np.random.default_rng(seed), READING.tone
    samples = sorted(rng.integers(0, int(rng.choice([4, 7, 8, 60])), int(rng.choice([240, 241, 1000, 2400]))).tolist())
    levels = np.round(rng.uniform(5, 40, int(rng.integers(1, 37))), 2)
    levels[rng.random(len(levels)) < 0.2] = NAN

    def at(share: float) -> int:
        return int(samples[max(0, math.ceil(share * len(samples)) - 1)])

    known = sorted(x for x in levels if not math.isnan(x))
    rest = known[int(limits.rest_share * len(known))] if known else NAN
    span, found_rest, is_useful = tone_of(samples, levels.tolist())
    assert span == at(limits.high_share) - at(limits.low_share)
    assert same(found_rest, rest)
    assert is_useful == (span >= limits.flat_range)


def test_less_than_a_minute_of_ua_says_nothing() -> None:
    swings = [5, 30] * 120
    assert tone_of(swings, [10.0])[1:] == (10.0, True)
    assert same(tone_of(swings[1:], [10.0])[1], NAN)
    assert not tone_of(swings[1:], [10.0])[2]


def test_a_toco_that_says_the_same_for_three_minutes_is_of_no_use() -> None:
    """No source: a woman breathes."""
    assert tone_of([5, 30] * 120, [10.0], still=180 * HZ - 1)[2]
    assert not tone_of([5, 30] * 120, [10.0], still=180 * HZ)[2]


def test_the_ua_is_evened_out_and_its_mean_kept_between_evaluations() -> None:
    beds = State(RULES, ["other", "bed"], ["", ""]).all
    t, levels, rng = beds.tone, beds.levels, np.random.default_rng(1)
    smooth, same_for, last, means = NAN, 0, NAN, list[float]()
    since = list[float]()
    for second in range(400):
        ua = rng.choice([10.0, 10.0, 12.0, 30.0, NAN], HZ)
        for x in ua:
            found = tone.even_out(t, N, float(x), READING.tone)
            if math.isnan(x):
                assert math.isnan(found)
                continue
            smooth = float(x) if math.isnan(smooth) else smooth + (float(x) - smooth) / 6  # 1.5 s of samples
            same_for, last = (same_for + 1 if x == last else 1), float(x)
            assert found == pytest.approx(smooth)
            assert t.still[N] == same_for
        is_there, is_due = not math.isnan(ua[-1]), second % 5 == 4
        since += [smooth] if is_there else []
        tone.end_second(t, levels, N, second, is_there, is_due, 5)
        if is_due:
            means.append(sum(since) / len(since) if since else NAN)
            since = []
            kept = len(levels.ua)
            assert same(float(levels.ua[(len(means) - 1) % kept, N]), means[-1], 1e-9)
    assert np.isnan(levels.ua[:, 0]).all()


# Whether two rates are one.


@pytest.mark.parametrize("seed", range(60))
def test_the_rates_of_twins_are_compared_by_what_lies_close(seed: int) -> None:
    """Within 5 bpm, together for half a minute, and moving alike: the correlation of those samples is .8 or more."""
    rng, limits = np.random.default_rng(seed), READING.twins
    beds = State(RULES, ["first", "second"], ["", ""]).all
    first = 140 + np.round(rng.normal(0, 3, 240) * 4) / 4
    second = first + rng.choice([-5.25, -5, 0, 5, 5.25], 240, p=[0.05, 0.15, 0.6, 0.15, 0.05]) * rng.choice([0, 0.5, 1])
    second += np.round(rng.normal(0, float(rng.choice([0, 1, 3])), 240) * 4) / 4
    if seed % 10 == 0:
        second = 280 - first
    if seed % 10 == 1:
        first[:] = 140
    gone = rng.permutation(240)[: int(rng.choice([0, 119, 120, 121]))]
    first[gone[::2]], second[gone[1::2]] = NAN, NAN
    beds.minute.samples[0, :, 0], beds.minute.samples[0, :, 1] = first, second
    both = ~np.isnan(first - second)
    close = both & (np.abs(first - second) <= limits.within_bpm)
    a, b = first[close], second[close]
    alike = len(a) > 1 and a.std() > 0 and b.std() > 0 and np.corrcoef(a, b)[0, 1] >= limits.move_alike
    expected = NAN if both.sum() < 120 else close.sum() / both.sum() if alike else 0.0
    assert same(twins.same_rate_share(beds.minute, 0, 1, limits), float(expected), 1e-9)


def test_a_second_twin_has_no_uterus_of_its_own() -> None:
    d = drawn(3)
    measured(d)
    measuring.measure_second_twin(d.beds.findings, N, d.beds.minute, 0, READING.twins)
    for i in range(len(RULES.rule_sets)):
        (found,) = values_of(d.beds.findings, i, np.array([N]))
        assert all(math.isnan(found[name]) for name in ("same_as_twin_1min", "contractions_per_10min", "tachysystole"))


def test_the_neighbour_is_left_alone() -> None:
    d = drawn(2)
    measured(d)
    fresh = State(RULES, ["other", "bed"], ["", ""]).all
    for found, as_begun in zip(arrays.every(d.beds), arrays.every(fresh), strict=True):
        assert np.array_equal(found[..., 0], as_begun[..., 0], equal_nan=found.dtype.kind == "f")
