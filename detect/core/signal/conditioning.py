"""From raw samples to usable ones: gaps, spikes, half and double rate, mother's pulse, and how much is usable.

Nothing is corrected: a sample is used as it came, or it is not used. What is doubted is held back; once it has lasted,
all of it is used, so that a true fall that is first seen after a gap begins where it began.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import LONG_AGO, Bools, Floats, Ints, array, index, switch
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import SignalLimits
from quietward.detect.core.records import Rows, next_row
from quietward.detect.core.signal.minute import LENGTH

HALF, DOUBLE = 1, 2
"""Ratio of a doubted run to what came before it; 0 is neither."""
HELD = LENGTH - 2 * HZ
"""So many samples are held back at the most: all of them lie within the last minute, whole seconds."""


@dataclass
class Mark:
    """A run at half or double rate that was not used; sample indices, `end` is the first sample after it.

    n: index of the bed; at: the sample at which it was over.
    """

    n: int
    at: int
    ratio: int
    onset: int
    end: int


class Conditioning(NamedTuple):
    """What conditioning remembers."""

    last_bpm: Floats = array(np.nan)  # newest sample that was used
    last_at: Ints = index(LONG_AGO)
    value: Floats = array(np.nan)  # newest value that came, and of how many in a row it has been the same
    same: Ints = index(0)
    suspect_bpm: Floats = array(np.nan)  # newest sample of a run that jumped away
    suspect_since: Ints = index(-1)
    suspect_at: Ints = index(-1)  # where its newest sample is
    suspect_ratio: Ints = index(0)
    suspect_low_bpm: Floats = array(np.nan)  # lowest and highest sample of that run
    suspect_high_bpm: Floats = array(np.nan)
    after_gap: Bools = switch()  # the run came after a gap
    before_bpm: Floats = array(np.nan)  # where the FHR was before it jumped away to where it is now
    held: Floats = array(np.nan, LENGTH)  # the last minute's samples, used or held back; NaN: none, or not to be used
    followed: Ints = index(LONG_AGO)  # first sample that has not been followed, because there is doubt
    stepped: Bools = switch()  # a jump, or after a gap half the rate, has been taken as real: away from the reference


@compiled
def newest(c: Conditioning, n: int, since: int) -> float:
    """Return the newest FHR of bed n that was used, in bpm; NaN if there was none since that sample."""
    return c.last_bpm[n] if c.last_at[n] >= since else np.nan


@compiled
def usable_fhr(
    c: Conditioning, n: int, now: int, bpm: float, reference_bpm: float, limits: SignalLimits, marks: Rows[Mark]
) -> float:
    """Return the sample with index `now` of bed n as it came, or NaN where it is not to be used (now; see `known`).

    reference_bpm: the bed's baseline, NaN while unknown. A jump is doubted: it has to last before it is taken as real,
    also one back to the baseline, which would end a fall; and longer at half or double the rate before it, where no
    heart accelerates like that, and down after a gap, unless the FHR is seen to move on from where it jumped to, or to
    come back from there without a jump.
    """
    c.held[now % LENGTH, n] = np.nan
    if not limits.fhr_lowest_bpm <= bpm <= limits.fhr_highest_bpm:
        return np.nan  # there is no value; what was doubted stays so
    c.same[n] = c.same[n] + 1 if bpm == c.value[n] else 1
    c.value[n] = bpm
    at_reference = abs(bpm - reference_bpm) <= limits.jump_bpm
    if at_reference:
        c.stepped[n], c.before_bpm[n] = False, np.nan
    follows_suspect, is_suspect = False, False
    if abs(bpm - c.last_bpm[n]) > limits.jump_bpm:
        follows_suspect = c.suspect_since[n] >= 0 and abs(bpm - c.suspect_bpm[n]) <= limits.jump_bpm
        is_suspect = follows_suspect or now - c.last_at[n] <= limits.gap_within_s * HZ
    if not is_suspect:
        if _comes_back(c, n, now, bpm, limits):
            c.suspect_since[n] = -1
        _drop_run(c, n, now, limits, marks)
        return _use(c, n, now, bpm)
    if not follows_suspect:
        _drop_run(c, n, now, limits, marks)  # the run before, if there was one, jumped elsewhere
        c.suspect_since[n], c.after_gap[n] = now, now - c.last_at[n] > limits.jump_within_s * HZ
        c.suspect_low_bpm[n] = c.suspect_high_bpm[n] = bpm
    after_gap, c.suspect_bpm[n] = c.after_gap[n], bpm
    c.suspect_low_bpm[n], c.suspect_high_bpm[n] = min(c.suspect_low_bpm[n], bpm), max(c.suspect_high_bpm[n], bpm)
    is_back = abs(bpm - c.before_bpm[n]) <= limits.jump_bpm
    is_known = at_reference or is_back
    ratio = 0 if is_known else _ratio(bpm / c.last_bpm[n], limits)
    patience_s = limits.suspect_for_s if is_known else _patience_s(c, n, ratio, bpm - reference_bpm, limits)
    if now - c.suspect_since[n] >= patience_s * HZ:
        if not at_reference and (not after_gap or ratio == HALF):
            c.stepped[n] = True
        c.suspect_since[n], c.before_bpm[n] = -1, np.nan if is_known else c.last_bpm[n]
        return _use(c, n, now, bpm)
    c.suspect_at[n], c.suspect_ratio[n] = now, ratio
    c.held[now % LENGTH, n] = bpm
    if not after_gap:
        c.last_at[n] = now
    return np.nan


@compiled
def known(c: Conditioning, n: int, now: int) -> int:
    """Return up to which sample of bed n it is known what is used of it: all, unless the newest are in doubt.

    The samples before that which have not been followed yet are in `held`. Doubt reaches no further back than that.
    """
    if c.followed[n] < now - HELD:
        c.followed[n] = now  # a bed that begins
    return now if c.suspect_since[n] < 0 else now - HELD


@compiled
def _use(c: Conditioning, n: int, now: int, bpm: float) -> float:
    c.last_bpm[n], c.last_at[n] = bpm, now
    c.held[now % LENGTH, n] = bpm
    return bpm


@compiled
def _drop_run(c: Conditioning, n: int, now: int, limits: SignalLimits, marks: Rows[Mark]) -> None:
    """Use nothing of the run that was doubted, if there is one; at half or double rate, and long enough, it is worth a
    line.
    """
    since = c.suspect_since[n]
    c.suspect_since[n] = -1
    if since < 0:
        return
    for sample in range(max(since, now - HELD), now):
        c.held[sample % LENGTH, n] = np.nan
    if c.suspect_ratio[n] == 0:
        return
    end = c.suspect_at[n] + 1
    if end - since < limits.marked_from_s * HZ:
        return
    mark = next_row(marks)
    mark.n, mark.at, mark.ratio, mark.onset, mark.end = n, now, c.suspect_ratio[n], since, end


@compiled
def _ratio(quotient: float, limits: SignalLimits) -> int:
    if abs(quotient - 0.5) <= 0.5 * limits.ratio_within:
        return HALF
    return DOUBLE if abs(quotient - 2.0) <= 2.0 * limits.ratio_within else 0


@compiled
def _patience_s(c: Conditioning, n: int, ratio: int, rise_bpm: float, limits: SignalLimits) -> float:
    """Return how long the run that jumped away is doubted."""
    if rise_bpm > limits.improbable_rise_bpm or (ratio > 0 and not c.after_gap[n]):
        return limits.doubtful_for_s
    if not c.after_gap[n]:
        return limits.suspect_for_s
    moves = c.suspect_high_bpm[n] - c.suspect_low_bpm[n] >= limits.moves_by_bpm
    is_lower = c.suspect_bpm[n] < c.last_bpm[n]
    return limits.doubtful_for_s if is_lower and not moves else limits.suspect_after_gap_s


@compiled
def _comes_back(c: Conditioning, n: int, now: int, bpm: float, limits: SignalLimits) -> bool:
    """Return whether the FHR has come back from a run after a gap as a heart does, without a jump: it was real."""
    lasted = now - c.suspect_since[n] >= limits.suspect_after_gap_s * HZ
    goes_on = now - c.suspect_at[n] <= limits.jump_within_s * HZ and abs(bpm - c.suspect_bpm[n]) <= limits.goes_on_bpm
    return bool(c.suspect_since[n] >= 0 and c.after_gap[n] and lasted and goes_on)
