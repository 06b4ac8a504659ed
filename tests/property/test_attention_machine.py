"""Attention against a plain reading of its rules: any course of conditions, lost signals, time and answers.

Many beds stand side by side. What happens at the first is thought up step by step, at its neighbours it is left to
chance; each is compared with a plain bed of its own, and the first with itself alone. What must never happen is judged
by a witness that knows nothing of the plain bed. After the machine: each rule once, on a course that breaks it soonest.
"""

import math
import random
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from quietward.detect.core import arrays
from quietward.detect.core.alerting import attention
from quietward.detect.core.alerting.flags import (
    ACKNOWLEDGED,
    COVERAGE,
    EXPLAINED,
    HIGHER,
    LOST,
    NOT_SUPPRESSED,
    OFF,
    SHELVED,
    SHELVED_FLAG,
    Attention,
    Change,
    Notice,
    counting_at,
)
from quietward.detect.core.alerting.policy import CareTimes, Condition, Escalation, Longest, Policy, Repeat
from quietward.detect.core.arrays import Ints
from tests.attention_model import OF_THE_SIGNAL, RANK, TEAM, PlainBed, PlainNotice, Said, Values, true
from tests.compiled import Decision, decide
from tests.property.test_streaming_core import RELAXED

EVALUATE_EVERY_S = 5
POLICY = Policy(
    name="made-up",
    escalation=Escalation(look_after_s=30, bedside_after_s=25, bedside_by_s=90, team_by_s=70),
    repeat=Repeat(look_s=50, bedside_s=40, team_s=30),
    care=CareTimes(helps_within_s=30),
    longest=Longest(shelve_s=60, shelve_bedside_s=60, pause_s=60, limit_s=60, attend_s=60),
    condition=[
        Condition(
            name="probe",
            level="look",
            text="",
            all=[("signal_lost_s", ">=", 10)],
            hold_s=0,
            release=[("signal_lost_s", "<", 5)],
            release_s=5,
            goes_up_to="bedside",
            look_after_s=20,
        ),
        Condition(
            name="many",
            level="look",
            text="",
            all=[("contractions_per_10min", ">", 5)],
            hold_s=10,
            release=[("contractions_per_10min", "<=", 4)],
            release_s=10,
            needs=[("ua_usable_30min", ">=", 0.5)],
            goes_up_to="look",
            for_one_bed=(4, 7),
        ),
        Condition(
            name="uneasy",
            level="look",
            text="",
            all=[("concern", ">=", 40)],
            hold_s=5,
            release=[("concern", "<", 30)],
            release_s=10,
            needs=[("observed_min", ">=", 2)],
            helped=[("deceleration_area_10min", "<", 3)],
            unless=["many", "low"],
            for_one_bed=(30, 50),
        ),
        Condition(
            name="low",
            level="bedside",
            text="",
            all=[("baseline_bpm", "<", 110), ("variability_bpm", "<", 6)],
            hold_s=5,
            release=[("baseline_bpm", ">=", 115), ("variability_bpm", ">=", 10)],
            release_s=5,
            inhibited_by=["many"],
            unless=["stop"],
        ),
        Condition(
            name="wave",
            level="bedside",
            text="",
            all=[("sinusoidal_min", ">=", 5)],
            hold_s=0,
            release=[("sinusoidal_min", "<", 1)],
            release_s=5,
            helped=[("variability_bpm", ">=", 8)],
            unless=["low"],
            goes_up_to="bedside",
        ),
        Condition(
            name="stop",
            level="team",
            text="",
            all=[("running_s", ">=", 60)],
            hold_s=0,
            release=[("running_s", "<", 1)],
            release_s=5,
        ),
        Condition(
            name="mild",
            level="noted",
            text="",
            all=[("deepest_30min_bpm", ">=", 25)],
            hold_s=5,
            release=[("deepest_30min_bpm", "<", 15)],
            release_s=10,
            unless=["uneasy"],
            look_by_s=45,
            goes_up_to="bedside",
        ),
        Condition(
            name="unclear",
            level="noted",
            text="",
            all=[("fhr_usable_1min", "<", 0.3)],
            hold_s=0,
            release=[("fhr_usable_1min", ">=", 0.4)],
            release_s=0,
        ),
    ],
)
NAMES = [c.name for c in POLICY.condition]
RANKS = [RANK[c.level] for c in POLICY.condition]
NEEDS_SIGNAL = [not {name for name, _, _ in c.all} <= OF_THE_SIGNAL for c in POLICY.condition]
SIZES = {"conditions": len(NAMES)}
CAN_BE: dict[str, list[float]] = {  # a quiet value first, then one at which something holds
    "signal_lost_s": [0, 10, 5, math.nan],
    "contractions_per_10min": [3, 6, 5, 4.5, 8, math.nan],
    "concern": [20, 45, 40, 35, 55, math.nan],
    "baseline_bpm": [130, 100, 112, math.nan],
    "variability_bpm": [4, 8, 12, math.nan],
    "sinusoidal_min": [0, 6, 3],
    "running_s": [0, 80, 30, math.nan],
    "deepest_30min_bpm": [0, 30, 20, math.nan],
    "ua_usable_30min": [1, 0.4],
    "observed_min": [10, 1],
    "deceleration_area_10min": [5, 2, math.nan],
    "fhr_usable_1min": [1, 0.5, 0.2, math.nan],
}
WORDS = {
    NOT_SUPPRESSED: "",
    COVERAGE: "coverage",
    EXPLAINED: "explained",
    OFF: "off",
    SHELVED: "shelved",
    LOST: "lost",
    HIGHER: "higher",
}
BEDS = 16
MOVES = [
    *((name, value) for name, values in CAN_BE.items() for value in values),
    *(("lost", lost) for lost in (True, False)),
    *[("deceleration_area_10min", 2), ("fhr_usable_1min", 0.2)] * 2,
]
"""What may change at an evaluation, to what."""
BACK = [*((name, values[0]) for name, values in CAN_BE.items()), ("lost", False)]
ACTS: list[tuple[str, dict[str, Any]]] = [  # of the neighbours
    *[("acknowledge", {"off_by": 0})] * 8,
    ("acknowledge", {"off_by": -1}),
    *[("care", {})] * 3,
    *(("shelve", {"off_by": 0, "for_s": for_s}) for for_s in (10, 20, 45)),
    ("unshelve", {}),
    *(("take_over", {"name": name, "for_s": 45}) for name in ("stop", "wave")),
    *(("pause", {"for_s": for_s}) for for_s in (20, 60, 0)),
    *(("limit", {"name": "uneasy", "up": up, "for_s": for_s}) for up in (True, False) for for_s in (20, 60)),
]
WHERE = st.sampled_from([0, 0, 0, 0, 1, 2])
DELAY_S = st.integers(0, EVALUATE_EVERY_S - 1)
FOR_S = st.sampled_from([10, 20, 45, 60])


