"""Why a deceleration is called what it is called: no sentence may contradict the word it explains.

Limits are read from the rule tables here, not from what the page is told.
"""

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from msgspec import structs

from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.dashboard.view.marks import reasons
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.core.alerting.rule_sets import RuleSet
from quietward.detect.core.patterns.decelerations import meets
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State
from quietward.simulator import bed, scenario
from tests.traces import Signal, bell, flat, put, ramp, ripple


def with_third(rules: Rules) -> Rules:
    """Return the rules with a third set, whose limits are others."""
    figo = rules.rule_sets[1]
    numbers = structs.replace(
        figo.deceleration, abrupt_below_s=24, depth_bpm=18.5, prolonged_s=61.5, late_onset_after_s=7
    )
    return replace(rules, rule_sets=(*rules.rule_sets, structs.replace(figo, name="third", deceleration=numbers)))


RULES = with_third(rule_file.load())
SHEET = rule_file.policy_info(RULES)


def contradictions(event: Event, rules: RuleSet) -> list[str]:
    """Return what the explanation of an event says that the rule set's numbers and its word for it deny."""
    said, kind, numbers = reasons(event, SHEET), str(event.detail[f"kind {rules.name}"]), rules.deceleration
    wrong: list[str] = []
    depth, length = (float(x) for x in re.findall(r"[\d.]+(?= (?:bpm below|s from onset to end))", said[0]))
    (fall,) = (float(x) for x in re.findall(r"([\d.]+) s from onset to nadir", said[1]))
    fell = float(str(event.detail["fall_s"]))
    wrong += ["another fall"] if (fall < numbers.abrupt_below_s) is not (fell < numbers.abrupt_below_s) else []
    slopes = said[1].partition(": ")[2].split("; ")
    own = next((s for s in slopes if s.endswith(f", by {rules.name}")), slopes[0] if len(slopes) == 1 else "")
    if kind in ("early", "late", "undetermined"):
        is_slow_back = kind == "late" and "abrupt, with a gradual way back" in own
        wrong += ["abrupt"] if "gradual" not in own or ("abrupt" in own and not is_slow_back) else []
        wrong += (
            ["slow back"]
            if is_slow_back and (numbers.late_return_over_s == 0 or fall >= numbers.abrupt_below_s)
            else []
        )
        wrong += ["no doubt"] if fall < numbers.abrupt_below_s and "counted as" not in own and not is_slow_back else []
        wrong += ["too shallow"] if not meets(depth, numbers.gradual_depth_bpm, numbers.strict) else []
    if kind == "variable":
        wrong += ["gradual"] if "abrupt" not in own or "gradual" in own else []
        wrong += ["too slow"] if fall >= numbers.abrupt_below_s and "counted as abrupt" not in own else []
        wrong += ["too shallow"] if not meets(depth, numbers.depth_bpm, numbers.strict) else []
    if kind == "prolonged":
        wrong += ["too short"] if not meets(length, numbers.prolonged_s, numbers.strict) else []
    elif meets(depth, numbers.depth_bpm, numbers.strict) and kind != "none":
        wrong += ["too long"] if meets(length, numbers.prolonged_s, numbers.strict) else []
    if limit := re.search(r"abrupt, less than ([\d.]+) s", own):
        wrong += ["limit"] if not fall < float(limit[1]) == numbers.abrupt_below_s else []
    if doubt := re.search(r"counted as (gradual|abrupt), within ([\d.]+) s of ([\d.]+) s", own):
        within, below = (float(x) for x in doubt.groups()[1:])
        wrong += ["doubt"] if (within, below) != (RULES.reading.kind.doubt_s, numbers.abrupt_below_s) else []
        first = below - within if doubt[1] == "gradual" else below
        wrong += ["beyond doubt"] if not first <= fall < first + within else []
    if kind == "late":
        (onset,) = re.findall(r"onset ([\d.]+) s after the start", said[2])
        wrong += ["too early"] if not float(onset) > numbers.late_onset_after_s - RULES.reading.kind.doubt_s else []
    wrong += [f"{said[-2:]}"] if f"{rules.name}: {kind}" not in said else []
    return wrong


def decelerations(fhr: Signal, ua: Signal) -> list[Event]:
    """Return those of many traces side by side; fhr, ua: shape (samples, traces)."""
    n = fhr.shape[1]
    events: list[Event] = []
    state, beds, nothing = State(RULES, [str(i) for i in range(n)], [""] * n), np.arange(n), np.full(n, np.nan)
    for second in range(len(fhr) // HZ):
        part = slice(second * HZ, (second + 1) * HZ)
        engine.advance(state, beds, np.full(n, second), fhr[part], ua[part], nothing, events)
    return [event for event in events if event.kind == "deceleration"]


@cache
def of_simulated() -> list[Event]:
    """Decelerations of an hour of every labour that comes along."""
    labours = [bed.simulate(scenario.load(name), 40 + i, 3600) for i, name in enumerate(scenario.names())]
    return decelerations(np.stack([x.fhr for x in labours], axis=-1), np.stack([x.ua for x in labours], axis=-1))


@cache
def of_drawn() -> list[Event]:
    """Decelerations drawn near every limit, in quiet and in lively traces, with and without a contraction."""
    rng = np.random.default_rng(7)
    fhr, ua = [], []
    for _ in range(256):
        depth = float(rng.choice([*np.arange(9, 22, 0.5), 30, 45]))
        fall, back = (float(x) for x in rng.choice([5, 15, 19, 20, 23.75, 24, 25, 26, 28, 29.75, 30, 35], 2))
        stay = float(rng.choice([0.25, 1, 5, 10, 20, 60, 120, 175]))
        noise = float(rng.choice([0, 0, 5, 8, 12]))
        starts = 420 + float(rng.choice([-40, -20, -7.25, -7, -1, 0, 5, 300]))
        fhr.append(put(flat(140, 900) + ripple(900, noise), 420, ramp(-depth, fall, stay, back)))
        ua.append(put(flat(10, 900), starts, bell(60, float(rng.choice([40, 60, 90])))))
    return decelerations(np.stack(fhr, axis=-1), np.stack(ua, axis=-1))


@pytest.mark.parametrize("made", [of_simulated, of_drawn], ids=["simulated", "drawn"])
def test_no_explanation_contradicts_its_word(made: Callable[[], list[Event]]) -> None:
    events = made()
    assert len(events) >= 64
    words = Counter(str(e.detail[f"kind {r.name}"]) for e in events for r in RULES.rule_sets)
    assert {"early", "late", "variable", "prolonged", "undetermined", "none"} <= set(words)
    assert sum("counted as gradual" in reasons(e, SHEET)[1] for e in events) >= 5
    assert sum(", by third" in reasons(e, SHEET)[1] for e in events) >= 5
    found = [
        (r.name, wrong, reasons(e, SHEET)) for e in events for r in RULES.rule_sets if (wrong := contradictions(e, r))
    ]
    assert found == []
