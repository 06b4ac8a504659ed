"""Rule tests as data: `policy_cases.toml` beside this file."""

import tomllib
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from quietward.detect.core import arrays
from quietward.detect.core.alerting import attention
from quietward.detect.core.alerting.flags import WHY_SUPPRESSED, Attention, Change
from quietward.detect.core.alerting.policy import LEVELS, Policy
from quietward.detect.core.measures.findings import MEASURES
from tests.compiled import decide

DATA = tomllib.loads(Path(__file__).with_name("policy_cases.toml").read_text())
POLICY = msgspec.convert(
    DATA["policy"] | {"condition": [c | {"name": name} for name, c in DATA["conditions"].items()]}, Policy
)
EVERY_S = 5
USUAL = dict.fromkeys(MEASURES, np.nan) | {
    "concern": 10.0, "baseline_bpm": 140.0, "signal_lost_s": 0.0, "running_s": 0.0, "contractions_per_10min": 3.0,
    "observed_min": 60.0, "decelerations_10min": 0.0, "fhr_usable_1min": 1.0,
}  # fmt: skip


@pytest.mark.parametrize("case", DATA["case"], ids=lambda case: str(case["name"]).replace(" ", "-"))
def test_case(case: dict[str, Any]) -> None:
    a = arrays.empty(Attention, 1, {"conditions": len(POLICY.condition)})
    values, lost, told = dict(USUAL), False, []
    for second in range(0, case["until"], EVERY_S):
        for at, new in case["evaluations"]:
            if at == second:
                lost = bool(new.get("lost", lost))
                values |= {name: float(value) for name, value in new.items() if name != "lost"}
        decision = decide(a, np.array([0]), np.array([second]), values, np.array([lost]), POLICY)
        for notice in decision.notices:
            name = POLICY.condition[notice.condition].name if notice.condition >= 0 else ""
            why = f" ({WHY_SUPPRESSED[notice.why]})" if notice.why else ""
            told.append(f"{second} {notice.word} {name}{why}".rstrip())
        told += [f"{second} {change.word} {LEVELS[change.level]}" for change in decision.changes]
        for at, act in case.get("acts", []):
            if at == second:
                told += do(a, second, act, values)
    assert told == case["told"]


def do(a: Attention, second: int, act: str, values: dict[str, float]) -> list[str]:
    """Do what somebody does; return what is told of it."""
    what, *more = act.split()
    flag = int(a.flag[0]) if "flag" not in more else int(more[-1])
    change: Change | None = None
    match what:
        case "acknowledge":
            change = attention.acknowledge(a, 0, flag, second)
        case "shelve":
            change = attention.shelve(a, 0, flag, second + int(more[0]))
        case "care":
            attention.care(a, 0, second, values, POLICY)
            return []
        case "pause":
            attention.pause(a, 0, second + int(more[0]), POLICY)
            return []
        case "limit":
            i = POLICY.place(more[0])
            a.own_limit[i, 0], a.own_limit_until[i, 0] = float(more[1]), second + int(more[3])
            return []
        case _:
            raise AssertionError(act)
    return [f"{second} refused"] if change is None else [f"{second} {change.word} {LEVELS[change.level]}"]
