"""Attention: from findings to one flag per bed that escalates until somebody comes.

A condition of the policy becomes active when it has held for `hold_s`, and is over when its release has held for
`release_s` (two thresholds: no flicker). What is unknown ends nothing, and begins nothing. While the signal is lost,
conditions that need it stay as they are: no false calm, and nothing new from numbers that have stopped moving. What
would begin but is suppressed, because too little of the signal is usable, or another condition explains it, or the
monitor is off on purpose, or somebody has shelved it, is reported as suppressed: nothing disappears.

The level of a bed is that of its worst counting condition: one that is active and not shelved (what asks for the team
counts even then). All counting conditions of a bed are one flag (alarm life cycle after IEC 62682 / ISA-18.2):

    none ──raised──▶ unacknowledged ──acknowledged, care──▶ acknowledged ──eased──▶ none
                      │ ▲  ▲ │                                   │
           escalated ─┘ │  │ └── shelved ──▶ none                │
           worsened ────┘  └── worsened, renewed, ───────────────┘
                               repeated, returned, unresolved

- An unacknowledged flag goes one level up after the policy's time, as far as its conditions may go, and never falls
  while what brought it there holds.
- An acknowledged flag keeps its level and waits. It alerts again when what holds gets worse (worsened), when another
  condition of the same rank begins that none of the acknowledged ones explains (renewed), when it still holds after
  the policy's time (repeated), and when the intervention has not helped in time: then it comes back one level up
  (returned). So it does when it has been answered twice, nothing was done, and it still holds (unresolved).
- What is only `noted` raises no flag: nobody is called, but the bed is not quiet and says why. So is a bed without a
  flag whose conditions are shelved, or have not been seen long enough. Noted for `look_by_s`, it asks for a look.
- Shelving ends the flag until its conditions' time on the shelf is over; what asks for the team cannot be shelved.
- Time counts, not what was pressed: a condition of `bedside` that goes on for `team_by_s` asks for the team, whatever
  was acknowledged, shelved or paused meanwhile.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Literal, NamedTuple

import numpy as np
from msgspec import Meta, Struct

from quietward.contracts.messages import Level
from quietward.detect.core.alerting.rule_sets import Clause, compare
from quietward.detect.core.arrays import Bools, Floats, Ints, array, index, switch
from quietward.detect.core.compiled import EntryPoint, compiled
from quietward.detect.core.measures.findings import ASKED, FHR_USABLE_1MIN, FHR_USABLE_30MIN, OBSERVED_MIN
from quietward.detect.core.records import Rows, next_row

SIGNAL_MEASURES = frozenset({"signal_lost_s", "fhr_usable_1min", "fhr_usable_30min", "near_mother_1min"})
LEVELS = [Level.QUIET, Level.LOOK, Level.BEDSIDE, Level.TEAM]
"""Levels of a flag; 0: there is none."""
LOOK, BEDSIDE, TEAM = (LEVELS.index(level) for level in (Level.LOOK, Level.BEDSIDE, Level.TEAM))
NOTED = 0
"""Rank of what calls nobody."""
RANKS = {level.value: rank for rank, level in enumerate(LEVELS) if rank} | {Level.NOTED.value: NOTED}
ANSWERS_TO_ONE_LEVEL = 2
"""Answered so often with nothing done, what still holds goes one level up instead of being repeated."""
BACK_AGAIN_SHARE = 0.5
"""A pause is over when the signal has been lost and so much of the last minute is usable again."""
JUDGED_MIN, LOOKED_BACK_MIN = 10.0, 30.0
"""So much readable FHR within the last 30 min says whether what a flag was raised for, before the state was rebuilt, is
there or over: a baseline takes ten minutes (NICHD 2008)."""

Wait = Annotated[float, Meta(ge=0)]
Within = Annotated[int, Meta(gt=0)]
LevelName = Literal["noted", "look", "bedside", "team"]
NOT_SUPPRESSED, COVERAGE, EXPLAINED, OFF, SHELVED, LOST, HIGHER = range(7)
WHY_SUPPRESSED = {
    COVERAGE: "not enough trace",
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
    that what was done has helped. release_acknowledged: clauses that end it as well once its flag is acknowledged.
    text_after: said instead of `text` when it no longer holds and is not over yet. goes_up_to: highest level it reaches
    by waiting. look_after_s: own time at `look`. look_by_s: how long it may be noted before it asks for a look; None:
    for ever. for_one_bed: bounds within which the limit of its first clause may be another one at a single bed.
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
    release_acknowledged: list[Clause] = []
    text_after: str = ""
    goes_up_to: LevelName = "team"
    look_after_s: Wait | None = None
    look_by_s: Wait | None = None
    for_one_bed: tuple[float, float] | None = None

    @property
    def rank(self) -> int:
        """Number of its level, NOTED to TEAM."""
        return RANKS[self.level]

    @property
    def max_level(self) -> int:
        """Number of the highest level it reaches by waiting."""
        return RANKS[self.goes_up_to]

    @property
    def is_about_signal(self) -> bool:
        """True when it asks for the signal itself and so makes sense while the signal is lost."""
        return all(measure in SIGNAL_MEASURES for measure, _, _ in self.all)


class Escalation(Struct, frozen=True, forbid_unknown_fields=True):
    """How long a flag may stay unacknowledged at a level before it is escalated by one.

    team_by_s: for how long a condition of `bedside` may go on, whatever is acknowledged, shelved or paused meanwhile,
    before it asks for the team.
    """

    look_after_s: Wait
    bedside_after_s: Wait
    team_by_s: Wait


class Repeat(Struct, frozen=True, forbid_unknown_fields=True):
    """How long an acknowledged flag may go on holding at a level before it alerts again."""

    look_s: Wait
    bedside_s: Wait
    team_s: Wait


class CareTimes(Struct, frozen=True, forbid_unknown_fields=True):
    """Within what time something that was done must have helped: no longer than findings are remembered."""

    helps_within_s: Annotated[int, Meta(gt=0, le=1800)]


class Longest(Struct, frozen=True, forbid_unknown_fields=True):
    """Everything that keeps a bed quieter has an end, at most so far away.

    shelve_bedside_s: of a flag of `bedside`. attend_s: how long somebody who goes to a bed is shown there.
    """

    shelve_s: Within
    shelve_bedside_s: Within
    pause_s: Within
    limit_s: Within
    attend_s: Within

    @property
    def silent_s(self) -> int:
        """How long all that is pressed one after the other may keep a bed silent, from its last call on."""
        return max(self.shelve_s, self.pause_s)


class Policy(Struct, frozen=True, forbid_unknown_fields=True, dict=True):
    """All of an attention policy's file."""

    name: str
    escalation: Escalation
    repeat: Repeat
    care: CareTimes
    longest: Longest
    condition: list[Condition]

    @cached_property
    def numbers(self) -> "Numbers":
        """The same as compiled functions take it."""
        return numbers_of([self])

    def spoken(self, said: Bools) -> list[Condition]:
        """Return which of the conditions that are said add words, worst first: what says the same as another, and less,
        adds none.
        """
        spoken: dict[str, Condition] = {}
        counts = [c for c, is_said in zip(self.condition, said, strict=True) if is_said]
        for condition in sorted(counts, key=lambda c: -c.rank):
            if not spoken.keys() & set(condition.unless):
                spoken[condition.name] = condition
        return list(spoken.values())

    def place(self, name: str) -> int | None:
        """Return which condition has this name."""
        return next((i for i, c in enumerate(self.condition) if c.name == name), None)


