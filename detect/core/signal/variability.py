"""Variability: peak to trough within each minute, excursions left out, and its mean over the last 10 minutes.

Bandwidth of one-minute segments after FIGO 2015; averaged over 10 minutes after NICHD 2008. A few samples at either
end are trimmed, so that one wrong sample is not the bandwidth.
"""

from dataclasses import dataclass

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import Floats, Ints, Lanes, index, lane
from quietward.detect.core.parameters import SinusoidalLimits, VariabilityLimits
from quietward.detect.core.signal.minute import FHR, MINUTE_S, Minute
from quietward.detect.core.signal.sinusoidal import is_sinusoidal

KEPT_MIN = 30
"""Minutes whose bandwidth is kept: the longest window that asks for them."""


@dataclass(init=False, eq=False)
class Variability(Lanes):
    """What variability remembers of finished minutes."""

    minutes: Floats = lane(np.nan, KEPT_MIN)  # bandwidth of each of the last minutes
    bpm: Floats = lane(np.nan)  # mean of the last ten of those, NaN when unknown
    minute_bpm: Floats = lane(np.nan)  # bandwidth of the last finished minute
    low_min: Ints = index(0)  # how many minutes in a row the mean has been low, and high
    high_min: Ints = index(0)
    sinusoidal_min: Ints = index(0)  # how many minutes in a row have been sinusoidal


def finish_minute(
    v: Variability, m: Minute, lanes: Ints, second: Ints, limits: VariabilityLimits, wave: SinusoidalLimits
) -> None:
    """Measure the minute that has just ended in `lanes`."""
    x = m.samples[FHR][:, lanes]
    sinusoidal = is_sinusoidal(x, bandwidth(x, limits), wave)  # of all samples: such a wave may look like excursions
    minute_bpm = bandwidth(np.where(m.apart[:, lanes], np.nan, x), limits)
    v.minute_bpm[lanes] = minute_bpm
    minute = second // MINUTE_S
    v.minutes[minute % KEPT_MIN, lanes] = minute_bpm
    recent = v.minutes[(minute - np.arange(limits.mean_over_min)[:, None]) % KEPT_MIN, lanes]
    known = ~np.isnan(recent)
    n = known.sum(axis=0)
    mean = np.where(n > 0, np.where(known, recent, 0.0).sum(axis=0) / np.maximum(n, 1), np.nan)
    v.bpm[lanes] = mean
    whole = np.rint(mean)  # the bands are whole numbers: round to 1 bpm before comparing
    for run, holds in (
        ("low_min", whole < limits.low_below_bpm),
        ("high_min", whole > limits.high_above_bpm),
    ):
        so_far = getattr(v, run)
        so_far[lanes] = np.where(holds, so_far[lanes] + 1, np.where(n > 0, 0, so_far[lanes]))
    enough = (~np.isnan(x)).sum(axis=0) >= limits.least_s * HZ
    v.sinusoidal_min[lanes] = np.where(
        enough, np.where(sinusoidal, v.sinusoidal_min[lanes] + 1, 0), v.sinusoidal_min[lanes]
    )


def bandwidth(x: Floats, limits: VariabilityLimits) -> Floats:
    """Return peak to trough of minutes of shape (240, lanes), NaN where too little is there."""
    there = (~np.isnan(x)).sum(axis=0)
    ordered = np.sort(x, axis=0)  # NaN last
    cut = (limits.trim_share * there).astype(np.int64)
    last = np.maximum(there - 1 - cut, 0)
    every = np.arange(x.shape[1])
    return np.where(there >= limits.least_s * HZ, ordered[last, every] - ordered[cut, every], np.nan)
