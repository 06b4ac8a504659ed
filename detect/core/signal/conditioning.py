"""From raw samples to usable ones: gaps, spikes, half and double rate, mother's pulse, and how much is usable.

Nothing is corrected: a sample is used as it came, or it is not used.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import LONG_AGO, Bools, Floats, Ints, array, index, switch
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import SignalLimits
from quietward.detect.core.records import Rows, next_row
from quietward.detect.core.signal.minute import MINUTE_S

HALF, DOUBLE = 1, 2
"""Ratio of a doubted run to what came before it; 0 is neither."""
FHR_USED, UA_USED, NEAR_MOTHER = range(3)


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
    suspect_bpm: Floats = array(np.nan)  # newest sample of a run that jumped away
    suspect_since: Ints = index(-1)
    suspect_at: Ints = index(-1)  # where its newest sample is
    suspect_ratio: Ints = index(0)
    after_gap: Bools = switch()  # the run came after a gap
    stepped: Bools = switch()  # a jump has been taken as real: the FHR stays away from its reference since
    seconds: Ints = index(0)  # seconds taken since the bed began


class LastMinute(NamedTuple):
    """Used samples of each of the last 60 seconds: FHR, UA, and of the FHR those near the mother's pulse."""

    used: Floats = array(0.0, 3, MINUTE_S)


@compiled
def newest(c: Conditioning, n: int, since: int) -> float:
    """Return the newest FHR of bed n that was used, in bpm; NaN if there was none since that sample."""
    return c.last_bpm[n] if c.last_at[n] >= since else np.nan


@compiled
def usable_fhr(
    c: Conditioning, n: int, now: int, bpm: float, reference_bpm: float, limits: SignalLimits, marks: Rows[Mark]
) -> float:
    """Return the sample with index `now` of bed n as it came, or NaN where it is not to be used.

    reference_bpm: the bed's baseline, NaN while unknown. A jump is doubted: it has to last before it is taken as real,
    also one back to the baseline, which would end a fall; and longer after a gap, at half or double the rate before it,
    or where no heart accelerates like that.
    """
    if not limits.fhr_lowest_bpm <= bpm <= limits.fhr_highest_bpm:
        return np.nan  # there is no value; what was doubted stays so
    at_reference = abs(bpm - reference_bpm) <= limits.jump_bpm
    if at_reference:
        c.stepped[n] = False
    follows_suspect, is_suspect = False, False
    if abs(bpm - c.last_bpm[n]) > limits.jump_bpm:
        follows_suspect = c.suspect_since[n] >= 0 and abs(bpm - c.suspect_bpm[n]) <= limits.jump_bpm
        is_suspect = follows_suspect or now - c.last_at[n] <= limits.gap_within_s * HZ
    if not is_suspect:
        _end_run(c, n, now, limits, marks)
        return _use(c, n, now, bpm)
    began, after_gap = now, now - c.last_at[n] > limits.jump_within_s * HZ
    if follows_suspect:
        began, after_gap = c.suspect_since[n], c.after_gap[n]
    ratio = _ratio(bpm / c.last_bpm[n], limits)
    patience_s = limits.suspect_for_s if at_reference else _patience_s(ratio, after_gap, bpm - reference_bpm, limits)
    if now - began >= patience_s * HZ:
        if not at_reference and not after_gap:
            c.stepped[n] = True
        _end_run(c, n, now, limits, marks)
        return _use(c, n, now, bpm)
    if began == now:
        _end_run(c, n, now, limits, marks)  # the run before, if there was one, jumped elsewhere
    c.suspect_since[n], c.suspect_at[n], c.suspect_bpm[n] = began, now, bpm
    c.suspect_ratio[n], c.after_gap[n] = 0 if at_reference else ratio, after_gap
    if not after_gap:
        c.last_at[n] = now
    return np.nan


@compiled
def _use(c: Conditioning, n: int, now: int, bpm: float) -> float:
    c.last_bpm[n], c.last_at[n] = bpm, now
    return bpm


@compiled
def _end_run(c: Conditioning, n: int, now: int, limits: SignalLimits, marks: Rows[Mark]) -> None:
    """End the run that was doubted, if there is one; at half or double rate, and long enough, it is worth a line."""
    since = c.suspect_since[n]
    c.suspect_since[n] = -1
    if since < 0 or c.suspect_ratio[n] == 0:
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
def _patience_s(ratio: int, after_gap: bool, rise_bpm: float, limits: SignalLimits) -> float:
    """Return how long a run that jumped away is doubted."""
    if rise_bpm > limits.improbable_rise_bpm or (ratio > 0 and not after_gap):
        return limits.doubtful_for_s
    return limits.suspect_after_gap_s if after_gap else limits.suspect_for_s


@compiled
def count_second(c: Conditioning, last_minute: LastMinute, n: int, fhr: int, ua: int, near_mother: int) -> None:
    """Take how many samples of a second of bed n could be used, of the FHR also how many near the mother's pulse."""
    slot = c.seconds[n] % MINUTE_S
    last_minute.used[FHR_USED, slot, n] = fhr
    last_minute.used[UA_USED, slot, n] = ua
    last_minute.used[NEAR_MOTHER, slot, n] = near_mother
    c.seconds[n] += 1


@compiled
def usable_share(used: float, seconds: int) -> float:
    """Share of the last minute's samples that could be used, 0 to 1; of what has been seen while shorter."""
    return used / (HZ * min(max(seconds, 1), MINUTE_S))
