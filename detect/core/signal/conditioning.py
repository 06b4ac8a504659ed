"""From raw samples to usable ones: gaps, spikes, half and double rate, mother's pulse, and how much is usable.

Nothing is corrected: a sample is used as it came, or it is not used.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import LONG_AGO, Bools, Floats, Ints, Lanes, index, lane, newest, some, switch
from quietward.detect.core.parameters import SignalLimits
from quietward.detect.core.signal.minute import FHR, MINUTE_S, UA

HALF, DOUBLE = 1, 2
"""Ratio of a doubted run to what came before it; 0 is neither."""


@dataclass(init=False, eq=False)
class Conditioning(Lanes):
    """What conditioning remembers."""

    last_bpm: Floats = lane(np.nan)  # newest sample that was used
    last_at: Ints = index(LONG_AGO)
    suspect_bpm: Floats = lane(np.nan)  # newest sample of a run that jumped away
    suspect_since: Ints = index(-1)
    suspect_at: Ints = index(-1)  # where its newest sample is
    suspect_ratio: Ints = index(0)
    after_gap: Bools = switch()  # the run came after a gap
    stepped: Bools = switch()  # a jump has been taken as real: the FHR stays away from its reference since
    seconds: Ints = index(0)  # seconds taken since the lane began


@dataclass(init=False, eq=False)
class LastMinute(Lanes):
    """Used samples of each of the last 60 seconds: FHR, UA, and of the FHR those near the mother's pulse."""

    used: Floats = lane(0.0, 3, MINUTE_S)


class Mark(NamedTuple):
    """A run at half or double rate that was not used; sample indices, `end` is the first sample after it."""

    lane: int
    ratio: int
    onset: int
    end: int


@dataclass(frozen=True)
class Clean:
    """samples: FHR and UA, shape (2, 4, lanes), NaN where nothing is to be used; fhr_used, ua_used: how many there are;
    near_mother: how many of the FHR are near the mother's pulse.
    """

    samples: Floats
    fhr_used: Ints
    ua_used: Ints
    near_mother: Ints
    marks: list[Mark]

    @property
    def fhr_bpm(self) -> Floats:
        """Shape (4, lanes)."""
        fhr: Floats = self.samples[FHR]
        return fhr

    @property
    def ua(self) -> Floats:
        """Shape (4, lanes)."""
        ua: Floats = self.samples[UA]
        return ua


def step(
    c: Conditioning,
    last_minute: LastMinute,
    lanes: Ints,
    start: Ints,
    fhr_bpm: Floats,
    ua: Floats,
    mhr_bpm: Floats,
    reference_bpm: Floats,
    limits: SignalLimits,
) -> Clean:
    """Take one second. start: sample index of the first sample; arrays of shape (4, lanes) or (lanes,).

    c holds just those lanes, last_minute all of them.
    """
    there = (fhr_bpm >= limits.fhr_lowest_bpm) & (fhr_bpm <= limits.fhr_highest_bpm)
    is_whole = np.count_nonzero(there) == there.size
    before = np.empty_like(fhr_bpm)  # the newest sample before each
    before[0] = c.last_bpm
    before[1:] = fhr_bpm[:-1]
    if not is_whole:
        for k in range(1, HZ):
            np.copyto(before[k], before[k - 1], where=~there[k - 1])
    odd = np.logical_or.reduce(there & (np.abs(fhr_bpm - before) > limits.jump_bpm), axis=0) | (c.suspect_since >= 0)
    samples = np.stack([fhr_bpm, ua])
    used = samples[FHR]
    if not is_whole:
        used[~there] = np.nan
    marks: list[Mark] = []
    jumps = np.flatnonzero(odd)
    if len(jumps) == len(start):
        used[...] = _sample_by_sample(c, start, fhr_bpm, reference_bpm, limits, marks)
    else:  # most beds, most of the time: every sample follows on the one before it
        doubted = c.take(jumps) if len(jumps) else None
        if is_whole:
            c.last_bpm, c.last_at = fhr_bpm[-1], start + (HZ - 1)
        else:
            c.last_bpm = np.where(there[-1], fhr_bpm[-1], before[-1])
            np.copyto(c.last_at, newest(start + (HZ - 1), there), where=np.logical_or.reduce(there, axis=0))
        if some(c.stepped):
            is_back = there & (np.abs(fhr_bpm - reference_bpm) <= limits.jump_bpm)
            c.stepped &= ~np.logical_or.reduce(is_back, axis=0)
        if doubted is not None:
            found = _sample_by_sample(doubted, start[jumps], fhr_bpm[:, jumps], reference_bpm[jumps], limits, marks)
            used[:, jumps] = found
            c.put(jumps, doubted)
            marks = [mark._replace(lane=int(jumps[mark.lane])) for mark in marks]
    counted = np.empty((3, *fhr_bpm.shape), dtype=np.bool_)
    np.logical_not(np.isnan(samples), out=counted[:2])
    counted[2] = np.abs(used - mhr_bpm) <= limits.mother_within_bpm  # not where there is none
    counts: Ints = np.add.reduce(counted, axis=1, dtype=np.int64)
    last_minute.used[:, c.seconds % MINUTE_S, lanes] = counts
    c.seconds += 1
    fhr_used, ua_used, near_mother = counts
    return Clean(samples, fhr_used, ua_used, near_mother, marks)


