"""From raw samples to usable ones: gaps, spikes, half and double rate, mother's pulse, and how much is usable.

Nothing is corrected: a sample is used as it came, or it is not used.
"""

from dataclasses import dataclass

import numpy as np

from detect.core.lanes import Bools, Floats, Ints, Lanes, index, lane
from detect.core.limits import SignalLimits
from quietward.messages import HZ

MINUTE = 60


@dataclass
class Conditioning(Lanes):
    """What conditioning remembers."""

    last_bpm: Floats = lane(np.nan)  # newest sample that was used
    last_at: Ints = index(-(2**60))
    suspect_bpm: Floats = lane(np.nan)  # newest sample of a run that jumped away
    suspect_since: Ints = index(-1)
    fhr_used: Floats = lane(0.0, MINUTE)  # used FHR samples of each of the last 60 seconds
    ua_used: Floats = lane(0.0, MINUTE)
    near_mother: Floats = lane(0.0, MINUTE)  # of those, near the mother's pulse
    seconds: Ints = index(0)  # seconds taken since the lane began


@dataclass(frozen=True)
class Clean:
    """fhr_bpm, ua: shape (4, lanes), NaN where there is nothing to use."""

    fhr_bpm: Floats
    ua: Floats


def step(
    c: Conditioning,
    start: Ints,
    fhr_bpm: Floats,
    ua: Floats,
    mhr_bpm: Floats,
    reference_bpm: Floats,
    limits: SignalLimits,
) -> Clean:
    """Take one second. start: sample index of the first sample; arrays of shape (4, lanes) or (lanes,)."""
    used = np.empty_like(fhr_bpm)
    for k in range(HZ):
        used[k] = _sample(c, start + k, fhr_bpm[k], reference_bpm, limits)
    slot = c.seconds % MINUTE
    every = np.arange(len(slot))
    there = ~np.isnan(used)
    c.fhr_used[slot, every] = there.sum(axis=0)
    c.ua_used[slot, every] = (~np.isnan(ua)).sum(axis=0)
    c.near_mother[slot, every] = (there & (np.abs(used - mhr_bpm) <= limits.mother_within_bpm)).sum(axis=0)
    c.seconds += 1
    return Clean(used, ua)


def _sample(c: Conditioning, now: Ints, bpm: Floats, reference_bpm: Floats, limits: SignalLimits) -> Floats:
    there = (bpm >= limits.fhr_lowest_bpm) & (bpm <= limits.fhr_highest_bpm)
    jump = (
        there
        & (np.abs(bpm - c.last_bpm) > limits.jump_bpm)
        & (now - c.last_at <= limits.jump_within_s * HZ)
        & ~(np.abs(bpm - reference_bpm) <= limits.jump_bpm)  # a return to the baseline is not suspicious
    )
    goes_on = (c.suspect_since >= 0) & (np.abs(bpm - c.suspect_bpm) <= limits.jump_bpm)
    suspect = there & (jump | (goes_on & (np.abs(bpm - c.last_bpm) > limits.jump_bpm)))
    began = np.where(suspect & goes_on, c.suspect_since, now)
    ratio = bpm / c.last_bpm
    doubtful = suspect & (
        (np.abs(ratio - 2.0) <= 2.0 * limits.ratio_within) | (np.abs(ratio - 0.5) <= 0.5 * limits.ratio_within)
    )
    patience = np.where(doubtful, limits.doubtful_for_s, limits.suspect_for_s) * HZ
    held_back = suspect & (now - began < patience)
    use: Bools = there & ~held_back
    c.suspect_since = np.where(held_back, began, np.where(there, -1, c.suspect_since))
    c.suspect_bpm = np.where(held_back, bpm, c.suspect_bpm)
    c.last_bpm = np.where(use, bpm, c.last_bpm)
    c.last_at = np.where(use | held_back, now, c.last_at)
    return np.where(use, bpm, np.nan)


def usable_share(used: Floats, seconds: Ints) -> Floats:
    """Share of the last minute's samples that could be used, 0 to 1; of what has been seen while shorter."""
    share: Floats = used.sum(axis=0) / (HZ * np.clip(seconds, 1, MINUTE))
    return share
