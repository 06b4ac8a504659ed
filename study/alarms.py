"""What calls people: attention policies, many side by side, and the plain alarms they are compared with.

A variant is one of the things compared. All kinds of alarms are driven in the same way: `next_s` says when something
may happen, `look` makes it happen and returns the calls, `answer` tells it that somebody has answered.
"""

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple, Protocol

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core import arrays
from quietward.detect.core.alerting import attention
from quietward.detect.core.alerting.attention import (
    BEDSIDE,
    Aside,
    Attention,
    Change,
    Condition,
    Policy,
    Told,
    counting_at,
    numbers_of,
)
from quietward.detect.core.alerting.rule_sets import Clause, compare
from quietward.detect.core.arrays import Bools, Floats
from quietward.detect.core.measures.findings import ASKED
from quietward.detect.core.records import taken
from quietward.study.looks import Looks

CALLING = frozenset({"raised", "worsened", "escalated", "renewed", "repeated", "returned"})
"""What makes an attention flag speak, and so interrupts somebody."""


class Call(NamedTuple):
    """Somebody is interrupted. level: 1 to 3; why: name of the condition, or of the plain alarm."""

    variant: int
    lane: int
    t_s: float
    level: int
    why: str
    what: str
    about_signal: bool = False


class Stood(NamedTuple):
    """From `t_s` on a bed asked for this level; answered: somebody has said so."""

    variant: int
    lane: int
    t_s: float
    level: int
    answered: bool


class Alarms(Protocol):
    """Something that calls people. `told`: every change of level or answer, in the order of time."""

    told: list[Stood]

    def next_s(self) -> float:
        """Return when it has to look next; infinity at the end."""

    def look(self) -> list[Call]:
        """Look, and return whom it calls."""

    def level(self, variant: int, lane: int) -> int:
        """Return the level of an unanswered call, 0 where there is none."""

    def answer(self, variant: int, lane: int, t_s: float) -> None:
        """Somebody answers whatever stands at a bed; nothing happens where nothing does."""


class PolicyAlarms:
    """Attention policies of one structure over the same looks, as lanes side by side: variant x bed."""

    def __init__(self, looks: Looks, policies: Sequence[Policy]) -> None:
        self.told: list[Stood] = []
        self._looks, self._policies, self._numbers = looks, policies, numbers_of(policies)
        pairs, conditions = len(policies) * looks.lanes, len(policies[0].condition)
        self._attention = arrays.empty(Attention, pairs, {"conditions": conditions})
        self._room = Told.of(pairs, conditions)
        self._measures = np.full((len(ASKED), len(looks.second)), np.nan)
        for name, values in looks.values.items():
            if name in ASKED:
                self._measures[ASKED[name]] = values
        self._busy: Bools = np.zeros((len(policies), looks.lanes), dtype=np.bool_)
        self._may_begin = _may_begin(looks, policies)
        self._rows = [*np.flatnonzero(np.diff(looks.second, prepend=-1)).tolist(), len(looks.second)]
        self._row = 0
        self._due: Bools = np.zeros((0, 0), dtype=np.bool_)

    def next_s(self) -> float:
        """Return when there is a look that may change something: at an idle bed a condition must hold."""
        for row in range(self._row, len(self._rows) - 1):
            looks = slice(self._rows[row], self._rows[row + 1])
            self._due = self._may_begin[:, looks] | self._busy[:, self._looks.lane[looks]]
            if self._due.any():
                self._row = row
                return float(self._looks.second[self._rows[row]])
        self._row = len(self._rows) - 1
        return np.inf

    def look(self) -> list[Call]:
        """Let the policies decide on the looks that `next_s` has found."""
        variant, place = np.nonzero(self._due)
        at = self._rows[self._row] + place
        self._row += 1
        lane = self._looks.lane[at]
        pairs = variant * self._looks.lanes + lane
        a, second = self._attention, self._looks.second[at]
        attention.decide_all(
            a, pairs, second, self._measures[:, at].copy(), self._looks.lost[at], self._numbers, variant, self._room
        )
        taken(self._room.asides, Aside)  # nobody reads them
        waits = a.active[:, pairs] | (a.held_since[:, pairs] >= 0)
        waits |= a.held_back[:, pairs] != attention.NOT_HELD_BACK
        self._busy[variant, lane] = waits.any(axis=0) | (a.level[pairs] > 0)
        calls, t_s = [], float(second[0])  # of all of them
        for change in taken(self._room.changes, Change):
            v, n = divmod(change.n, self._looks.lanes)
            self.told.append(Stood(v, n, t_s, change.level, bool(a.answered[change.n])))
            if change.word in CALLING:
                lead = self._lead(change.n, v)
                calls.append(Call(v, n, t_s, change.level, lead.name, change.word, lead.is_about_signal))
        return calls

    def _lead(self, pair: int, variant: int) -> Condition:
        """Return the condition that is told first of a bed's flag."""
        policy = self._policies[variant]
        counting = counting_at(self._attention, pair, policy)
        counts = [c for c, does in zip(policy.condition, counting, strict=True) if does]
        names = {c.name for c in counts}
        return max((c for c in counts if not names.intersection(c.unless)), key=lambda c: c.rank)

    def level(self, variant: int, lane: int) -> int:
        """Return the level of an unanswered flag."""
        all_pairs, pair = self._attention, variant * self._looks.lanes + lane
        return 0 if all_pairs.answered[pair] else int(all_pairs.level[pair])

    def answer(self, variant: int, lane: int, t_s: float) -> None:
        """Acknowledge the flag of a bed."""
        pair = variant * self._looks.lanes + lane
        all_pairs = self._attention
        change = attention.acknowledge(all_pairs, pair, int(all_pairs.flag[pair]), int(t_s))
        if change is not None:
            self.told.append(Stood(variant, lane, t_s, change.level, answered=True))


