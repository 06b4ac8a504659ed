"""Rolling histogram of a window of samples: one sample in, one out, whatever the window's length.

It is asked every few seconds only, and so takes what has come meanwhile in one go, from the last minute's samples.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import Ints, array, index
from quietward.detect.core.compiled import compiled
from quietward.detect.core.signal.minute import LENGTH, MINUTE_S, Minute

STEPS = 4
"""Values are kept in quarters (of a bpm, of a UA unit): the resolution that devices store, so that sums are exact."""


class Histogram(NamedTuple):
    """Window of samples and its histogram in whole units. Bin 0 counts nothing useful: it stands for 'no value'.

    A sample x is kept as the code round((x - lowest) * 4) + 4; its bin is code // 4.
    """

    until: Ints = index(0)  # second before which samples have been taken
    ring: NDArray[np.uint16] = array(0, "ring", dtype=np.uint16)
    counts: NDArray[np.int16] = array(0, "bins", dtype=np.int16)  # a window holds fewer than 32,767 samples
    sums: NDArray[np.int32] = array(0, "bins", dtype=np.int32)  # of codes


def sizes(window_s: int, lowest: float, highest: float) -> dict[str, int]:
    """Return the sizes for a window in seconds over values from lowest to highest."""
    return {"ring": window_s * HZ, "bins": int(highest - lowest) + 2}


@compiled
def catch_up(h: Histogram, m: Minute, signal: int, n: int, second: int, lowest: float) -> None:
    """Take what has come of a signal of bed n (FHR or UA of the last minute) since the last time and up to `second`,
    and let as much go that is older than the window.
    """
    window, top = h.ring.shape[0], h.counts.shape[0] * STEPS - 1
    first = max(h.until[n], second + 1 - MINUTE_S) * HZ
    for sample in range(first, (second + 1) * HZ):
        value, place = m.samples[signal, sample % LENGTH, n], sample % window
        evicted, inserted = np.int64(h.ring[place, n]), _code(value, lowest, top)
        h.ring[place, n] = inserted
        h.counts[evicted // STEPS, n] -= 1
        h.counts[inserted // STEPS, n] += 1
        h.sums[evicted // STEPS, n] -= evicted
        h.sums[inserted // STEPS, n] += inserted
    h.until[n] = second + 1


@compiled
def _code(value: float, lowest: float, top: int) -> int:
    if np.isnan(value):
        return 0
    return int(min(max(np.rint((value - lowest) * STEPS) + STEPS, 0.0), float(top)))


@compiled
def value_at(h: Histogram, n: int, sample: int, lowest: float) -> float:
    """Return the sample with this index, no older than the window, of bed n; NaN where there is none."""
    code = h.ring[sample % h.ring.shape[0], n]
    return to_value(float(code), lowest) if code > 0 else np.nan


@compiled
def leave_out(h: Histogram, n: int, first: int, end: int) -> None:
    """Take the samples [first, end) of bed n out of the window, as far as they are still in it."""
    window = h.ring.shape[0]
    for sample in range(max(first, end - window), end):
        code = np.int64(h.ring[sample % window, n])
        h.counts[code // STEPS, n] -= 1
        h.sums[code // STEPS, n] -= code
        h.counts[0, n] += 1
        h.ring[sample % window, n] = 0


@compiled
def to_value(mean_code: float, lowest: float) -> float:
    """Return the value that a (mean) code stands for."""
    return (mean_code - STEPS) / STEPS + lowest
