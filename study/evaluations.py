"""What the detector measures at each of its evaluations of a bed. No attention policy changes it: it is done once."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np

from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.detect.core import engine
from quietward.detect.core.alerting.policy import Policy
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
    """Evaluations in the order of time: second, bed, lost: shape (n,); values: by measure, shape (n,).

    A bed may be evaluated at between two rounds of evaluations, when something has just ended at it.
    """

    beds: int
    second: Ints
    bed: Ints
    lost: Bools
    values: dict[str, Floats]

    def of(self, beds: range) -> Self:
        """Return the evaluations of some neighbouring beds, numbered from 0."""
        own = (self.bed >= beds.start) & (self.bed < beds.stop)
        values = {name: value[own] for name, value in self.values.items()}
        return type(self)(len(beds), self.second[own], self.bed[own] - beds.start, self.lost[own], values)

    def without(self, bed: int, from_s: float = 0.0) -> Self:
        """Return all but those of a bed from a moment on."""
        return self._where((self.bed != bed) | (self.second < from_s))

    def until(self, ends_s: Floats) -> Self:
        """Return those of every bed before a moment of its own. ends_s: shape (beds,)."""
        return self._where(self.second < ends_s[self.bed])

    def with_bed(self, bed: int, own: "Evaluations", from_bed: int) -> Self:
        """Return the same with those of one bed taken from others', where it is `from_bed`."""
        kept, added = self.without(bed), own.of(range(from_bed, from_bed + 1))
        second, beds = np.append(kept.second, added.second), np.append(kept.bed, np.full_like(added.bed, bed))
        order = np.lexsort((beds, second))
        values = {name: np.append(value, added.values[name])[order] for name, value in kept.values.items()}
        return type(self)(self.beds, second[order], beds[order], np.append(kept.lost, added.lost)[order], values)

    def _where(self, kept: Bools) -> Self:
        values = {name: value[kept] for name, value in self.values.items()}
        return type(self)(self.beds, self.second[kept], self.bed[kept], self.lost[kept], values)

    def save(self, path: Path) -> None:
        """Write to a .npz file, atomically."""
        unfinished = path.with_suffix(".part.npz")
        arrays: dict[str, Any] = {f"value {name}": value for name, value in self.values.items()}
        arrays |= {"lanes": self.beds, "second": self.second, "lane": self.bed, "lost": self.lost}
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
        clause
        for c in policy.condition
        for part in (c.all, c.release, c.needs, c.helped, c.release_acknowledged, c.release_needs)
        for clause in part
    ]
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
    seconds, beds_of, rows = [], [], []
    classes = np.zeros((len(rules.rule_sets), n))
    class_rows = []
    events: list[Event] = []
    for second in range(longest):
        beds = np.flatnonzero(lengths > second)
        m = len(beds)
        evaluated = engine.advance(
            state, beds, np.full(m, second), signals[0, second][:, beds], signals[1, second][:, beds],
            np.full(m, np.nan), events, np.where(starts_2[beds] <= second, 2, 1), all_weeks[beds],
        )  # fmt: skip
        events.clear()
        if second % CLASS_EVERY_S == CLASS_EVERY_S - 1:
            classes[:, beds] = _classes(state, beds)
        if len(evaluated):
            measures = asked(state.findings, evaluated)
            seconds.append(np.full(len(evaluated), second))
            beds_of.append(evaluated)
            rows.append(np.array([measures[name] for name in names]))
            class_rows.append(classes[:, evaluated].copy())
        moved(m)
    values = dict(zip(names, np.concatenate(rows, axis=1), strict=True))
    for rule_set, rank in zip(rules.rule_sets, np.concatenate(class_rows, axis=1), strict=True):
        values[f"{CLASS} {rule_set.name}"] = rank
    lost = values["signal_lost_s"] >= rules.reading.signal.no_value_after_s
    return Evaluations(n, np.concatenate(seconds), np.concatenate(beds_of), lost, values)


def _classes(state: State, beds: Ints) -> Floats:
    """Return the class of some beds under each rule set, shape (rule sets, m)."""
    classes = np.empty((len(state.rules.rule_sets), len(beds)))
    for place, rules in enumerate(state.rules.rule_sets):
        measures = {name: value[beds] for name, value in measures_of(state.findings, place).items()}
        rank = np.zeros(len(beds))
        for criterion, holds in zip(rules.criterion, holding(rules, measures), strict=True):
            rank = np.maximum(rank, np.where(holds, criterion.rank, 0))
        known = ~np.isnan(measures["baseline_bpm"])
        classes[place] = np.where((rank == 0) & known, 1, rank)
    return classes
