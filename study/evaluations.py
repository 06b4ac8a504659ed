"""What the detector measures at each of its evaluations of a bed. No attention policy changes it: it is done once."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np

from quietward.contracts.messages import HZ, Event
from quietward.detect.core import engine
from quietward.detect.core.alerting.attention import Policy
from quietward.detect.core.alerting.rule_sets import holding
from quietward.detect.core.arrays import Bools, Floats, Ints
from quietward.detect.core.measures.findings import asked, measures_of
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State

CLASS_EVERY_S = 60
CLASS = "class"
"""Prefix of the key under which the class of a rule set is stored: 1 to 3, 0 if it cannot be determined."""


@dataclass(frozen=True)
class Evaluations:
    """Evaluations in the order of time: second, lane, lost: shape (n,); values: by measure, shape (n,).

    A lane may be evaluated at between two rounds of looks, when something has just ended at it.
    """

    lanes: int
    second: Ints
    lane: Ints
    lost: Bools
    values: dict[str, Floats]

    def of(self, lanes: range) -> Self:
        """Return the evaluations of some neighbouring lanes, numbered from 0."""
        own = (self.lane >= lanes.start) & (self.lane < lanes.stop)
        values = {name: value[own] for name, value in self.values.items()}
        return type(self)(len(lanes), self.second[own], self.lane[own] - lanes.start, self.lost[own], values)

    def save(self, path: Path) -> None:
        """Write to a .npz file, atomically."""
        unfinished = path.with_suffix(".part.npz")
        arrays: dict[str, Any] = {f"value {name}": value for name, value in self.values.items()}
        arrays |= {"lanes": self.lanes, "second": self.second, "lane": self.lane, "lost": self.lost}
        np.savez_compressed(unfinished, **arrays)
        unfinished.rename(path)

    @classmethod
    def load(cls, path: Path) -> Self:
        """Read what `save` wrote."""
        with np.load(path) as arrays:
            values = {name.removeprefix("value "): arrays[name] for name in arrays if name.startswith("value ")}
            return cls(int(arrays["lanes"]), arrays["second"], arrays["lane"], arrays["lost"], values)


def policy_measures(policy: Policy) -> list[str]:
    """Return the measures that a policy of this structure can refer to, whatever its numbers are."""
    clauses = [
        clause for c in policy.condition for part in (c.all, c.release, c.needs, c.helped) for clause in part
    ]  # fmt: skip
    return sorted({measure for measure, _, _ in clauses} | {"fhr_usable_1min"})


def evaluate_beds(
    fhr: list[Floats],
    ua: list[Floats],
    stage_2_from_s: list[float],
    weeks: list[int],
    rules: Rules,
    moved: Callable[[int], None] = lambda _: None,
) -> Evaluations:
    """Run the detector over some beds side by side, without any commands.

    fhr, ua: one array per bed, 4 Hz, shape (4 x seconds,), NaN where there is no value. moved: called with bed-seconds
    that are done.
    """
    names = policy_measures(rules.policy)
    n = len(fhr)
    lengths = np.array([len(x) // HZ for x in fhr])
    longest = int(lengths.max())
    signals = np.full((2, longest, HZ, n), np.nan)
    for i in range(n):
        for k, signal in enumerate((fhr[i], ua[i])):
            signals[k, : lengths[i], :, i] = signal[: lengths[i] * HZ].reshape(-1, HZ)
    starts_2, all_weeks = np.array(stage_2_from_s), np.array(weeks)
    state = State(rules, [str(i) for i in range(n)], [""] * n)
    seconds, lanes_of, rows = [], [], []
    classes = np.zeros((len(rules.rule_sets), n))
    class_rows = []
    events: list[Event] = []
    for second in range(longest):
        lanes = np.flatnonzero(lengths > second)
        m = len(lanes)
        evaluated = engine.advance(
            state, lanes, np.full(m, second), signals[0, second][:, lanes], signals[1, second][:, lanes],
            np.full(m, np.nan), events, np.where(starts_2[lanes] <= second, 2, 1), all_weeks[lanes],
        )  # fmt: skip
        events.clear()
        if second % CLASS_EVERY_S == CLASS_EVERY_S - 1:
            classes[:, lanes] = _classes(state, lanes)
        if len(evaluated):
            measures = asked(state.findings, evaluated)
            seconds.append(np.full(len(evaluated), second))
            lanes_of.append(evaluated)
            rows.append(np.array([measures[name] for name in names]))
            class_rows.append(classes[:, evaluated].copy())
        moved(m)
    values = dict(zip(names, np.concatenate(rows, axis=1), strict=True))
    for rule_set, rank in zip(rules.rule_sets, np.concatenate(class_rows, axis=1), strict=True):
        values[f"{CLASS} {rule_set.name}"] = rank
    lost = values["signal_lost_s"] >= rules.reading.signal.no_value_after_s
    return Evaluations(n, np.concatenate(seconds), np.concatenate(lanes_of), lost, values)


def _classes(state: State, lanes: Ints) -> Floats:
    """Return the class of some lanes under each rule set, shape (rule sets, m)."""
    classes = np.empty((len(state.rules.rule_sets), len(lanes)))
    for place, rules in enumerate(state.rules.rule_sets):
        measures = {name: value[lanes] for name, value in measures_of(state.findings, place).items()}
        rank = np.zeros(len(lanes))
        for criterion, holds in zip(rules.criterion, holding(rules, measures), strict=True):
            rank = np.maximum(rank, np.where(holds, criterion.rank, 0))
        known = ~np.isnan(measures["baseline_bpm"])
        classes[place] = np.where((rank == 0) & known, 1, rank)
    return classes
