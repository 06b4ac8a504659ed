"""One line for every bed: worst first, never cut, never more than a nurse takes in with one look."""

import math
import re
from collections.abc import Iterator
from functools import cache
from itertools import product

import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.detect.core import engine
from quietward.detect.core.measures.findings import ASKED, MEASURES
from quietward.detect.core.reporting import reasons, summaries
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.state import State
from tests.abnormalities import cases
from tests.traces import RULES, flat, ripple

EVERY_S = 60
NO_NUMBER = re.compile(r"\b(nan|inf|unknown)\b", re.IGNORECASE)


@cache
def lines() -> list[tuple[str, str]]:
    """Play the table of abnormalities, clean and spoilt; return every line that a bed said, with its strip."""
    made = cases((0, 1))
    state = State(RULES, [str(i) for i in range(len(made))], [""] * len(made))
    beds, events = np.arange(len(made)), list[Event]()
    fhr, ua = (
        np.stack([signal.reshape(-1, HZ) for signal in signals], -1)
        for signals in zip(*((c.fhr, c.ua) for c in made), strict=True)
    )
    said: list[tuple[str, str]] = []
    for second in range(len(fhr)):
        at = np.full(len(made), second)
        engine.advance(state, beds, at, fhr[second], ua[second], np.full(len(made), np.nan), events)
        if second % EVERY_S == 0:
            shown = summaries.of(state, Output(updated=set(beds.tolist())))
            said += [(made[int(s.bed)].name, s.reason) for s in shown]
    said += [(made[int(e.bed)].name, str(e.detail["reason"])) for e in events if e.detail.get("reason")]
    return said


def test_every_line_can_be_read_at_once() -> None:
    wrong = [
        (name, line) for name, line in lines() if not line or len(line) > reasons.LONGEST or NO_NUMBER.search(line)
    ]
    assert wrong == []
    assert len({line for _, line in lines()}) > 500, "many different ones were seen"


def test_no_line_says_the_same_twice_or_ends_with_nothing() -> None:
    for name, line in lines():
        facts = line.split(reasons.BETWEEN)
        assert all(fact.strip() == fact != "" for fact in facts), (name, line)
        assert len(set(facts)) == len(facts), (name, line)


def extremes() -> Iterator[tuple[str, float]]:
    for condition, value in product(RULES.policy.condition, (0.0, 1.0, 7199.0, math.nan)):
        yield condition.name, value


@pytest.mark.parametrize(("name", "value"), list(extremes()))
def test_no_condition_of_the_policy_says_too_much(name: str, value: float) -> None:
    """Whatever its measures are: of lengths and counts the longest that can be, shares at most 1."""
    state = State(RULES, ["b"], [""])
    for second in range(120):
        engine.advance(
            state, np.array([0]), np.array([second]), np.full((HZ, 1), 140.0), np.full((HZ, 1), 10.0),
            np.array([np.nan]), [],
        )  # fmt: skip
    for measure, row in ASKED.items():
        is_share = measure in MEASURES and MEASURES[measure].unit == "share"
        state.findings.values[0, row, 0] = min(value, 1.0) if is_share else value
    condition = RULES.policy.condition[RULES.policy.place(name) or 0]
    assert 0 < len(reasons.condition_in_words(state, 0, condition)) <= reasons.LONGEST


def test_a_quiet_bed_says_how_it_is() -> None:
    """Baseline, variability, decelerations: what somebody who passes by would ask."""
    state = State(RULES, ["b"], [""])
    fhr = flat(140, 1200) + ripple(1200, 5, 12.0) + ripple(1200, 4, 7.0)
    for second in range(1200):
        samples = fhr[second * HZ : (second + 1) * HZ].reshape(HZ, 1)
        engine.advance(
            state, np.array([0]), np.array([second]), samples, np.full((HZ, 1), 10.0), np.array([np.nan]), []
        )
    assert re.fullmatch(r"baseline 1[34]\d bpm · variability \d+ bpm · no decelerations", reasons.reason_for(state, 0))


@pytest.mark.parametrize(("before", "now", "said"), [(125, 145, "up 20"), (150, 130, "down 20"), (140, 150, "")])
def test_a_baseline_that_has_moved_within_the_hour_is_said(before: int, now: int, said: str) -> None:
    """Slowly, so that neither level is a deceleration or an acceleration of the other."""
    state = State(RULES, ["b"], [""])
    moved = np.concatenate([flat(before, 1200), np.linspace(before, now, 1200 * HZ), flat(now, 1800)])
    fhr = (moved + ripple(4200, 5, 12.0) + ripple(4200, 4, 7.0)).reshape(-1, HZ, 1)
    for second in range(4200):
        engine.advance(
            state, np.array([0]), np.array([second]), fhr[second], np.full((HZ, 1), 10.0), np.array([np.nan]), []
        )
    line = reasons.reason_for(state, 0)
    assert (f"baseline {said} bpm in 1 h" in line) if said else ("in 1 h" not in line), line


def test_a_long_fall_that_has_just_come_back_names_no_number_that_is_not_known() -> None:
    """Its flag stands for a minute more; what it was measured against is not there any more."""
    state = State(RULES, ["b"], [""])
    level = np.concatenate([flat(140, 1200), flat(85, 900), np.linspace(85, 140, 60 * HZ), flat(140, 900)])
    fhr = (level + ripple(3060, 5, 12.0)).reshape(-1, HZ, 1)
    said = set()
    for second in range(3060):
        engine.advance(
            state, np.array([0]), np.array([second]), fhr[second], np.full((HZ, 1), 10.0), np.array([np.nan]), []
        )
        said.add(reasons.reason_for(state, 0))
    assert [line for line in said if NO_NUMBER.search(line)] == []
    assert any(line.startswith("fallen from 140 bpm") for line in said)
    assert any(line.startswith("the rate has just come back after a long fall · ") for line in said)


def test_what_does_not_fit_is_left_out_and_never_cut() -> None:
    state = State(RULES, ["b"], [""])
    assert reasons.reason_for(state, 0) == "baseline not known yet · no decelerations"
    assert reasons.reason_for(state, 0, 30) == "baseline not known yet"
