"""A second look at an excursion that has just ended: where its slopes lead, and where its bottom is.

The machine finds departure and return at the reference. In a quiet trace that is exact. In a lively one the first
part of a slope drowns in the variability, so departure is seen late and return early. With the whole excursion at
hand its smoothed flanks are drawn out to the reference, as an eye does, and the extreme is looked for in the smoothed
trace: the middle of a rounded bottom, the beginning of a flat one.
"""

from typing import NamedTuple

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import Floats, Ints
from quietward.detect.core.parameters import ShapeLimits
from quietward.detect.core.patterns.excursions import UA, Excursion


def refine(x: Excursion, first: int, height: Floats, limits: ShapeLimits) -> Excursion:
    """Return the excursion with onset, extreme and end as its flanks say; as it is where that cannot be told.

    height: samples from index `first` on, NaN where there is none; onset and end stay within them.
    """
    if x.onset < first:  # its beginning has left the window
        return x
    width_s = min(limits.smooth_share * x.length_s, limits.smooth_at_most_s)
    smooth = _moving_mean(height, round(width_s * HZ) | 1)
    begin, stop = x.onset - first, x.end - first
    inside = smooth[begin:stop]
    top = begin + int(np.argmax(np.nan_to_num(inside, nan=-np.inf)))
    high = float(smooth[top])
    if not high > 0:  # nothing of it is there any more, or only single samples stood out
        return x
    shoulder = limits.shoulder_ua if x.row == UA else limits.shoulder
    fall, back = (_flank(side, high, shoulder, limits) for side in (smooth[top::-1], smooth[top:]))
    room = round(limits.extend_share * (stop - begin))
    onset = begin if fall is None else min(begin, max(0, begin - room, round(top - fall.drawn_out)))
    end = stop if back is None else max(stop, min(len(height), stop + room, round(top + back.drawn_out)))
    bottom = np.flatnonzero(smooth[onset:end] >= limits.bottom_share * high) + onset
    is_flat = fall is not None and len(bottom) > limits.flat_from * fall.length
    extreme = int(bottom[0] if is_flat else (bottom[0] + bottom[-1]) // 2)
    return x._replace(
        onset=first + onset, reached_at=first + extreme, peak_at=first + extreme, end=first + end, exact=False
    )


class _Flank(NamedTuple):
    """length: samples of its steep part; drawn_out: samples from the extreme to where it would reach the reference."""

    length: int
    drawn_out: float


def _flank(flank: Floats, high: float, shoulder: float, limits: ShapeLimits) -> _Flank | None:
    """Measure one flank, from the extreme outwards; None if its foot is not there."""
    low_at = np.flatnonzero(flank <= limits.low_share * high)
    if not len(low_at):
        return None
    low = int(low_at[0])
    steep = int(np.flatnonzero(flank[: low + 1] >= limits.high_share * high)[-1])
    return _Flank(low - steep, low + (low - steep) * shoulder)


def _moving_mean(x: Floats, width: int) -> Floats:
    """Return the centred mean of what is there; NaN where nothing is."""
    there = ~np.isnan(x)
    half = width // 2

    def sums(values: Floats | Ints) -> Floats:
        total: Floats = np.concatenate([[0.0], np.cumsum(values)])
        at = np.arange(len(x))
        return total[np.minimum(at + half + 1, len(x))] - total[np.maximum(at - half, 0)]

    n = sums(there.astype(np.int64))
    mean: Floats = np.where(n > 0, sums(np.where(there, x, 0.0)) / np.maximum(n, 1), np.nan)
    return mean