class ClauseTable(NamedTuple):
    """Groups of clauses, one for each condition. Clauses of group i: first[i] to first[i + 1].

    row: of the measure; above: holds above its limit, else below; or_equal: at it too; limit, (clauses, policies).
    """

    first: Ints
    row: Ints
    above: Bools
    or_equal: Bools
    limit: Floats


class Numbers(NamedTuple):
    """Policies of one structure, whose numbers may differ: shape (conditions,), or with the policy as last axis."""

    all: ClauseTable
    release: ClauseTable
    needs: ClauseTable
    helped: ClauseTable
    release_acknowledged: ClauseTable
    hold_s: Floats
    release_s: Floats
    look_after_s: Floats
    bedside_after_s: Floats  # (policies,)
    team_by_s: Floats  # (policies,)
    look_by_s: Floats  # infinite: never
    repeat_s: Floats  # (4, policies), by level
    helps_within_s: Floats  # (policies,)
    rank: Ints
    max_level: Ints  # level it reaches by waiting
    is_about_signal: Bools
    inhibited_by: Bools  # (conditions, conditions)
    unless: Bools


def numbers_of(policies: Sequence[Policy]) -> Numbers:
    """Return policies that have the same conditions, in the same order, side by side."""
    first, every = policies[0], range(len(policies[0].condition))

    def table(part: str) -> ClauseTable:
        groups = [[getattr(p.condition[i], part) for p in policies] for i in every]
        clauses = [same for group in groups for same in zip(*group, strict=True)]
        return ClauseTable(
            np.cumsum([0, *(len(group[0]) for group in groups)]),
            np.array([ASKED[same[0][0]] for same in clauses], dtype=np.int64),
            np.array([same[0][1][0] == ">" for same in clauses], dtype=np.bool_),
            np.array([same[0][1].endswith("=") for same in clauses], dtype=np.bool_),
            np.array([[limit for _, _, limit in same] for same in clauses], dtype=np.float64).reshape(
                -1, len(policies)
            ),
        )

    def numbers(of: Callable[[Policy, Condition], float]) -> Floats:
        return np.array([[of(p, p.condition[i]) for p in policies] for i in every], dtype=np.float64)

    def named(part: str) -> Bools:
        return np.array([[c.name in getattr(first.condition[i], part) for c in first.condition] for i in every])

    repeats = [(np.inf, p.repeat.look_s, p.repeat.bedside_s, p.repeat.team_s) for p in policies]
    return Numbers(
        table("all"), table("release"), table("needs"), table("helped"), table("release_acknowledged"),
        hold_s=numbers(lambda _, c: c.hold_s),
        release_s=numbers(lambda _, c: c.release_s),
        look_after_s=numbers(lambda p, c: p.escalation.look_after_s if c.look_after_s is None else c.look_after_s),
        bedside_after_s=np.array([p.escalation.bedside_after_s for p in policies], dtype=np.float64),
        team_by_s=np.array([p.escalation.team_by_s for p in policies], dtype=np.float64),
        look_by_s=numbers(lambda _, c: np.inf if c.look_by_s is None else c.look_by_s),
        repeat_s=np.array(repeats, dtype=np.float64).T.copy(),
        helps_within_s=np.array([p.care.helps_within_s for p in policies], dtype=np.float64),
        rank=np.array([c.rank for c in first.condition]),
        max_level=np.array([c.max_level for c in first.condition]),
        is_about_signal=np.array([c.is_about_signal for c in first.condition]),
        inhibited_by=named("inhibited_by"),
        unless=named("unless"),
    )  # fmt: skip