@dataclass
class Witness:
    """What must never be at one bed, judged from what it shows and says."""

    escalated_level: int = 0
    holds_since: list[int | None] = field(default_factory=lambda: [None] * len(NAMES))
    told: list[int] = field(default_factory=lambda: [NOT_SUPPRESSED] * len(NAMES))
    shelf_ends: list[int] = field(default_factory=lambda: [-1] * len(NAMES))
    limits: list[float] = field(default_factory=lambda: [math.nan] * len(NAMES))
    limit_ends: list[int] = field(default_factory=lambda: [-1] * len(NAMES))
    pause_ends: int = -1
    active_since: list[int | None] = field(default_factory=lambda: [None] * len(NAMES))
    ranks: list[int] = field(default_factory=lambda: list(RANKS))  # by now: what goes on asks for more

    def acted(self, a: Attention, n: int, until: int, shelves: bool) -> None:
        """After what somebody did, for a time that ends at `until`: nothing ends later than was asked for.

        shelves: somebody has set something aside, and so knows of it.
        """
        ends = {*self.shelf_ends, *self.limit_ends, self.pause_ends, until, -1}
        shelf_ends = a.shelved_until[:, n].tolist()
        for i, (end, before) in enumerate(zip(shelf_ends, self.shelf_ends, strict=True)):
            if shelves and a.active[i, n] and end != before:
                self.told[i] = SHELVED
        self.shelf_ends, self.limit_ends = shelf_ends, a.own_limit_until[:, n].tolist()
        self.pause_ends, self.limits = int(a.paused_until[n]), a.own_limit[:, n].tolist()
        assert {*self.shelf_ends, *self.limit_ends, self.pause_ends} <= ends
        assert a.level[n] == TEAM or not self._asks_for_the_team(a, n)
        if a.level[n] == 0:
            self.escalated_level = 0

    def evaluated(
        self,
        a: Attention,
        n: int,
        second: int,
        values: Values,
        lost: bool,
        before: tuple[int, int, bool],
        notices: list[Notice],
        changes: list[Change],
    ) -> None:
        """After an evaluation. before: level, flag, and whether it was answered."""
        self._everything_ends(a, n, second)
        active = a.active[:, n].tolist()
        self._time_counts(active, second)
        counts = [
            active[i] and self.ranks[i] > 0 and (self.ranks[i] == TEAM or not (self.shelf_ends[i] > second))
            for i in range(len(NAMES))
        ]
        level, asked = int(a.level[n]), max((self.ranks[i] for i in range(len(NAMES)) if counts[i]), default=0)
        assert (level > 0) == any(counts)
        assert (a.noted[n] >= 0) == (level == 0 and (any(active) or COVERAGE in a.suppressed[:, n])), (
            "quiet means quiet"
        )
        assert level == TEAM or not self._asks_for_the_team(a, n)
        assert not a.acknowledged[n] or (before[2] and before[1] == a.flag[n])
        assert len(changes) <= 1
        for change in changes:
            assert change.word in ("eased", "lowered") or not a.acknowledged[n]
            if change.word in ("escalated", "returned", "unresolved"):
                self.escalated_level = change.level
                assert change.level == min(before[0] + 1, TEAM)
            if change.word in ("escalated", "unresolved"):
                may = max(RANK[c.goes_up_to] for c, does in zip(POLICY.condition, counts, strict=True) if does)
                assert change.level <= may
            if change.word == "raised" or level == 0 or (before[2] and level < before[0]):  # what was answered may fall
                self.escalated_level = 0
        assert a.acknowledged[n] or level == 0 or level >= max(self.escalated_level, asked)
        assert before[0] == level or changes
        self._nothing_disappears(a, n, second, values, lost, counts, notices)

    def _time_counts(self, active: list[bool], second: int) -> None:
        for i, is_active in enumerate(active):
            since = self.active_since[i]
            self.active_since[i] = (second if since is None else since) if is_active else None
            since = self.active_since[i]
            lasts_s, condition = -1 if since is None else second - since, POLICY.condition[i]
            self.ranks[i] = RANKS[i]
            if RANKS[i] == RANK["bedside"] and lasts_s >= POLICY.escalation.team_by_s:
                self.ranks[i] = TEAM
            elif RANKS[i] == 0 and condition.look_by_s is not None and lasts_s >= condition.look_by_s:
                self.ranks[i] = RANK["look"]
                lasts_s -= int(condition.look_by_s)
            if self.ranks[i] == RANK["look"] and lasts_s >= POLICY.escalation.bedside_by_s:
                self.ranks[i] = min(RANK["bedside"], RANK[condition.goes_up_to])

    def _asks_for_the_team(self, a: Attention, n: int) -> bool:
        return any(a.active[i, n] for i, rank in enumerate(self.ranks) if rank == TEAM)

    def _everything_ends(self, a: Attention, n: int, second: int) -> None:
        self.shelf_ends = [-1 if second >= end else end for end in self.shelf_ends]
        self.limit_ends = [-1 if second >= end else end for end in self.limit_ends]
        assert a.shelved_until[:, n].tolist() == self.shelf_ends
        assert a.own_limit_until[:, n].tolist() == self.limit_ends
        assert [math.isnan(x) for x in a.own_limit[:, n]] == [end < 0 for end in self.limit_ends]
        assert a.paused_until[n] in (-1, self.pause_ends)
        assert second < self.pause_ends or a.paused_until[n] == -1

    def _nothing_disappears(
        self,
        a: Attention,
        n: int,
        second: int,
        values: Values,
        lost: bool,
        counts: list[bool],
        notices: list[Notice],
    ) -> None:
        """What has held long enough and does not count has been told, and once in one go for one reason."""
        active = a.active[:, n].tolist()
        for i, condition in enumerate(POLICY.condition):
            said = [notice.why for notice in notices if notice.word == "held-back" and notice.condition == i]
            assert len(said) <= (RANKS[i] > 0), "what is only noted would have called nobody"
            assert self.told[i] not in said, (NAMES[i], said)
            (name, sign, limit), *others = condition.all
            own = limit if self.limit_ends[i] < 0 else self.limits[i]
            holds = not (lost and NEEDS_SIGNAL[i]) and true((name, sign, own), values)
            holds = holds and all(true(clause, values) for clause in others)
            since = self.holds_since[i]
            self.holds_since[i] = (second if since is None else since) if holds else None
            since = self.holds_since[i]
            long_enough = since is not None and second - since >= condition.hold_s
            is_told = bool(said) or self.told[i] != NOT_SUPPRESSED or (RANKS[i] == 0 and active[i])
            is_off = RANKS[i] == 0 and a.suppressed[i, n] == OFF
            assert not long_enough or counts[i] or is_told or is_off, NAMES[i]
            goes_on = (long_enough or active[i]) and not counts[i]
            if self.told[i] == LOST:
                goes_on = lost
            elif self.told[i] == HIGHER:
                goes_on = counts[i] and bool(a.acknowledged[n])
            self.told[i] = said[0] if said else (self.told[i] if goes_on else NOT_SUPPRESSED)


