"""Sinusoidal pattern: minutes whose FHR is one smooth wave of 3 to 5 cycles (NICHD 2008, FIGO 2015).

How long such a wave must go on, and what else must hold, is the rule sets' affair.
"""

from typing import NamedTuple

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import Floats
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import SinusoidalLimits

SLOWEST, FASTEST = 2, 30
"""Cycles a minute that count as power of the minute: slower is a drift of the baseline."""


class Waves(NamedTuple):
    """Waves of SLOWEST to FASTEST cycles a minute, shape (240, 29), and room for what a minute has of each, (29,)."""

    cosine: Floats
    sine: Floats
    in_phase: Floats
    across: Floats

    @classmethod
    def table(cls) -> "Waves":
        """Return the waves."""
        cycles = np.arange(SLOWEST, FASTEST + 1)
        angles = 2 * np.pi * cycles * (np.arange(60 * HZ) / (60 * HZ))[:, None]
        return cls(np.cos(angles), np.sin(angles), np.zeros(len(cycles)), np.zeros(len(cycles)))


@compiled
def is_sinusoidal(bpm: Floats, bandwidth_bpm: float, waves: Waves, limits: SinusoidalLimits) -> bool:
    """Return whether a minute is sinusoidal. bpm: shape (240,), NaN where there is none."""
    if not limits.lowest_bpm <= bandwidth_bpm <= limits.highest_bpm:
        return False  # also where too little is there to tell
    _take_apart(bpm, waves)
    in_band, total = 0.0, 0.0
    for f in range(len(waves.in_phase)):
        power = waves.in_phase[f] ** 2 + waves.across[f] ** 2
        total += power
        if limits.slowest_per_min <= f + SLOWEST <= limits.fastest_per_min:
            in_band += power
    share = np.rint(in_band / max(total, 1e-9) * 1e6) / 1e6  # a limit is not missed by the last bit of a sum
    return bool(share >= limits.wave_share)


@compiled
def _take_apart(bpm: Floats, waves: Waves) -> None:
    """Write into `waves` what the minute has of each wave, its mean left out."""
    total, known = 0.0, 0
    for i in range(len(bpm)):
        if not np.isnan(bpm[i]):
            total += bpm[i]
            known += 1
    mean = total / max(known, 1)
    waves.in_phase[:] = 0.0
    waves.across[:] = 0.0
    for i in range(len(bpm)):
        if np.isnan(bpm[i]):
            continue
        for f in range(len(waves.in_phase)):
            waves.in_phase[f] += waves.cosine[i, f] * (bpm[i] - mean)
            waves.across[f] += waves.sine[i, f] * (bpm[i] - mean)
