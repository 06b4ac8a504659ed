"""The last decelerations, accelerations and contractions of each bed, in rings, for windows of up to 30 minutes."""

from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import LONG_AGO, Bools, Floats, Ints, array, index, switch
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import KindLimits
from quietward.detect.core.patterns.decelerations import Kind
from quietward.detect.core.patterns.excursions import UA, Excursion, Excursions

KEPT = 48
"""Of each: more than 30 minutes can hold."""


class History(NamedTuple):
    """Rings of shape (KEPT, beds), newest at (count - 1) % KEPT. Positions are sample indices."""

    until: Ints = index(LONG_AGO)  # end of the newest named departure of the FHR
    decelerations: Ints = index(0)  # counts since the array began
    fall_onset: Ints = index(LONG_AGO, KEPT)
    fall_end: Ints = index(LONG_AGO, KEPT)
    fall_depth: Floats = array(0.0, KEPT)
    fall_area: Floats = array(0.0, KEPT)
    fall_lowest: Floats = array(0.0, KEPT)
    fall_kind: Ints = index(int(Kind.NONE), "rule_sets", KEPT)
    accelerations: Ints = index(0)
    rise_onset: Ints = index(LONG_AGO, KEPT)
    contractions: Ints = index(0)
    contraction_onset: Ints = index(LONG_AGO, KEPT)
    contraction_peak: Ints = index(LONG_AGO, KEPT)
    contraction_end: Ints = index(LONG_AGO, KEPT)
    contraction_read: Bools = switch(KEPT)  # the FHR was there until it was seen to be over


@compiled
def in_64ths(value: float) -> float:
    """Round to steps of 1/64: sums of such numbers are exact, and the same in whatever order they are added."""
    return float(np.rint(value * 64) / 64)


@compiled
def add_deceleration(h: History, x: Excursion, lowest_bpm: float, kinds: Ints) -> None:
    """Remember a deceleration. kinds: by rule set."""
    n = x.n
    slot = h.decelerations[n] % KEPT
    h.fall_onset[slot, n], h.fall_end[slot, n] = x.onset, x.end
    h.fall_depth[slot, n], h.fall_area[slot, n] = in_64ths(x.height), in_64ths(x.area)
    h.fall_lowest[slot, n] = lowest_bpm
    for rule_set in range(len(kinds)):
        h.fall_kind[rule_set, slot, n] = kinds[rule_set]
    h.decelerations[n] += 1


@compiled
def add_acceleration(h: History, x: Excursion) -> None:
    """Remember an acceleration."""
    h.rise_onset[h.accelerations[x.n] % KEPT, x.n] = x.onset
    h.accelerations[x.n] += 1


@compiled
def add_contraction(h: History, x: Excursion, is_read: bool) -> None:
    """Remember a contraction. is_read: the FHR was there until it was seen to be over."""
    slot = h.contractions[x.n] % KEPT
    h.contraction_onset[slot, x.n] = x.onset
    h.contraction_peak[slot, x.n] = x.peak_at
    h.contraction_end[slot, x.n] = x.end
    h.contraction_read[slot, x.n] = is_read
    h.contractions[x.n] += 1


@compiled
def find_contraction(h: History, x: Excursion, going_on: tuple[int, int, int], limits: KindLimits) -> int:
    """Write into a deceleration which contraction it belongs to, and return that one's end, LONG_AGO if there is none.

    It is the last that began before the nadir and was not long over at the onset.
    going_on: onset, peak and end of one that is not over, as they are expected; LONG_AGO if there is none.
    """
    n, over_by = x.n, x.onset - int(limits.late_within_s * HZ)
    belongs_to = (LONG_AGO, LONG_AGO, LONG_AGO)
    for slot in range(KEPT):
        one = (h.contraction_onset[slot, n], h.contraction_peak[slot, n], h.contraction_end[slot, n])
        if one[0] <= x.peak_at and one[2] >= over_by and one > belongs_to:
            belongs_to = one
    if going_on[0] <= x.peak_at and going_on > belongs_to:
        belongs_to = going_on
    x.contraction_onset, x.contraction_peak = belongs_to[0], belongs_to[1]
    return belongs_to[2]


@compiled
def going_on(e: Excursions, n: int, now: int, limits: KindLimits) -> tuple[int, int, int]:
    """Return onset, peak and likely end of the contraction of bed n that is not over; LONG_AGO if there is none."""
    if not e.open[UA, n]:
        return (LONG_AGO, LONG_AGO, LONG_AGO)
    return (e.onset[UA, n], e.peak_at[UA, n], expected_end(e.onset[UA, n], e.peak_at[UA, n], now, limits))


@compiled
def expected_end(onset: int, peak: int, now: int, limits: KindLimits) -> int:
    """Return where a contraction that is going on is likely to end."""
    return int(max(now, peak + int(limits.falls_as_long * (peak - onset))))
