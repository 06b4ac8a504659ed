"""Rolling histogram of a window of samples: one sample in, one out, whatever the window's length.

It is asked every few seconds only, and so takes what has come meanwhile in one go, from the last minute's samples.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import Floats, Ints, Lanes, index, lane
from quietward.detect.core.signal.minute import LENGTH, MINUTE_S

STEPS = 4
"""Values are kept in quarters (of a bpm, of a UA unit): the resolution that devices store, so that sums are exact."""


@dataclass(init=False, eq=False)
class Histogram(Lanes):
    """Window of samples and its histogram in whole units. Bin 0 counts nothing useful: it stands for 'no value'.

    A sample x is kept as the code round((x - lowest) * 4) + 4; its bin is code // 4.
    """

    until: Ints = index(0)  # second before which samples have been taken
    ring: NDArray[np.uint16] = lane(0, "ring", dtype=np.uint16)
    counts: NDArray[np.int16] = lane(0, "bins", dtype=np.int16)  # a window holds fewer than 32,767 samples
    sums: NDArray[np.int32] = lane(0, "bins", dtype=np.int32)  # of codes


def sizes(window_s: int, lowest: float, highest: float) -> dict[str, int]:
    """Return the sizes for a window in seconds over values from lowest to highest."""
    return {"ring": window_s * HZ, "bins": int(highest - lowest) + 2}


def catch_up(h: Histogram, recent: Floats, lanes: Ints, second: Ints, lowest: float) -> None:
    """Take what has come since the last time and up to `second`, and let as much go that is older than the window.

    recent: the last minute's samples of all lanes, shape (240, all), NaN where there is none.
    """
    since = h.until[lanes]
    h.until[lanes] = second + 1
    longest = min(int((second + 1 - since).max()), MINUTE_S)
    if longest <= 0:
        return
    samples = (second + 1 - longest) * HZ + np.arange(longest * HZ)[:, None]
    values, lanes = recent[samples % LENGTH, lanes], np.broadcast_to(lanes, samples.shape)
    missed = samples >= since * HZ
    if np.count_nonzero(missed) < missed.size:
        samples, values, lanes = samples[missed], values[missed], lanes[missed]
    window, n = h.ring.shape
    top = h.counts.shape[0] * STEPS - 1
    codes = np.fmin(np.fmax(np.rint((values - lowest) * STEPS) + STEPS, 0), top)  # fmax makes 0 of NaN
    ring = _flat(h.ring)
    places = samples % window * n + lanes
    moved = np.empty((2, *codes.shape), dtype=np.int64)
    moved[0], moved[1] = ring[places], codes  # what goes, what comes
    ring[places] = codes
    where = (moved // STEPS * n + lanes).reshape(-1)
    moved[0] *= -1
    np.add.at(_flat(h.counts), where, _ONE_EACH.repeat(codes.size))
    np.add.at(_flat(h.sums), where, moved.reshape(-1).astype(np.int32))


_ONE_EACH = np.array([-1, 1], dtype=np.int16)


def _flat(array: NDArray[Any]) -> NDArray[Any]:
    """Return the same numbers in one row: that is what numpy adds to fast. Raises AttributeError rather than copy."""
    row = array.view()
    row.shape = (-1,)
    return row


def positions(h: Histogram, samples: Ints) -> Ints:
    """Return the places in the ring of sample indices."""
    places: Ints = samples % h.ring.shape[0]
    return places


def values_of(h: Histogram, lane_number: int, first: int, end: int, lowest: float) -> Floats:
    """Return the samples [first, end) of one lane, no older than the window; NaN where there is none."""
    codes = h.ring[positions(h, np.arange(first, end)), lane_number].astype(np.float64)
    return np.where(codes > 0, to_value(codes, lowest), np.nan)


def leave_out(h: Histogram, lane_number: int, first: int, end: int) -> None:
    """Take the samples [first, end) of one lane out of the window, as far as they are still in it."""
    rows = positions(h, np.arange(max(first, end - h.ring.shape[0]), end))
    codes = h.ring[rows, lane_number].astype(np.int64)
    np.subtract.at(h.counts[:, lane_number], codes // STEPS, 1)
    np.subtract.at(h.sums[:, lane_number], codes // STEPS, codes)
    np.add.at(h.counts[:, lane_number], np.zeros(len(codes), dtype=np.int64), 1)
    h.ring[rows, lane_number] = 0


def to_value(mean_code: Floats, lowest: float) -> Floats:
    """Return the value that a (mean) code stands for."""
    return (mean_code - STEPS) / STEPS + lowest