class Attention(NamedTuple):
    """What attention remembers; seconds are the bed's own."""

    held_since: Ints = index(-1, "conditions")
    clear_since: Ints = index(-1, "conditions")
    active: Bools = switch("conditions")
    active_since: Ints = index(-1, "conditions")
    rank: Ints = index(0, "conditions")  # number of the level that an active condition asks for by now
    suppressed: Ints = index(NOT_SUPPRESSED, "conditions")
    acknowledged_for: Bools = switch("conditions")
    shelved_until: Ints = index(-1, "conditions")
    own_limit: Floats = array(np.nan, "conditions")
    own_limit_until: Ints = index(-1, "conditions")
    intervention_active: Bools = switch("conditions")  # counted when the intervention was recorded
    already_improving: Bools = switch(
        "conditions"
    )  # `helped` was already true at the intervention: no evidence of effect
    intervention_at: Ints = index(-1)  # second of the first intervention since the flag last alerted
    paused_until: Ints = index(-1)
    paused_from: Ints = index(-1)  # beginning of the first pause since the signal was last there
    silent_from: Ints = index(-1)  # since when what people pressed keeps it silent: its last call, or the first pause
    lost_in_pause: Bools = switch()
    level: Ints = index(0)
    from_conditions: Ints = index(0)  # what the conditions alone ask for
    escalated_level: Ints = index(0)  # what the flag has reached by waiting or by coming back
    level_since: Ints = index(-1)
    flag: Ints = index(0)  # number of the bed's newest flag
    carried: Ints = index(0)  # level of a flag from before a rebuild, until the trace can be judged; 0: none
    acknowledged: Bools = switch()
    acknowledged_at: Ints = index(-1)
    answers: Ints = index(0)  # to the same, since something was done
    noted: Ints = index(-1)  # condition that a bed without a flag names first; -1: it is quiet, or has a flag


(
    RAISED, WORSENED, ESCALATED, LOWERED, CLEARED, ACKNOWLEDGED, SHELVED_FLAG, RENEWED, REPEATED, RETURNED, UNRESOLVED
) = range(11)  # fmt: skip
WHAT = (
    "raised", "worsened", "escalated", "lowered", "eased", "acknowledged", "shelved", "renewed", "repeated", "returned",
    "unresolved",
)  # fmt: skip
"""What becomes of a flag, in words."""
SUPPRESSED, SHELF_OVER, OWN_LIMIT_OVER, PAUSE_OVER, IS_NOTED, IS_QUIET = range(6)
NOTICE_WORDS = ("held-back", "shelf-over", "own-limit-over", "pause-over", "noted", "noted-over")


