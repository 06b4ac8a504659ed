"""Concern: a number from 0 to 100 that orders beds, as a transparent sum of named findings. Not a diagnosis.

Each finding adds between 0 and its full points, in proportion to how far its measure is from `none_at` towards
`full_at`. Weights are data; `python -m detect.calibrate` makes them again from open expert votes.
"""

import numpy as np
from msgspec import Struct

from detect.core.findings import Measures
from detect.core.lanes import Floats


class Finding(Struct, frozen=True, forbid_unknown_fields=True):
    """One term of the sum. `text` says it in words and numbers; it may name measures in braces."""

    name: str
    text: str
    measure: str
    none_at: float
    full_at: float
    points: float
    log: bool = False


class Concern(Struct, frozen=True, forbid_unknown_fields=True):
    """All of `concern.toml`. Class 2 and 3 begin at these values."""

    calibration: str
    least_usable_share: float
    class_2_from: float
    class_3_from: float
    start: float
    finding: list[Finding]


MOST_SAID = 3
LEAST_POINTS = 2.0
"""So many findings are named in a reason, and none with fewer points."""


def because(concern: Concern, points: list[float], values: dict[str, float]) -> str:
    """Return the findings of one lane that weigh most, in words and numbers."""
    weighed = sorted(zip(points, concern.finding, strict=True), key=lambda pair: -pair[0])
    said = [f.text.format_map(values) for p, f in weighed[:MOST_SAID] if p >= LEAST_POINTS]
    return ", ".join(said) or "nothing single"


def parts(concern: Concern, measures: Measures) -> list[Floats]:
    """Return the points of each finding; a measure that is NaN adds nothing."""
    found = [_share(f, measures[f.measure]) * f.points for f in concern.finding]
    return [np.where(np.isnan(points), 0.0, points) for points in found]


def _share(f: Finding, value: Floats) -> Floats:
    low, high = f.none_at, f.full_at
    if f.log:  # of areas and counts the first ones say most
        value, low, high = np.log1p(value), float(np.log1p(low)), float(np.log1p(high))
    return np.minimum(np.maximum((value - low) / (high - low), 0.0), 1.0)  # np.clip takes four times as long for few


def total(concern: Concern, found: list[Floats], measures: Measures) -> Floats:
    """Return the concern, NaN where too little of the FHR could be used to say anything."""
    summed = np.full_like(measures["fhr_usable_30min"], concern.start)
    for points in found:  # one after the other: the same sum for one lane as for many
        summed = summed + points
    summed = np.clip(summed, 0.0, 100.0)
    return np.where(measures["fhr_usable_30min"] >= concern.least_usable_share, summed, np.nan)


def rank(concern: Concern, value: Floats) -> Floats:
    """Return the concern's class, 1 to 3, NaN where the concern is."""
    classes = 1.0 + (value >= concern.class_2_from) + (value >= concern.class_3_from)
    return np.where(np.isnan(value), np.nan, classes)
