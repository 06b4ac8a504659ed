"""Rolling baseline: the mean FHR of the flattest stretches of the last 10 minutes, at the level the FHR comes back to.

FIGO 2015: the mean of the flattest, least oscillating stretches; NICHD 2008: at least 2 minutes of 10, else it is
undetermined. The window is read in stretches of a few seconds; the less the FHR moves around one, the more it weighs.
The level is where most weight lies, and the baseline the mean around it. A trace that goes to and fro between two
levels is at its baseline on the higher one, even where decelerations fill most of the time: so a level far below the
last known baseline counts less, and one far above it counts more, as far as the FHR has been there in both halves of
the window (what has risen once is an acceleration, or will soon have lasted).

Nothing is taken out of the window because of what it was called. What a departure is called follows from the baseline;
if the baseline followed from that in turn, one that is too low would call the true level accelerations, leave them
out, and never recover.

Departures are measured against the last known baseline (the published definition looks at the preceding 10 minutes).
It stays while a deep fall is open, for no baseline change is shorter than 10 minutes; and it rises only while the FHR
does not lie below it, and far only while the FHR lies above it.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import Floats, Ints, array, index
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import BaselineLimits
from quietward.detect.core.signal.minute import FHR, LENGTH, MINUTE_S, Minute

STEPS = 16
"""Means of stretches are kept in so many steps of a bpm."""
WEIGHT = 64
"""Of a sample in a stretch that does not move at all; weights are whole numbers, so that what goes out of the window is
exactly what had come in.
"""


class Baseline(NamedTuple):
    """What is known of the baseline."""

    bpm: Floats = array(np.nan)  # NaN: undetermined
    reference_bpm: Floats = array(np.nan)  # what departures are measured against: the last that was known
    before_bpm: Floats = array(np.nan)  # reference when the newest excursion opened


class Stretches(NamedTuple):
    """The window's stretches, and what lies at each bpm. A mean is kept as round((mean - lowest) * STEPS) + STEPS;
    its bin is that // STEPS. Bin 0 stands for 'no value'.
    """

    until: Ints = index(0)  # second before which stretches have been taken
    mean: NDArray[np.uint16] = array(0, "stretches", dtype=np.uint16)
    samples: NDArray[np.uint8] = array(0, "stretches", dtype=np.uint8)
    weight: NDArray[np.uint16] = array(0, "stretches", dtype=np.uint16)
    samples_at: NDArray[np.int32] = array(0, "bpm", dtype=np.int32)
    weight_at: NDArray[np.int32] = array(0, "bpm", dtype=np.int32)
    older_at: NDArray[np.int32] = array(0, "bpm", dtype=np.int32)  # weight of the older half of the window
    above_at: NDArray[np.int32] = array(0, "bpm", dtype=np.int32)  # weight times steps above the bin's lower edge


def sizes(limits: BaselineLimits, lowest_bpm: float, highest_bpm: float) -> dict[str, int]:
    """Return the sizes for FHR from lowest to highest."""
    return {"stretches": limits.window_s // limits.stretch_s, "bpm": int(highest_bpm - lowest_bpm) + 2}


@compiled
def catch_up(s: Stretches, m: Minute, n: int, second: int, lowest_bpm: float, limits: BaselineLimits) -> None:
    """Take the stretches of bed n that are over since the last time, up to `second`, from the last minute's samples."""
    length = limits.stretch_s
    oldest = second + 1 - MINUTE_S
    begins = -(-max(s.until[n], oldest) // length) * length
    while begins + length <= second + 1:
        ends = begins + length
        total, known = 0.0, 0
        for sample in range(begins * HZ, ends * HZ):
            bpm = m.samples[FHR, sample % LENGTH, n]
            if not np.isnan(bpm):
                total += bpm
                known += 1
        slots = s.mean.shape[0]
        slot, half = begins // length % slots, (begins // length + slots // 2) % slots
        s.older_at[s.mean[slot, n] // STEPS, n] -= np.int64(s.weight[slot, n])
        s.older_at[s.mean[half, n] // STEPS, n] += np.int64(s.weight[half, n])
        _count(s, slot, n, -1)
        s.mean[slot, n] = s.weight[slot, n] = 0
        s.samples[slot, n] = known
        if known > 0:
            moves_bpm = _range(m, n, max(ends - limits.flat_over_s, oldest), ends)
            s.mean[slot, n] = np.rint((total / known - lowest_bpm) * STEPS) + STEPS
            s.weight[slot, n] = np.rint(known * WEIGHT * limits.flat_bpm / (limits.flat_bpm + moves_bpm))
        _count(s, slot, n, 1)
        begins = ends
    s.until[n] = begins


@compiled
def _range(m: Minute, n: int, first: int, end: int) -> float:
    """Return the highest minus the lowest FHR of the seconds [first, end) of bed n, in which there is some."""
    highest, lowest = -np.inf, np.inf
    for sample in range(first * HZ, end * HZ):
        bpm = m.samples[FHR, sample % LENGTH, n]
        if not np.isnan(bpm):
            highest, lowest = max(highest, bpm), min(lowest, bpm)
    return highest - lowest


@compiled
def _count(s: Stretches, slot: int, n: int, times: int) -> None:
    """Add a stretch to the bins, or take it out again (times: -1)."""
    mean, weight = np.int64(s.mean[slot, n]), times * np.int64(s.weight[slot, n])
    bpm = mean // STEPS
    s.samples_at[bpm, n] += times * np.int64(s.samples[slot, n])
    s.weight_at[bpm, n] += weight
    s.above_at[bpm, n] += weight * (mean % STEPS)


@compiled
def measure(s: Stretches, n: int, reference_bpm: float, lowest_bpm: float, limits: BaselineLimits) -> float:
    """Return the baseline in bpm of bed n, NaN where undetermined. reference_bpm: the last that was known."""
    level = _level(s, n, reference_bpm - lowest_bpm + 1, limits)
    if level < 0:
        return np.nan
    weight, steps = 0, 0
    for i in range(
        max(1, level - limits.mean_within_bpm), min(s.weight_at.shape[0], level + limits.mean_within_bpm + 1)
    ):
        weight += s.weight_at[i, n]
        steps += STEPS * i * s.weight_at[i, n] + s.above_at[i, n]
    return (steps / weight - STEPS) / STEPS + lowest_bpm


@compiled
def _level(s: Stretches, n: int, reference: float, limits: BaselineLimits) -> int:
    """Return the bin around which most weight lies, of those around which there are samples enough; -1: of none, also
    where the samples lie to either side of it, too few on each.

    It is the middle of such bins (a constant signal gives a flat top), or the highest, where they are far apart.
    reference: the last known baseline, in bins; NaN: none is known, and all levels count the same.
    """
    within, wide = limits.level_within_bpm, limits.identifiable_within_bpm
    lowest, highest = _filled(s, n)
    first, last, most = -1, -1, 0.0
    weight = older = samples = 0
    # What lies around bin i - wide gains one bin above and loses one below; further away nothing is near enough.
    for i in range(lowest, min(highest + wide, s.weight_at.shape[0] - 1) + wide + 1):
        middle = i - wide
        comes, goes, comes_near, goes_near = i, middle - wide - 1, middle + within, middle - within - 1
        if comes <= highest:
            samples += s.samples_at[comes, n]
        if goes >= lowest:
            samples -= s.samples_at[goes, n]
        if lowest <= comes_near <= highest:
            weight += s.weight_at[comes_near, n]
            older += s.older_at[comes_near, n]
        if goes_near >= lowest:
            weight -= s.weight_at[goes_near, n]
            older -= s.older_at[goes_near, n]
        if samples < limits.identifiable_s * HZ:
            continue
        counts = float(weight)
        if middle < reference - limits.apart_bpm:
            counts = weight / limits.higher_counts
        elif middle > reference + limits.apart_bpm:
            counts = weight + 2 * min(older, weight - older) * (limits.higher_counts - 1)
        if counts > most:
            first, most = middle, counts
        if counts == most > 0:
            last = middle
    return last if last - first > 2 * within else (first + last) // 2


@compiled
def _filled(s: Stretches, n: int) -> tuple[int, int]:
    """Return the lowest and the highest bin of bed n in which there are samples; where there are none, a lowest behind
    the highest.
    """
    lowest, highest = 1, s.samples_at.shape[0] - 1
    while lowest <= highest and s.samples_at[lowest, n] == 0:
        lowest += 1
    while highest > lowest and s.samples_at[highest, n] == 0:
        highest -= 1
    return lowest, highest


@compiled
def update(b: Baseline, n: int, measured_bpm: float, fall_bpm: float, is_above: bool, limits: BaselineLimits) -> None:
    """Take a newly measured baseline of bed n.

    fall_bpm: depth of the fall that is open, 0 while none is. is_above: a rise is open.
    """
    rises_bpm = measured_bpm - b.reference_bpm[n]
    is_seen_to_rise = is_above or (fall_bpm == 0 and rises_bpm <= limits.apart_bpm)
    stays = fall_bpm >= limits.hold_depth_bpm or (rises_bpm > 0 and not is_seen_to_rise)
    if not stays or np.isnan(b.bpm[n]):
        b.bpm[n] = measured_bpm
    if not np.isnan(measured_bpm) and (not stays or np.isnan(b.reference_bpm[n])):
        b.reference_bpm[n] = measured_bpm


@compiled
def forget(b: Baseline, n: int) -> None:
    """Nothing has come of bed n for as long as the window: what was known before no longer serves."""
    b.reference_bpm[n] = np.nan
