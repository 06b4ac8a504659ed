"""Levels that the FHR has left for new ones: what was usual before a fall or a rise became the baseline.

A fall that lasts becomes the baseline after ten minutes (NICHD 2008), and to every measure around the baseline the bed
would look calm again. So the level from which it fell is kept until the baseline is back, however long that takes, and
however much of the signal is missing meanwhile. The end of a fall that a gap has cut off was not seen: it is kept in
the same way, and gone with the next baseline that shows the FHR is back.

The level before a rise is kept for a while only: a return to it is no fall.
"""

from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import LONG_AGO, Bools, Floats, Ints, array, index, switch
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import EarlierLimits
from quietward.detect.core.patterns.excursions import DOWN, UP, Excursion, length_s


class Earlier(NamedTuple):
    """NaN: there is no such level. Seconds are the bed's own."""

    before_fall_bpm: Floats = array(np.nan)
    fell_at: Ints = index(LONG_AGO)
    seen_s: Ints = index(0)  # for how long the FHR has been seen since that fall closed ...
    back_s: Ints = index(0)  # ... and was where it had been before it
    closed_at: Ints = index(LONG_AGO)  # when that fall closed
    goes_on: Bools = switch()  # a deceleration that is open is that fall, which a gap had cut off
    recovered_at: Ints = index(LONG_AGO)
    before_rise_bpm: Floats = array(np.nan)
    rose_at: Ints = index(LONG_AGO)


@compiled
def leave(e: Earlier, x: Excursion, from_bpm: float, is_level: bool, limits: EarlierLimits) -> None:
    """Keep the level that a closed departure of the FHR has left. is_level: it has become the new one."""
    n, at = x.n, x.onset // HZ
    if x.row == UP:
        if not is_level or length_s(x) < limits.least_rise_s or not np.isnan(e.before_fall_bpm[n]):
            return
        if at - e.recovered_at[n] < limits.remembered_s or from_bpm < limits.usual_from_bpm:
            return  # the way back from a fall, seen or not, leaves no usual level
        if np.isnan(e.before_rise_bpm[n]):
            e.before_rise_bpm[n], e.rose_at[n] = from_bpm, at
        e.before_rise_bpm[n] = min(e.before_rise_bpm[n], from_bpm)
    elif x.row == DOWN and (is_level or x.cut) and x.height >= limits.least_fall_bpm:
        usual_bpm = from_bpm if np.isnan(e.before_rise_bpm[n]) else min(from_bpm, e.before_rise_bpm[n])
        if not np.isnan(e.before_fall_bpm[n]) and at - e.fell_at[n] < limits.remembered_s:
            usual_bpm = max(usual_bpm, e.before_fall_bpm[n])
        e.before_fall_bpm[n] = usual_bpm
        if not (e.goes_on[n] and is_down(e, n, limits)):
            e.fell_at[n] = at
        e.goes_on[n] = False
        e.closed_at[n], e.seen_s[n], e.back_s[n] = x.end // HZ, 0, 0


@compiled
def follow(
    e: Earlier,
    n: int,
    second: int,
    baseline_bpm: float,
    fhr_bpm: float,
    falling_since: int,
    passed_s: int,
    limits: EarlierLimits,
) -> None:
    """Forget the levels to which bed n is back, and that before a rise of long ago; `passed_s` since the last time.

    Back from a fall: the baseline is, and the FHR itself has been seen there for long enough: while nothing comes, the
    baseline is that of the samples before the fall. fhr_bpm: NaN where there is none now. falling_since: second
    in which the deceleration began that is open, -1 if none is. One that is there when the signal comes back, and was
    there when it went a short time before, is the same.
    """
    if falling_since >= 0 and is_unseen(e, n, limits) and is_down(e, n, limits):
        e.goes_on[n] |= falling_since - e.closed_at[n] <= limits.same_within_s
    elif falling_since < 0 and not is_unseen(e, n, limits):
        e.goes_on[n] = False
    e.seen_s[n] += 0 if np.isnan(fhr_bpm) else passed_s
    e.back_s[n] += passed_s if is_back_now(e, n, fhr_bpm, limits) else 0
    if baseline_bpm >= e.before_fall_bpm[n] - limits.back_within_bpm and e.back_s[n] >= limits.back_for_s:
        e.before_fall_bpm[n] = np.nan
        e.recovered_at[n] = second
    is_old = second - e.rose_at[n] >= limits.remembered_s
    if is_old or baseline_bpm <= e.before_rise_bpm[n] + limits.back_within_bpm:
        e.before_rise_bpm[n] = np.nan


@compiled
def is_unseen(e: Earlier, n: int, limits: EarlierLimits) -> bool:
    """Return whether too little has been seen since the last fall of bed n to say that it is over."""
    return not np.isnan(e.before_fall_bpm[n]) and e.seen_s[n] < limits.back_for_s


@compiled
def is_down(e: Earlier, n: int, limits: EarlierLimits) -> bool:
    """Return whether bed n has fallen from a level and has not been seen there again for more than a glimpse."""
    return not np.isnan(e.before_fall_bpm[n]) and e.back_s[n] < limits.glimpse_s


@compiled
def is_back_now(e: Earlier, n: int, fhr_bpm: float, limits: EarlierLimits) -> bool:
    """Return whether the FHR is about where it was before the fall."""
    return bool(fhr_bpm >= e.before_fall_bpm[n] - 2 * limits.back_within_bpm)


@compiled
def below_bpm(e: Earlier, n: int, baseline_bpm: float, fhr_bpm: float, limits: EarlierLimits) -> float:
    """Return how far bed n is below the level from which it fell; NaN: it cannot be said.

    The baseline is, once the FHR has been back; until then the FHR itself, for the baseline may still be the old one.
    A little of it that is not back is enough to say so; that it is back takes longer.
    """
    if np.isnan(e.before_fall_bpm[n]):
        return 0.0
    now_bpm = baseline_bpm if e.back_s[n] >= limits.back_for_s else fhr_bpm
    if np.isnan(now_bpm) or (is_unseen(e, n, limits) and e.back_s[n] > 0):
        return np.nan
    below: float = e.before_fall_bpm[n] - now_bpm
    return max(0.0, below)


@compiled
def risen_bpm(e: Earlier, n: int, reference_bpm: float) -> float:
    """Return how far what departures of bed n are measured against is above what was usual before a rise."""
    if np.isnan(e.before_rise_bpm[n]) or np.isnan(reference_bpm):
        return 0.0
    risen: float = reference_bpm - e.before_rise_bpm[n]
    return max(0.0, risen)
