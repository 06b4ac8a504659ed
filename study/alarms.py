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
        self._noted: list[NotedTime] = []
        self._noted_since: dict[int, float] = {}
        self._due: Bools = np.zeros((0, 0), dtype=np.bool_)

    def next_s(self) -> float:
        """Return the time of the next evaluation that can change something: at an idle bed a condition must hold."""
        for row in range(self._row, len(self._rows) - 1):
            own = slice(self._rows[row], self._rows[row + 1])
            self._due = self._may_begin[:, own] | self._busy[:, self._evaluations.bed[own]]
            if self._due.any():
                self._row = row
                return float(self._evaluations.second[self._rows[row]])
        self._row = len(self._rows) - 1
        return np.inf

    def step(self) -> list[Call]:
        """Let the policies decide on the evaluations that are due at `next_s`."""
        variant, place = (np.ascontiguousarray(x) for x in np.nonzero(self._due))
        at = self._rows[self._row] + place
        self._row += 1
        bed = self._evaluations.bed[at]
        pairs = variant * self._evaluations.beds + bed
        a, second = self._attention, self._evaluations.second[at]
        attention.decide_all(
            a,
            pairs,
            second,
            self._measures[:, at].copy(),
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
        waits = a.active[:, pairs] | (a.held_since[:, pairs] >= 0)
        waits |= a.suppressed[:, pairs] != NOT_SUPPRESSED
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
        return self._policies[variant].spoken(counting_at(self._attention, pair))[0]

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


class PlainAlarms:
    """Alarms whose times do not depend on what staff do; each is silent once it has been acknowledged."""

    def __init__(self, names: Sequence[str], edges: Sequence[Iterable[AlarmEdge]], beds: int) -> None:
        self.changes: list[AlarmChange] = []
        self._names = names
        self._edges = sorted((edge.t_s, v, edge) for v, own in enumerate(edges) for edge in own)
        self._level = np.zeros((len(names), beds), dtype=np.int64)
        self._acknowledged = np.zeros((len(names), beds), dtype=np.bool_)
        self._next = 0

    def next_s(self) -> float:
        """Return when the next alarm begins or ends."""
        return self._edges[self._next][0] if self._next < len(self._edges) else np.inf

    def step(self) -> list[Call]:
        """Let all alarms begin and end that do so now."""
        now, calls = self.next_s(), []
        while self.next_s() == now:
            _, v, edge = self._edges[self._next]
            self._next += 1
            before = int(self._level[v, edge.bed])
            rises = edge.level > before
            self._level[v, edge.bed] = edge.level
            if rises or edge.level == 0:
                self._acknowledged[v, edge.bed] = False
            self.changes.append(AlarmChange(v, edge.bed, now, edge.level, bool(self._acknowledged[v, edge.bed])))
            if rises:
                calls.append(Call(v, edge.bed, now, edge.level, self._names[v], "worsened" if before else "raised"))
        return calls

    def noted(self) -> list[NotedTime]:
        """Return none: such an alarm sounds, or does not."""
        return []

    def level(self, variant: int, bed: int) -> int:
        """Return the level of an unacknowledged alarm, 0 where there is none."""
        return 0 if self._acknowledged[variant, bed] else int(self._level[variant, bed])

    def answer(self, variant: int, bed: int, t_s: float) -> None:
        """Silence the alarm of a bed until it is over."""
        if self.level(variant, bed):
            self._acknowledged[variant, bed] = True
            self.changes.append(AlarmChange(variant, bed, t_s, int(self._level[variant, bed]), acknowledged=True))


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
