"""Attention: from findings to one flag per bed that escalates until somebody comes.

A condition of the policy becomes active when it has held for `hold_s`, and is over when its release has held for
`release_s` (two thresholds: no flicker). While the signal is lost, conditions that need it stay as they are: no false
calm, and nothing new from numbers that have stopped moving. What would begin and is kept back, because too little of
the signal is usable, or another condition explains it, or the monitor is off on purpose, or somebody has shelved it,
is told as held back: nothing disappears.

The level of a bed is that of its worst counting condition: one that is active and not shelved (what asks for the team
counts even then). All counting conditions of a bed are one flag (alarm life cycle after IEC 62682 / ISA-18.2):

    none ──raised──▶ unanswered ──acknowledged, care──▶ answered ──eased──▶ none
                      │ ▲  ▲ │                             │
           escalated ─┘ │  │ └── shelved ──▶ none          │
           worsened ────┘  └── worsened, renewed, ─────────┘
                               repeated, returned

- An unanswered flag goes one level up after the policy's time, as far as its conditions may go, and never falls while
  what brought it there holds.
- An answered flag keeps its level and waits. It speaks again when what holds gets worse (worsened), when another
  condition
  of the same rank begins that none of the answered ones explains (renewed), when it still holds after the policy's time
  (repeated), and when what was done has not helped in time: then it comes back one level up (returned).
- Shelving ends the flag until its conditions' time on the shelf is over; what asks for the team cannot be shelved.
"""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Literal, NamedTuple

import numpy as np
from msgspec import Meta, Struct

from quietward.contracts.messages import Level
from quietward.detect.core.alerting.rule_sets import Clause, Clauses, compare
from quietward.detect.core.arrays import Bools, Floats, Ints, Lanes, index, lane, some, switch
from quietward.detect.core.measures.findings import Measures

SIGNAL_MEASURES = frozenset({"signal_lost_s", "fhr_usable_1min", "fhr_usable_30min", "near_mother_1min"})
LEVELS = [Level.QUIET, Level.LOOK, Level.BEDSIDE, Level.TEAM]
LOOK, BEDSIDE, TEAM = (LEVELS.index(level) for level in (Level.LOOK, Level.BEDSIDE, Level.TEAM))
RANKS = {level.value: rank for rank, level in enumerate(LEVELS)}
BACK_AGAIN_SHARE = 0.5
"""A pause is over when the signal has been lost and so much of the last minute is usable again."""

Wait = Annotated[float, Meta(ge=0)]
Within = Annotated[int, Meta(gt=0)]
LevelName = Literal["look", "bedside", "team"]
NOT_HELD_BACK, COVERAGE, EXPLAINED, OFF, SHELVED, LOST, HIGHER = range(7)
WHY_HELD_BACK = {
    COVERAGE: "too little of the signal has been seen",
    EXPLAINED: "explained by another condition",
    OFF: "the monitor is off on purpose",
    SHELVED: "shelved",
    LOST: "the signal was lost before it had held long enough",
    HIGHER: "somebody has already answered a higher level",
}


class Condition(Struct, frozen=True, forbid_unknown_fields=True):
    """Holds when all clauses of `all` hold; over when any of `release` holds. `text` may name measures in braces.

    needs: clauses without which it does not begin (coverage). inhibited_by: earlier conditions that keep it from
    beginning while they are active. unless: conditions that say the same and more; while one of them counts this one
    adds no words and does not speak again. helped: clauses that say sooner than `release`, which may look back longer,
    that what was done has helped. goes_up_to: highest level it reaches by waiting. look_after_s: own time at `look`.
    for_one_bed: bounds within which the limit of its first clause may be another one at a single bed.
    """

    name: str
    level: LevelName
    text: str
    all: list[Clause]
    hold_s: Wait
    release: list[Clause]
    release_s: Wait
    needs: list[Clause] = []
    inhibited_by: list[str] = []
    unless: list[str] = []
    helped: list[Clause] = []
    goes_up_to: LevelName = "team"
    look_after_s: Wait | None = None
    for_one_bed: tuple[float, float] | None = None

    @property
    def rank(self) -> int:
        """Number of its level, 1 to 3."""
        return RANKS[self.level]

    @property
    def ceiling(self) -> int:
        """Number of the highest level it reaches by waiting."""
        return RANKS[self.goes_up_to]

    @property
    def is_about_signal(self) -> bool:
        """True when it asks for the signal itself and so makes sense while the signal is lost."""
        return all(measure in SIGNAL_MEASURES for measure, _, _ in self.all)


