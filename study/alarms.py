"""Sources of calls: attention policies, many side by side, and the plain alarms they are compared with.

A variant is one of the things compared. All kinds of alarms are driven in the same way: `next_s` is the time of the
next step, `step` takes it and returns the calls, `answer` acknowledges what is active at a bed.
"""

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple, Protocol

import numpy as np

from quietward.contracts.fields import HZ
from quietward.contracts.log import CALLING
from quietward.detect.core import arrays
from quietward.detect.core.alerting import attention
from quietward.detect.core.alerting.flags import (
    IS_NOTED,
    IS_QUIET,
    NOT_SUPPRESSED,
    Attention,
    Change,
    Notice,
    Told,
    counting_at,
)
from quietward.detect.core.alerting.policy import BEDSIDE, Condition, Policy, numbers_of
from quietward.detect.core.alerting.rule_sets import Clause, compare
from quietward.detect.core.arrays import Bools, Floats
from quietward.detect.core.measures.findings import ASKED
from quietward.detect.core.records import taken
from quietward.study.evaluations import Evaluations


class Call(NamedTuple):
    """One interruption. level: 1 to 3; why: name of the condition, or of the plain alarm."""

    variant: int
    bed: int
    t_s: float
    level: int
    why: str
    what: str
    about_signal: bool = False


class AlarmChange(NamedTuple):
    """From `t_s` on a bed has an alarm of this level, 0 for none; acknowledged: somebody has acknowledged it."""

    variant: int
    bed: int
    t_s: float
    level: int
    acknowledged: bool


class NotedTime(NamedTuple):
    """From `from_s` to `until_s` (infinite: it goes on) a bed was noted: it called nobody, and was not quiet."""

    variant: int
    bed: int
    from_s: float
    until_s: float


class Alarms(Protocol):
    """A source of calls. `changes`: every change of level or acknowledgement, in the order of time."""

    changes: list[AlarmChange]

    def noted(self) -> list[NotedTime]:
        """Return when beds were noted; plain alarms know no such state."""

    def next_s(self) -> float:
        """Return the time of the next step; infinity at the end."""

    def step(self) -> list[Call]:
        """Take the next step and return its calls."""

    def level(self, variant: int, bed: int) -> int:
        """Return the level of an unacknowledged call, 0 where there is none."""

    def answer(self, variant: int, bed: int, t_s: float) -> None:
        """Acknowledge whatever is active at a bed; without effect where nothing is."""


