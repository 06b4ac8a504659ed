"""Departures of a signal from its reference and back: decelerations, accelerations and contractions by one machine.

Three rows are kept of each bed: DOWN (baseline minus FHR), UP (FHR minus baseline) and UA (UA minus resting tone).

An excursion opens when the height reaches `enter`. Its onset is looked up, not guessed: the sample after the last
one at the reference (height <= tolerance). If the signal had hovered near the reference for longer than `slack`,
the onset is where it left that neighbourhood. It closes
  - at the first sample back at the reference; or
  - where it fell below `leave`, once it has stayed there for `settle` (it need not come back exactly); or
  - at the last sample before a gap longer than `bridge` (then `cut` is true); or
  - when the signal has not been at the reference for `longest` (gaps included), or has been so little away for so
    long that it has drifted (`shallow_...`): then it is no excursion but a new level.
So length is departure to return, as the published definitions count it.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import LONG_AGO, Bools, Floats, Ints, array, index, switch
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import ExcursionLimits
from quietward.detect.core.records import Rows, next_row

DOWN, UP, UA = 0, 1, 2
ROWS = 3
BASE, NEAR = 0, 1


class Excursions(NamedTuple):
    """What the machine remembers, each of shape (3, beds). Positions are sample indices."""

    within: Floats = array(
        np.nan, 2, ROWS
    )  # up to this height the signal is at its reference (BASE), or near it (NEAR)
    enter: Floats = array(np.nan, ROWS)  # from this height on it has left it
    open: Bools = switch(ROWS)
    onset: Ints = index(LONG_AGO, ROWS)
    height: Floats = array(0.0, ROWS)
    peak_at: Ints = index(LONG_AGO, ROWS)
    reach: Floats = array(0.0, ROWS)  # height at `reached_at`
    reached_at: Ints = index(LONG_AGO, ROWS)  # where the fall (or rise) was over, ripples left out
    area: Floats = array(0.0, ROWS)
    used: Ints = index(0, ROWS)  # samples there since the onset
    closing: Ints = index(-1, ROWS)
    away_since: Ints = index(-1, ROWS)  # onset of the first excursion since the signal was last at the reference
    last: Ints = index(LONG_AGO, 2, ROWS)  # where the signal was last at the reference (BASE), and near it (NEAR)
    area_since: Floats = array(0.0, 2, ROWS)  # since then
    used_since: Ints = index(0, 2, ROWS)  # samples there since then
    last_there: Ints = index(LONG_AGO, ROWS)


AS_SAID, SMALL, NOT_APART, MOVED, LEVEL = range(5)
"""Why a closed excursion has no name."""
UNNAMED, CONTRACTION, ACCELERATION, DECELERATION, BASELINE_CHANGE = range(5)
"""What a closed excursion has turned out to be."""


@dataclass
class Excursion:
    """One closed excursion of bed n. Positions are sample indices, `end` is the first sample after it."""

    n: int
    row: int
    closed_at: int
    onset: int
    reached_at: int
    peak_at: int
    end: int
    height: float
    area: float  # height times seconds
    coverage: float  # share of samples that were there between onset and end
    cut: bool  # ended by a gap
    new_level: bool  # went on so long that it is a new level
    kept: bool  # high and long enough to be worth naming
    exact: bool = True  # False: onset, extreme and end were read from smoothed flanks
    what: int = UNNAMED
    contraction_onset: int = LONG_AGO  # of the contraction a deceleration belongs to; LONG_AGO: of none
    contraction_peak: int = LONG_AGO
    said: bool = False  # it was said to go on while it was open
    why: int = AS_SAID

    @property
    def length_s(self) -> float:
        """Departure to return."""
        return (self.end - self.onset) / HZ

    @property
    def fall_s(self) -> float:
        """From the last sample at the reference to the extreme: onset to nadir, or onset to peak."""
        return (self.reached_at - self.onset + 1) / HZ


@compiled
def length_s(x: Excursion) -> float:
    """The same where it is compiled: a record has no properties there."""
    return (x.end - x.onset) / HZ


@compiled
def fall_s(x: Excursion) -> float:
    """The same where it is compiled."""
    return (x.reached_at - x.onset + 1) / HZ


@compiled
def step(
    e: Excursions, row: int, n: int, now: int, height: float, limits: ExcursionLimits, closed: Rows[Excursion]
) -> bool:
    """Take the sample with index `now` of one row of bed n; height: NaN where there is none.

    Returns whether an excursion has opened with it. At most one opens or closes with one sample.
    """
    is_there = not np.isnan(height)
    y = height if is_there else 0.0
    at_base = is_there and y <= e.within[BASE, row, n]
    is_near = is_there and y <= e.within[NEAR, row, n]
    is_after_silence = now - e.last_there[row, n] > limits.bridge
    if is_there and is_after_silence:
        _be_at_reference(e, row, n, now - 1)  # nothing before the silence counts after it
    added = max(y, 0.0) / HZ
    if is_there:
        _add_since(e, BASE, row, n, added, at_base)
        _add_since(e, NEAR, row, n, added, is_near)

    was_open = e.open[row, n]
    opens = not was_open and is_there and y >= e.enter[row, n]
    if opens:
        _open(e, row, n, now, y, limits)
    if at_base:
        e.away_since[row, n] = -1
    if was_open and is_there and not is_after_silence:
        e.area[row, n] += added
        e.used[row, n] += 1
    if opens or was_open:
        is_low = is_there and not (was_open and is_after_silence) and _is_low(e, row, n, now, y, limits)
        _close_if_over(e, row, n, now, is_low, is_low and at_base, was_open and is_after_silence, limits, closed)
    if at_base:
        e.last[BASE, row, n] = now
    if is_near:
        e.last[NEAR, row, n] = now
    if is_there:
        e.last_there[row, n] = now
    return opens


@compiled
def _add_since(e: Excursions, which: int, row: int, n: int, added: float, is_at_it: bool) -> None:
    """Add a sample to what has come since the signal was last at its reference, or near it; is_at_it: it is now."""
    e.area_since[which, row, n] = 0.0 if is_at_it else e.area_since[which, row, n] + added
    e.used_since[which, row, n] = 0 if is_at_it else e.used_since[which, row, n] + 1


@compiled
def _be_at_reference(e: Excursions, row: int, n: int, at: int) -> None:
    """Count from the sample `at` as if the signal had been at its reference there."""
    e.last[BASE, row, n] = e.last[NEAR, row, n] = at
    e.area_since[BASE, row, n] = e.area_since[NEAR, row, n] = 0.0
    e.used_since[BASE, row, n] = e.used_since[NEAR, row, n] = 0


@compiled
def _open(e: Excursions, row: int, n: int, now: int, y: float, limits: ExcursionLimits) -> None:
    """Let an excursion begin where the signal was last at its reference, or near it if it had hovered there."""
    hovered = e.last[NEAR, row, n] - e.last[BASE, row, n] > limits.slack
    left = NEAR if hovered else BASE
    e.onset[row, n] = e.last[left, row, n] + 1
    e.area[row, n], e.used[row, n] = e.area_since[left, row, n], e.used_since[left, row, n]
    if e.away_since[row, n] < 0:
        e.away_since[row, n] = e.onset[row, n]
    e.peak_at[row, n] = e.reached_at[row, n] = now
    e.height[row, n] = e.reach[row, n] = y
    e.closing[row, n] = -1
    e.open[row, n] = True


@compiled
def _is_low(e: Excursions, row: int, n: int, now: int, y: float, limits: ExcursionLimits) -> bool:
    """Follow an open excursion's height; return whether the signal is so low that it may be about to end."""
    if y > e.height[row, n]:
        e.height[row, n], e.peak_at[row, n] = y, now
    tolerance = e.within[BASE, row, n]
    if y > e.reach[row, n] + tolerance / 2:
        e.reach[row, n], e.reached_at[row, n] = y, now
    if y > max(tolerance, min(limits.leave_share * e.height[row, n], limits.leave_at_most)):
        e.closing[row, n] = -1
        return False
    if e.closing[row, n] < 0:
        e.closing[row, n] = now
    return True


