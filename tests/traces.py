"""Small traces for tests, drawn by hand, and the core run over them."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.contracts.summary import RuleClass
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.core.measures.findings import MEASURES
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State

Signal = NDArray[np.float64]
RULES = rule_file.load()


def flat(value: float, seconds: float) -> Signal:
    return np.full(round(seconds * HZ), float(value))


def ripple(seconds: float, peak_to_trough: float, period_s: float = 12.0) -> Signal:
    """A sine: variability of a known size, well above two cycles a minute."""
    t = np.arange(round(seconds * HZ)) / HZ
    return peak_to_trough / 2 * np.sin(2 * np.pi * t / period_s)


def ramp(size: float, down_s: float, stay_s: float, up_s: float) -> Signal:
    """A departure from 0 to `size` and back, as samples after the last one at 0; its last sample is not yet back."""
    down = np.arange(1, round(down_s * HZ) + 1) / max(1, round(down_s * HZ))
    up = 1 - np.arange(1, round(up_s * HZ) + 1) / max(1, round(up_s * HZ))
    return size * np.concatenate([down, np.ones(round(stay_s * HZ)), up[:-1] if len(up) else up])


def put(signal: Signal, at_s: float, piece: Signal) -> Signal:
    """Return the signal with a piece added at a time."""
    changed = signal.copy()
    start = round(at_s * HZ)
    changed[start : start + len(piece)] += piece
    return changed


def bell(size: float, length_s: float) -> Signal:
    t = np.arange(1, round(length_s * HZ)) / round(length_s * HZ)
    return size * (1 - np.cos(2 * np.pi * t)) / 2


@dataclass
class Run:
    """What the core said of one trace."""

    events: list[Event] = field(default_factory=list)
    evaluations: list[NDArray[np.float64]] = field(
        default_factory=list
    )  # after each second: shape (rule sets, measures)
    classes: list[list[RuleClass]] = field(default_factory=list)

    def of(self, kind: str) -> list[Event]:
        return [event for event in self.events if event.kind == kind]

    def measure(self, name: str, rule_set: int = 0) -> float:
        """Value of a measure at the end."""
        return self.measure_at(-1, name, rule_set)

    def measure_at(self, second: int, name: str, rule_set: int = 0) -> float:
        return float(self.evaluations[second][rule_set, list(MEASURES).index(name)])

    def ranks(self, rule_set: int) -> list[int]:
        return [c[rule_set].rank for c in self.classes]


def run(
    fhr: Signal,
    ua: Signal | None = None,
    rules: Rules = RULES,
    every: Callable[[State], None] | None = None,
    *,
    mhr_bpm: float = np.nan,
    stage: int = 0,
    weeks: int = 0,
) -> Run:
    """Run the core over one trace, a bed by itself, from second 0."""
    ua = np.full(len(fhr), 10.0) if ua is None else ua
    state = State(rules, ["bed"], [""])
    found = Run()
    one, mhr, stages, ages = np.array([0]), np.array([mhr_bpm]), np.array([stage]), np.array([weeks])
    for s in range(len(fhr) // HZ):
        part = slice(s * HZ, (s + 1) * HZ)
        engine.advance(state, one, np.array([s]), fhr[part, None], ua[part, None], mhr, found.events, stages, ages)
        found.evaluations.append(state.findings.values[..., 0].copy())
        if s % 60 == 59:
            found.classes.append(summaries.evaluations_of(state, one)[0].classes)
        if every is not None:
            every(state)
    return found