class PolicyAlarms:
    """Attention policies of one structure over the same evaluations, as beds side by side: variant x bed."""

    def __init__(self, evaluations: Evaluations, policies: Sequence[Policy]) -> None:
        self.changes: list[AlarmChange] = []
        self._evaluations, self._policies, self._numbers = evaluations, policies, numbers_of(policies)
        pairs, conditions = len(policies) * evaluations.beds, len(policies[0].condition)
        self._attention = arrays.empty(Attention, pairs, {"conditions": conditions})
        self._room = Told.of(pairs, conditions)
        self._measures = np.full((len(ASKED), len(evaluations.second)), np.nan)
        for name, values in evaluations.values.items():
            if name in ASKED:
                self._measures[ASKED[name]] = values
        self._busy: Bools = np.zeros((len(policies), evaluations.beds), dtype=np.bool_)
        self._may_begin = _may_begin(evaluations, policies)
        self._rows = [*np.flatnonzero(np.diff(evaluations.second, prepend=-1)).tolist(), len(evaluations.second)]
        self._row = 0
        self._row_is_found = False
        self._noted: list[NotedTime] = []
        self._noted_since: dict[int, float] = {}
        self._due: Bools = np.zeros((0, 0), dtype=np.bool_)

    def next_s(self) -> float:
        """Return the time of the next evaluation that can change something: at an idle bed a condition must hold."""
        if self._row_is_found:
            return float(self._evaluations.second[self._rows[self._row]])
        for row in range(self._row, len(self._rows) - 1):
            own = slice(self._rows[row], self._rows[row + 1])
            self._due = self._may_begin[:, own] | self._busy[:, self._evaluations.bed[own]]
            if self._due.any():
                self._row, self._row_is_found = row, True
                return float(self._evaluations.second[self._rows[row]])
        self._row = len(self._rows) - 1
        return np.inf

    def step(self) -> list[Call]:
        """Let the policies decide on the evaluations that are due at `next_s`."""
        variant, place = (np.ascontiguousarray(x) for x in np.nonzero(self._due))
        at = self._rows[self._row] + place
        self._row, self._row_is_found = self._row + 1, False
        bed = self._evaluations.bed[at]
        pairs = variant * self._evaluations.beds + bed
        a, second = self._attention, self._evaluations.second[at]
        attention.decide_all(
            a,
            pairs,
            second,
            self._measures.take(at, axis=1),
            self._evaluations.lost[at],
            self._numbers,
            variant,
            self._room,
        )
        t_s = float(second[0])  # of all of them
        for notice in taken(self._room.notices, Notice):
            if notice.what == IS_NOTED:
                self._noted_since.setdefault(notice.n, t_s)
            elif notice.what == IS_QUIET:
                self._end_noted(notice.n, t_s)
        waits = a.active.take(pairs, axis=1) | (a.held_since.take(pairs, axis=1) >= 0)
        waits |= a.suppressed.take(pairs, axis=1) != NOT_SUPPRESSED
        self._busy[variant, bed] = waits.any(axis=0) | (a.level[pairs] > 0)
        calls = []
        for change in taken(self._room.changes, Change):
            v, n = divmod(change.n, self._evaluations.beds)
            if change.level:
                self._end_noted(change.n, t_s)
            self.changes.append(AlarmChange(v, n, t_s, change.level, bool(a.acknowledged[change.n])))
            if change.word in CALLING:
                lead = self._lead(change.n, v)
                calls.append(Call(v, n, t_s, change.level, lead.name, change.word, lead.is_about_signal))
        return calls

    def _end_noted(self, pair: int, t_s: float) -> None:
        if (since_s := self._noted_since.pop(pair, None)) is not None:
            self._noted.append(NotedTime(*divmod(pair, self._evaluations.beds), since_s, t_s))

    def noted(self) -> list[NotedTime]:
        """Return when beds were noted."""
        open_ones = [
            NotedTime(*divmod(pair, self._evaluations.beds), since_s, np.inf)
            for pair, since_s in self._noted_since.items()
        ]
        return self._noted + open_ones

    def _lead(self, pair: int, variant: int) -> Condition:
        """Return the condition that is told first of a bed's flag."""
        return self._policies[variant].spoken(counting_at(self._attention, pair), self._attention.rank[:, pair])[0]

    def level(self, variant: int, bed: int) -> int:
        """Return the level of an unacknowledged flag."""
        all_pairs, pair = self._attention, variant * self._evaluations.beds + bed
        return 0 if all_pairs.acknowledged[pair] else int(all_pairs.level[pair])

    def answer(self, variant: int, bed: int, t_s: float) -> None:
        """Acknowledge the flag of a bed."""
        pair = variant * self._evaluations.beds + bed
        all_pairs = self._attention
        change = attention.acknowledge(all_pairs, pair, int(all_pairs.flag[pair]), int(t_s))
        if change is not None:
            self.changes.append(AlarmChange(variant, bed, t_s, change.level, acknowledged=True))


def _may_begin(evaluations: Evaluations, policies: Sequence[Policy]) -> Bools:
    """Return where some condition of each policy holds, shape (variants, evaluations)."""
    known: dict[tuple[Clause, ...], Bools] = {}
    may_begin = np.zeros((len(policies), len(evaluations.second)), dtype=np.bool_)
    for v, policy in enumerate(policies):
        for condition in policy.condition:
            clauses: tuple[Clause, ...] = tuple(condition.all)
            if clauses not in known:
                known[clauses] = np.logical_and.reduce(
                    [compare(evaluations.values[measure], operator, limit) for measure, operator, limit in clauses]
                )
            may_begin[v] |= known[clauses]
    return may_begin


class AlarmEdge(NamedTuple):
    """A plain alarm changes its level; 0: it is over."""

    t_s: float
    bed: int
    level: int


class SpeakAgain(NamedTuple):
    """By level, seconds after which an alarm that nobody answers goes one level up, and an answered one is repeated."""

    goes_up_s: tuple[float, float, float, float]
    repeats_s: tuple[float, float, float, float]


