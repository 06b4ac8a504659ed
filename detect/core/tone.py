"""Resting tone of the uterus, and whether the UA is of any use: from the rolling histogram of the UA."""

from dataclasses import dataclass

import numpy as np

from detect.core.histogram import Histogram
from detect.core.lanes import Bools, Floats, Ints, Lanes, lane, switch
from detect.core.limits import ToneLimits
from quietward.messages import HZ


@dataclass
class Tone(Lanes):
    """What is known of the resting UA."""

    rest: Floats = lane(np.nan)  # resting tone, relative units
    span: Floats = lane(np.nan)  # from low to high share of the window
    smooth: Floats = lane(np.nan)  # UA with coughs and noise evened out

    useful: Bools = switch()  # False where too little has come, or the UA is flat


def measure(t: Tone, h: Histogram, lanes: Ints, limits: ToneLimits) -> None:
    """Find tone and span of some lanes; t holds just those lanes."""
    cumulated = np.cumsum(h.counts[1:, lanes], axis=0, dtype=np.int16)
    n = cumulated[-1]

    def share(q: float) -> Floats:
        found: Floats = (cumulated < q * n).sum(axis=0).astype(np.float64)
        return found

    t.span = share(limits.high_share) - share(limits.low_share)
    enough = n >= HZ * 60
    t.useful = enough & (t.span >= limits.flat_range)
    t.rest = np.where(enough, share(limits.rest_share), np.nan)


def even_out(t: Tone, ua: Floats, limits: ToneLimits) -> Floats:
    """Return UA with a short exponential mean, one sample of each lane; NaN where there is none."""
    weight = 1 / (limits.smooth_s * HZ)
    there = ~np.isnan(ua)
    t.smooth = np.where(there, np.where(np.isnan(t.smooth), ua, t.smooth + weight * (ua - t.smooth)), t.smooth)
    return np.where(there, t.smooth, np.nan)
