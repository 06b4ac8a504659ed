"""How many samples of each second of the last half hour could be used, and of the FHR how many were what.

Sums over a whole window are kept up: what a second adds, and what the one that leaves the window takes with it.
"""

from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import Ints, array, index
from quietward.detect.core.compiled import compiled
from quietward.detect.core.signal.minute import MINUTE_S

FHR, UA, LOW_FHR, NEAR_MOTHER = range(4)
"""Counted are usable samples of FHR and of UA; of the FHR those that are low, and those near the mother's pulse."""
HALF_HOUR_S = 30 * MINUTE_S
WINDOW_S = (HALF_HOUR_S, HALF_HOUR_S, HALF_HOUR_S, 10 * MINUTE_S)


class Usable(NamedTuple):
    """Counts by second, that of second s at s % HALF_HOUR_S; together: over the window of each kind."""

    counts: Ints = array(0, 4, HALF_HOUR_S, dtype=np.int8)  # HZ at the most
    together: Ints = index(0, 4)
    seconds: Ints = index(0)  # seconds taken since the bed began


@compiled
def count_second(u: Usable, n: int, second: int, fhr: int, ua: int, low: int, near_mother: int) -> None:
    """Take what there was of the next second of bed n."""
    _count(u, FHR, n, second, fhr)
    _count(u, UA, n, second, ua)
    _count(u, LOW_FHR, n, second, low)
    _count(u, NEAR_MOTHER, n, second, near_mother)
    u.seconds[n] += 1


@compiled
def _count(u: Usable, kind: int, n: int, second: int, samples: int) -> None:
    leaving = (second - WINDOW_S[kind]) % HALF_HOUR_S
    u.together[kind, n] += samples - int(u.counts[kind, leaving, n])
    u.counts[kind, second % HALF_HOUR_S, n] = samples


@compiled
def count_late(u: Usable, n: int, at: int, is_low: bool, is_near_mother: bool) -> None:
    """Count a sample of FHR of an earlier second, `at`, of the last minute that is used only now."""
    _add(u, FHR, n, at, 1)
    _add(u, LOW_FHR, n, at, int(is_low))
    _add(u, NEAR_MOTHER, n, at, int(is_near_mother))


@compiled
def _add(u: Usable, kind: int, n: int, at: int, samples: int) -> None:
    u.counts[kind, at % HALF_HOUR_S, n] += samples
    u.together[kind, n] += samples


@compiled
def of_window_s(u: Usable, kind: int, n: int) -> float:
    """Return the seconds that could be used, or were so, within the last half hour; near the mother's pulse: 10 min."""
    return float(u.together[kind, n] / HZ)


@compiled
def of_last_minute_s(u: Usable, kind: int, n: int, second: int) -> float:
    """Return the same of the last minute, which ends with `second`."""
    if u.together[kind, n] == 0:
        return 0.0  # not within a longer time either
    return of_seconds_s(u, kind, n, second + 1 - MINUTE_S, second + 1)


@compiled
def of_seconds_s(u: Usable, kind: int, n: int, first: int, end: int) -> float:
    """Return the same of the seconds [first, end), no more than the last half hour."""
    samples, place = 0, first % HALF_HOUR_S
    for _ in range(first, end):
        samples += int(u.counts[kind, place, n])
        place = place + 1 if place + 1 < HALF_HOUR_S else 0
    return samples / HZ


@compiled
def seen_s(u: Usable, n: int, window_s: int) -> float:
    """Return how long a window is: no longer than the bed has been seen."""
    return float(min(max(u.seconds[n], 1), window_s))