@dataclass
class Change:
    """A flag of bed n has changed. what: one of RAISED to UNRESOLVED."""

    n: int
    what: int
    level: int
    flag: int

    @property
    def word(self) -> str:
        """What has become of it."""
        return WHAT[self.what]


@dataclass
class Notice:
    """Something beside the flag of bed n: suppressed (`why` says why), over, or noted without a flag.

    condition: -1 where there is none.
    """

    n: int
    what: int
    condition: int
    why: int = NOT_SUPPRESSED

    @property
    def word(self) -> str:
        """What it is."""
        return NOTICE_WORDS[self.what]


class Told(NamedTuple):
    """What is told of beds one after the other. before: room to work in, one place for each condition."""

    notices: Rows[Notice]
    changes: Rows[Change]
    before: Ints

    @classmethod
    def of(cls, beds: int, conditions: int) -> "Told":
        """Return room for so many beds at once."""
        return cls(
            Rows.of(Notice, beds * (3 * conditions + 2)), Rows.of(Change, beds), np.zeros(conditions, dtype=np.int64)
        )


def _decide_all(
    a: Attention,
    beds: Ints,
    second: Ints,
    measures: Floats,
    lost: Bools,
    numbers: Numbers,
    policy: Ints,
    told: Told,
) -> None:
    """Bring some beds up to `second`. beds, second, lost, policy (which one each has): shape (m,).

    measures: by row, shape (rows, m).
    """
    for place in range(len(beds)):
        decide(a, beds[place], second[place], measures, place, lost[place], numbers, policy[place], told)


decide_all = EntryPoint(_decide_all)


@compiled
def decide(
    a: Attention,
    n: int,
    second: int,
    measures: Floats,
    column: int,
    is_lost: bool,
    numbers: Numbers,
    policy: int,
    told: Told,
) -> None:
    """Bring bed n up to `second`, and tell what changed. Its measures stand in a column of `measures`."""
    _end_what_is_over(a, n, second, is_lost, measures[FHR_USABLE_1MIN, column], told.notices)
    for i in range(len(numbers.rank)):
        told.before[i] = a.suppressed[i, n]
        _follow(a, i, n, second, measures, column, is_lost, numbers, policy)
    if _can_be_judged(measures, column, is_lost):
        a.carried[n] = 0
    asked, before = max(_asked(a, n, numbers), a.carried[n]), a.level[n]
    turn = _turn(a, n, second, asked, measures, column, numbers, policy)
    speaks = asked > 0 and before > 0 and turn.what != LOWERED
    level = _level(a, n, asked, turn)
    a.from_conditions[n] = asked
    _add_suppressed(a, n, speaks, numbers, told)
    if level != before or speaks:
        change = next_row(told.changes)
        change.n, change.what, change.level = n, turn.what, level
        if before == 0:
            change.what = RAISED
            a.flag[n] += 1
        elif level == 0:
            change.what = CLEARED
        change.flag = a.flag[n]
        a.level_since[n] = second
        a.acknowledged[n] = a.acknowledged[n] and not speaks and level > 0
    a.level[n] = level
    if not a.acknowledged[n]:
        a.acknowledged_for[:, n] = False
    if speaks or level == 0:
        a.intervention_at[n] = -1
    if level == 0 or (speaks and turn.what != REPEATED):
        a.answers[n] = 0
    _note(a, n, numbers, told.notices)
    if level > 0 and not a.acknowledged[n]:
        a.silent_from[n] = second
    elif not is_lost and a.paused_until[n] < 0 and not _would_call(a, n):
        a.silent_from[n] = -1


@compiled
def _can_be_judged(measures: Floats, column: int, is_lost: bool) -> bool:
    """Return whether enough of the trace has been seen to say what it is."""
    looked_back_min = min(measures[OBSERVED_MIN, column], LOOKED_BACK_MIN)
    return bool(not is_lost and measures[FHR_USABLE_30MIN, column] * looked_back_min >= JUDGED_MIN)


class _Turn(NamedTuple):
    """What becomes of a flag. what: why it alerts, the first reason that holds; LOWERED: it does not.

    escalates: it goes one level up by waiting or by coming back; lowers: what was acknowledged asks for less.
    """

    what: int
    escalates: bool
    lowers: bool


