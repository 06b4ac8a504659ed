"""What an attention policy says: its conditions and times, as its file has them and as compiled functions take them."""

from collections.abc import Callable, Sequence
from functools import cached_property
from typing import Annotated, Literal, NamedTuple

import numpy as np
from msgspec import Meta, Struct

from quietward.contracts.summary import Level
from quietward.detect.core.alerting.rule_sets import Clause
from quietward.detect.core.arrays import Bools, Floats, Ints
from quietward.detect.core.measures.findings import ASKED

SIGNAL_MEASURES = frozenset(
    {
        "signal_lost_s",
        "fhr_usable_1min",
        "fhr_usable_30min",
        "near_mother_1min",
        "fall_unseen_s",
        "fall_seen_s",
        "fall_seen_bpm",
        "same_value_s",
    }
)
"""What says something while there is no signal."""
LEVELS = [Level.QUIET, Level.LOOK, Level.BEDSIDE, Level.TEAM]
"""Levels of a flag; 0: there is none."""
LOOK, BEDSIDE, TEAM = (LEVELS.index(level) for level in (Level.LOOK, Level.BEDSIDE, Level.TEAM))
NOTED = 0
"""Rank of what calls nobody."""
RANKS = {level.value: rank for rank, level in enumerate(LEVELS) if rank} | {Level.NOTED.value: NOTED}
Wait = Annotated[float, Meta(ge=0)]
Within = Annotated[int, Meta(gt=0)]
LevelName = Literal["noted", "look", "bedside", "team"]


class Condition(Struct, frozen=True, forbid_unknown_fields=True):
    """Holds when all clauses of `all` hold; over when any of `release` holds. `text` may name measures in braces.

    needs: clauses without which it does not begin (coverage). inhibited_by: earlier conditions that keep it from
    beginning while they are active. unless: conditions that say the same and more; while one of them counts this one
    adds no words and does not speak again. helped: clauses that say sooner than `release`, which may look back longer,
    that what was done has helped. release_acknowledged: clauses that end it as well once its flag is acknowledged.
    release_needs: clauses without which nothing ends it before somebody has answered: what was not seen is not over.
    text_after: said instead of `text` when it no longer holds and is not over yet; text_unknown: instead of either when
    a number in its first fact is not known any more. goes_up_to: highest level it reaches
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
    release_needs: list[Clause] = []
    text_after: str = ""
    text_unknown: str = ""
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

    @property
    def ends_with_signal(self) -> bool:
        """True when a monitor that is off on purpose, or a trace that begins anew, is reason enough to end it.

        Not what asks for the bedside: a signal that was lost in the middle of a fall is no mere lost signal.
        """
        return self.is_about_signal and self.rank < BEDSIDE


class Escalation(Struct, frozen=True, forbid_unknown_fields=True):
    """How long a flag may stay unacknowledged at a level before it is escalated by one.

    bedside_by_s: for how long a condition may ask for a look, whatever is acknowledged, shelved or paused meanwhile,
    before it asks for the bedside, where it may; team_by_s: the same of one of `bedside` before it asks for the team.
    """

    look_after_s: Wait
    bedside_after_s: Wait
    bedside_by_s: Wait
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

    def spoken(self, said: Bools, ranks: Ints) -> list[Condition]:
        """Return which of the conditions that are said add words, worst first: what says the same as another, and less,
        adds none. ranks: what each of them asks for by now.
        """
        spoken: dict[str, Condition] = {}
        of_each = zip(self.condition, said, ranks, strict=True)
        counts = [(c, max(c.rank, rank)) for c, is_said, rank in of_each if is_said]
        for condition, _ in sorted(counts, key=lambda one: -one[1]):
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
    release_needs: ClauseTable
    hold_s: Floats
    release_s: Floats
    look_after_s: Floats
    bedside_after_s: Floats  # (policies,)
    bedside_by_s: Floats  # (policies,)
    team_by_s: Floats  # (policies,)
    look_by_s: Floats  # infinite: never
    repeat_s: Floats  # (4, policies), by level
    helps_within_s: Floats  # (policies,)
    rank: Ints
    max_level: Ints  # level it reaches by waiting
    is_about_signal: Bools
    ends_with_signal: Bools
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
        table("release_needs"),
        hold_s=numbers(lambda _, c: c.hold_s),
        release_s=numbers(lambda _, c: c.release_s),
        look_after_s=numbers(lambda p, c: p.escalation.look_after_s if c.look_after_s is None else c.look_after_s),
        bedside_after_s=np.array([p.escalation.bedside_after_s for p in policies], dtype=np.float64),
        bedside_by_s=np.array([p.escalation.bedside_by_s for p in policies], dtype=np.float64),
        team_by_s=np.array([p.escalation.team_by_s for p in policies], dtype=np.float64),
        look_by_s=numbers(lambda _, c: np.inf if c.look_by_s is None else c.look_by_s),
        repeat_s=np.array(repeats, dtype=np.float64).T.copy(),
        helps_within_s=np.array([p.care.helps_within_s for p in policies], dtype=np.float64),
        rank=np.array([c.rank for c in first.condition]),
        max_level=np.array([c.max_level for c in first.condition]),
        is_about_signal=np.array([c.is_about_signal for c in first.condition]),
        ends_with_signal=np.array([c.ends_with_signal for c in first.condition]),
        inhibited_by=named("inhibited_by"),
        unless=named("unless"),
    )  # fmt: skip