class Escalation(Struct, frozen=True, forbid_unknown_fields=True):
    """How long a flag may stay unanswered at a level before it goes one up."""

    look_after_s: Wait
    bedside_after_s: Wait


class Repeat(Struct, frozen=True, forbid_unknown_fields=True):
    """How long an answered flag may go on holding at a level before it speaks again."""

    look_s: Wait
    bedside_s: Wait
    team_s: Wait


class CareTimes(Struct, frozen=True, forbid_unknown_fields=True):
    """Within what time something that was done must have helped: no longer than findings are remembered."""

    helps_within_s: Annotated[int, Meta(gt=0, le=1800)]


class Longest(Struct, frozen=True, forbid_unknown_fields=True):
    """Everything that keeps a bed quieter has an end, at most so far away."""

    shelve_s: Within
    pause_s: Within
    limit_s: Within


class Policy(Struct, frozen=True, forbid_unknown_fields=True, dict=True):
    """All of an attention policy's file."""

    name: str
    escalation: Escalation
    repeat: Repeat
    care: CareTimes
    longest: Longest
    condition: list[Condition]

    @cached_property
    def conditions(self) -> Clauses:
        """What each condition asks for, to be compared at once."""
        return Clauses([c.all for c in self.condition])

    @cached_property
    def ranks(self) -> Ints:
        """Numbers of the conditions' levels, a column."""
        return np.array([[c.rank] for c in self.condition])

    def place(self, name: str) -> int | None:
        """Return which condition has this name."""
        return next((i for i, c in enumerate(self.condition) if c.name == name), None)


@dataclass(init=False, eq=False)
class Attention(Lanes):
    """What attention remembers; seconds are the bed's own."""

    held_since: Ints = index(-1, "conditions")
    eased_since: Ints = index(-1, "conditions")
    active: Bools = switch("conditions")
    held_back: Ints = index(NOT_HELD_BACK, "conditions")
    answered_for: Bools = switch("conditions")
    shelved_until: Ints = index(-1, "conditions")
    own_limit: Floats = lane(np.nan, "conditions")
    own_limit_until: Ints = index(-1, "conditions")
    noted: Bools = switch("conditions")  # counted when something was done
    seemed_helped: Bools = switch("conditions")  # its `helped` held already then, and so says nothing
    noted_at: Ints = index(-1)  # second of the first thing done since the flag last spoke
    paused_until: Ints = index(-1)
    lost_in_pause: Bools = switch()
    level: Ints = index(0)
    from_conditions: Ints = index(0)  # what the conditions alone ask for
    climbed: Ints = index(0)  # what the flag has reached by waiting or by coming back
    level_since: Ints = index(-1)
    flag: Ints = index(0)  # number of the lane's newest flag
    answered: Bools = switch()
    answered_at: Ints = index(-1)


What = Literal[
    "raised", "worsened", "escalated", "lowered", "eased", "acknowledged", "shelved", "renewed", "repeated", "returned"
]


class Change(NamedTuple):
    """A flag of one lane has changed."""

    lane: int
    what: What
    level: int
    flag: int


class Aside(NamedTuple):
    """Something beside the flag of one lane: kept back (`why` says why), or at its end. condition: -1 where none is."""

    lane: int
    what: Literal["held-back", "shelf-over", "own-limit-over", "pause-over"]
    condition: int
    why: int = NOT_HELD_BACK


@dataclass
class Decision:
    """What one look has changed, in lane order. asides come before the changes."""

    asides: list[Aside] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)


