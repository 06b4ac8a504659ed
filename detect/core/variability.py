"""Variability: peak to trough within each minute, excursions left out, and its mean over the last 10 minutes.

Bandwidth of one-minute segments after FIGO 2015; averaged over 10 minutes after NICHD 2008. A few samples at either
end are trimmed, so that one wrong sample is not the bandwidth.
"""

from dataclasses import dataclass

import numpy as np

from detect.core.lanes import Bools, Floats, Ints, Lanes, index, lane, switch
from detect.core.limits import VariabilityLimits
from quietward.messages import HZ

MINUTE = 60


@dataclass
class Variability(Lanes):
    """What variability remembers."""

    samples: Floats = lane(np.nan, MINUTE * HZ)  # the running minute
    apart: Bools = switch(MINUTE * HZ)  # sample belongs to an excursion
    minutes: Floats = lane(np.nan, "minutes")  # bandwidth of each of the last minutes
    bpm: Floats = lane(np.nan)  # mean of those, NaN when unknown
    minute_bpm: Floats = lane(np.nan)  # bandwidth of the last finished minute
    low_min: Ints = index(0)  # how many minutes in a row the mean has been low, and high, and absent
    high_min: Ints = index(0)


def push(v: Variability, lanes: Ints, second: Ints, fhr_bpm: Floats, in_excursion: Bools) -> None:
    """Take one second of shape (4, lanes)."""
    rows = (second % MINUTE) * HZ + np.arange(HZ)[:, None]
    v.samples[rows, lanes] = fhr_bpm
    v.apart[rows, lanes] = in_excursion


def set_apart(v: Variability, n: int, first: int, end: int, apart: bool) -> None:
    """Mark the samples [first, end) of lane n as part of an excursion, or not, as far as they are still there."""
    if end > first:
        v.apart[np.arange(max(first, end - MINUTE * HZ), end) % (MINUTE * HZ), n] = apart


def finish_minute(v: Variability, lanes: Ints, second: Ints, limits: VariabilityLimits) -> None:
    """Measure the minute that has just ended in `lanes`."""
    x = np.where(v.apart[:, lanes], np.nan, v.samples[:, lanes])
    there = (~np.isnan(x)).sum(axis=0)
    ordered = np.sort(x, axis=0)  # NaN last
    cut = (limits.trim_share * there).astype(np.int64)
    last = np.maximum(there - 1 - cut, 0)
    every = np.arange(len(lanes))
    bandwidth = np.where(there >= limits.least_s * HZ, ordered[last, every] - ordered[cut, every], np.nan)
    v.minute_bpm[lanes] = bandwidth
    v.minutes[(second // MINUTE) % v.minutes.shape[0], lanes] = bandwidth
    recent = v.minutes[:, lanes]
    known = ~np.isnan(recent)
    n = known.sum(axis=0)
    mean = np.where(n > 0, np.where(known, recent, 0.0).sum(axis=0) / np.maximum(n, 1), np.nan)
    v.bpm[lanes] = mean
    whole = np.rint(mean)  # the bands are whole numbers: round to 1 bpm before comparing
    v.low_min[lanes] = np.where(
        whole < limits.low_below_bpm, v.low_min[lanes] + 1, np.where(n > 0, 0, v.low_min[lanes])
    )
    v.high_min[lanes] = np.where(
        whole > limits.high_above_bpm, v.high_min[lanes] + 1, np.where(n > 0, 0, v.high_min[lanes])
    )


def means(v: Variability, lanes: Ints) -> Variability:
    """Return what findings need of some lanes, without the running minute's samples."""
    none = np.empty((0, len(lanes)))
    return Variability(
        samples=none,
        apart=none.astype(np.bool_),
        minutes=none,
        bpm=v.bpm[lanes],
        minute_bpm=v.minute_bpm[lanes],
        low_min=v.low_min[lanes],
        high_min=v.high_min[lanes],
    )