@compiled
def _turn(
    a: Attention, n: int, second: int, asked: int, measures: Floats, column: int, numbers: Numbers, policy: int
) -> _Turn:
    """Return what becomes of the flag of bed n, whose conditions ask for the level `asked`."""
    level, is_acknowledged = a.level[n], a.acknowledged[n]
    renews = _renews(a, n, numbers)
    returns = _has_not_helped(a, n, second, measures, column, numbers, policy)
    if level == 0:
        return _Turn(WORSENED if asked > 0 else LOWERED, False, False)
    lowers = is_acknowledged and asked < a.from_conditions[n]
    if asked > level:
        return _Turn(WORSENED, False, lowers)
    if returns:
        return _Turn(RETURNED, True, lowers)
    if not is_acknowledged and _has_waited(a, n, second, numbers, policy):
        return _Turn(ESCALATED, True, lowers)
    if renews:
        return _Turn(RENEWED, False, lowers)
    if is_acknowledged and second - a.acknowledged_at[n] >= numbers.repeat_s[level, policy]:
        goes_up = a.answers[n] >= ANSWERS_TO_ONE_LEVEL and _may_go_up(a, n, numbers)
        return _Turn(UNRESOLVED if goes_up else REPEATED, goes_up, lowers)
    return _Turn(LOWERED, False, lowers)


@compiled
def _level(a: Attention, n: int, asked: int, turn: _Turn) -> int:
    """Return the level the flag of bed n has from now on, and remember what it has reached by itself.

    While unacknowledged, a level reached by waiting or by coming back stays; only what conditions brought can go
    with them. An acknowledged flag falls only with its conditions.
    """
    if asked == 0:
        a.escalated_level[n] = 0
        return 0
    if turn.escalates:
        a.escalated_level[n] = min(a.level[n] + 1, TEAM)
        return int(a.escalated_level[n])
    if turn.lowers:
        a.escalated_level[n] = 0
        return asked
    if turn.what == WORSENED:
        return asked
    return int(a.level[n] if a.acknowledged[n] else max(asked, a.escalated_level[n]))


@compiled
def _counts(a: Attention, i: int, n: int) -> bool:
    """Return whether a condition asks for attention: active, not only noted, and not shelved unless for the team."""
    is_shelved = a.shelved_until[i, n] >= 0 and a.rank[i, n] < TEAM
    return bool(a.active[i, n] and a.rank[i, n] > NOTED and not is_shelved)


def counting_at(a: Attention, n: int) -> Bools:
    """Return which conditions of bed n ask for attention: active, and not shelved unless they ask for the team."""
    is_shelved = (a.shelved_until[:, n] >= 0) & (a.rank[:, n] < TEAM)
    counting: Bools = a.active[:, n] & (a.rank[:, n] > NOTED) & ~is_shelved
    return counting


@compiled
def _is_there(a: Attention, i: int, n: int) -> bool:
    """Return whether a condition keeps a bed without a flag from being quiet: also one that is shelved or too new."""
    return bool(a.active[i, n] or a.suppressed[i, n] == COVERAGE)


def said_at(a: Attention, n: int) -> Bools:
    """Return which conditions the reason of bed n is made of: what counts for its flag and what is noted beside it.

    Without a flag: everything that keeps the bed from being quiet.
    """
    is_there: Bools = a.active[:, n] | (a.suppressed[:, n] == COVERAGE)
    return is_there & (counting_at(a, n) | (a.rank[:, n] == NOTED)) if a.level[n] > 0 else is_there


@compiled
def _note(a: Attention, n: int, numbers: Numbers, notices: Rows[Notice]) -> None:
    """Let a bed without a flag name what keeps it from being quiet: the worst first, of these the policy's first."""
    noted = -1
    for i in range(len(numbers.rank)):
        is_first = noted < 0 or numbers.rank[i] > numbers.rank[noted]
        if a.level[n] == 0 and is_first and _is_there(a, i, n) and not _is_said_by_another(a, i, n, numbers):
            noted = i
    if noted != a.noted[n] and noted >= 0:
        _add_notice(notices, n, IS_NOTED, noted, NOT_SUPPRESSED)
    elif noted != a.noted[n] and a.level[n] == 0:
        _add_notice(notices, n, IS_QUIET, -1, NOT_SUPPRESSED)
    a.noted[n] = noted


@compiled
def _is_said_by_another(a: Attention, i: int, n: int, numbers: Numbers) -> bool:
    """Return whether another condition is there that says the same as condition i, and more."""
    for other in range(len(numbers.rank)):
        if numbers.unless[i, other] and _is_there(a, other, n):
            return True
    return False