def decide(a: Attention, second: Ints, measures: Measures, lost: Bools, policy: Policy) -> Decision:
    """Bring the lanes up to `second`, and return what changed."""
    decision = Decision(_what_is_over(a, second, lost, measures))
    before_held_back = a.held_back.copy()
    own = a.own_limit if some(~np.isnan(a.own_limit)) else None
    holds = policy.conditions.holding(measures, own)
    waits = a.active | (a.held_since >= 0) | (a.held_back != NOT_HELD_BACK)
    for i in np.flatnonzero(np.logical_or.reduce(holds | waits, axis=-1)).tolist():
        _follow(a, i, holds[i], second, measures, lost, policy)
    ranks = policy.ranks
    counts = counting(a, policy)
    asked = np.where(counts, ranks, 0).max(axis=0)
    before = a.level
    has_flag = before > 0

    worse = asked > before
    renews = _renews(a, counts, ranks, policy) & has_flag & a.answered
    returned = _not_helped(a, second, counts, measures, policy) & has_flag
    escalates = has_flag & ~a.answered & _has_waited(a, second, counts, policy)
    repeats = has_flag & a.answered & (second - a.answered_at >= _of_level(before, policy.repeat))
    # While unanswered, a level that was reached by waiting or by coming back stays; only what conditions brought can go
    # with them. An answered flag falls only with its conditions.
    climbs = (returned | escalates) & ~worse
    eases = a.answered & (asked < a.from_conditions)
    stays = np.where(a.answered, before, np.maximum(asked, a.climbed))
    # The first that holds counts. `np.select` would say it more plainly, at fifty times the cost for a few lanes.
    level = np.where(
        asked == 0, 0, np.where(climbs, np.minimum(before + 1, TEAM), np.where(worse | eases, asked, stays))
    )
    a.climbed = np.where(asked == 0, 0, np.where(climbs, level, np.where(eases, 0, a.climbed)))
    speaks = (asked > 0) & has_flag & (worse | returned | escalates | renews | repeats)
    a.from_conditions = asked
    a.held_back[(a.held_back == HIGHER) & speaks] = NOT_HELD_BACK  # an unanswered flag speaks for all that counts
    for place in np.argwhere((a.held_back != before_held_back) & (a.held_back != NOT_HELD_BACK)):
        i, n = (int(p) for p in place)
        decision.asides.append(Aside(n, "held-back", i, int(a.held_back[i, n])))
    decision.asides.sort(key=lambda aside: aside.lane)
    changed = (level != before) | speaks
    if changed.any():
        for n in np.flatnonzero(changed).tolist():
            what = _what(before[n], level[n], worse[n], returned[n], escalates[n], renews[n], repeats[n])
            a.flag[n] += what == "raised"
            decision.changes.append(Change(n, what, int(level[n]), int(a.flag[n])))
        a.level_since = np.where(changed, second, a.level_since)
        a.answered &= ~speaks & (level > 0)
    a.level = level
    a.answered_for &= a.answered
    a.noted_at = np.where(speaks | (level == 0), -1, a.noted_at)
    return decision


def _what(before: int, level: int, worse: bool, returned: bool, escalates: bool, renews: bool, repeats: bool) -> What:
    if before == 0:
        return "raised"
    if level == 0:
        return "eased"
    told: list[tuple[bool, What]] = [
        (worse, "worsened"), (returned, "returned"), (escalates, "escalated"), (renews, "renewed"),
        (repeats, "repeated"),
    ]  # fmt: skip
    return next((what for is_so, what in told if is_so), "lowered")


def counting(a: Attention, policy: Policy) -> Bools:
    """Return which conditions ask for attention: active, and not shelved unless they ask for the team."""
    below_team = policy.ranks < TEAM
    found: Bools = a.active & ~((a.shelved_until >= 0) & below_team)
    return found


def counting_at(a: Attention, n: int, policy: Policy) -> Bools:
    """Return the same for lane n alone, shape (conditions,)."""
    below_team = policy.ranks[:, 0] < TEAM
    found: Bools = a.active[:, n] & ~((a.shelved_until[:, n] >= 0) & below_team)
    return found


def _what_is_over(a: Attention, second: Ints, lost: Bools, measures: Measures) -> list[Aside]:
    """End shelves, limits of one bed and pauses whose time is over, and a pause when the signal is back."""
    asides = []
    for what, until in (("shelf-over", a.shelved_until), ("own-limit-over", a.own_limit_until)):
        over = (until >= 0) & (second >= until)
        asides += [Aside(int(n), what, int(i)) for i, n in np.argwhere(over)]  # type: ignore[arg-type]
        until[over] = -1
    a.own_limit[a.own_limit_until < 0] = np.nan
    paused = a.paused_until >= 0
    a.lost_in_pause = paused & (a.lost_in_pause | lost)
    back = a.lost_in_pause & ~lost & (measures["fhr_usable_1min"] >= BACK_AGAIN_SHARE)
    over = paused & ((second >= a.paused_until) | back)
    asides += [Aside(int(n), "pause-over", -1) for n in np.flatnonzero(over)]
    a.paused_until = np.where(over, -1, a.paused_until)
    return asides


