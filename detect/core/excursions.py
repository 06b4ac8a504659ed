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

from detect.core.lanes import LONG_AGO, Bools, Floats, Ints, Lanes, index, lane, switch
from detect.core.limits import ExcursionLimits
from quietward.messages import HZ

DOWN, UP, UA = 0, 1, 2
ROWS = 3


@dataclass
class Excursions(Lanes):
    """What the machine remembers, each of shape (3, lanes). Positions are sample indices."""

    open: np.ndarray[tuple[int, ...], np.dtype[np.bool_]] = switch(ROWS)
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
    last_base: Ints = index(LONG_AGO, ROWS)
    last_near: Ints = index(LONG_AGO, ROWS)
    last_there: Ints = index(LONG_AGO, ROWS)
    area_base: Floats = lane(0.0, ROWS)  # area since last_base, and since last_near
    area_near: Floats = lane(0.0, ROWS)


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


def step(
    e: Excursions, now: Ints, height: Floats, tolerance: Floats, enter: Floats, limits: ExcursionLimits
) -> tuple[list[Opening], list[Excursion]]:
    """Take one sample. now: (lanes,); height, tolerance, enter: (3, lanes), height NaN where there is none."""
    there = ~np.isnan(height)
    y = np.where(there, height, 0.0)
    silent = now - e.last_there > limits.bridge
    expired = e.open & silent
    back_again = there & silent  # first sample after a gap: nothing before it may count
    if back_again.any():
        e.last_base = np.where(back_again, now - 1, e.last_base)
        e.last_near = np.where(back_again, now - 1, e.last_near)
    at_base = there & (y <= tolerance)
    near = there & (y <= np.maximum(limits.near, tolerance))
    added = np.maximum(y, 0.0) / HZ
    e.area_base = np.where(at_base | back_again, 0.0, e.area_base + added)
    e.area_near = np.where(near | back_again, 0.0, e.area_near + added)

    opens = there & ~e.open & (y >= enter)
    opened: list[Opening] = []
    if opens.any():  # with few lanes, nothing opens at most samples, and nothing is open at many
        opened = _open(e, opens, now, y, limits)
    e.away_since = np.where(at_base, -1, e.away_since)
    ended: list[Excursion] = []
    if e.open.any():
        ended = _run_on(e, now, y, there, at_base, added, opens, expired, tolerance, limits)
    e.last_base = np.where(at_base, now, e.last_base)
    e.last_near = np.where(near, now, e.last_near)
    e.last_there = np.where(there, now, e.last_there)
    return opened, ended


def _open(e: Excursions, opens: Bools, now: Ints, y: Floats, limits: ExcursionLimits) -> list[Opening]:
    """Let excursions begin."""
    hovered = e.last_near - e.last_base > limits.slack
    e.onset = np.where(opens, np.where(hovered, e.last_near, e.last_base) + 1, e.onset)
    e.area = np.where(opens, np.where(hovered, e.area_near, e.area_base), e.area)
    e.away_since = np.where(opens & (e.away_since < 0), e.onset, e.away_since)
    e.opened_at = np.where(opens, now, e.opened_at)
    e.peak_at = np.where(opens, now, e.peak_at)
    e.reached_at = np.where(opens, now, e.reached_at)
    e.height = np.where(opens, y, e.height)
    e.reach = np.where(opens, y, e.reach)
    e.closing = np.where(opens, -1, e.closing)
    e.used = np.where(opens, 1, e.used)
    e.open = e.open | opens
    return [Opening(int(r), int(n), int(e.onset[r, n])) for r, n in np.argwhere(opens)]


def _run_on(
    e: Excursions,
    now: Ints,
    y: Floats,
    there: Bools,
    at_base: Bools,
    added: Floats,
    opens: Bools,
    expired: Bools,
    tolerance: Floats,
    limits: ExcursionLimits,
) -> list[Excursion]:
    """Let what is open go on, and close what is over."""
    running = e.open & there & ~expired
    goes_on = running & ~opens
    higher = running & (y > e.height)
    e.height = np.where(higher, y, e.height)
    e.peak_at = np.where(higher, now, e.peak_at)
    reaches = running & (y > e.reach + tolerance / 2)
    e.reach = np.where(reaches, y, e.reach)
    e.reached_at = np.where(reaches, now, e.reached_at)
    e.area = np.where(goes_on, e.area + added, e.area)
    e.used = e.used + goes_on

    leave = np.maximum(tolerance, np.minimum(limits.leave_share * e.height, limits.leave_at_most))
    low = running & (y <= leave)
    e.closing = np.where(running & ~low, -1, np.where(low & (e.closing < 0), now, e.closing))
    returned = running & at_base
    settled = running & (e.closing >= 0) & (now - e.closing >= limits.settle)
    drifted = (now - e.onset >= limits.shallow_longest) & (e.height < limits.shallow_below)
    new_level = e.open & ((now - e.away_since >= limits.longest) | drifted) & (e.away_since >= 0)
    closed = expired | returned | settled | new_level
    if not closed.any():
        return []
    end = np.where(
        expired,
        e.last_there + 1,
        np.where(returned, np.broadcast_to(now, y.shape), np.where(settled, e.closing, now)),
    )
    ended = [_excursion(e, int(r), int(n), int(end[r, n]), expired, new_level, limits) for r, n in np.argwhere(closed)]
    e.open = e.open & ~closed
    e.away_since = np.where(new_level, -1, e.away_since)
    e.last_base = np.where(closed, end, e.last_base)
    e.last_near = np.where(closed, end, e.last_near)
    e.area_base = np.where(closed, 0.0, e.area_base)
    e.area_near = np.where(closed, 0.0, e.area_near)
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
