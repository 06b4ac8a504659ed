"""A small study for tests: four short shifts, measured once."""

from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from quietward.contracts.errors import BadStudy
from quietward.contracts.tables import check_table
from quietward.study import cases, run, what_if
from quietward.study.cases import MeasuredShifts
from quietward.study.plan import Study, StudyPlan, Variant, plan_study
from quietward.study.run import Result
from quietward.study.what_if import WhatIf

TABLE: dict[str, Any] = {
    "name": "for-tests",
    "purpose": "four short shifts",
    "limit": {"interruptions_per_nurse_hour": 20.0},
    "cases": [{"shift": "two-at-once", "hours": 0.6, "seeds": [1, 4]}],
    "vary": [
        {"key": "long-fall.limit", "values": [60, 90]},
        {"key": "concern-raised.hold_s", "values": [0, 600]},
        {"key": "escalation.look_after_s", "values": [300]},
    ],
    "how": "each",
    "alarm": [
        {"kind": "fixed-limits", "name": "at once", "low_bpm": 110, "high_bpm": 160, "for_s": 0},
        {"kind": "fixed-limits", "name": "for 14 s", "low_bpm": 110, "high_bpm": 160, "for_s": 14},
        {"kind": "rule-set", "name": "at its word", "rule_set": "figo-2015"},
    ],
}


def small(**changes: Any) -> StudyPlan:
    """Return the study, with some of its keys changed."""
    return plan_study(check_table(TABLE | changes, Study, "study for-tests: ", BadStudy), "for-tests")


def run_study(
    plan: StudyPlan, folder: Path, workers: int = 1, also: Callable[[Result], list[Variant]] = lambda _: []
) -> Result:
    """Run a study. also: variants with other staff that are wanted beside the plan's."""
    return run.run(plan, cases.group_cases(plan.study), folder, workers, also=also)


@cache
def small_what_if() -> WhatIf:
    """Return what the Study page shows of the small study."""
    return what_if.build_what_if(small(), measured_shifts())


@cache
def measured_shifts() -> MeasuredShifts:
    """Return the first two shifts of the small study, measured once."""
    found = small()
    (group,) = cases.group_cases(found.study)
    with TemporaryDirectory() as folder:
        return cases.measure_shifts(group[:2], found.rules, Path(folder))
