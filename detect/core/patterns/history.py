"""The last decelerations, accelerations and contractions of each bed, in rings, for windows of up to 30 minutes."""

from dataclasses import dataclass

import numpy as np

from quietward.detect.core.arrays import LONG_AGO, Floats, Ints, Lanes, index, lane
from quietward.detect.core.patterns.decelerations import Contraction, Kind
from quietward.detect.core.patterns.excursions import Excursion

KEPT = 48
"""Of each: more than 30 minutes can hold."""


@dataclass(init=False, eq=False)
class History(Lanes):
    """Rings of shape (KEPT, lanes), newest at (count - 1) % KEPT. Positions are sample indices."""

    until: Ints = index(LONG_AGO)  # end of the newest named departure of the FHR
    decelerations: Ints = index(0)  # counts since the lane began
    fall_onset: Ints = index(LONG_AGO, KEPT)
    fall_end: Ints = index(LONG_AGO, KEPT)
    fall_depth: Floats = lane(0.0, KEPT)
    fall_area: Floats = lane(0.0, KEPT)
    fall_lowest: Floats = lane(0.0, KEPT)
    fall_kind: Ints = index(Kind.NONE, "rule_sets", KEPT)
    accelerations: Ints = index(0)
    rise_onset: Ints = index(LONG_AGO, KEPT)
    contractions: Ints = index(0)
    contraction_onset: Ints = index(LONG_AGO, KEPT)
    contraction_peak: Ints = index(LONG_AGO, KEPT)
    contraction_end: Ints = index(LONG_AGO, KEPT)


def add_deceleration(h: History, n: int, fall: Excursion, lowest_bpm: float, kinds: list[Kind]) -> None:
    """Remember a deceleration of lane n."""
    slot = h.decelerations[n] % KEPT
    h.fall_onset[slot, n], h.fall_end[slot, n] = fall.onset, fall.end
    # In steps of 1/64: so their sums are exact, and the same in whatever order numpy adds.
    h.fall_depth[slot, n], h.fall_area[slot, n] = round(fall.height * 64) / 64, round(fall.area * 64) / 64
    h.fall_lowest[slot, n] = lowest_bpm
    h.fall_kind[:, slot, n] = kinds
    h.decelerations[n] += 1


def add_acceleration(h: History, n: int, rise: Excursion) -> None:
    """Remember an acceleration of lane n."""
    h.rise_onset[h.accelerations[n] % KEPT, n] = rise.onset
    h.accelerations[n] += 1


def add_contraction(h: History, n: int, contraction: Contraction) -> None:
    """Remember a contraction of lane n."""
    slot = h.contractions[n] % KEPT
    h.contraction_onset[slot, n] = contraction.onset
    h.contraction_peak[slot, n] = contraction.peak_at
    h.contraction_end[slot, n] = contraction.end
    h.contractions[n] += 1


def contractions_of(h: History, n: int, since: int) -> list[Contraction]:
    """Return the contractions of lane n that ended after `since`, in order."""
    found = np.flatnonzero(h.contraction_end[:, n] > since)
    rows = zip(h.contraction_onset[found, n], h.contraction_peak[found, n], h.contraction_end[found, n], strict=True)
    return sorted(Contraction(int(a), int(b), int(c)) for a, b, c in rows)
