"""Concern: a number from 0 to 100 that orders beds, as a transparent sum of named findings. Not a diagnosis.

Each finding adds between 0 and its full points, in proportion to how far its measure is from `none_at` towards
`full_at`. Weights are data; `python -m quietward.detect.calibrate` makes them again from open expert votes.
"""

from functools import cached_property
from typing import Annotated, NamedTuple

import numpy as np
from msgspec import Meta, Struct

from quietward.detect.core.arrays import Floats, Ints
from quietward.detect.core.measures.findings import Measures


class Finding(Struct, frozen=True, forbid_unknown_fields=True):
    """One term of the sum. `text` says it in words and numbers; it may name measures in braces."""

    name: str
    text: str
    measure: str
    none_at: float
    full_at: float
    points: float
    log: bool = False


class Concern(Struct, frozen=True, forbid_unknown_fields=True, dict=True):
    """All of `concern.toml`. Class 2 and 3 begin at these values.

    most_named: so many findings at most are named in a reason, none with fewer than `least_points_named`; what adds
    less than `least_points_shown` is not shown among the parts of the sum.
    """

    calibration: str
    least_usable_share: float
    class_2_from: float
    class_3_from: float
    start: float
    most_named: Annotated[int, Meta(ge=1)]
    least_points_named: Annotated[float, Meta(ge=0)]
    least_points_shown: Annotated[float, Meta(ge=0)]
    finding: list[Finding]

    @cached_property
    def scales(self) -> "_Scales":
        """All findings, to be weighed at once."""
        logs = np.array([i for i, f in enumerate(self.finding) if f.log], dtype=np.int64)
        ends = np.array([[[f.none_at], [f.full_at]] for f in self.finding], dtype=np.float64)
        ends[logs] = np.log1p(ends[logs])
        low, high = ends[:, 0], ends[:, 1]
        return _Scales(
            [f.measure for f in self.finding], logs, low, high - low, np.array([[f.points] for f in self.finding])
        )


class _Scales(NamedTuple):
    """Columns, one row for each finding. logs: rows that are weighed by their logarithm."""

    measures: list[str]
    logs: Ints
    low: Floats
    span: Floats
    points: Floats


def because(concern: Concern, points: list[float], values: dict[str, float]) -> str:
    """Return the findings of one lane that weigh most, in words and numbers."""
    weighed = sorted(zip(points, concern.finding, strict=True), key=lambda pair: -pair[0])
    said = [f.text.format_map(values) for p, f in weighed[: concern.most_named] if p >= concern.least_points_named]
    return ", ".join(said) or "nothing single"


def parts(concern: Concern, measures: Measures) -> Floats:
    """Return the points of each finding, shape (findings, lanes); a measure that is NaN adds nothing."""
    scales = concern.scales
    values = np.array([measures[name] for name in scales.measures])
    values[scales.logs] = np.log1p(values[scales.logs])  # of areas and counts the first ones say most
    share = np.minimum(np.maximum((values - scales.low) / scales.span, 0.0), 1.0)
    return np.where(np.isnan(share), 0.0, share * scales.points)


def total(concern: Concern, found: Floats, measures: Measures) -> Floats:
    """Return the concern, NaN where too little of the FHR could be used to say anything."""
    start = np.full((1, found.shape[1]), concern.start)
    summed = np.add.accumulate(np.concatenate([start, found]), axis=0)[-1]  # in order, for one lane as for many
    usable = measures["fhr_usable_30min"]
    return np.where(usable >= concern.least_usable_share, np.minimum(np.maximum(summed, 0.0), 100.0), np.nan)


def rank(concern: Concern, value: Floats) -> Floats:
    """Return the concern's class, 1 to 3, NaN where the concern is."""
    classes = 1.0 + (value >= concern.class_2_from) + (value >= concern.class_3_from)
    return np.where(np.isnan(value), np.nan, classes)
