"""Departures of a signal from its reference and back: decelerations, accelerations and contractions by one machine.

Three rows are stepped together: DOWN (baseline minus FHR), UP (FHR minus baseline) and UA (UA minus resting tone).

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

from detect.core.lanes import LONG_AGO, Bools, Floats, Ints, Lanes, index, lane, some, switch
from detect.core.limits import ExcursionLimits
from quietward.messages import HZ

DOWN, UP, UA = 0, 1, 2
ROWS = 3
BASE, NEAR = 0, 1


@dataclass(init=False, eq=False)
class Excursions(Lanes):
    """What the machine remembers, each of shape (3, lanes). Positions are sample indices."""

    tolerance: Floats = lane(np.nan, ROWS)  # up to this height the signal is at its reference
    enter: Floats = lane(np.nan, ROWS)  # from this height on it has left it
    open: Bools = switch(ROWS)
    onset: Ints = index(LONG_AGO, ROWS)
    height: Floats = lane(0.0, ROWS)
    peak_at: Ints = index(LONG_AGO, ROWS)
    reach: Floats = lane(0.0, ROWS)  # height at `reached_at`
    reached_at: Ints = index(LONG_AGO, ROWS)  # where the fall (or rise) was over, ripples left out
    area: Floats = lane(0.0, ROWS)
    used: Ints = index(0, ROWS)  # samples there since the opening
    opened_at: Ints = index(LONG_AGO, ROWS)
    closing: Ints = index(-1, ROWS)
    away_since: Ints = index(-1, ROWS)  # onset of the first excursion since the signal was last at the reference
    last: Ints = index(LONG_AGO, 2, ROWS)  # where the signal was last at the reference (BASE), and near it (NEAR)
    area_since: Floats = lane(0.0, 2, ROWS)  # since then
    last_there: Ints = index(LONG_AGO, ROWS)


class Excursion(NamedTuple):
    """One closed excursion. Positions are sample indices, `end` is the first sample after it."""

    row: int
    lane: int
    onset: int
    reached_at: int
    peak_at: int
    end: int
    height: float
    area: float  # height times seconds
    coverage: float  # share of samples that were there between opening and end
    cut: bool  # ended by a gap
    new_level: bool  # went on so long that it is a new level
    kept: bool  # high and long enough to be worth naming
    exact: bool = True  # False: onset, extreme and end were read from smoothed flanks

    @property
    def length_s(self) -> float:
        """Departure to return."""
        return (self.end - self.onset) / HZ

    @property
    def fall_s(self) -> float:
        """From the last sample at the reference to the extreme: onset to nadir, or onset to peak."""
        return (self.reached_at - self.onset + 1) / HZ


class Opening(NamedTuple):
    """An excursion has just opened; its onset lies a little back."""

    row: int
    lane: int
    onset: int


class Taken(NamedTuple):
    """What one second brought. open: which rows were open after each sample, shape (4, 3, lanes)."""

    opened: list[Opening]
    ended: list[Excursion]
    open: Bools


class _Sample(NamedTuple):
    """One sample: now is (lanes,), all else (3, lanes). y: the height, 0 where there is none; added: to an area."""

    now: Ints
    y: Floats
    there: Bools
    at_base: Bools
    added: Floats


def step(e: Excursions, start: Ints, height: Floats, limits: ExcursionLimits) -> Taken:
    """Take one second, sample by sample.

    start: index of the first sample, (lanes,); height: (4, 3, lanes), NaN where there is none. With few lanes it is the
    calls into numpy that cost, and not the numbers in them: so what can be said of a whole second is said once, and
    what hardly ever happens is looked for only where it may.
    """
    there = ~np.isnan(height)
    y = np.where(there, height, 0.0)
    back = (y[:, None] <= np.stack([e.tolerance, np.maximum(limits.near, e.tolerance)])) & there[:, None]
    high = there & (y >= e.enter)
    added = np.maximum(y, 0.0) / HZ
    last = start + (HZ - 1)
    may_open = some(high)
    may_be_silent = some(last - e.last_there > limits.bridge)
    may_be_level = some((e.away_since >= 0) & (last - e.away_since >= limits.longest)) or some(
        e.open & (last - e.onset >= limits.shallow_longest)
    )
    found = Taken([], [], np.empty(there.shape, dtype=np.bool_))
    for k in range(HZ):
        sample = _Sample(start + k, y[k], there[k], back[k, BASE], added[k])
        e.area_since += sample.added
        np.copyto(e.area_since, 0.0, where=back[k])
        expired = _after_silence(e, sample, limits) if may_be_silent else None
        opens = high[k] & ~e.open if may_open else None
        if opens is not None and some(opens):
            found.opened.extend(_open(e, opens, sample, limits))
            may_be_level = True  # its onset may lie far back
        np.copyto(e.away_since, -1, where=sample.at_base)
        if some(e.open):
            found.ended.extend(_run_on(e, sample, opens, expired, may_be_level, limits))
        np.copyto(e.last, sample.now, where=back[k])
        np.copyto(e.last_there, sample.now, where=sample.there)
        found.open[k] = e.open
    return found


def _after_silence(e: Excursions, s: _Sample, limits: ExcursionLimits) -> Bools:
    """Let nothing before a gap longer than `bridge` count after it; return what is open all the same."""
    silent = s.now - e.last_there > limits.bridge
    again = s.there & silent  # the first sample after it
    np.copyto(e.last, s.now - 1, where=again)
    np.copyto(e.area_since, 0.0, where=again)
    return e.open & silent


def _open(e: Excursions, opens: Bools, s: _Sample, limits: ExcursionLimits) -> list[Opening]:
    """Let excursions begin."""
    hovered = e.last[NEAR] - e.last[BASE] > limits.slack
    np.copyto(e.onset, np.where(hovered, e.last[NEAR], e.last[BASE]) + 1, where=opens)
    np.copyto(e.area, np.where(hovered, e.area_since[NEAR], e.area_since[BASE]), where=opens)
    np.copyto(e.away_since, e.onset, where=opens & (e.away_since < 0))
    for position in (e.opened_at, e.peak_at, e.reached_at):
        np.copyto(position, s.now, where=opens)
    for height in (e.height, e.reach):
        np.copyto(height, s.y, where=opens)
    np.copyto(e.closing, -1, where=opens)
    np.copyto(e.used, 1, where=opens)
    e.open |= opens
    return [Opening(int(r), int(n), int(e.onset[r, n])) for r, n in np.argwhere(opens)]


def _run_on(
    e: Excursions,
    s: _Sample,
    opens: Bools | None,
    expired: Bools | None,
    may_be_level: bool,
    limits: ExcursionLimits,
) -> list[Excursion]:
    """Let what is open go on, and close what is over. None: nowhere."""
    running = e.open & s.there
    if expired is not None:
        running &= ~expired
    goes_on = running if opens is None else running & ~opens
    higher = running & (s.y > e.height)
    np.copyto(e.height, s.y, where=higher)
    np.copyto(e.peak_at, s.now, where=higher)
    reaches = running & (s.y > e.reach + e.tolerance / 2)
    np.copyto(e.reach, s.y, where=reaches)
    np.copyto(e.reached_at, s.now, where=reaches)
    e.area += s.added * goes_on
    e.used += goes_on

    low = running & (s.y <= np.maximum(e.tolerance, np.minimum(limits.leave_share * e.height, limits.leave_at_most)))
    np.copyto(e.closing, -1, where=running & ~low)
    is_low = some(low)
    if not (is_low or may_be_level or expired is not None):
        return []
    nowhere = np.zeros_like(low)
    returned = settled = new_level = nowhere
    expired = nowhere if expired is None else expired
    if is_low:
        np.copyto(e.closing, s.now, where=low & (e.closing < 0))
        returned, settled = low & s.at_base, low & (s.now - e.closing >= limits.settle)
    if may_be_level:
        drifted = (s.now - e.onset >= limits.shallow_longest) & (e.height < limits.shallow_below)
        new_level = e.open & ((s.now - e.away_since >= limits.longest) | drifted) & (e.away_since >= 0)
    closed = expired | returned | settled | new_level
    if not some(closed):
        return []
    end = np.where(settled & ~returned, e.closing, s.now)
    end = np.where(expired, e.last_there + 1, end)
    ended = [_excursion(e, int(r), int(n), int(end[r, n]), expired, new_level, limits) for r, n in np.argwhere(closed)]
    e.open &= ~closed
    np.copyto(e.away_since, -1, where=new_level)
    np.copyto(e.last, end, where=closed)
    np.copyto(e.area_since, 0.0, where=closed)
    return ended


def _excursion(
    e: Excursions,
    row: int,
    n: int,
    end: int,
    expired: np.ndarray,
    new_level: np.ndarray,
    limits: ExcursionLimits,
) -> Excursion:
    onset, height = int(e.onset[row, n]), float(e.height[row, n])
    is_new = bool(new_level[row, n])
    return Excursion(
        row=row,
        lane=n,
        onset=onset,
        reached_at=int(e.reached_at[row, n]),
        peak_at=int(e.peak_at[row, n]),
        end=end,
        height=height,
        area=float(e.area[row, n]),
        coverage=min(1.0, int(e.used[row, n]) / max(1, end - int(e.opened_at[row, n]))),
        cut=bool(expired[row, n]),
        new_level=is_new,
        kept=not is_new and height >= limits.min_height[row, 0] and end - onset >= limits.min_length[row, 0],
    )
