"""Resting tone of the uterus, and whether the UA is of any use.

The toco knows no absolute zero: it is moved, slips and is zeroed anew. So the resting tone is what the lowest of the
last few minutes were, and a contraction is a rise above that. How much the UA does at all is seen over a longer time,
from its rolling histogram.
"""

from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import Bools, Floats, Ints, array, index, switch
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import ToneLimits
from quietward.detect.core.signal.histogram import Histogram
from quietward.detect.core.signal.selection import kth_smallest


class Tone(NamedTuple):
    """What is known of the resting UA."""

    rest: Floats = array(np.nan)  # resting tone, relative units
    span: Floats = array(np.nan)  # from low to high share of the window
    smooth: Floats = array(np.nan)  # UA with coughs and noise evened out
    useful: Bools = switch()  # False where too little has come, or the UA is flat
    last: Floats = array(np.nan)  # newest UA, and for how many samples it has been the same
    still: Ints = index(0)
    level_sum: Floats = array(0.0)  # of the seconds since the last evaluation
    level_n: Floats = array(0.0)


class Levels(NamedTuple):
    """Mean UA between evaluations, for the last rest_window_s."""

    ua: Floats = array(np.nan, "levels")


@compiled
def even_out(t: Tone, n: int, ua: float, limits: ToneLimits) -> float:
    """Take a sample of bed n; return it with a short exponential mean, NaN where there is none."""
    if np.isnan(ua):
        return np.nan
    if np.isnan(t.smooth[n]):
        t.smooth[n] = ua
    t.still[n] = t.still[n] + 1 if ua == t.last[n] else 1
    t.last[n] = ua
    weight = 1 / (limits.smooth_s * HZ)
    t.smooth[n] += weight * (ua - t.smooth[n])
    return float(t.smooth[n])


@compiled
def end_second(
    t: Tone, levels: Levels, n: int, second: int, is_there: bool, evaluation_is_due: bool, every_s: int
) -> None:
    """Take the end of a second of bed n; is_there: its last UA sample is there."""
    if is_there:
        t.level_sum[n] += t.smooth[n]
        t.level_n[n] += 1
    if not evaluation_is_due:
        return
    slot = second // every_s % levels.ua.shape[0]
    levels.ua[slot, n] = t.level_sum[n] / t.level_n[n] if t.level_n[n] > 0 else np.nan
    t.level_sum[n] = t.level_n[n] = 0.0


@compiled
def measure(t: Tone, levels: Levels, h: Histogram, n: int, work: Floats, limits: ToneLimits) -> None:
    """Find tone and span of bed n. work: room for as many numbers as there are levels."""
    # Whatever goes into the window puts something out, 'no value' (bin 0) at first: all bins together stay at nothing.
    in_window = -np.int64(h.counts[0, n])
    t.span[n] = _bins_below(h, n, limits.high_share * in_window) - _bins_below(h, n, limits.low_share * in_window)
    is_enough = in_window >= HZ * 60
    is_still = t.still[n] >= limits.still_s * HZ
    t.useful[n] = is_enough and t.span[n] >= limits.flat_range and not is_still
    t.rest[n] = np.nan
    if not is_enough:
        return
    known = 0
    for i in range(levels.ua.shape[0]):
        if not np.isnan(levels.ua[i, n]):
            work[known] = levels.ua[i, n]
            known += 1
    if known > 0:
        t.rest[n] = kth_smallest(work, known, int(limits.rest_share * known))


@compiled
def _bins_below(h: Histogram, n: int, samples: float) -> float:
    """Return how many bins it takes from the lowest on to hold so many samples, the last of them not counted."""
    so_far, bins = 0, 0.0
    for i in range(1, h.counts.shape[0]):
        so_far += h.counts[i, n]
        if so_far >= samples:
            return bins
        bins += 1.0
    return bins