def quiet() -> Values:
    return {name: values[0] for name, values in CAN_BE.items()}


class Beds(RuleBasedStateMachine):
    """Beds side by side, and the first of them alone; every act is taken as people take it."""

    def __init__(self) -> None:
        super().__init__()
        self.beside, self.alone = arrays.empty(Attention, BEDS, SIZES), arrays.empty(Attention, 1, SIZES)
        self.plain = [PlainBed(POLICY) for _ in range(BEDS)]
        self.witness = [Witness() for _ in range(BEDS)]
        self.second = 100 + 7001 * np.arange(BEDS)  # the beds' own
        self.passed_s = [0] * BEDS  # since the last evaluation
        self.values = [quiet() for _ in range(BEDS)]
        self.lost = [False] * BEDS
        self.evaluations = 0
        self.chance = random.Random(0)
        self.compares_alone = False

    @initialize(seed=st.integers(0, 2**32), alone=st.integers(0, 3))
    def begin(self, seed: int, alone: int) -> None:
        """What happens at the neighbours is left to chance. Not always alone, too: that takes as long again."""
        self.chance = random.Random(seed)
        self.compares_alone = alone == 0

    @rule(moves=st.lists(st.sampled_from(MOVES), min_size=1, max_size=3), evaluations=st.integers(1, 6))
    def something_changes(self, moves: list[tuple[str, float]], evaluations: int) -> None:
        for move in moves:
            self.change(0, move)
        self.time_passes(evaluations)

    @rule(evaluations=st.integers(1, 10))
    def time_passes(self, evaluations: int) -> None:
        for _ in range(evaluations):
            self.evaluate()

    @rule(n=WHERE, off_by=st.sampled_from([0, 0, 0, 1, -1]), delay_s=DELAY_S)
    def acknowledge(self, n: int, off_by: int, delay_s: int = 0) -> None:
        flag, second = self.plain[n].flag + off_by, self.now(n, delay_s)
        taken = self.plain[n].acknowledge(flag, second)
        for a, bed in self.of(n):
            change = attention.acknowledge(a, bed, flag, second)
            assert change == (Change(bed, ACKNOWLEDGED, self.plain[n].level, flag) if taken else None)
        self.after_an_act(n)

    @rule(n=WHERE, delay_s=DELAY_S)
    def care(self, n: int, delay_s: int = 0) -> None:
        second = self.now(n, delay_s)
        self.plain[n].care(second, self.values[n])
        for a, bed in self.of(n):
            attention.acknowledge(a, bed, int(a.flag[bed]), second)
            attention.care(a, bed, second, self.values[n], POLICY)
        self.after_an_act(n)

    @rule(n=WHERE, off_by=st.sampled_from([0, 0, 0, 1, -1]), for_s=FOR_S, delay_s=DELAY_S)
    def shelve(self, n: int, off_by: int, for_s: int, delay_s: int = 0) -> None:
        flag, until = self.plain[n].flag + off_by, self.now(n, delay_s) + for_s
        taken = self.plain[n].shelve(flag, until)
        for a, bed in self.of(n):
            change = attention.shelve(a, bed, flag, until)
            assert change == (Change(bed, SHELVED_FLAG, 0, flag) if taken else None)
        self.after_an_act(n, until, shelves=True)

    @rule(n=WHERE)
    def unshelve(self, n: int) -> None:
        self.plain[n].unshelve()
        for a, bed in self.of(n):
            a.shelved_until[:, bed] = -1
        self.after_an_act(n)

    @rule(name=st.sampled_from(NAMES), for_s=FOR_S)
    def shelf_from_before(self, name: str, for_s: int) -> None:
        self.take_over(0, name, for_s)
        self.evaluate()

    @rule(n=WHERE, for_s=st.one_of(FOR_S, st.just(0)), delay_s=DELAY_S)
    def pause(self, n: int, for_s: int, delay_s: int = 0) -> None:
        """For 0 s: the monitor is on again."""
        until = self.now(n, delay_s) + for_s if for_s else -1
        if for_s:
            self.plain[n].pause(until)
        else:
            self.plain[n].end_pause()
        for a, bed in self.of(n):
            if for_s:
                attention.pause(a, bed, until, POLICY)
            else:
                a.paused_until[bed] = -1
        self.after_an_act(n, until)

    @rule(n=WHERE, name=st.sampled_from(["many", "uneasy"]), up=st.booleans(), for_s=st.one_of(FOR_S, st.just(0)))
    def limit(self, n: int, name: str, up: bool, for_s: int) -> None:
        """For 0 s: the policy's limit again."""
        i, until = NAMES.index(name), self.now(n, 0) + for_s if for_s else -1
        bounds = POLICY.condition[i].for_one_bed
        assert bounds is not None
        if for_s:
            self.plain[n].limit(name, bounds[up], until)
        else:
            self.plain[n].end_limit(name)
        for a, bed in self.of(n):
            a.own_limit_until[i, bed] = until
            if for_s:
                a.own_limit[i, bed] = bounds[up]
        self.after_an_act(n, until)

    def of(self, n: int) -> list[tuple[Attention, int]]:
        """Where bed n is."""
        return [(self.beside, n), (self.alone, 0)] if n == 0 and self.compares_alone else [(self.beside, n)]

    def now(self, n: int, delay_s: int) -> int:
        self.passed_s[n] = max(self.passed_s[n], delay_s)
        return int(self.second[n]) + self.passed_s[n]

    def change(self, n: int, move: tuple[str, float]) -> None:
        name, value = move
        if name == "lost":
            self.lost[n] = bool(value)
        else:
            self.values[n][name] = value

    def live(self, n: int) -> None:
        """Something may happen at a neighbour, and somebody may come, sooner when there is a flag."""
        what = self.chance.random()
        if what < 0.6:
            self.change(n, self.chance.choice(MOVES if what < 0.35 else BACK))
        if self.chance.random() < (0.25 if self.plain[n].level else 0.05):
            name, how = self.chance.choice(ACTS)
            getattr(self, name)(n=n, **how)

    def take_over(self, n: int, name: str, for_s: int) -> None:
        """A shelf from before a fresh start, of anything at all; nobody does anything before the next evaluation."""
        until = self.now(n, 0) + for_s
        self.plain[n].watched[name].shelved_until = until
        for a, bed in self.of(n):
            a.shelved_until[NAMES.index(name), bed] = until
        self.after_an_act(n, until)

    def after_an_act(self, n: int, until: int = -1, shelves: bool = False) -> None:
        self.witness[n].acted(self.beside, n, until, shelves)
        self.compare([n])

    def evaluate(self) -> None:
        """The last bed is evaluated every second time only."""
        self.second += EVALUATE_EVERY_S
        self.passed_s = [0] * BEDS
        self.evaluations += 1
        beds = np.arange(BEDS - self.evaluations % 2)
        for n in beds[1:].tolist():
            self.live(n)
        a = self.beside
        before = list(zip(a.level.tolist(), a.flag.tolist(), a.acknowledged.tolist(), strict=True))
        decision = self.decide(a, beds)
        assert [c.n for c in decision.changes] == sorted(c.n for c in decision.changes)
        assert [a.n for a in decision.notices] == sorted(a.n for a in decision.notices)
        if self.compares_alone:
            by_itself = self.decide(self.alone, np.array([0]))
            assert by_itself.changes == [c for c in decision.changes if c.n == 0]
            assert by_itself.notices == [a for a in decision.notices if a.n == 0]
        for n in beds.tolist():
            changes = [c for c in decision.changes if c.n == n]
            notices = [a for a in decision.notices if a.n == n]
            second, values, lost = int(self.second[n]), self.values[n], self.lost[n]
            self.witness[n].evaluated(self.beside, n, second, values, lost, before[n], notices, changes)
            plain_notices, said = self.plain[n].evaluate(second, values, lost)
            assert [Said(c.word, c.level, c.flag) for c in changes] == said, n
            named = [PlainNotice(a.word, NAMES[a.condition] if a.condition >= 0 else "", WORDS[a.why]) for a in notices]
            assert named == plain_notices, n
        self.compare(range(BEDS))

    def decide(self, a: Attention, beds: Ints) -> Decision:
        values = [self.values[n] for n in beds.tolist()]
        measures = {name: np.array([at[name] for at in values]) for name in CAN_BE}
        lost = np.array([self.lost[n] for n in beds.tolist()])
        return decide(a, beds, self.second[beds], measures, lost, POLICY)

    def compare(self, beds: Iterable[int]) -> None:
        """Each bed with its plain one, and the first with itself alone."""
        a = self.beside
        counting = np.array([counting_at(a, n) for n in range(BEDS)]).T
        counts, active, suppressed = counting.tolist(), a.active.tolist(), a.suppressed.tolist()
        until = a.shelved_until.tolist()
        for n in beds:
            plain = self.plain[n]
            assert (a.level[n], a.flag[n], a.acknowledged[n]) == (
                plain.level,
                plain.flag,
                plain.acknowledged_at is not None,
            ), n
            assert a.noted[n] == (-1 if plain.noted is None else NAMES.index(plain.noted.of.name)), n
            for i, w in enumerate(plain.all):
                shown = active[i][n], counts[i][n], WORDS[suppressed[i][n]], until[i][n]
                expected = w.active, w.counts, w.suppressed, -1 if w.shelved_until is None else w.shelved_until
                assert shown == expected, (n, NAMES[i])
        if self.compares_alone:
            for name in Attention._fields:
                beside, alone = getattr(a, name)[..., 0], getattr(self.alone, name)[..., 0]
                assert np.array_equal(beside, alone, equal_nan=True), name


