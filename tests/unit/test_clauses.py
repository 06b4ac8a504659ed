"""Many clauses compared at once, against Python's own comparisons one by one."""

import math
import operator

import numpy as np
import pytest

from quietward.detect.core.alerting.rule_sets import Clause, Clauses, compare
from tests.traces import RULES

PLAIN = {"<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge}


def holds(clauses: list[Clause], values: dict[str, float], first: float = math.nan) -> bool:
    limits = [limit for _, _, limit in clauses]
    if not math.isnan(first):
        limits[0] = first
    return all(PLAIN[op](values[name], limit) for (name, op, _), limit in zip(clauses, limits, strict=True))


@pytest.mark.parametrize(
    "groups",
    [[c.all for c in RULES.policy.condition], *([c.all for c in r.criterion] for r in RULES.rule_sets)],
    ids=["policy", *(r.name for r in RULES.rule_sets)],
)
def test_each_group_holds_where_all_its_clauses_hold(groups: list[list[Clause]]) -> None:
    rng = np.random.default_rng(2)
    asked = [clause for group in groups for clause in group]
    limits = {name: sorted({limit for other, _, limit in asked if other == name}) for name, _, _ in asked}
    # At the limits, on both sides of them, and unknown.
    choices = {name: [*found, found[0] - 1, found[-1] + 1, math.nan] for name, found in limits.items()}
    beds = 400
    measures = {name: rng.choice(found, beds) for name, found in choices.items()}
    first = np.where(rng.random((len(groups), beds)) < 0.2, rng.choice([0.5, 3.0, 120.0], (len(groups), beds)), np.nan)
    clauses = Clauses(groups)
    plain, own = clauses.holding(measures), clauses.holding(measures, first)
    seen = 0
    for n in range(beds):
        values = {name: float(found[n]) for name, found in measures.items()}
        for i, group in enumerate(groups):
            assert plain[i, n] == holds(group, values)
            assert own[i, n] == holds(group, values, float(first[i, n]))
            seen += bool(plain[i, n])
    assert 0 < seen < plain.size


def test_limits_may_differ_from_bed_to_bed() -> None:
    clauses = Clauses([[("a", ">=", np.array([1.0, 2.0, 3.0])), ("b", "<", 5.0)], [("b", ">", 4.0)]])  # type: ignore[list-item]
    found = clauses.holding({"a": np.array([2.0, 2.0, 2.0]), "b": np.array([4.5, 5.5, np.nan])})
    assert found.tolist() == [[True, False, False], [True, True, False]]


@pytest.mark.parametrize("op", PLAIN)
def test_one_clause_compares_as_python_does(op: str) -> None:
    values = [1.0, 2.0, 3.0, math.nan]
    assert [bool(compare(value, op, 2.0)) for value in values] == [PLAIN[op](value, 2.0) for value in values]
    assert compare(np.array(values), op, 2.0).tolist() == [PLAIN[op](value, 2.0) for value in values]
