"""Compiled functions of the core called one by one, as tests do and the core does not."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, ParamSpec, TypeVar, cast

import numpy as np

from quietward.detect.core.alerting.attention import decide_all
from quietward.detect.core.alerting.flags import Attention, Change, Notice, Told
from quietward.detect.core.alerting.policy import Policy
from quietward.detect.core.arrays import Bools, Ints
from quietward.detect.core.compiled import EntryPoint
from quietward.detect.core.measures.findings import ASKED
from quietward.detect.core.parameters import ShapeLimits
from quietward.detect.core.patterns import shape
from quietward.detect.core.patterns.excursions import Excursion
from quietward.detect.core.records import record_of, records_of

P = ParamSpec("P")
R = TypeVar("R")


def called(function: Callable[P, R]) -> Callable[P, R]:
    """Return a compiled function to be called from Python."""
    return cast("Callable[P, R]", EntryPoint(getattr(function, "py_func", function)))


class Decision(NamedTuple):
    """What one evaluation has changed, bed by bed."""

    notices: list[Notice]
    changes: list[Change]


def decide(
    a: Attention, beds: Ints, second: Ints, measures: Mapping[str, Any], lost: Bools, policy: Policy
) -> Decision:
    """Let attention follow at some beds. measures: by name, shape (m,)."""
    asked = np.full((len(ASKED), len(beds)), np.nan)
    for name, values in measures.items():
        asked[ASKED[name]] = values
    told = Told.of(len(beds), len(policy.condition))
    decide_all(a, beds, second, asked, lost, policy.numbers, np.zeros(len(beds), dtype=np.int64), told)
    rows = cast("Any", told)
    notices = [Notice(*row) for row in rows.notices.rows[: told.notices.written[0]].tolist()]
    return Decision(notices, [Change(*row) for row in rows.changes.rows[: told.changes.written[0]].tolist()])


_refine = called(shape.refine)


def refine(x: Excursion, first: int, height: Any, limits: ShapeLimits, ahead: int = 0) -> Excursion:
    """Return the excursion after the second look at it. height: samples from index `first` on; ahead: so many samples
    behind them its end may lie.
    """
    rows, work = records_of([x]), shape.Work.of(len(height))
    work.height[: len(height)] = height
    _refine(rows[0], first, len(height), first + len(height) + ahead, work, record_of(limits))
    return Excursion(*cast("Any", rows)[0].tolist())
