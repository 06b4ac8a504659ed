"""Resting tone of the uterus, and whether the UA is of any use.

The toco knows no absolute zero: it is moved, slips and is zeroed anew. So the resting tone is what the lowest of the
last few minutes were, and a contraction is a rise above that. How much the UA does at all is seen over a longer time,
from its rolling histogram.
"""

from dataclasses import dataclass

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import Bools, Floats, Ints, Lanes, lane, some, switch
from quietward.detect.core.parameters import ToneLimits
from quietward.detect.core.signal.histogram import Histogram


@dataclass(init=False, eq=False)
class Tone(Lanes):
    """What is known of the resting UA."""

    rest: Floats = lane(np.nan)  # resting tone, relative units
    span: Floats = lane(np.nan)  # from low to high share of the window
    smooth: Floats = lane(np.nan)  # UA with coughs and noise evened out
    useful: Bools = switch()  # False where too little has come, or the UA is flat
    level_sum: Floats = lane(0.0)  # of the seconds since the last look
    level_n: Floats = lane(0.0)


@dataclass(init=False, eq=False)
class Levels(Lanes):
    """Mean UA between looks, for the last rest_window_s."""

    ua: Floats = lane(np.nan, "levels")


def even_out(t: Tone, ua: Floats, limits: ToneLimits) -> Floats:
    """Return one second of UA, shape (4, lanes), with a short exponential mean; NaN where there is none."""
    weight = 1 / (limits.smooth_s * HZ)
    evened = np.empty_like(ua)
    there = ~np.isnan(ua)
    begins = np.isnan(t.smooth)
    if some(begins):  # with the first value that is there
        t.smooth = np.where(begins, ua[np.argmax(there, axis=0), np.arange(len(begins))], t.smooth)
    is_whole = np.count_nonzero(there) == there.size
    before: Floats = t.smooth
    for now, one, is_there in zip(evened, ua, there, strict=True):
        np.add(before, weight * (one - before), out=now)
        if not is_whole:
            np.copyto(now, before, where=~is_there)
        before = now
    t.smooth = before
    evened[~there] = np.nan
    return evened


def keep_up(t: Tone, levels: Levels, lanes: Ints, second: Ints, there: Bools, look_is_due: Bools, every_s: int) -> None:
    """Take one second. t holds just these lanes, levels all of them; there: the last UA sample is there."""
    t.level_sum += np.where(there, t.smooth, 0.0)
    t.level_n += there
    if some(look_is_due):
        ended = np.flatnonzero(look_is_due)
        n = t.level_n[ended]
        mean = np.where(n > 0, t.level_sum[ended] / np.maximum(n, 1), np.nan)
        levels.ua[second[ended] // every_s % levels.ua.shape[0], lanes[ended]] = mean
        t.level_sum[ended], t.level_n[ended] = 0.0, 0.0


def measure(t: Tone, levels: Levels, h: Histogram, lanes: Ints, limits: ToneLimits) -> None:
    """Find tone and span of some lanes; t holds just those lanes."""
    cumulated = np.cumsum(h.counts[1:, lanes], axis=0, dtype=np.int16)
    n = cumulated[-1]

    def share(q: float) -> Floats:
        found: Floats = (cumulated < q * n).sum(axis=0).astype(np.float64)
        return found

    t.span = share(limits.high_share) - share(limits.low_share)
    enough = n >= HZ * 60
    t.useful = enough & (t.span >= limits.flat_range)
    lowest = np.sort(levels.ua[:, lanes], axis=0)  # NaN last
    known = (~np.isnan(lowest)).sum(axis=0)
    place = (limits.rest_share * known).astype(np.int64)
    t.rest = np.where(enough & (known > 0), lowest[place, np.arange(len(known))], np.nan)
