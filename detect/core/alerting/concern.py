"""Concern: a number from 0 to 100 that orders beds, as a transparent sum of named findings. Not a diagnosis.

Each finding adds between 0 and its full points, in proportion to how far its measure is from `none_at` towards
`full_at`. Weights are data; `python -m quietward.detect.calibrate` makes them again from open expert votes.
"""

import math
from functools import cached_property
from typing import Annotated, NamedTuple

import numpy as np
from msgspec import Meta, Struct

from quietward.detect.core.arrays import Bools, Floats, Ints
from quietward.detect.core.compiled import compiled
from quietward.detect.core.measures.findings import ASKED, CONCERN, CONCERN_CLASS, FHR_USABLE_30MIN, Findings, say


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
    def numbers(self) -> "Numbers":
        """The same as compiled functions take it."""
        ends = np.array([[math.log1p(x) if f.log else x for x in (f.none_at, f.full_at)] for f in self.finding])
        logs = np.array([f.log for f in self.finding])
        return Numbers(
            np.array([ASKED[f.measure] for f in self.finding]), logs, ends[:, 0].copy(), ends[:, 1] - ends[:, 0],
            np.array([f.points for f in self.finding], dtype=np.float64), self.start, self.least_usable_share,
            self.class_2_from, self.class_3_from,
        )  # fmt: skip


class Numbers(NamedTuple):
    """One place for each finding. row: of its measure; log: it is weighed by its logarithm."""

    row: Ints
    log: Bools
    low: Floats
    span: Floats
    points: Floats
    start: float
    least_usable_share: float
    class_2_from: float
    class_3_from: float


def because(concern: Concern, points: list[float], values: dict[str, float]) -> str:
    """Return the findings of one bed that weigh most, in words and numbers."""
    weighed = sorted(zip(points, concern.finding, strict=True), key=lambda pair: -pair[0])
    said = [f.text.format_map(values) for p, f in weighed[: concern.most_named] if p >= concern.least_points_named]
    return ", ".join(said) or "nothing single"


@compiled
def weigh(f: Findings, n: int, numbers: Numbers) -> None:
    """Write the concern of bed n, its class, and the points of each finding; a measure that is NaN adds nothing.

    Concern and class are NaN where too little of the FHR could be used to say anything.
    """
    total = numbers.start
    for i in range(len(numbers.row)):
        value = f.values[0, numbers.row[i], n]
        if numbers.log[i]:
            value = math.log1p(value)  # of areas and counts the first ones say most
        share = (value - numbers.low[i]) / numbers.span[i]
        f.points[i, n] = 0.0 if np.isnan(share) else min(max(share, 0.0), 1.0) * numbers.points[i]
        total += f.points[i, n]
    can_be_said = f.values[0, FHR_USABLE_30MIN, n] >= numbers.least_usable_share
    total = min(max(total, 0.0), 100.0) if can_be_said else np.nan
    say(f, n, CONCERN, total)
    in_class = 1.0 + (total >= numbers.class_2_from) + (total >= numbers.class_3_from)
    say(f, n, CONCERN_CLASS, in_class if can_be_said else np.nan)
