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
    """Waves of a minute, side by side, so that a sample is taken for all of them at once; and room to work in.

    waves: shape (240, 2 * waves), their cosines and behind those their sines; products: (240, 3 * waves), squares of
    the cosines, of the sines, and cosine times sine; whole_...: sums of both over a minute without a gap. sum_...: sums
    over the samples that are there, and with_left: of the waves times those. left: (240,), a minute without its slope.
    """

    waves: Floats
    products: Floats
    whole_waves: Floats
    whole_products: Floats
    sum_waves: Floats
    sum_products: Floats
    with_left: Floats
    left: Floats

    @classmethod
    def table(cls, limits: SinusoidalLimits) -> "Waves":
        """Return the waves that are tried."""
        tried = (limits.fastest_per_min - limits.slowest_per_min) * STEPS + 1
        cycles = np.linspace(limits.slowest_per_min, limits.fastest_per_min, tried)
        angles = 2 * np.pi * cycles * (np.arange(60 * HZ) / (60 * HZ))[:, None]
        cosine, sine = np.cos(angles), np.sin(angles)
        waves, products = np.hstack([cosine, sine]), np.hstack([cosine * cosine, sine * sine, cosine * sine])
        # One sample after the other, as where some are missing: the same to the last bit.
        whole_waves, whole_products = (np.cumsum(one, axis=0)[-1].copy() for one in (waves, products))
        room = (np.zeros(n) for n in (2 * tried, 3 * tried, 2 * tried, 60 * HZ))
        return cls(waves, products, whole_waves, whole_products, *room)


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
    _sum_up(waves, known)
    explained, amplitude = 0.0, 0.0
    for w in range(waves.waves.shape[1] // 2):
        by_this, its_amplitude = _fitted(waves, w, known)
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
def _sum_up(waves: Waves, known: int) -> None:
    """Sum up the waves, and the waves times what is left of the minute, where so many samples are `known`."""
    left, length = waves.left, len(waves.left)
    _clear(waves.with_left)
    for i in range(length):
        if not np.isnan(left[i]):
            for k in range(len(waves.with_left)):
                waves.with_left[k] += waves.waves[i, k] * left[i]
    if known == length:
        for k in range(len(waves.sum_waves)):
            waves.sum_waves[k] = waves.whole_waves[k]
        for k in range(len(waves.sum_products)):
            waves.sum_products[k] = waves.whole_products[k]
        return
    _clear(waves.sum_waves)
    _clear(waves.sum_products)
    for i in range(length):
        if not np.isnan(left[i]):
            for k in range(len(waves.sum_waves)):
                waves.sum_waves[k] += waves.waves[i, k]
            for k in range(len(waves.sum_products)):
                waves.sum_products[k] += waves.products[i, k]


@compiled
def _clear(sums: Floats) -> None:
    for k in range(len(sums)):
        sums[k] = 0.0


@compiled
def _fitted(waves: Waves, w: int, known: int) -> tuple[float, float]:
    """Fit wave w to what is left of the minute, `known` samples; return what it takes of their squares, and its
    amplitude.
    """
    if known == 0:
        return 0.0, 0.0
    tried = waves.waves.shape[1] // 2
    c, s = waves.sum_waves[w], waves.sum_waves[tried + w]
    cy, sy = waves.with_left[w], waves.with_left[tried + w]
    cc = waves.sum_products[w] - c * c / known
    ss = waves.sum_products[tried + w] - s * s / known
    cs = waves.sum_products[2 * tried + w] - c * s / known
    determinant = cc * ss - cs * cs
    if determinant <= 0:
        return 0.0, 0.0
    a, b = (cy * ss - sy * cs) / determinant, (sy * cc - cy * cs) / determinant
    return a * cy + b * sy, np.sqrt(a * a + b * b)