def _sample_by_sample(
    c: Conditioning, start: Ints, fhr_bpm: Floats, reference_bpm: Floats, limits: SignalLimits, marks: list[Mark]
) -> Floats:
    used = [_sample(c, start + k, fhr_bpm[k], reference_bpm, limits, marks) for k in range(HZ)]
    return np.stack(used)


def _sample(
    c: Conditioning, now: Ints, bpm: Floats, reference_bpm: Floats, limits: SignalLimits, marks: list[Mark]
) -> Floats:
    there = (bpm >= limits.fhr_lowest_bpm) & (bpm <= limits.fhr_highest_bpm)
    away = there & (np.abs(bpm - c.last_bpm) > limits.jump_bpm)
    at_reference = np.abs(bpm - reference_bpm) <= limits.jump_bpm  # a return to the baseline is not suspicious
    since_last = now - c.last_at
    jump = away & ~at_reference & (since_last <= limits.gap_within_s * HZ)
    goes_on = (c.suspect_since >= 0) & (np.abs(bpm - c.suspect_bpm) <= limits.jump_bpm)
    suspect = jump | (goes_on & away)
    began = np.where(suspect & goes_on, c.suspect_since, now)
    after_gap = np.where(suspect & goes_on, c.after_gap, since_last > limits.jump_within_s * HZ)
    quotient = bpm / c.last_bpm
    ratio = np.where(
        np.abs(quotient - 0.5) <= 0.5 * limits.ratio_within,
        HALF,
        np.where(np.abs(quotient - 2.0) <= 2.0 * limits.ratio_within, DOUBLE, 0),
    )
    patience_s = np.where(after_gap, limits.suspect_after_gap_s, limits.suspect_for_s)
    improbable = bpm - reference_bpm > limits.improbable_rise_bpm
    patience_s = np.where(((ratio > 0) & ~after_gap) | improbable, limits.doubtful_for_s, patience_s)
    held_back = suspect & (now - began < patience_s * HZ)
    use: Bools = there & ~held_back
    over = (c.suspect_since >= 0) & ((there & ~held_back) | (held_back & (began == now)))
    if some(over):
        marks += [
            Mark(int(n), int(c.suspect_ratio[n]), int(c.suspect_since[n]), int(c.suspect_at[n]) + 1)
            for n in np.flatnonzero(over & (c.suspect_ratio > 0))
            if c.suspect_at[n] + 1 - c.suspect_since[n] >= limits.marked_from_s * HZ
        ]
    c.stepped = np.where(there & at_reference, False, c.stepped | (use & suspect & ~after_gap))
    c.suspect_since = np.where(held_back, began, np.where(there, -1, c.suspect_since))
    c.suspect_at = np.where(held_back, now, c.suspect_at)
    c.suspect_ratio = np.where(held_back, ratio, c.suspect_ratio)
    c.after_gap = np.where(held_back, after_gap, c.after_gap)
    c.suspect_bpm = np.where(held_back, bpm, c.suspect_bpm)
    c.last_bpm = np.where(use, bpm, c.last_bpm)
    c.last_at = np.where(use | (held_back & ~after_gap), now, c.last_at)
    return np.where(use, bpm, np.nan)


def usable_share(used: Floats, seconds: Ints) -> Floats:
    """Share of the last minute's samples that could be used, 0 to 1; of what has been seen while shorter."""
    share: Floats = used / (HZ * np.clip(seconds, 1, MINUTE_S))
    return share
