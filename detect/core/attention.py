"""Attention: from findings to flags that escalate until somebody comes.

A condition of the policy becomes active when it has held for `hold_s`, and is over when its release has held for
`release_s` (two thresholds: no flicker). The level of a bed is that of its worst active condition. All conditions of
a bed are one flag:

    none ──raised──▶ unanswered ──acknowledged──▶ answered
                     │  ▲ │                        │  │
          escalated ─┘  │ └───── eased ──▶ none ◀──┘  │
          worsened ─────┴──────────────────────────────┘

An unanswered flag goes one level up after the policy's time, and never goes down while the condition that brought it
there holds; a worse condition makes an answered flag unanswered again.
"""

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from msgspec import Struct

from detect.core.findings import Measures
from detect.core.lanes import Bools, Ints, Lanes, index, switch
from detect.core.rule_sets import Clause, compare
from quietward.messages import Level

SIGNAL_MEASURES = frozenset({"signal_lost_s", "fhr_usable_1min", "fhr_usable_30min", "near_mother_1min"})
LEVELS = [Level.QUIET, Level.LOOK, Level.BEDSIDE, Level.TEAM]


class Condition(Struct, frozen=True, forbid_unknown_fields=True):
    """Holds when all clauses hold; over when any clause of `release` holds.

    text: may name measures in braces. unless: conditions that say the same and more.
    """

    name: str
    level: Literal["look", "bedside", "team"]
    text: str
    all: list[Clause]
    hold_s: float
    release: list[Clause]
    release_s: float
    unless: list[str] = []

    @property
    def rank(self) -> int:
        """Number of its level, 1 to 3."""
        return LEVELS.index(Level(self.level))

    @property
    def is_about_signal(self) -> bool:
        """True when it asks for the signal itself and so makes sense while the signal is lost."""
        return all(measure in SIGNAL_MEASURES for measure, _, _ in self.all)


class Escalation(Struct, frozen=True, forbid_unknown_fields=True):
    """How long a flag may stay unanswered at a level before it goes one up."""

    look_after_s: float
    bedside_after_s: float


class Policy(Struct, frozen=True, forbid_unknown_fields=True):
    """All of an attention policy's file."""

    name: str
    escalation: Escalation
    condition: list[Condition]


@dataclass
class Attention(Lanes):
    """What attention remembers; seconds are the bed's own."""

    held_since: Ints = index(-1, "conditions")
    eased_since: Ints = index(-1, "conditions")
    active: Bools = switch("conditions")
    level: Ints = index(0)
    from_conditions: Ints = index(0)  # what the conditions alone ask for
    level_since: Ints = index(-1)
    flag: Ints = index(0)  # number of the lane's newest flag
    answered: Bools = switch()


class Change(NamedTuple):
    """A flag of one lane has changed."""

    lane: int
    what: Literal["raised", "worsened", "escalated", "lowered", "eased", "acknowledged"]
    level: int
    flag: int


def decide(a: Attention, second: Ints, measures: Measures, lost: Bools, policy: Policy) -> list[Change]:
    """Bring the lanes up to `second`; return what changed, in lane order.

    While a lane's signal is lost, conditions that need it stay as they were: no false calm, and nothing new from
    numbers that have stopped moving.
    """
    for i, condition in enumerate(policy.condition):
        frozen = np.zeros_like(lost) if condition.is_about_signal else lost
        _follow(a, i, condition, second, measures, frozen)
    ranks = np.array([[c.rank] for c in policy.condition])
    asked = np.where(a.active, ranks, 0).max(axis=0)
    before = a.level
    waited = second - a.level_since
    patience = np.select(
        [before == 1, before == 2],
        [policy.escalation.look_after_s, policy.escalation.bedside_after_s],
        np.inf,
    )
    unanswered = (before > 0) & ~a.answered
    escalates = unanswered & (asked > 0) & (asked <= before) & (waited >= patience)
    worse = asked > np.maximum(before, 0)
    speaks_again = a.answered & (asked > a.from_conditions)
    # While unanswered a level that was reached by waiting stays; only what conditions brought can go with them.
    waited_up = unanswered & (before > a.from_conditions)
    level = np.where(
        asked == 0, 0, np.where(escalates, before + 1, np.where(waited_up, np.maximum(asked, before), asked))
    )
    level = np.where(a.answered & (asked > 0) & ~worse, before, level)  # an answered flag keeps its level till it eases
    changed = (level != before) | speaks_again
    a.from_conditions = asked
    if not changed.any():
        return []
    changes = [_change(a, int(n), int(before[n]), int(level[n]), bool(escalates[n])) for n in np.flatnonzero(changed)]
    a.level = level
    a.level_since = np.where(changed, second, a.level_since)
    a.answered &= ~(worse | speaks_again | (level == 0))
    return changes


def _change(a: Attention, n: int, before: int, level: int, escalates: bool) -> Change:
    if before == 0:
        a.flag[n] += 1
        return Change(n, "raised", level, int(a.flag[n]))
    if level == 0:
        return Change(n, "eased", level, int(a.flag[n]))
    if escalates:
        return Change(n, "escalated", level, int(a.flag[n]))
    return Change(n, "lowered" if level < before else "worsened", level, int(a.flag[n]))


def _follow(a: Attention, i: int, condition: Condition, second: Ints, measures: Measures, frozen: Bools) -> None:
    holds = np.logical_and.reduce([compare(measures[m], op, limit) for m, op, limit in condition.all])
    known = np.logical_and.reduce([~np.isnan(measures[m]) for m, _, _ in condition.all])
    over = ~holds & (
        np.logical_or.reduce([compare(measures[m], op, limit) for m, op, limit in condition.release]) | ~known
    )
    holds, over = holds & ~frozen, over & ~frozen
    a.held_since[i] = np.where(holds, np.where(a.held_since[i] < 0, second, a.held_since[i]), -1)
    a.eased_since[i] = np.where(over, np.where(a.eased_since[i] < 0, second, a.eased_since[i]), -1)
    begins = ~a.active[i] & holds & (second - a.held_since[i] >= condition.hold_s)
    ends = a.active[i] & over & (second - a.eased_since[i] >= condition.release_s)
    a.active[i] = (a.active[i] | begins) & ~ends


def acknowledge(a: Attention, n: int, flag: int) -> Change | None:
    """Somebody answers flag number `flag` of lane n; None if there is nothing (any more) to answer."""
    if a.level[n] == 0 or a.flag[n] != flag or a.answered[n]:
        return None
    a.answered[n] = True
    return Change(n, "acknowledged", int(a.level[n]), flag)
