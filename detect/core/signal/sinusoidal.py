"""Sinusoidal pattern: minutes whose FHR is one smooth wave of 3 to 5 cycles (NICHD 2008, FIGO 2015).

How long such a wave must go on, and what else must hold, is the rule sets' affair.
"""

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import Bools, Floats
from quietward.detect.core.parameters import SinusoidalLimits

SLOWEST, FASTEST = 2, 30
"""Cycles a minute that count as power of the minute: slower is a drift of the baseline."""

_T = np.arange(60 * HZ) / (60 * HZ)
_WAVES = np.exp(-2j * np.pi * np.arange(SLOWEST, FASTEST + 1)[:, None] * _T)


def is_sinusoidal(x_bpm: Floats, bandwidth_bpm: Floats, limits: SinusoidalLimits) -> Bools:
    """Return which minutes are sinusoidal. x_bpm: shape (240, lanes), NaN where there is none."""
    there = ~np.isnan(x_bpm)
    mean = np.where(there, x_bpm, 0.0).sum(axis=0) / np.maximum(there.sum(axis=0), 1)
    waves = np.einsum(
        "ft,tn->fn", _WAVES, np.where(there, x_bpm - mean, 0.0)
    )  # not @: its threads cost more than they save
    power = np.abs(waves) ** 2
    band = power[limits.slowest_per_min - SLOWEST : limits.fastest_per_min - SLOWEST + 1].sum(axis=0)
    share = np.round(band / np.maximum(power.sum(axis=0), 1e-9), 6)  # the last bits depend on how many lanes there are
    found: Bools = (
        (share >= limits.wave_share) & (bandwidth_bpm >= limits.lowest_bpm) & (bandwidth_bpm <= limits.highest_bpm)
    )
    return found