class PlainAlarms:
    """Alarms that begin and end whatever staff do.

    Until it ends, one that nobody acknowledges goes one level up, once, and one that has been acknowledged is silent
    for a time and speaks again. again: by alarm; ends_s: by bed, when its signal does, and nothing speaks there again.
    """

    def __init__(
        self,
        names: Sequence[str],
        edges: Sequence[Iterable[AlarmEdge]],
        again: Sequence[SpeakAgain],
        ends_s: Sequence[float],
    ) -> None:
        self.changes: list[AlarmChange] = []
        self._names, self._again, self._ends_s = names, again, ends_s
        self._edges = sorted((edge.t_s, v, edge) for v, own in enumerate(edges) for edge in own)
        shape = len(names), len(ends_s)
        self._by_itself = np.zeros(shape, dtype=np.int64)  # the level without having gone up
        self._level = np.zeros(shape, dtype=np.int64)
        self._acknowledged, self._has_gone_up = (np.zeros(shape, dtype=np.bool_) for _ in range(2))
        self._due: Floats = np.full(shape, np.inf)
        self._next = 0

    def next_s(self) -> float:
        """Return when the next alarm begins, ends, or speaks again."""
        edge_s = self._edges[self._next][0] if self._next < len(self._edges) else np.inf
        return min(edge_s, float(self._due.min(initial=np.inf)))

    def step(self) -> list[Call]:
        """Let all alarms begin, end and speak again that do so now."""
        now, calls = self.next_s(), []
        while self._next < len(self._edges) and self._edges[self._next][0] == now:
            _, v, edge = self._edges[self._next]
            self._next += 1
            calls += self._changes_by_itself(v, edge)
        for v, bed in np.argwhere(self._due == now).tolist():
            calls.append(self._speaks_again(v, bed, now))
        return calls

    def _changes_by_itself(self, v: int, edge: AlarmEdge) -> list[Call]:
        at, before = (v, edge.bed), int(self._by_itself[v, edge.bed])
        rises = edge.level > before
        self._by_itself[at] = edge.level
        self._level[at] = max(edge.level, self._level[at]) if rises else edge.level
        if edge.level == 0:
            self._has_gone_up[at] = False
        if rises or edge.level == 0:
            self._acknowledged[at] = False
        self._tell(v, edge.bed, edge.t_s)
        what = "worsened" if before else "raised"
        return [Call(v, edge.bed, edge.t_s, int(self._level[at]), self._names[v], what)] if rises else []

    def _speaks_again(self, v: int, bed: int, now: float) -> Call:
        at = v, bed
        goes_up = not self._acknowledged[at]
        self._has_gone_up[at] |= goes_up
        self._level[at] += goes_up
        self._acknowledged[at] = False
        self._tell(v, bed, now)
        return Call(v, bed, now, int(self._level[at]), self._names[v], "escalated" if goes_up else "repeated")

    def _tell(self, v: int, bed: int, now: float) -> None:
        """Write down what an alarm is like from now on, and when it speaks again if it stays so."""
        at, level = (v, bed), int(self._level[v, bed])
        is_acknowledged, again = bool(self._acknowledged[at]), self._again[v]
        self.changes.append(AlarmChange(v, bed, now, level, is_acknowledged))
        due_s = np.inf
        if level and is_acknowledged:
            due_s = now + again.repeats_s[level]
        elif level and not self._has_gone_up[at]:
            due_s = now + again.goes_up_s[level]
        self._due[at] = due_s if due_s < self._ends_s[bed] else np.inf

    def noted(self) -> list[NotedTime]:
        """Return none: such an alarm sounds, or does not."""
        return []

    def level(self, variant: int, bed: int) -> int:
        """Return the level of an unacknowledged alarm, 0 where there is none."""
        return 0 if self._acknowledged[variant, bed] else int(self._level[variant, bed])

    def answer(self, variant: int, bed: int, t_s: float) -> None:
        """Silence the alarm of a bed until it is over, or speaks again."""
        if self.level(variant, bed):
            self._acknowledged[variant, bed] = True
            self._tell(variant, bed, t_s)


BACK_S = 10.0
"""An alarm with fixed limits ends when the rate has been within them for this long: common practice, no source."""


def limit_alarm_edges(
    fhr: Floats, low_bpm: float, high_bpm: float, for_s: float, level: int, bed: int
) -> list[AlarmEdge]:
    """Return the edges of an alarm with fixed limits over one bed; fhr: bpm, 4 Hz, NaN where there is no value.

    It begins when the rate has been outside for `for_s` without a value inside. Gaps count for neither of the two
    times, so it neither begins nor ends in one.
    """
    known = np.flatnonzero(~np.isnan(fhr))
    outside = (fhr[known] < low_bpm) | (fhr[known] > high_bpm)
    crossings = [*np.flatnonzero(np.diff(outside.astype(np.int8), prepend=-1)).tolist(), len(outside)]
    edges: list[AlarmEdge] = []
    is_on = False
    for begin, end in pairwise(crossings):
        wanted = max(1, round((BACK_S if is_on else for_s) * HZ))
        if end - begin < wanted or bool(outside[begin]) == is_on:
            continue
        is_on = not is_on
        edges.append(AlarmEdge((float(known[begin + wanted - 1]) + 1) / HZ, bed, level if is_on else 0))
    return edges


def class_alarm_edges(evaluations: Evaluations, value: Floats) -> list[AlarmEdge]:
    """Return the edges of an alarm that takes a rule set literally: class 2 is a `look`, class 3 `bedside`."""
    edges = []
    level = np.clip(value - 1, 0, BEDSIDE).astype(np.int64)
    for bed in range(evaluations.beds):
        own = np.flatnonzero(evaluations.bed == bed)
        changed = own[np.diff(level[own], prepend=0) != 0]
        edges += [AlarmEdge(float(evaluations.second[i]), bed, int(level[i])) for i in changed.tolist()]
    return edges
