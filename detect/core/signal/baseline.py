"""Rolling baseline: the mean FHR of the last 10 minutes with excursions left out (NICHD 2008; rounding by rule set).

Where the level is: the densest stretch of the window's histogram, so that a trace full of decelerations keeps the
level it comes back to. Baseline: the mean of the samples around that level. Samples of named excursions have been
taken out of the window before. With less than 2 minutes of such samples it is undetermined.

What excursions are measured against is the baseline as it was `lag_s` ago, held while a deep fall is open: so a
deceleration's own first flank does not pull its reference down. While undetermined the last known baseline serves (the
published definition looks at the preceding 10 minutes).
"""

from typing import NamedTuple

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import Bools, Floats, array, switch
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import BaselineLimits
from quietward.detect.core.signal.histogram import Histogram, to_value


class Baseline(NamedTuple):
    """What the baseline remembers besides its histogram."""

    bpm: Floats = array(np.nan)  # NaN: undetermined
    reference_bpm: Floats = array(np.nan)  # what excursions are measured against
    renewed: Bools = switch()  # an excursion was taken out of the window, or is a new level: forget the lagged values
    before_bpm: Floats = array(np.nan)  # reference when the newest excursion opened


class Lagged(NamedTuple):
    """The last known baseline, one for each evaluation of the last lag_s."""

    bpm: Floats = array(np.nan, "lag")


@compiled
def measure(h: Histogram, n: int, lowest_bpm: float, limits: BaselineLimits) -> float:
    """Return the baseline in bpm of bed n, NaN where undetermined."""
    level = _level(h, n, limits.level_within_bpm, limits.maxima_apart_bpm)
    samples, total = 0, 0
    for i in range(max(1, level - limits.mean_within_bpm), min(h.counts.shape[0], level + limits.mean_within_bpm + 1)):
        samples += h.counts[i, n]
        total += h.sums[i, n]
    if samples < limits.identifiable_s * HZ:
        return np.nan
    return to_value(total / max(samples, 1), lowest_bpm)


@compiled
def _level(h: Histogram, n: int, within: int, apart: int) -> int:
    """Return the bin around which most samples lie: the middle of such bins (a constant signal gives a flat top).

    Where they are further apart than that, there are several maxima: then the highest, for decelerations lie below.
    """
    bins = h.counts.shape[0]
    around, most = 0, -1
    first = last = 1
    for i in range(1, min(1 + within, bins)):
        around += h.counts[i, n]
    for i in range(1, bins):  # the stretch around bin i gains one bin above and loses one below
        if i + within < bins:
            around += h.counts[i + within, n]
        if i - within - 1 >= 1:
            around -= h.counts[i - within - 1, n]
        if around > most:
            most, first = around, i
        if around == most:
            last = i
    return last if last - first > apart else (first + last) // 2


@compiled
def update(b: Baseline, lagged: Lagged, n: int, second: int, measured_bpm: float, hold: bool, every_s: int) -> None:
    """Take a newly measured baseline of bed n.

    second: that of an evaluation; there is one at least every `every_s`. hold: a deep fall is open. Until it has
    lasted 10 minutes it is no baseline change, so baseline and reference stay.
    """
    slots = lagged.bpm.shape[0]
    slot = second // every_s % slots
    known = b.reference_bpm[n] if np.isnan(measured_bpm) else measured_bpm
    oldest = lagged.bpm[(slot + 1) % slots, n]
    lagged.bpm[slot, n] = oldest if hold else known
    if not hold or np.isnan(b.bpm[n]) or b.renewed[n]:
        b.bpm[n] = measured_bpm
    if not hold or np.isnan(b.reference_bpm[n]):
        b.reference_bpm[n] = known if np.isnan(oldest) else oldest
    if b.renewed[n] and not np.isnan(measured_bpm):
        b.reference_bpm[n] = measured_bpm
        for i in range(slots):
            lagged.bpm[i, n] = measured_bpm
    b.renewed[n] = False


@compiled
def forget(b: Baseline, lagged: Lagged, n: int) -> None:
    """Nothing has come of bed n for as long as the window: what was known before no longer serves."""
    b.reference_bpm[n] = np.nan
    for i in range(lagged.bpm.shape[0]):
        lagged.bpm[i, n] = np.nan