def _follow(a: Attention, i: int, holds: Bools, second: Ints, measures: Measures, lost: Bools, policy: Policy) -> None:
    """Let one condition begin and end, that holds, or has done so, at some lane."""
    condition, own = policy.condition[i], a.own_limit[i]
    has_own = some(~np.isnan(own))
    frozen = np.zeros_like(lost) if condition.is_about_signal else lost
    unknown = np.logical_or.reduce([np.isnan(measures[m]) for m, _, _ in condition.all])
    limit, release_limit = condition.all[0][2], condition.release[0][2]
    release = release_limit + np.nan_to_num(own - limit) if has_own else None
    over = ~holds & (_any(condition.release, measures, release) | unknown)
    was_held = a.held_since[i] >= 0
    active = a.active[i]
    holds, over = holds & ~frozen, over & ~frozen & active
    a.held_since[i] = np.where(holds, np.where(was_held, a.held_since[i], second), -1)
    eased_since = np.where(over, np.where(a.eased_since[i] >= 0, a.eased_since[i], second), -1)
    begins = ~active & holds & (second - a.held_since[i] >= condition.hold_s)
    ends = over & (second - eased_since >= condition.release_s)
    a.eased_since[i] = np.where(ends, -1, eased_since)

    why = np.zeros_like(a.held_back[i])
    if begins.any():
        covered = _one_of(condition.inhibited_by, a.active, policy)
        off = (a.paused_until >= 0) & condition.is_about_signal
        enough = _all(condition.needs, measures)
        why = np.where(begins, np.where(~enough, COVERAGE, np.where(covered, EXPLAINED, np.where(off, OFF, 0))), 0)
        begins = begins & (why == NOT_HELD_BACK)
    if frozen.any():
        why = np.where(frozen & ~active & (was_held | (a.held_back[i] == LOST)), LOST, why)
    a.active[i] = (active | begins) & ~ends
    on_shelf = a.active[i] & (a.shelved_until[i] >= 0) & (condition.rank < TEAM)
    still_lower = a.active[i] & a.answered & (a.held_back[i] == HIGHER)
    a.held_back[i] = np.where(on_shelf, SHELVED, np.where(still_lower, HIGHER, why))


def _each(clauses: list[Clause], measures: Measures, first: Floats | None) -> list[Bools]:
    """Return where each clause holds; first: another limit of the first one."""
    limits = [limit for _, _, limit in clauses]
    return [
        compare(measures[measure], operator, first if place == 0 and first is not None else limits[place])
        for place, (measure, operator, _) in enumerate(clauses)
    ]


def _all(clauses: list[Clause], measures: Measures) -> Bools:
    held: Bools = np.ones(next(iter(measures.values())).shape, dtype=np.bool_)
    for holds in _each(clauses, measures, None):
        held = held & holds
    return held


def _any(clauses: list[Clause], measures: Measures, first: Floats | None = None) -> Bools:
    held: Bools = np.zeros(next(iter(measures.values())).shape, dtype=np.bool_)
    for holds in _each(clauses, measures, first):
        held = held | holds
    return held


def _one_of(names: list[str], conditions: Bools, policy: Policy) -> Bools:
    """Return where one of the named conditions is among `conditions`, shape (conditions, lanes)."""
    found: Bools = np.zeros_like(conditions[0])
    for name in names:
        found = found | conditions[policy.place(name)]
    return found


