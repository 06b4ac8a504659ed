"""Sinusoidal pattern: minutes whose FHR is one smooth wave of 3 to 5 cycles (NICHD 2008, FIGO 2015).

A wave is fitted to what of the minute is there, its slope left out, so that neither gaps nor a drift of the baseline
hide it. A fetus with such a pattern has decelerations, and a sensor loses it: a pattern goes on through a few other
minutes. How long it must go on, and what else must hold, is the rule sets' affair.
"""

from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import Floats, Ints, index
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import SinusoidalLimits

STEPS = 4
"""Waves that are tried for each cycle a minute: a minute tells them apart by half a cycle."""


class Pattern(NamedTuple):
    """What is remembered of a pattern that goes on, in minutes of which enough is there to tell."""

    lasted_min: Ints = index(0)  # from its first wave to its last
    watched_min: Ints = index(0)  # since its first wave
    waves_min: Ints = index(0)  # sinusoidal ones of these


class Waves(NamedTuple):
    """Waves of a minute, shape (240, waves), and room for a minute without its slope, shape (240,)."""

    cosine: Floats
    sine: Floats
    left: Floats

    @classmethod
    def table(cls, limits: SinusoidalLimits) -> "Waves":
        """Return the waves that are tried."""
        tried = (limits.fastest_per_min - limits.slowest_per_min) * STEPS + 1
        cycles = np.linspace(limits.slowest_per_min, limits.fastest_per_min, tried)
        angles = 2 * np.pi * cycles * (np.arange(60 * HZ) / (60 * HZ))[:, None]
        return cls(np.cos(angles), np.sin(angles), np.zeros(60 * HZ))


@compiled
def follow_pattern(p: Pattern, n: int, is_wave: bool, limits: SinusoidalLimits) -> None:
    """Let the pattern of bed n begin, go on or end with a minute that could be told."""
    if not is_wave and p.waves_min[n] == 0:
        return
    p.watched_min[n] += 1
    p.waves_min[n] += is_wave
    if is_wave:
        p.lasted_min[n] = p.watched_min[n]
    others_min = p.watched_min[n] - p.lasted_min[n]
    if others_min >= limits.over_after_min or p.waves_min[n] < limits.least_share * p.watched_min[n]:
        p.watched_min[n] = p.waves_min[n] = p.lasted_min[n] = 0


@compiled
def is_sinusoidal(bpm: Floats, waves: Waves, limits: SinusoidalLimits) -> bool:
    """Return whether one wave explains most of what a minute does. bpm: shape (240,), NaN where there is none."""
    left = waves.left
    _take_slope_out(bpm, left)
    total, known = 0.0, 0
    for i in range(len(left)):
        if not np.isnan(left[i]):
            total += left[i] ** 2
            known += 1
    explained, amplitude = 0.0, 0.0
    for w in range(waves.cosine.shape[1]):
        by_this, its_amplitude = _fitted(waves, w)
        if by_this > explained:
            explained, amplitude = by_this, its_amplitude
    share = np.rint(explained / max(total, 1e-9) * 1e6) / 1e6  # a limit is not missed by the last bit of a sum
    length = np.rint(2 * amplitude * 1e6) / 1e6
    return bool(share >= limits.wave_share and limits.lowest_bpm <= length <= limits.highest_bpm)


@compiled
def _take_slope_out(bpm: Floats, left: Floats) -> None:
    """Write into `left` how far each sample is from the straight line through all of them."""
    known, t, y, tt, ty = 0, 0.0, 0.0, 0.0, 0.0
    for i in range(len(bpm)):
        if not np.isnan(bpm[i]):
            known += 1
            t += i
            y += bpm[i]
            tt += i * i
            ty += i * bpm[i]
    spread = tt - t * t / max(known, 1)
    slope = (ty - t * y / max(known, 1)) / spread if spread > 0 else 0.0
    for i in range(len(bpm)):
        left[i] = bpm[i] - y / max(known, 1) - slope * (i - t / max(known, 1))


@compiled
def _fitted(waves: Waves, w: int) -> tuple[float, float]:
    """Fit wave w to what is left of the minute; return what it takes of their squares, and its amplitude."""
    left, known = waves.left, 0
    c, s, cc, ss, cs, cy, sy = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(len(left)):
        if np.isnan(left[i]):
            continue
        cosine, sine = waves.cosine[i, w], waves.sine[i, w]
        known += 1
        c += cosine
        s += sine
        cc += cosine * cosine
        ss += sine * sine
        cs += cosine * sine
        cy += cosine * left[i]
        sy += sine * left[i]
    if known == 0:
        return 0.0, 0.0
    cc, ss, cs = cc - c * c / known, ss - s * s / known, cs - c * s / known
    determinant = cc * ss - cs * cs
    if determinant <= 0:
        return 0.0, 0.0
    a, b = (cy * ss - sy * cs) / determinant, (sy * cc - cy * cs) / determinant
    return a * cy + b * sy, np.sqrt(a * a + b * b)