@compiled
def _asked(a: Attention, n: int, numbers: Numbers) -> int:
    """Return the level of the worst condition that counts."""
    asked = 0
    for i in range(len(numbers.rank)):
        if _counts(a, i, n):
            asked = max(asked, a.rank[i, n])
    return asked


@compiled
def _would_call(a: Attention, n: int) -> bool:
    """Return whether something would call for bed n, were it not for what people have pressed."""
    if a.carried[n] > 0:
        return True
    for i in range(a.active.shape[0]):
        if a.active[i, n] and a.rank[i, n] > NOTED:
            return True
    return False


@compiled
def _add_notice(notices: Rows[Notice], n: int, what: int, condition: int, why: int) -> None:
    notice = next_row(notices)
    notice.n, notice.what, notice.condition, notice.why = n, what, condition, why


@compiled
def _add_suppressed(a: Attention, n: int, speaks: bool, numbers: Numbers, told: Told) -> None:
    """Report what has been suppressed since the evaluation before."""
    for i in range(len(numbers.rank)):
        if speaks and a.suppressed[i, n] == HIGHER:
            a.suppressed[i, n] = NOT_SUPPRESSED  # an unacknowledged flag speaks for all that counts
        would_call = a.suppressed[i, n] != NOT_SUPPRESSED and numbers.rank[i] > NOTED
        if would_call and a.suppressed[i, n] != told.before[i]:
            _add_notice(told.notices, n, SUPPRESSED, i, a.suppressed[i, n])


@compiled
def _end_what_is_over(
    a: Attention, n: int, second: int, is_lost: bool, usable_share: float, notices: Rows[Notice]
) -> None:
    """End shelves, limits of one bed and pauses whose time is over, and a pause when the signal is back."""
    for i in range(a.shelved_until.shape[0]):
        if 0 <= a.shelved_until[i, n] <= second:
            a.shelved_until[i, n] = -1
            _add_notice(notices, n, SHELF_OVER, i, NOT_SUPPRESSED)
    for i in range(a.own_limit_until.shape[0]):
        if 0 <= a.own_limit_until[i, n] <= second:
            a.own_limit_until[i, n] = -1
            _add_notice(notices, n, OWN_LIMIT_OVER, i, NOT_SUPPRESSED)
        if a.own_limit_until[i, n] < 0:
            a.own_limit[i, n] = np.nan
    if a.paused_until[n] < 0:
        a.lost_in_pause[n] = False
        if not is_lost:
            a.paused_from[n] = -1
        return
    if is_lost:
        a.lost_in_pause[n] = True
    is_back = a.lost_in_pause[n] and not is_lost and usable_share >= BACK_AGAIN_SHARE
    if second >= a.paused_until[n] or is_back:
        a.paused_until[n] = -1
        _add_notice(notices, n, PAUSE_OVER, -1, NOT_SUPPRESSED)


@compiled
def _follow(
    a: Attention,
    i: int,
    n: int,
    second: int,
    measures: Floats,
    column: int,
    is_lost: bool,
    numbers: Numbers,
    policy: int,
) -> None:
    """Let condition i of bed n begin and end."""
    holds = _all_hold(numbers.all, i, measures, column, policy, a.own_limit[i, n])
    was_active, was_held, was_lost = a.active[i, n], a.held_since[i, n] >= 0, a.suppressed[i, n] == LOST
    if not (holds or was_active or was_held or a.suppressed[i, n] != NOT_SUPPRESSED):
        return  # most of them, most of the time
    is_frozen = is_lost and not numbers.is_about_signal[i]
    is_over = (
        was_active and not holds and not is_frozen
        and _is_released(numbers, i, measures, column, policy, a.own_limit[i, n], a.acknowledged[n])
    )  # fmt: skip
    if not holds or is_frozen:
        a.held_since[i, n] = -1
    elif not was_held:
        a.held_since[i, n] = second
    if not is_over:
        a.clear_since[i, n] = -1
    elif a.clear_since[i, n] < 0:
        a.clear_since[i, n] = second
    why = LOST if is_frozen and not was_active and (was_held or was_lost) else NOT_SUPPRESSED
    if not was_active and a.held_since[i, n] >= 0 and second - a.held_since[i, n] >= numbers.hold_s[i, policy]:
        why = _why_not(a, i, n, measures, column, numbers, policy)
        a.active[i, n] = why == NOT_SUPPRESSED
    if is_over and second - a.clear_since[i, n] >= numbers.release_s[i, policy]:
        a.active[i, n], a.clear_since[i, n] = False, -1
    _set_rank(a, i, n, second, numbers, policy)
    if a.active[i, n] and a.shelved_until[i, n] >= 0 and a.rank[i, n] < TEAM:
        why = SHELVED
    elif a.active[i, n] and a.acknowledged[n] and a.suppressed[i, n] == HIGHER:
        why = HIGHER
    a.suppressed[i, n] = why


