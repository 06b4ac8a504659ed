"""Published rule sets: class of the last 30 minutes, with every criterion that led to it. Numbers are in the TOML."""

from typing import Any, Literal, TypeVar

import numpy as np
from msgspec import Struct

from detect.core.accelerations import AccelerationRule
from detect.core.decelerations import DecelerationRule
from detect.core.findings import Measures
from detect.core.lanes import Bools, Floats
from detect.core.limits import TachysystoleRule

Clause = tuple[str, Literal["<", "<=", ">", ">="], float]


class Criterion(Struct, frozen=True, forbid_unknown_fields=True):
    """Holds when all its clauses hold. `rank`: class it leads to, 2 or 3. `text` may name measures in braces."""

    rank: Literal[2, 3]
    text: str
    all: list[Clause]
    source: str
    status: str


class RuleSet(Struct, frozen=True, forbid_unknown_fields=True):
    """All of one rule set's file."""

    name: str
    source: str
    round_baseline_to_bpm: float
    classes: tuple[str, str, str]
    deceleration: DecelerationRule
    acceleration: AccelerationRule
    tachysystole: TachysystoleRule
    criterion: list[Criterion]


Number = TypeVar("Number", Floats, float)


def rounded_baseline(baseline_bpm: Number, to_bpm: float) -> Number:
    """Round half up, as the rule set says; 0: not at all."""
    return np.floor(baseline_bpm / to_bpm + 0.5) * to_bpm if to_bpm else baseline_bpm


def holding(rules: RuleSet, measures: Measures) -> list[Bools]:
    """Return for each criterion where it holds; a measure that is NaN holds nothing."""
    own = measures | {"baseline_bpm": rounded_baseline(measures["baseline_bpm"], rules.round_baseline_to_bpm)}
    return [
        np.logical_and.reduce([compare(own[name], op, limit) for name, op, limit in c.all]) for c in rules.criterion
    ]


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