def _renews(a: Attention, counts: Bools, ranks: Ints, policy: Policy) -> Bools:
    """Return where a condition has begun that no answer was meant for, and that nothing counting explains."""
    renews = np.zeros(counts.shape[-1], dtype=np.bool_)
    if not a.answered.any():
        return renews
    for i, condition in enumerate(policy.condition):
        explained = _one_of(condition.unless, counts, policy)
        fresh = a.answered & counts[i] & ~a.answered_for[i]
        lower = fresh & ~explained & (ranks[i] < a.from_conditions)
        a.held_back[i] = np.where(lower, HIGHER, a.held_back[i])
        renews = renews | (fresh & ~explained & ~lower)
        a.answered_for[i] |= fresh
    a.answered_for &= counts
    return renews


def _has_waited(a: Attention, second: Ints, counts: Bools, policy: Policy) -> Bools:
    """Return where the flag has waited long enough at its level for one of its conditions to take it one up."""
    waited = second - a.level_since
    found = np.zeros(counts.shape[-1], dtype=np.bool_)
    at_look, too_long_at_bedside = a.level == LOOK, (a.level == BEDSIDE) & (waited >= policy.escalation.bedside_after_s)
    for i in np.flatnonzero(counts.any(axis=-1)).tolist():
        condition = policy.condition[i]
        own = condition.look_after_s
        too_long_at_look = at_look & (waited >= (policy.escalation.look_after_s if own is None else own))
        found = found | (counts[i] & (a.level < condition.ceiling) & (too_long_at_look | too_long_at_bedside))
    return found


def _of_level(level: Ints, repeat: Repeat) -> Floats:
    at_bedside = np.where(level == BEDSIDE, repeat.bedside_s, repeat.look_s)
    return np.where(level == 0, np.inf, np.where(level == TEAM, repeat.team_s, at_bedside))


def _not_helped(a: Attention, second: Ints, counts: Bools, measures: Measures, policy: Policy) -> Bools:
    """Return where the time for what was done to help is over, and a condition it was done for holds as before."""
    due = (a.noted_at >= 0) & (second - a.noted_at >= policy.care.helps_within_s)
    if not due.any():
        return due
    unhelped = np.zeros_like(due)
    for i, condition in enumerate(policy.condition):
        helped = _any(condition.helped, measures) & ~a.seemed_helped[i]
        unhelped = unhelped | (a.noted[i] & counts[i] & ~helped)
    a.noted_at = np.where(due, -1, a.noted_at)
    found: Bools = due & unhelped
    return found


def acknowledge(a: Attention, n: int, flag: int, second: int) -> Change | None:
    """Somebody answers flag number `flag` of lane n; None if there is nothing (any more) to answer."""
    if a.level[n] == 0 or a.flag[n] != flag or a.answered[n]:
        return None
    a.answered[n], a.answered_at[n] = True, second
    a.answered_for[:, n] = a.active[:, n] & ~((a.shelved_until[:, n] >= 0) & (a.held_back[:, n] == SHELVED))
    return Change(n, "acknowledged", int(a.level[n]), flag)


def care(a: Attention, n: int, second: int, measures: Measures, policy: Policy) -> None:
    """Something was done for the flag of lane n: from the first thing on its time to help runs.

    measures: of this lane, shape (1,).
    """
    if a.level[n] == 0 or a.noted_at[n] >= 0:
        return
    a.noted[:, n] = counting_at(a, n, policy)
    a.seemed_helped[:, n] = [bool(_any(c.helped, measures)[0]) for c in policy.condition]
    a.noted_at[n] = second


def shelve(a: Attention, n: int, flag: int, until: int, policy: Policy) -> Change | None:
    """Set aside what flag number `flag` stands for; None if that is not (any more) there, or asks for the team."""
    if a.level[n] == 0 or a.flag[n] != flag or a.level[n] == TEAM:
        return None
    shelved = counting_at(a, n, policy)
    a.shelved_until[shelved, n], a.held_back[shelved, n] = until, SHELVED
    a.level[n] = a.from_conditions[n] = a.climbed[n] = 0
    a.answered[n], a.noted_at[n] = False, -1
    return Change(n, "shelved", 0, flag)


def pause(a: Attention, n: int, until: int, policy: Policy) -> None:
    """Take the monitor of lane n off on purpose: what asks for the signal itself keeps quiet until then."""
    a.paused_until[n], a.lost_in_pause[n] = until, False
    for i, condition in enumerate(policy.condition):
        if condition.is_about_signal:
            a.active[i, n], a.eased_since[i, n] = False, -1
