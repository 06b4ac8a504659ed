"""Variability: peak to trough within each minute, excursions left out, and its mean over the last 10 minutes.

Bandwidth of one-minute segments after FIGO 2015; averaged over 10 minutes after NICHD 2008. A few samples at either
end are trimmed, so that one wrong sample is not the bandwidth.

Beside it stands the fine bandwidth: that of the whole minute, excursions included, without what is slower than some
seconds. A trace that looks smooth has little of it, whatever its slow swings; no published definition asks for it.
"""

from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import Floats, Ints, array, index
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import SinusoidalLimits, VariabilityLimits
from quietward.detect.core.signal.minute import FHR, LENGTH, MINUTE_S, Minute
from quietward.detect.core.signal.selection import kth_from_end
from quietward.detect.core.signal.sinusoidal import Pattern, Waves, follow_pattern, is_sinusoidal

KEPT_MIN = 30
"""Minutes whose bandwidth is kept: the longest window that asks for them."""


class Variability(NamedTuple):
    """What variability remembers of finished minutes."""

    minutes: Floats = array(np.nan, KEPT_MIN)  # bandwidth of each of the last minutes
    bpm: Floats = array(np.nan)  # mean of the last ten of those, NaN when unknown
    minute_bpm: Floats = array(np.nan)  # bandwidth of the last finished minute
    fine: Floats = array(np.nan, KEPT_MIN)  # fine bandwidth of each of the last minutes
    low_min: Ints = index(0)  # how many minutes in a row the mean has been low, and high
    high_min: Ints = index(0)


class Work(NamedTuple):
    """Room for the samples of a minute, and for those of them that count, shape (240,); for running totals of its
    samples and of how many there are, shape (241,).
    """

    bpm: Floats
    chosen: Floats
    totals: Floats
    there: Ints
    waves: Waves

    @classmethod
    def of(cls, wave: SinusoidalLimits) -> "Work":
        """Return such room."""
        totals, there = np.zeros(LENGTH + 1), np.zeros(LENGTH + 1, dtype=np.int64)
        return cls(np.zeros(LENGTH), np.zeros(LENGTH), totals, there, Waves.table(wave))


@compiled
def finish_minute(
    v: Variability,
    pattern: Pattern,
    m: Minute,
    n: int,
    second: int,
    work: Work,
    limits: VariabilityLimits,
    wave: SinusoidalLimits,
) -> None:
    """Measure the minute of bed n that has just ended with `second`."""
    known = 0
    for i in range(LENGTH):
        work.bpm[i] = m.samples[FHR, i, n]
        if not np.isnan(work.bpm[i]):
            work.chosen[known] = work.bpm[i]
            known += 1
    if known >= limits.least_s * HZ:
        # Of all samples: such a wave may look like excursions.
        follow_pattern(pattern, n, is_sinusoidal(work.bpm, work.waves, wave), wave)
    outside = 0
    for i in range(LENGTH):
        if not np.isnan(work.bpm[i]) and not m.in_excursion[i, n]:
            work.chosen[outside] = work.bpm[i]
            outside += 1
    v.minute_bpm[n] = _bandwidth(work.chosen, outside, limits)
    minute = second // MINUTE_S
    v.minutes[minute % KEPT_MIN, n] = v.minute_bpm[n]
    v.fine[minute % KEPT_MIN, n] = _fine_bandwidth(work, limits)
    v.bpm[n] = _mean(v, n, minute, limits.mean_over_min)
    if np.isnan(v.bpm[n]):
        return  # runs of minutes stay as they are
    whole = np.rint(v.bpm[n])  # the bands are whole numbers: round to 1 bpm before comparing
    v.low_min[n] = v.low_min[n] + 1 if whole < limits.low_below_bpm else 0
    v.high_min[n] = v.high_min[n] + 1 if whole > limits.high_above_bpm else 0


@compiled
def _bandwidth(bpm: Floats, n: int, limits: VariabilityLimits) -> float:
    """Return peak to trough of the first n samples of a minute, NaN where they are too few; reorders them."""
    if n < limits.least_s * HZ:
        return np.nan
    cut = int(limits.trim_share * n)
    return kth_from_end(bpm, n, cut, 1) - kth_from_end(bpm, n, cut, -1)


@compiled
def _fine_bandwidth(work: Work, limits: VariabilityLimits) -> float:
    """Return the bandwidth of the minute in `work` between a short mean around each sample and a longer one, both of
    what of the minute is there; NaN where too little is.
    """
    for i in range(LENGTH):
        is_there = not np.isnan(work.bpm[i])
        work.totals[i + 1] = work.totals[i] + (work.bpm[i] if is_there else 0.0)
        work.there[i + 1] = work.there[i] + is_there
    short, long = int(limits.fine_short_s * HZ) // 2, int(limits.fine_long_s * HZ) // 2
    known = 0
    for i in range(LENGTH):
        if not np.isnan(work.bpm[i]):
            work.chosen[known] = _mean_around(work, i, short) - _mean_around(work, i, long)
            known += 1
    return _bandwidth(work.chosen, known, limits)


@compiled
def _mean_around(work: Work, i: int, half: int) -> float:
    first, end = max(i - half, 0), min(i + half + 1, LENGTH)
    mean: float = (work.totals[end] - work.totals[first]) / (work.there[end] - work.there[first])
    return mean


@compiled
def _mean(v: Variability, n: int, minute: int, over: int) -> float:
    """Return the mean of the known ones of the last minutes, NaN where there is none."""
    total, known = 0.0, 0
    for back in range(over):
        bpm = v.minutes[(minute - back) % KEPT_MIN, n]
        if not np.isnan(bpm):
            total += bpm
            known += 1
    return total / known if known > 0 else np.nan