@compiled
def _set_rank(a: Attention, i: int, n: int, second: int, numbers: Numbers, policy: int) -> None:
    """Let what goes on and on ask for more, `bedside` for the team, `noted` for a look: time counts, not presses."""
    if not a.active[i, n]:
        a.active_since[i, n] = -1
        return
    if a.active_since[i, n] < 0:
        a.active_since[i, n] = second
    lasts_s, a.rank[i, n] = second - a.active_since[i, n], numbers.rank[i]
    if numbers.rank[i] == BEDSIDE and lasts_s >= numbers.team_by_s[policy]:
        a.rank[i, n] = TEAM
    elif numbers.rank[i] == NOTED and lasts_s >= numbers.look_by_s[i, policy]:
        a.rank[i, n] = LOOK


@compiled
def _why_not(a: Attention, i: int, n: int, measures: Floats, column: int, numbers: Numbers, policy: int) -> int:
    """Return why a condition that has held long enough does not begin."""
    if not _all_hold(numbers.needs, i, measures, column, policy, np.nan):
        return COVERAGE
    for other in range(len(numbers.rank)):
        if numbers.inhibited_by[i, other] and a.active[other, n]:
            return EXPLAINED
    if a.paused_until[n] >= 0 and numbers.is_about_signal[i]:
        return OFF
    return NOT_SUPPRESSED


@compiled
def _holds(clauses: ClauseTable, k: int, value: float, limit: float) -> bool:
    """Return whether clause k holds; NaN never does."""
    if clauses.above[k]:
        return value > limit or (clauses.or_equal[k] and value == limit)
    return value < limit or (clauses.or_equal[k] and value == limit)


@compiled
def _all_hold(clauses: ClauseTable, i: int, measures: Floats, column: int, policy: int, own_limit: float) -> bool:
    """Return whether all clauses of condition i hold. own_limit: of the first one at this bed; NaN: the policy's."""
    for k in range(clauses.first[i], clauses.first[i + 1]):
        limit = clauses.limit[k, policy]
        if k == clauses.first[i] and not np.isnan(own_limit):
            limit = own_limit
        if not _holds(clauses, k, measures[clauses.row[k], column], limit):
            return False
    return True


@compiled
def _is_released(
    numbers: Numbers, i: int, measures: Floats, column: int, policy: int, own_limit: float, is_acknowledged: bool
) -> bool:
    """Return whether a condition is over: one of the clauses of its release holds. What is unknown ends nothing.

    own_limit: of its first clause at this bed; the first limit of the release keeps its distance from it.
    """
    first = numbers.all.first[i]
    if is_acknowledged and _one_holds(numbers.release_acknowledged, i, measures, column, policy):
        return True
    for k in range(numbers.release.first[i], numbers.release.first[i + 1]):
        limit = numbers.release.limit[k, policy]
        if k == numbers.release.first[i] and not np.isnan(own_limit):
            limit += own_limit - numbers.all.limit[first, policy]
        if _holds(numbers.release, k, measures[numbers.release.row[k], column], limit):
            return True
    return False


@compiled
def _is_explained(a: Attention, i: int, n: int, numbers: Numbers) -> bool:
    """Return whether a condition counts that says the same as condition i, and more."""
    for other in range(len(numbers.rank)):
        if numbers.unless[i, other] and _counts(a, other, n):
            return True
    return False


@compiled
def _renews(a: Attention, n: int, numbers: Numbers) -> bool:
    """Return whether a condition has begun that no acknowledgement covers, and that nothing counting explains."""
    if not a.acknowledged[n]:
        return False
    renews = False
    for i in range(len(numbers.rank)):
        if not _counts(a, i, n):
            a.acknowledged_for[i, n] = False
            continue
        if a.acknowledged_for[i, n]:
            continue
        a.acknowledged_for[i, n] = True
        if _is_explained(a, i, n, numbers):
            continue
        if a.rank[i, n] < a.from_conditions[n]:
            a.suppressed[i, n] = HIGHER
        else:
            renews = True
    return renews


