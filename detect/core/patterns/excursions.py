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
from typing import Any, NamedTuple, cast

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import LONG_AGO, Bools, Floats, Ints, Lanes, index, lane, newest, some, switch
from quietward.detect.core.parameters import ExcursionLimits

DOWN, UP, UA = 0, 1, 2
ROWS = 3
BASE, NEAR = 0, 1


@dataclass(init=False, eq=False)
class Excursions(Lanes):
    """What the machine remembers, each of shape (3, lanes). Positions are sample indices."""

    within: Floats = lane(np.nan, 2, ROWS)  # up to this height the signal is at its reference (BASE), or near it (NEAR)
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

    @property
    def tolerance(self) -> Floats:
        """Up to this height the signal is at its reference, shape (3, lanes)."""
        at_base: Floats = self.within[BASE]
        return at_base


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


class _Second(NamedTuple):
    """One second. last: index of its last sample, (lanes,); y, added, there, (4, 3, lanes): the height, 0 where there
    is none; what it adds to an area; where there is one; back, (4, 2, 3, lanes): at the reference, and near it;
    back_since: the same, then or later in this second.
    """

    last: Ints
    y: Floats
    added: Floats
    there: Bools
    back: Bools
    back_since: Bools

    def at(self, lanes: Ints) -> "_Second":
        """Return the same of some lanes."""
        return _Second(*(cast("Any", array)[..., lanes] for array in self))


def step(e: Excursions, start: Ints, height: Floats, limits: ExcursionLimits) -> Taken:
    """Take one second.

    start: index of the first sample, (lanes,); height: (4, 3, lanes), NaN where there is none. With few lanes it is the
    calls into numpy that cost, and not the numbers in them: so sample by sample it goes only at lanes where something
    may begin, end or have been silent. Everywhere else what has begun goes on, and a whole second is said at once.
    """
    there = ~np.isnan(height)
    y = np.where(there, height, 0.0)
    back = (y[:, None] <= e.within) & there[:, None]
    back_since = np.logical_or.accumulate(back[::-1], axis=0)[::-1]
    second = _Second(start + (HZ - 1), y, np.maximum(y, 0.0) / HZ, there, back, back_since)
    highest: Floats = np.maximum.reduce(y, axis=0)
    eventful = np.flatnonzero(np.logical_or.reduce(_may_change(e, second, highest, limits), axis=0))
    if len(eventful) == len(start):
        return _sample_by_sample(e, second, limits)
    if not len(eventful):
        _go_on(e, second, highest, limits)
        return Taken([], [], np.broadcast_to(e.open, there.shape))
    changing = e.take(eventful)
    _go_on(e, second, highest, limits)
    found = _sample_by_sample(changing, second.at(eventful), limits)
    e.put(eventful, changing)
    is_open = np.repeat(e.open[None], HZ, axis=0)
    is_open[..., eventful] = found.open
    opened = [o._replace(lane=int(eventful[o.lane])) for o in found.opened]
    return Taken(opened, [x._replace(lane=int(eventful[x.lane])) for x in found.ended], is_open)


def _may_change(e: Excursions, s: _Second, highest: Floats, limits: ExcursionLimits) -> Bools:
    """Return where an excursion may open or close, or a silence may have been too long; shape (3, lanes)."""
    settles = (e.closing >= 0) & (s.last - e.closing >= limits.settle)
    may_close = e.open & (s.back_since[0, BASE] | settles | (limits.settle < HZ))
    may_have_drifted = e.open & (s.last - e.onset >= limits.shallow_longest)
    may_open = ~e.open & (highest >= e.enter)
    may_be_level = (e.away_since >= 0) & (s.last - e.away_since >= limits.longest)
    was_silent = (s.last - e.last_there > limits.bridge) & (e.open | np.logical_or.reduce(s.there, axis=0))
    found: Bools = may_open | may_close | was_silent | may_be_level | may_have_drifted
    return found


def _low_below(e: Excursions, height: Floats, limits: ExcursionLimits) -> Floats:
    """Return the height up to which an open excursion may be about to end."""
    low: Floats = np.maximum(e.tolerance, np.minimum(limits.leave_share * height, limits.leave_at_most))
    return low


def _go_on(e: Excursions, s: _Second, highest: Floats, limits: ExcursionLimits) -> None:
    """Take a second in which nothing opens, closes or is silent for long. Sums are added up in their order."""
    terms = np.empty((1 + HZ, *e.area_since.shape))
    terms[0], terms[1:] = e.area_since, s.added[:, None]
    np.copyto(terms[1:], 0.0, where=s.back_since)
    was_back = s.back_since[0]
    np.copyto(terms[0], 0.0, where=was_back)
    np.add.reduce(terms, axis=0, out=e.area_since)
    np.copyto(e.last, newest(s.last, s.back), where=was_back)
    np.copyto(e.away_since, -1, where=was_back[BASE])
    _keep_open(e, s, highest, limits)
    if np.count_nonzero(s.there) == s.there.size:
        e.last_there = s.last
    else:
        np.copyto(e.last_there, newest(s.last, s.there), where=np.logical_or.reduce(s.there, axis=0))


def _keep_open(e: Excursions, s: _Second, highest: Floats, limits: ExcursionLimits) -> None:
    """Let what is open go on, in a second at the end of which it is still open."""
    if not some(e.open):
        return
    running = e.open & s.there
    first = s.last - (HZ - 1)
    so_far = np.maximum(np.maximum.accumulate(s.y, axis=0), e.height)
    low = running & (s.y <= _low_below(e, so_far, limits))
    higher = e.open & (highest > e.height)
    if some(higher):
        np.copyto(e.peak_at, first + np.argmax(s.y, axis=0), where=higher)
        np.copyto(e.height, highest, where=higher)
    if some(e.open & (highest > e.reach + e.tolerance / 2)):
        for k in range(HZ):
            reaches = running[k] & (s.y[k] > e.reach + e.tolerance / 2)
            np.copyto(e.reach, s.y[k], where=reaches)
            np.copyto(e.reached_at, first + k, where=reaches)
    terms = np.empty((1 + HZ, *e.area.shape))
    terms[0] = e.area
    np.multiply(s.added, running, out=terms[1:])
    np.add.reduce(terms, axis=0, out=e.area)
    e.used += np.add.reduce(running, axis=0, dtype=np.int64)
    if some(low):
        for k in range(HZ):
            np.copyto(e.closing, -1, where=running[k] & ~low[k])
            np.copyto(e.closing, first + k, where=low[k] & (e.closing < 0))
    else:
        np.copyto(e.closing, -1, where=np.logical_or.reduce(running, axis=0))


def _sample_by_sample(e: Excursions, second: _Second, limits: ExcursionLimits) -> Taken:
    """Take a second in which anything may happen."""
    last, y, added, there, back, _ = second
    high = there & (y >= e.enter)
    may_open = some(high)
    may_be_silent = some(last - e.last_there > limits.bridge)
    may_be_level = some((e.away_since >= 0) & (last - e.away_since >= limits.longest)) or some(
        e.open & (last - e.onset >= limits.shallow_longest)
    )
    found = Taken([], [], np.empty(there.shape, dtype=np.bool_))
    for k in range(HZ):
        sample = _Sample(last - (HZ - 1 - k), y[k], there[k], back[k, BASE], added[k])
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

    low = running & (s.y <= _low_below(e, e.height, limits))
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
