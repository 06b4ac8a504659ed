"""Published rule sets: class of the last 30 minutes, with every criterion that led to it. Numbers are in the TOML."""

from collections.abc import Sequence
from functools import cached_property
from typing import Annotated, Any, Literal, TypeVar

import numpy as np
from msgspec import Meta, Struct

from quietward.detect.core.arrays import Bools, Floats
from quietward.detect.core.measures.findings import Measures
from quietward.detect.core.parameters import TachysystoleRule
from quietward.detect.core.patterns.accelerations import AccelerationRule
from quietward.detect.core.patterns.decelerations import DecelerationRule

Clause = tuple[str, Literal["<", "<=", ">", ">="], float]


class Clauses:
    """Groups of clauses, none of them empty; each holds where all its clauses hold. All are compared at once."""

    def __init__(self, groups: Sequence[Sequence[Clause]]) -> None:
        clauses = [clause for group in groups for clause in group]
        self._names = list(dict.fromkeys(name for name, _, _ in clauses))
        self._rows = np.array([self._names.index(name) for name, _, _ in clauses])
        self._above = np.array([[operator[0] == ">"] for _, operator, _ in clauses])
        self._equal = np.array([[operator.endswith("=")] for _, operator, _ in clauses])
        self._limits = np.stack(np.broadcast_arrays(*(np.atleast_1d(limit) for _, _, limit in clauses)))
        self._firsts = np.cumsum([0, *(len(group) for group in groups)])[:-1]

    def holding(self, measures: Measures, first: Floats | None = None) -> Bools:
        """Return where each group holds, shape (groups, beds); a measure that is NaN holds nothing.

        first: other limits of the first clause of each group, same shape, NaN where there are none.
        """
        values = np.array([measures[name] for name in self._names])[self._rows]
        limits = self._limits
        if first is not None:
            limits = np.array(np.broadcast_to(limits, values.shape))
            limits[self._firsts] = np.where(np.isnan(first), limits[self._firsts], first)
        beyond = np.where(self._above, values > limits, values < limits)
        met: Bools = np.logical_and.reduceat(beyond | (self._equal & (values == limits)), self._firsts, axis=0)
        return met


class Criterion(Struct, frozen=True, forbid_unknown_fields=True):
    """Holds when all its clauses hold. `rank`: class it leads to, 2 or 3. `text` may name measures in braces."""

    rank: Literal[2, 3]
    text: str
    all: Annotated[list[Clause], Meta(min_length=1)]
    source: str
    status: str


class RuleSet(Struct, frozen=True, forbid_unknown_fields=True, dict=True):
    """All of one rule set's file."""

    name: str
    source: str
    round_baseline_to_bpm: float
    classes: tuple[str, str, str]
    deceleration: DecelerationRule
    acceleration: AccelerationRule
    tachysystole: TachysystoleRule
    criterion: list[Criterion]

    @cached_property
    def criteria(self) -> Clauses:
        """All criteria, to be compared at once."""
        return Clauses([c.all for c in self.criterion])

    @property
    def usual_baseline_bpm(self) -> tuple[float, float]:
        """Lowest and highest baseline that no criterion of the baseline alone finds fault with; infinite if none."""
        alone = [c.all[0] for c in self.criterion if len(c.all) == 1 and c.all[0][0] == "baseline_bpm"]
        return (
            max((limit for _, operator, limit in alone if operator[0] == "<"), default=-np.inf),
            min((limit for _, operator, limit in alone if operator[0] == ">"), default=np.inf),
        )


Number = TypeVar("Number", Floats, float)


def rounded_baseline(baseline_bpm: Number, to_bpm: float) -> Number:
    """Round half up, as the rule set says; 0: not at all."""
    return np.floor(baseline_bpm / to_bpm + 0.5) * to_bpm if to_bpm else baseline_bpm


def holding(rules: RuleSet, measures: Measures) -> Bools:
    """Return where each criterion holds, shape (criteria, beds); a measure that is NaN holds nothing."""
    baseline_bpm = rounded_baseline(measures["baseline_bpm"], rules.round_baseline_to_bpm)
    return rules.criteria.holding(measures | {"baseline_bpm": baseline_bpm})


def compare(value: Number, operator: str, limit: Number | float) -> Any:
    """Compare, NaN never holds; bools, or one of them."""
    match operator:
        case "<":
            return value < limit
        case "<=":
            return value <= limit
        case ">":
            return value > limit
        case _:
            return value >= limit
