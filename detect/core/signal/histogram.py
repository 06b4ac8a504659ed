"""Windows of samples, and the rolling histogram of one: one sample in, one out, whatever the window's length.

They are asked every few seconds only, and so take what has come meanwhile in one go, from the last minute's samples.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import Ints, array, index, part
from quietward.detect.core.compiled import compiled
from quietward.detect.core.signal.minute import LENGTH, MINUTE_S, Minute

STEPS = 4
"""Values are kept in quarters (of a bpm, of a UA unit): the resolution that devices store."""


class Window(NamedTuple):
    """The last samples of a signal. A sample x is kept as the code round((x - lowest) * 4) + 4, no value as 0."""

    until: Ints = index(0)  # second before which samples have been taken
    ring: NDArray[np.uint16] = array(0, "ring", dtype=np.uint16)


class Histogram(NamedTuple):
    """A window and its histogram in whole units: the bin of a code is code // 4; bin 0 stands for 'no value'."""

    window: Window = part(Window, ring="ring")
    counts: NDArray[np.int16] = array(0, "bins", dtype=np.int16)  # a window holds fewer than 32,767 samples


def sizes(window_s: int, lowest: float, highest: float) -> dict[str, int]:
    """Return the sizes for a window in seconds over values from lowest to highest."""
    return {"ring": window_s * HZ, "bins": int(highest - lowest) + 2}


@compiled
def catch_up(w: Window, m: Minute, signal: int, n: int, second: int, lowest: float) -> None:
    """Take what has come of a signal of bed n (FHR or UA of the last minute) since the last time and up to `second`."""
    first, length = _first_new(w, n, second), w.ring.shape[0]
    place = first % length
    for sample in range(first, (second + 1) * HZ):
        w.ring[place, n] = _code(m.samples[signal, sample % LENGTH, n], lowest)
        place = place + 1 if place + 1 < length else 0
    w.until[n] = second + 1


@compiled
def count_up(h: Histogram, m: Minute, signal: int, n: int, second: int, lowest: float) -> None:
    """The same for a window with a histogram, which lets as much go that is older than the window."""
    w, highest_code = h.window, h.counts.shape[0] * STEPS - 1
    first, length = _first_new(w, n, second), w.ring.shape[0]
    place = first % length
    for sample in range(first, (second + 1) * HZ):
        evicted = np.int64(w.ring[place, n])
        inserted = min(_code(m.samples[signal, sample % LENGTH, n], lowest), highest_code)
        w.ring[place, n] = inserted
        h.counts[evicted // STEPS, n] -= 1
        h.counts[inserted // STEPS, n] += 1
        place = place + 1 if place + 1 < length else 0
    w.until[n] = second + 1


@compiled
def _first_new(w: Window, n: int, second: int) -> int:
    """Return the first sample of bed n that has not been taken and is still there."""
    first: int = max(w.until[n], second + 1 - MINUTE_S) * HZ
    return first


@compiled
def _code(value: float, lowest: float) -> int:
    if np.isnan(value):
        return 0
    return int(max(np.rint((value - lowest) * STEPS) + STEPS, 0.0))


@compiled
def second_bpm(w: Window, n: int, second: int, lowest: float) -> float:
    """Return the mean of a second, no older than the window, of bed n; NaN where less than half of it is there."""
    first = second * HZ % w.ring.shape[0]  # a window is whole seconds, so those of one lie together
    total, known = 0.0, 0
    for place in range(first, first + HZ):
        code = w.ring[place, n]
        if code > 0:
            total += (float(code) - STEPS) / STEPS + lowest
            known += 1
    return total / known if 2 * known >= HZ else np.nan


@compiled
def value_at(w: Window, n: int, sample: int, lowest: float) -> float:
    """Return the sample with this index, no older than the window, of bed n; NaN where there is none."""
    code = w.ring[sample % w.ring.shape[0], n]
    return (float(code) - STEPS) / STEPS + lowest if code > 0 else np.nan