@compiled
def _may_go_up(a: Attention, n: int, numbers: Numbers) -> bool:
    """Return whether one of the conditions of a flag may take it one level up."""
    for i in range(len(numbers.rank)):
        if _counts(a, i, n) and a.level[n] < numbers.max_level[i]:
            return True
    return False


@compiled
def _has_waited(a: Attention, n: int, second: int, numbers: Numbers, policy: int) -> bool:
    """Return whether the flag has waited long enough at its level for one of its conditions to take it one up."""
    waited, level = second - a.level_since[n], a.level[n]
    if a.carried[n] == level == BEDSIDE and waited >= numbers.bedside_after_s[policy]:
        return True
    for i in range(len(numbers.rank)):
        if not _counts(a, i, n) or level >= numbers.max_level[i]:
            continue
        if level == LOOK and waited >= numbers.look_after_s[i, policy]:
            return True
        if level == BEDSIDE and waited >= numbers.bedside_after_s[policy]:
            return True
    return False


@compiled
def _has_not_helped(
    a: Attention, n: int, second: int, measures: Floats, column: int, numbers: Numbers, policy: int
) -> bool:
    """Return whether an intervention had its time to help, and a condition it was recorded for holds as before."""
    if a.intervention_at[n] < 0 or second - a.intervention_at[n] < numbers.helps_within_s[policy]:
        return False
    a.intervention_at[n] = -1
    for i in range(len(numbers.rank)):
        if not a.intervention_active[i, n] or not _counts(a, i, n):
            continue
        if a.already_improving[i, n] or not _one_holds(numbers.helped, i, measures, column, policy):
            return True
    return False


@compiled
def _one_holds(clauses: ClauseTable, i: int, measures: Floats, column: int, policy: int) -> bool:
    """Return whether one of the clauses of condition i holds."""
    for k in range(clauses.first[i], clauses.first[i + 1]):
        if _holds(clauses, k, measures[clauses.row[k], column], clauses.limit[k, policy]):
            return True
    return False


def acknowledge(a: Attention, n: int, flag: int, second: int) -> Change | None:
    """Acknowledge flag number `flag` of bed n; None if there is nothing (any more) to acknowledge."""
    if a.level[n] == 0 or a.flag[n] != flag or a.acknowledged[n]:
        return None
    a.acknowledged[n], a.acknowledged_at[n] = True, second
    a.answers[n] += 1
    is_aside = (a.shelved_until[:, n] >= 0) & (a.suppressed[:, n] == SHELVED)
    a.acknowledged_for[:, n] = a.active[:, n] & (a.rank[:, n] > NOTED) & ~is_aside
    return Change(n, ACKNOWLEDGED, int(a.level[n]), flag)


def care(a: Attention, n: int, second: int, measures: dict[str, float], policy: Policy) -> None:
    """Something was done for the flag of bed n: from the first thing on its time to help runs."""
    a.answers[n] = 0
    if a.level[n] == 0 or a.intervention_at[n] >= 0:
        return
    a.intervention_active[:, n] = counting_at(a, n)
    a.already_improving[:, n] = [
        any(compare(measures[name], operator, limit) for name, operator, limit in c.helped) for c in policy.condition
    ]
    a.intervention_at[n] = second


def shelve(a: Attention, n: int, flag: int, until: int) -> Change | None:
    """Set aside what flag number `flag` stands for; None if that is not (any more) there, asks for the team, or cannot
    be judged yet.
    """
    if a.level[n] == 0 or a.flag[n] != flag or a.level[n] == TEAM or a.carried[n] > 0:
        return None
    shelved = counting_at(a, n)
    a.shelved_until[shelved, n], a.suppressed[shelved, n] = until, SHELVED
    a.noted[n] = max(np.flatnonzero(shelved), key=lambda i: a.rank[i, n])  # set aside is not quiet
    a.level[n] = a.from_conditions[n] = a.escalated_level[n] = 0
    a.acknowledged[n], a.intervention_at[n], a.answers[n] = False, -1, 0
    return Change(n, SHELVED_FLAG, 0, flag)


def pause(a: Attention, n: int, until: int, policy: Policy) -> None:
    """Take the monitor of bed n off on purpose: what asks for the signal itself is suppressed until then."""
    a.paused_until[n], a.lost_in_pause[n] = until, False
    for i, condition in enumerate(policy.condition):
        if condition.is_about_signal:
            a.active[i, n], a.clear_since[i, n] = False, -1