def test_any_course_is_as_the_plain_rules_say() -> None:
    run_state_machine_as_test(
        Beds,
        settings=settings(
            RELAXED,
            max_examples=10 * RELAXED.max_examples,
            stateful_step_count=50,
        ),
    )


class OneBed:
    """One bed in a few words: how long which measures are as they are."""

    def __init__(self) -> None:
        self.a, self.second, self.values = arrays.empty(Attention, 1, SIZES), 0, quiet()
        self.said: list[tuple[str, int]] = []
        self.suppressed: list[tuple[str, str]] = []

    def during(self, seconds: int, lost: float = 0, **values: float) -> "OneBed":
        self.values |= values
        for _ in range(seconds // EVALUATE_EVERY_S):
            self.second += EVALUATE_EVERY_S
            at = np.array([self.second])
            decision = decide(self.a, np.array([0]), at, self.values, np.array([lost > 0]), POLICY)
            self.said += [(c.word, c.level) for c in decision.changes]
            self.suppressed += [(NAMES[a.condition], WORDS[a.why]) for a in decision.notices if a.word == "held-back"]
        return self

    def acknowledge(self) -> "OneBed":
        assert attention.acknowledge(self.a, 0, int(self.a.flag[0]), self.second) is not None
        return self

    def care(self) -> "OneBed":
        self.acknowledge()
        attention.care(self.a, 0, self.second, self.values, POLICY)
        return self

    def shelve(self, for_s: int) -> "OneBed":
        assert attention.shelve(self.a, 0, int(self.a.flag[0]), self.second + for_s) is not None
        return self

    def shelf_from_before(self, name: str, for_s: int) -> "OneBed":
        self.a.shelved_until[NAMES.index(name), 0] = self.second + for_s
        return self


def test_what_asks_for_the_team_is_never_hidden() -> None:
    bed = OneBed().shelf_from_before("stop", 60).during(5, running_s=80)
    assert bed.said == [("raised", 3)]
    assert attention.shelve(bed.a, 0, 1, 60) is None
    bed.acknowledge().during(25)
    assert bed.a.level[0] == TEAM
    assert bed.said == [("raised", 3)]


def test_a_level_that_was_waited_for_outlives_a_condition_of_that_level() -> None:
    """One that comes and goes meanwhile takes nothing with it that it has not brought."""
    for worse, level in (({"sinusoidal_min": 6}, 2), ({"running_s": 80}, 3)):
        bed = OneBed().during(40, concern=45)
        assert bed.said == [("raised", 1), ("escalated", 2)]
        bed.during(10, **worse)
        assert bed.a.level[0] == level
        bed.during(10, sinusoidal_min=0, running_s=0)
        assert bed.a.level[0] == 2
        assert not bed.a.acknowledged[0]


def test_what_people_set_ends_by_its_time() -> None:
    bed = OneBed().during(5, sinusoidal_min=6).shelve(20).during(15)
    assert bed.said == [("raised", 2)]
    assert bed.during(5).said == [("raised", 2), ("raised", 2)]
    off = OneBed()
    attention.pause(off.a, 0, 20, POLICY)
    assert off.during(15, signal_lost_s=10).said == []
    assert off.during(5).said == [("raised", 1)]
    limited = OneBed()
    limited.a.own_limit[NAMES.index("uneasy"), 0], limited.a.own_limit_until[NAMES.index("uneasy"), 0] = 50, 30
    assert limited.during(25, concern=45).said == []
    assert limited.during(10).said == [("raised", 1)]


def test_an_answer_ends_and_never_begins_by_itself() -> None:
    bed = OneBed().during(5, running_s=80).acknowledge().during(25)
    assert bed.a.acknowledged[0]
    assert bed.during(5).said[-1] == ("repeated", 3)
    assert not bed.during(300).a.acknowledged[0]


def test_what_came_off_its_shelf_after_an_answer_was_not_answered() -> None:
    bed = OneBed().during(5, signal_lost_s=10).shelve(20).during(15, concern=45)
    assert bed.said == [("raised", 1), ("raised", 1)]
    assert bed.acknowledge().during(5).said[2:] == [("renewed", 1)]


def test_what_was_done_before_a_flag_spoke_again_says_nothing_of_it() -> None:
    """It comes back when what was done for it has not helped, not when something was done earlier."""
    bed = OneBed().during(5, sinusoidal_min=6).care().during(20).during(5, running_s=80)
    assert bed.said == [("raised", 2), ("worsened", 3)]
    bed.care().during(25)
    assert bed.said[2:] == []
    assert bed.during(5).said[2:] == [("returned", 3)]


def test_what_began_after_something_was_done_was_not_helped_by_it() -> None:
    """It says nothing of whether that has helped."""
    bed = OneBed().during(5, sinusoidal_min=6).care().during(5, signal_lost_s=10).during(30, variability_bpm=8)
    assert bed.suppressed == [("probe", "higher")]
    assert bed.said == [("raised", 2)]


def test_a_pause_begins_anew() -> None:
    """A signal that was lost and back before it was said again that the monitor is off does not end it."""
    bed = OneBed()
    attention.pause(bed.a, 0, 60, POLICY)
    bed.during(5, lost=1, fhr_usable_1min=0.2)
    attention.pause(bed.a, 0, 60, POLICY)
    bed.during(10, fhr_usable_1min=1)
    assert bed.a.paused_until[0] == 60
    bed.during(5, lost=1).during(5, fhr_usable_1min=0.2)
    assert bed.a.paused_until[0] == 60
    bed.during(5, fhr_usable_1min=0.5)
    assert bed.a.paused_until[0] == -1


def test_what_is_kept_back_is_told_once() -> None:
    covered = OneBed().during(60, concern=45, observed_min=1)
    assert covered.suppressed == [("uneasy", "coverage")]
    shelved = OneBed().shelf_from_before("wave", 40).during(30, sinusoidal_min=6)
    assert shelved.suppressed == [("wave", "shelved")]


def test_what_a_new_shelf_is_not_for_is_told_even_when_it_ends_with_an_older_one() -> None:
    bed = OneBed().during(5, sinusoidal_min=6).shelve(60).during(10, sinusoidal_min=0)
    bed.during(10, concern=45).shelve(60 - (bed.second - 5)).during(5, sinusoidal_min=6)
    assert bed.said == [("raised", 2), ("raised", 1)]
    assert bed.suppressed == [("wave", "shelved")]


def test_a_flag_that_speaks_keeps_nothing_back() -> None:
    bed = OneBed().during(5, sinusoidal_min=6).acknowledge().during(5, signal_lost_s=10)
    assert bed.suppressed == [("probe", "higher")]
    bed.during(5, running_s=80)
    assert bed.said == [("raised", 2), ("worsened", 3)]
    assert not bed.a.suppressed.any()
    at_once = OneBed().during(5, sinusoidal_min=6).acknowledge().during(5, signal_lost_s=10, running_s=80)
    assert at_once.said == [("raised", 2), ("worsened", 3)]
    assert at_once.suppressed == []
