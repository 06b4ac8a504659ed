"""Rolling baseline: the mean FHR of the last 10 minutes with excursions left out (NICHD 2008; rounding by rule set).

Where the level is: the densest stretch of the window's histogram, so that a trace full of decelerations keeps the
level it comes back to. Baseline: the mean of the samples around that level. Samples of named excursions have been
taken out of the window before. With less than 2 minutes of such samples it is undetermined.

What excursions are measured against is the baseline as it was `lag_s` ago, held while a deep fall is open: so a
deceleration's own first flank does not pull its reference down. While undetermined the last known baseline serves (the
published definition looks at the preceding 10 minutes).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import Bools, Floats, Ints, Lanes, lane, switch
from quietward.detect.core.parameters import BaselineLimits
from quietward.detect.core.signal.histogram import Histogram, to_value


@dataclass(init=False, eq=False)
class Baseline(Lanes):
    """What the baseline remembers besides its histogram."""

    bpm: Floats = lane(np.nan)  # NaN: undetermined
    reference_bpm: Floats = lane(np.nan)  # what excursions are measured against
    renewed: Bools = switch()  # an excursion was taken out of the window, or is a new level: forget the lagged values
    before_bpm: Floats = lane(np.nan)  # reference when the newest excursion opened


@dataclass(init=False, eq=False)
class Lagged(Lanes):
    """The last known baseline, one for each look of the last lag_s."""

    bpm: Floats = lane(np.nan, "lag")


def measure(h: Histogram, lanes: Ints, lowest_bpm: float, limits: BaselineLimits) -> Floats:
    """Return the baseline in bpm of some lanes, NaN where undetermined."""
    counts = h.counts[1:, lanes]
    bins, m = counts.shape
    within = limits.level_within_bpm
    # cumulated[i + within + 1] is the number of samples in the bins up to i; beyond both ends nothing is added.
    cumulated = np.zeros((bins + 2 * within + 1, m), dtype=np.int16)
    np.cumsum(counts, axis=0, dtype=np.int16, out=cumulated[within + 1 : within + 1 + bins])
    cumulated[within + 1 + bins :] = cumulated[within + bins]
    level = _middle_of_maximum(cumulated[2 * within + 1 :] - cumulated[: -(2 * within + 1)], limits.maxima_apart_bpm)
    near = level + np.arange(-limits.mean_within_bpm, limits.mean_within_bpm + 1)[:, None]
    inside = (near >= 0) & (near < bins)
    rows = np.where(inside, near + 1, 0)
    samples = np.where(inside, h.counts[rows, lanes], 0).sum(axis=0)
    total = np.where(inside, h.sums[rows, lanes], 0).sum(axis=0)
    mean = to_value(total / np.maximum(samples, 1), lowest_bpm)
    return np.where(samples >= limits.identifiable_s * HZ, mean, np.nan)


def _middle_of_maximum(around: NDArray[np.int16], apart: int) -> Ints:
    """Return the middle of the run of bins that hold the maximum (a constant signal gives a flat top)."""
    top = around.max(axis=0)
    is_top = around == top
    first = np.argmax(is_top, axis=0)
    last = around.shape[0] - 1 - np.argmax(is_top[::-1], axis=0)
    spread_out = last - first > apart  # several separate maxima: take the highest one, decelerations lie below
    middle: Ints = np.where(spread_out, last, (first + last) // 2)
    return middle


def update(b: Baseline, lagged: Lagged, second: Ints, measured_bpm: Floats, hold: Bools, every_s: int) -> None:
    """Take a newly measured baseline; `second` is a look's, one is taken every `every_s` at the latest.

    hold: a deep fall is open. Until it has lasted 10 minutes it is no baseline change, so baseline and reference stay.
    """
    known = np.where(np.isnan(measured_bpm), b.reference_bpm, measured_bpm)
    slots = lagged.bpm.shape[0]
    slot = second // every_s % slots
    every = np.arange(len(slot))
    old = lagged.bpm[(slot + 1) % slots, every]  # the oldest there is
    lagged.bpm[slot, every] = np.where(hold, old, known)
    b.bpm = np.where(hold & ~np.isnan(b.bpm) & ~b.renewed, b.bpm, measured_bpm)
    reference_bpm = np.where(np.isnan(old), known, old)
    b.reference_bpm = np.where(hold & ~np.isnan(b.reference_bpm), b.reference_bpm, reference_bpm)
    anew = b.renewed & ~np.isnan(measured_bpm)
    lagged.bpm = np.where(anew, measured_bpm, lagged.bpm)
    b.reference_bpm = np.where(anew, measured_bpm, b.reference_bpm)
    b.renewed = np.zeros_like(b.renewed)


def note_openings(b: Baseline, opens: Bools) -> None:
    """An excursion opens in these lanes: remember what it is measured against."""
    b.before_bpm = np.where(opens, b.reference_bpm, b.before_bpm)


def forget(b: Baseline, lagged: Lagged, lanes: Ints, silent: Bools) -> None:
    """Nothing has come for as long as the window: what was known before no longer serves.

    b holds just these lanes, lagged all of them; silent: which of them it is.
    """
    b.reference_bpm = np.where(silent, np.nan, b.reference_bpm)
    lagged.bpm[:, lanes[silent]] = np.nan
