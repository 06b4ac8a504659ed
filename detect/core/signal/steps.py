"""Steps: the FHR is at a level to which it was not seen to go, so it may not be the fetus's own.

A heart goes from one level to another; a recorder that has taken up the mother's pulse, half the rate or double of it
is there from one moment to the next, or after a gap, and stays. Asked are a level before and one after, both steady
against what lies between them, with most of the difference from one second to the next but one, or across a gap; and
that it is away from the baseline, or at double the rate, wherever that is. Most falls with a steep flank come back
before they have been a level.

It is doubted until the FHR is back where it was. After a while no longer: what has lasted as long as the baseline's
window is what the bed is judged by. Nothing is corrected or left out.
"""

from typing import NamedTuple

import numpy as np

from quietward.detect.core.arrays import LONG_AGO, Floats, Ints, array, index
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import StepLimits
from quietward.detect.core.signal.histogram import Window, second_bpm


class Steps(NamedTuple):
    """The step that is doubted. Seconds are the bed's own."""

    before_bpm: Floats = array(np.nan)  # level before it; NaN: nothing is in doubt
    after_bpm: Floats = array(np.nan)
    since: Ints = index(LONG_AGO)  # when it was told
    over_at: Ints = index(LONG_AGO)  # when the last doubt ended
    looked: Ints = index(LONG_AGO)  # seconds before it have been looked at


class _Level(NamedTuple):
    """Mean of some seconds' means and their root mean square around it; how many of them have FHR."""

    bpm: float
    scatter_bpm: float
    seen_s: int


@compiled
def follow(
    s: Steps, n: int, second: int, fhr: Window, reference_bpm: float, lowest_bpm: float, limits: StepLimits
) -> None:
    """Look for steps of bed n after which enough has come by the end of `second`, and whether one in doubt is over."""
    end = second + 1 - limits.after_s + 1
    for at in range(max(s.looked[n], end - limits.after_s, 1), end):
        if at > s.over_at[n]:
            _look(s, n, second, at, fhr, reference_bpm, lowest_bpm, limits)
    s.looked[n] = max(end, s.looked[n])
    if np.isnan(s.before_bpm[n]):
        return
    now = _level(fhr, n, second + 1 - limits.back_s, second + 1, lowest_bpm)
    away_bpm, back_bpm = abs(now.bpm - s.after_bpm[n]), abs(now.bpm - s.before_bpm[n])
    is_back = 2 * now.seen_s >= limits.back_s and back_bpm < limits.nearer_share * away_bpm
    if is_back or second - s.since[n] >= limits.longest_s:
        s.before_bpm[n], s.over_at[n] = np.nan, second


@compiled
def _look(
    s: Steps, n: int, second: int, at: int, fhr: Window, reference_bpm: float, lowest_bpm: float, limits: StepLimits
) -> None:
    """Doubt what is after the second `at` if the FHR has stepped there."""
    if np.isnan(second_bpm(fhr, n, at, lowest_bpm)):
        return
    seen_until = at
    while np.isnan(second_bpm(fhr, n, seen_until - 1, lowest_bpm)):
        seen_until -= 1
        if at - seen_until > limits.gap_s:
            return
    is_gap = seen_until < at
    first = at if is_gap else at + 1  # a step within a second is in its mean
    from_bpm = _level(fhr, n, seen_until - (2 if is_gap else 1), seen_until, lowest_bpm).bpm
    to_bpm = _level(fhr, n, first, first + (2 if is_gap else 1), lowest_bpm).bpm
    by_bpm = abs(to_bpm - from_bpm)
    if not by_bpm >= limits.sharp_share * limits.least_bpm:
        return
    before = _level(fhr, n, seen_until - limits.before_s, seen_until, lowest_bpm)
    after = _level(fhr, n, first, at + limits.after_s, lowest_bpm)
    step_bpm = abs(after.bpm - before.bpm)
    is_seen = (
        before.seen_s >= limits.seen_share * limits.before_s and after.seen_s >= limits.seen_share * limits.after_s
    )
    is_steady = max(before.scatter_bpm, after.scatter_bpm) <= limits.scatter_share * step_bpm
    is_sharp = by_bpm >= limits.sharp_share * step_bpm and (to_bpm > from_bpm) == (after.bpm > before.bpm)
    if not (is_seen and is_steady and is_sharp and step_bpm >= limits.least_bpm):
        return
    is_double = abs(to_bpm - 2 * from_bpm) <= limits.double_within * from_bpm
    off_bpm = abs(after.bpm - reference_bpm)
    is_away = off_bpm >= limits.sharp_share * limits.least_bpm and off_bpm > abs(before.bpm - reference_bpm)
    is_in_doubt = not np.isnan(s.before_bpm[n])
    is_back = is_in_doubt and abs(after.bpm - s.before_bpm[n]) < limits.nearer_share * abs(after.bpm - s.after_bpm[n])
    if is_back or not (is_double or is_away):
        return
    if is_double or not is_in_doubt:
        s.before_bpm[n] = before.bpm
    s.after_bpm[n], s.since[n] = after.bpm, second


@compiled
def _level(fhr: Window, n: int, first: int, end: int, lowest_bpm: float) -> _Level:
    """Return the level of the seconds [first, end) of bed n."""
    total, squares, seen = 0.0, 0.0, 0
    for second in range(first, end):
        bpm = second_bpm(fhr, n, second, lowest_bpm)
        if not np.isnan(bpm):
            total += bpm
            squares += bpm * bpm
            seen += 1
    if seen == 0:
        return _Level(np.nan, np.nan, 0)
    mean = total / seen
    return _Level(mean, np.sqrt(max(squares / seen - mean * mean, 0.0)), seen)