@compiled
def _close_if_over(
    e: Excursions,
    row: int,
    n: int,
    now: int,
    is_low: bool,
    is_back: bool,
    is_cut: bool,
    limits: ExcursionLimits,
    closed: Rows[Excursion],
) -> None:
    """Close an open excursion that is back at the reference, has settled near it, was cut by a gap, or is a level."""
    has_settled = is_low and now - e.closing[row, n] >= limits.settle
    is_level = e.away_since[row, n] >= 0 and (
        now - e.away_since[row, n] >= limits.longest
        or (now - e.onset[row, n] >= limits.shallow_longest and e.height[row, n] < limits.shallow_below)
    )
    if not (is_back or has_settled or is_cut or is_level):
        return
    end = now
    if is_cut:
        end = e.last_there[row, n] + 1
    elif has_settled and not is_back:
        end = e.closing[row, n]
    x = next_row(closed)
    x.n, x.row, x.closed_at = n, row, now
    x.onset, x.reached_at, x.peak_at, x.end = e.onset[row, n], e.reached_at[row, n], e.peak_at[row, n], end
    x.height, x.area = e.height[row, n], e.area[row, n]
    x.coverage = min(1.0, e.used[row, n] / max(1, end - x.onset))
    x.cut, x.new_level, x.exact, x.what = is_cut, is_level, True, UNNAMED
    x.kept = not is_level and x.height >= limits.min_height and end - x.onset >= limits.min_length
    x.contraction_onset = x.contraction_peak = LONG_AGO
    x.said, x.why = False, LEVEL if is_level else AS_SAID if x.kept else SMALL
    e.open[row, n] = False
    if is_level:
        e.away_since[row, n] = -1
    if not is_cut:
        _be_at_reference(e, row, n, end)


@compiled
def set_thresholds(e: Excursions, row: int, n: int, usual: float, limits: ExcursionLimits) -> None:
    """Set from which height on a signal has left its reference, and up to which it is there: both grow with `usual`,
    how much the signal of bed n moves anyway, in its own unit.
    """
    tolerance = min(max(limits.tolerance_share * usual, limits.tolerance_least), limits.tolerance_at_most)
    e.within[BASE, row, n] = tolerance
    e.within[NEAR, row, n] = max(limits.near, tolerance)
    e.enter[row, n] = min(max(limits.enter_share * usual, limits.enter), limits.enter_at_most)