def _may_begin(looks: Looks, policies: Sequence[Policy]) -> Bools:
    """Return where some condition of each policy holds, shape (variants, looks)."""
    known: dict[tuple[Clause, ...], Bools] = {}
    found = np.zeros((len(policies), len(looks.second)), dtype=np.bool_)
    for v, policy in enumerate(policies):
        for condition in policy.condition:
            clauses: tuple[Clause, ...] = tuple(condition.all)
            if clauses not in known:
                known[clauses] = np.logical_and.reduce(
                    [compare(looks.values[measure], operator, limit) for measure, operator, limit in clauses]
                )
            found[v] |= known[clauses]
    return found


class Turn(NamedTuple):
    """A plain alarm asks for a level from here on; 0: for nothing any more."""

    t_s: float
    lane: int
    level: int


class PlainAlarms:
    """Alarms that do not change with what people do: a level from then to then, silent once somebody has answered."""

    def __init__(self, names: Sequence[str], turns: Sequence[Iterable[Turn]], lanes: int) -> None:
        self.told: list[Stood] = []
        self._names = names
        self._turns = sorted((turn.t_s, v, turn) for v, own in enumerate(turns) for turn in own)
        self._level = np.zeros((len(names), lanes), dtype=np.int64)
        self._answered = np.zeros((len(names), lanes), dtype=np.bool_)
        self._next = 0

    def next_s(self) -> float:
        """Return when the next alarm begins or ends."""
        return self._turns[self._next][0] if self._next < len(self._turns) else np.inf

    def look(self) -> list[Call]:
        """Let everything begin and end that does so now."""
        now, calls = self.next_s(), []
        while self.next_s() == now:
            _, v, turn = self._turns[self._next]
            self._next += 1
            before = int(self._level[v, turn.lane])
            rises = turn.level > before
            self._level[v, turn.lane] = turn.level
            if rises or turn.level == 0:
                self._answered[v, turn.lane] = False
            self.told.append(Stood(v, turn.lane, now, turn.level, bool(self._answered[v, turn.lane])))
            if rises:
                calls.append(Call(v, turn.lane, now, turn.level, self._names[v], "worsened" if before else "raised"))
        return calls

    def level(self, variant: int, lane: int) -> int:
        """Return the level of an alarm that nobody has answered."""
        return 0 if self._answered[variant, lane] else int(self._level[variant, lane])

    def answer(self, variant: int, lane: int, t_s: float) -> None:
        """Silence the alarm of a bed until it is over."""
        if self.level(variant, lane):
            self._answered[variant, lane] = True
            self.told.append(Stood(variant, lane, t_s, int(self._level[variant, lane]), answered=True))


BACK_S = 10.0
"""An alarm with fixed limits is over when the rate has been within them for so long: common practice, no source."""


def beyond_limits(fhr: Floats, low_bpm: float, high_bpm: float, for_s: float, level: int, lane: int) -> list[Turn]:
    """Return the turns of an alarm with fixed limits over one bed; fhr: bpm, 4 Hz, NaN where there is no value.

    It begins when the rate has been outside for `for_s` without a value inside. Without values it neither begins nor
    ends: gaps are left out of both times.
    """
    known = np.flatnonzero(~np.isnan(fhr))
    outside = (fhr[known] < low_bpm) | (fhr[known] > high_bpm)
    edges = [*np.flatnonzero(np.diff(outside.astype(np.int8), prepend=-1)).tolist(), len(outside)]
    turns: list[Turn] = []
    is_on = False
    for begin, end in pairwise(edges):
        wanted = max(1, round((BACK_S if is_on else for_s) * HZ))
        if end - begin < wanted or bool(outside[begin]) == is_on:
            continue
        is_on = not is_on
        turns.append(Turn((float(known[begin + wanted - 1]) + 1) / HZ, lane, level if is_on else 0))
    return turns


def by_class(looks: Looks, value: Floats) -> list[Turn]:
    """Return the turns of an alarm that takes a rule set at its word: class 2 is a `look`, class 3 `bedside`."""
    turns = []
    level = np.clip(value - 1, 0, BEDSIDE).astype(np.int64)
    for lane in range(looks.lanes):
        own = np.flatnonzero(looks.lane == lane)
        changed = own[np.diff(level[own], prepend=0) != 0]
        turns += [Turn(float(looks.second[i]), lane, int(level[i])) for i in changed.tolist()]
    return turns
