"""A second look at an excursion that has just ended: where its slopes lead, and where its bottom is.

The machine finds departure and return at the reference. In a quiet trace that is exact. In a lively one the first
part of a slope drowns in the variability, so departure is seen late and return early. With the whole excursion at
hand its smoothed flanks are drawn out to the reference, as an eye does, and the extreme is looked for in the smoothed
trace: the middle of a rounded bottom, the beginning of a flat one.

Of the FHR that is only the beginning: an outline (down, a flat bottom that may have no length, up) is then moved to
where it explains most of the samples. What a smoothed trace does at a single place is chance; the outline uses all.
"""

from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import Floats
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import ShapeLimits
from quietward.detect.core.patterns.excursions import UA, Excursion, length_s


class Work(NamedTuple):
    """Room to work in, each of the same length. height: samples, NaN where there is none."""

    height: Floats
    sums: Floats
    known: Floats
    smooth: Floats

    @classmethod
    def of(cls, longest: int) -> "Work":
        """Return room for so many samples."""
        return cls(*np.zeros((4, longest + 1)))


@compiled
def refine(x: Excursion, first: int, length: int, latest: int, work: Work, limits: ShapeLimits) -> None:
    """Set onset, extreme and end of the excursion as its flanks say; it stays as it is where that cannot be told.

    work.height: `length` samples from index `first` on; the onset stays within them. latest: the end is no later; it
    may lie ahead, for a slow return closes in its variability, some seconds before it is over.
    """
    if x.onset < first:  # its beginning has left the window
        return
    width_s = min(limits.smooth_share * length_s(x), limits.smooth_at_most_s)
    _smoothen(work, length, _rounded(width_s * HZ) // 2)
    smooth = work.smooth
    begin, stop = x.onset - first, x.end - first
    top = begin
    for i in range(begin, stop):
        if smooth[i] > smooth[top] or np.isnan(smooth[top]):
            top = i
    high = smooth[top]
    if not high > 0:  # nothing of it is there any more, or only single samples stood out
        return
    shoulder = limits.shoulder_ua if x.row == UA else limits.shoulder
    fall = _flank(smooth, top, -1, top + 1, high, shoulder, limits)
    shoulder_back = limits.shoulder_ua if x.row == UA else limits.shoulder_back
    back = _flank(smooth, top, 1, length - top, high, shoulder_back, limits)
    room = _rounded(limits.extend_share * (stop - begin))
    onset, end = begin, stop
    if fall.is_whole:
        onset = min(begin, max(0, begin - room, _rounded(top - fall.drawn_out)))
    if back.is_whole:
        end = max(stop, min(latest - first, stop + room, _rounded(top + back.drawn_out)))
    x.reached_at = x.peak_at = first + _extreme(
        smooth, onset, min(end, length), limits.bottom_share * high, fall, limits
    )
    x.onset, x.end, x.exact = first + onset, first + end, False
    if x.row != UA:
        _fit(x, first, length, latest, work, limits)


class _Flank(NamedTuple):
    """length: samples of its steep part; drawn_out: samples from the extreme to where it would reach the reference.

    is_whole: its foot is there.
    """

    is_whole: bool
    length: int
    drawn_out: float


@compiled
def _flank(
    smooth: Floats, top: int, way: int, length: int, high: float, shoulder: float, limits: ShapeLimits
) -> _Flank:
    """Measure one flank, from the extreme outwards, way: -1 or 1."""
    steep = 0
    for i in range(length):
        height = smooth[top + way * i]
        if height >= limits.high_share * high:
            steep = i
        if height <= limits.low_share * high:
            return _Flank(True, i - steep, i + (i - steep) * shoulder)
    share = smooth[top + way * (length - 1)] / high
    if way < 0 or not share <= limits.seen_share:
        return _Flank(False, 0, 0.0)
    # More than half of the way back has been seen: the rest of its steep part goes on like that.
    whole = (length - 1 - steep) * (limits.high_share - limits.low_share) / (limits.high_share - share)
    return _Flank(True, 0, steep + whole * (1 + shoulder))


@compiled
def _extreme(smooth: Floats, onset: int, end: int, deep: float, fall: _Flank, limits: ShapeLimits) -> int:
    """Return where the bottom is: the beginning of a flat one, the middle of any other."""
    bottom, first, last = 0, -1, -1
    for i in range(onset, end):
        if smooth[i] >= deep:
            bottom += 1
            last = i
            if first < 0:
                first = i
    if fall.is_whole and bottom > limits.flat_from * fall.length:
        return first
    return (first + last) // 2


@compiled
def _rounded(x: float) -> int:
    return int(np.rint(x))


@compiled
def _smoothen(work: Work, length: int, half: int) -> None:
    """Take the centred mean over 2 * half + 1 samples of what is there, NaN where nothing is.

    Each is the difference of two sums from the beginning on.
    """
    work.sums[0] = work.known[0] = 0.0
    for i in range(length):
        is_there = not np.isnan(work.height[i])
        work.sums[i + 1] = work.sums[i] + (work.height[i] if is_there else 0.0)
        work.known[i + 1] = work.known[i] + (1.0 if is_there else 0.0)
    for i in range(length):
        first, end = max(i - half, 0), min(i + half + 1, length)
        known = work.known[end] - work.known[first]
        work.smooth[i] = (work.sums[end] - work.sums[first]) / known if known > 0 else np.nan


LEAST_FLANK = 3
"""Steps of a flank of the outline; it is moved in steps of a second."""
FIRST_STEP = 8


class _Outline(NamedTuple):
    """Where the way away begins and ends, and where the way back does, in seconds from the first sample."""

    onset: int
    reached: int
    back: int
    end: int


@compiled
def _fit(x: Excursion, first: int, length: int, latest: int, work: Work, limits: ShapeLimits) -> None:
    """Set onset, extreme and end of an excursion of the FHR to those of the outline that explains most of it."""
    seconds = length // HZ
    for i in range(seconds):
        work.sums[i] = work.known[i] = 0.0
        for sample in range(i * HZ, (i + 1) * HZ):
            if not np.isnan(work.height[sample]):
                work.sums[i] += work.height[sample]
                work.known[i] += 1.0
    onset, end = (x.onset - first) // HZ, (x.end - first) // HZ
    if end - onset < 2 * LEAST_FLANK:
        return
    reached = min(max(onset + LEAST_FLANK, (x.reached_at - first) // HZ), end - LEAST_FLANK)
    room = int(limits.extend_share * (end - onset))
    earliest, last = max(onset - room, 0), max(end, min((latest - first) // HZ, end + room))
    best = _moved(work, seconds, _Outline(onset, reached, reached, end), earliest, last, limits)
    middle = (onset + end) // 2  # a slow flank is not found from a steep one, since each step between explains less
    slow = _moved(work, seconds, _Outline(onset, middle, middle, end), earliest, last, limits)
    if _explained(work, seconds, slow, limits) > _explained(work, seconds, best, limits):
        best = slow
    is_flat = best.back - best.reached > limits.flat_outline * (best.reached - best.onset)
    extreme = best.reached if is_flat else (best.reached + best.back) // 2
    x.onset, x.end = first + best.onset * HZ, first + best.end * HZ
    x.reached_at = x.peak_at = first + extreme * HZ


@compiled
def _moved(work: Work, seconds: int, o: _Outline, earliest: int, last: int, limits: ShapeLimits) -> _Outline:
    """Move an outline by its corners and flanks as long as it explains more, by smaller and smaller steps."""
    most, step = _explained(work, seconds, o, limits), FIRST_STEP
    while step > 0:
        has_moved = False
        for way in range(12):
            what, by = way // 2, step if way % 2 == 0 else -step
            onset = o.onset + (by if what in (0, 4) else 0)
            reached = o.reached + (by if what in (1, 4, 5) else 0)
            back = o.back + (by if what in (2, 5) else 0)
            end = o.end + (by if what == 3 else 0)
            if onset < earliest or end > last or back < reached:
                continue
            if reached < onset + LEAST_FLANK or end < back + LEAST_FLANK:
                continue
            tried = _Outline(onset, reached, back, end)
            explained = _explained(work, seconds, tried, limits)
            if explained > most:
                most, o, has_moved = explained, tried, True
        if not has_moved:
            step //= 2
    return o


@compiled
def _explained(work: Work, seconds: int, o: _Outline, limits: ShapeLimits) -> float:
    """Return how much of the squares of the heights goes with the outline, at its best depth and reference.

    So much as `reference_s` at the reference is taken as seen beside what is there: it may be some bpm off, not more.
    """
    n = limits.reference_s * HZ
    outline = squares = heights = products = 0.0
    for i in range(seconds):
        if work.known[i] == 0:
            continue
        way = _way(i + 0.5, o)
        n += work.known[i]
        outline += work.known[i] * way
        squares += work.known[i] * way * way
        heights += work.sums[i]
        products += work.sums[i] * way
    spread, together = squares - outline * outline / n, products - outline * heights / n
    return together * together / spread if spread > 0 and together > 0 else 0.0


@compiled
def _way(at: float, o: _Outline) -> float:
    """Return how far away an outline is at a time, 0 to 1. Its flanks have rounded corners."""
    if at < o.reached:
        share = (at - o.onset) / (o.reached - o.onset)
    elif at > o.back:
        share = (o.end - at) / (o.end - o.back)
    else:
        return 1.0
    return share * share * (3 - 2 * share) if share > 0 else 0.0
