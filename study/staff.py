"""A model of staff: nurses with several beds, one task at a time, who answer calls according to their predictive value.

What staff do has no effect on the labours here, so that variants differ in nothing but their calls; it is written down,
and `study/care.py` lets it change them. Numbers and sources: `study/staff.toml`.
"""

import bisect
import contextlib
import math
import random
from collections import Counter, deque
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import simpy

from quietward.contracts.commands import CareKind
from quietward.contracts.summary import Level
from quietward.detect.core.alerting.policy import BEDSIDE, LOOK, TEAM
from quietward.simulator.truth import Span
from quietward.study.alarms import Alarms, Call
from quietward.study.staff_model import Done, StaffModel, TruePositiveCriteria
from quietward.study.truth import KnownTruth

NEVER = TEAM + 1

Work = Generator[simpy.Event, Any, None]


CALL, ROUND, AGAIN = "call", "round", "look again"
CLINICIANS = "clinicians"


class Visit(NamedTuple):
    """Somebody is at a bed. why: came for a call, on the round, or to look again after care.

    Clinicians whom a nurse has called from the bed came for what she had come for.
    """

    bed: int
    from_s: float
    until_s: float
    who: str
    why: str = CALL


@dataclass(frozen=True)
class BedTruth:
    """When somebody is needed at one bed, and during which states and artefacts its calls are true positives.

    is_known: if not, nobody is needed as far as a study can tell, and no call can be judged. pathological: as in
    `KnownTruth`; staff know nothing of it.
    """

    needs: list[Span]
    states: list[Span]
    artefacts: list[Span]
    is_known: bool = True
    pathological: list[Span] | None = None

    @classmethod
    def of(cls, truth: KnownTruth | None, criteria: TruePositiveCriteria) -> "BedTruth":
        """Return what a truth file says under some criteria."""
        if truth is None:
            return cls([], [], [], is_known=False)
        states = [s for s in truth.states if s.what in criteria.any_call]
        artefacts = [s for s in truth.artefacts if s.what in criteria.call_for_signal]
        gone = [s for s in artefacts if s.until_s - s.from_s >= criteria.gone_for_s]
        return cls(truth.needs, states, gone, pathological=truth.pathological)

    def is_true_positive(self, call: Call, ahead_s: float) -> bool | None:
        """Return whether a call's reason is there now or within `ahead_s`; None if that is not known."""
        if not self.is_known:
            return None
        spans = [*self.needs, *self.states, *(self.artefacts if call.about_signal else [])]
        return any(s.from_s <= call.t_s + ahead_s and s.until_s >= call.t_s for s in spans)

    def is_needed(self, t_s: float, ahead_s: float = 0.0) -> bool:
        """Return whether somebody is needed at the bed now or within `ahead_s`."""
        return any(s.from_s <= t_s + ahead_s and s.until_s > t_s for s in self.needs)

    def needed_from(self, t_s: float, until_s: float, level: str | None = None) -> float | None:
        """Return the first moment between two at which somebody is needed, at one level if given; None if never."""
        begins = (max(s.from_s, t_s) for s in self.needs if s.until_s > t_s and level in (None, s.what))
        first = min(begins, default=math.inf)
        return first if first < until_s else None


NURSE_DOES: tuple[CareKind, ...] = ("turned", "oxytocin-turned-down", "fluids-checked")
"""Where somebody is needed: what is commonly done to relieve whatever it is; no source for how often it helps."""
CLINICIANS_DO: tuple[CareKind, ...] = ("clinician-called",)


class TruthOverTime:
    """The truth of a bed whose course care changes: at every moment as it would go on if nothing more were done.

    So whoever goes to a bed since it will need somebody is right, also where going there is what prevents it.
    """

    def __init__(self, versions: Sequence[tuple[float, BedTruth]]) -> None:
        """versions: each with the moment up to which it is the one that counts, the last up to infinity."""
        self._until_s, self._versions = [until_s for until_s, _ in versions], [truth for _, truth in versions]

    def at(self, t_s: float) -> BedTruth:
        """Return the truth that counts at a moment."""
        return self._versions[bisect.bisect_left(self._until_s, t_s)]

    def is_true_positive(self, call: Call, ahead_s: float) -> bool | None:
        """Return whether a call's reason is there now or within `ahead_s`; None if that is not known."""
        return self.at(call.t_s).is_true_positive(call, ahead_s)

    def is_needed(self, t_s: float, ahead_s: float = 0.0) -> bool:
        """Return whether somebody is needed at the bed now or within `ahead_s`."""
        return self.at(t_s).is_needed(t_s, ahead_s)

    def needed_from(self, t_s: float, until_s: float, level: str | None = None) -> float | None:
        """Return the first moment between two at which somebody is needed, as `BedTruth` does."""
        return self.at(t_s).needed_from(t_s, until_s, level)


class Draws:
    """Random numbers of somebody: the n-th time of each thing at each bed has its own, whatever else is done.

    So that two variants, of which one calls once more at some bed, have the same luck at all others.
    """

    def __init__(self, key: str) -> None:
        self._key = key
        self._times: Counter[tuple[str, int, int]] = Counter()

    def next(self, what: str, bed: int = -1, level: int = 0) -> random.Random:
        """Return the numbers of the next time of this. bed: -1 where it is of none; level: of a call."""
        of = what, bed, level
        self._times[of] += 1
        return random.Random(f"{self._key} {what} {bed} {level} {self._times[of]}")


@dataclass
class PendingCall:
    """A call that somebody has decided to answer. strip_read: a student has read the strip and found it right."""

    call: Call
    strip_read: bool = False


@dataclass
class Staff:
    """The staff of one shift under one variant. ppv: expected positive predictive value by level, 1 where not known.

    done: what they do where somebody is needed; there are births only where that changes how the women do. ends_s:
    until when each bed is watched, after which nobody goes round it; None: all to the end.
    """

    env: simpy.Environment
    model: StaffModel
    beds: Sequence[BedTruth | TruthOverTime]
    alarms: Alarms
    variant: int
    first_bed: int
    ppv: dict[int, float]
    seed: str
    visits: list[Visit] = field(default_factory=list)
    done: list[Done] = field(default_factory=list)
    changes_course: bool = False
    ends_s: Sequence[float] | None = None

    def __post_init__(self) -> None:
        count = math.ceil(len(self.beds) / self.model.beds_per_nurse)
        has_student = random.Random(f"{self.seed} student").random() < self.model.student_share
        self.nurses = [
            Nurse(self, i, list(range(i, len(self.beds), count)), has_student and i == 0) for i in range(count)
        ]
        self._clinicians = Draws(f"{self.seed} clinicians")
        self._coming: dict[int, tuple[float, float]] = {}

    def on_call(self, call: Call, is_true: bool | None) -> None:
        """Bring a call to the nurse of the bed, one for the team to everybody.

        is_true: whether it is a true positive, None if that is not known.
        """
        bed = call.bed - self.first_bed
        for nurse in self.nurses:
            if bed in nurse.beds or call.level == TEAM:
                nurse.hear(call, is_true)
        if call.level == TEAM:
            believes = max(self.model.trust.least, self.ppv.get(TEAM, 1.0))
            if self._clinicians.next("believe", bed).random() < believes:
                self.call_clinicians(bed)

    def call_clinicians(self, bed: int, why: str = CALL) -> float:
        """Let clinicians come to a bed, unless they are there or on the way; return when they arrive, or arrived.

        why: what it goes back to.
        """
        now = self.env.now
        arrive_s, leave_s = self._coming.get(bed, (0.0, 0.0))
        if leave_s > now:
            return arrive_s
        comes_s = drawn(self._clinicians.next("come", bed), self.model.team.comes_in_s, self.model.tasks.spread)
        self._coming[bed] = now + comes_s, now + comes_s + self.model.tasks.care_s
        if self.beds[bed].is_needed(now):
            self.done.append(Done(now, bed, CLINICIANS_DO))
        after(self.env, comes_s, lambda: self._arrives(bed, why))
        return now + comes_s

    def _arrives(self, bed: int, why: str) -> None:
        now = self.env.now
        self.visits.append(Visit(bed, now, now + self.model.tasks.care_s, CLINICIANS, why))
        self.answer(bed)
        if self.changes_course:
            draws = self._clinicians.next("birth", bed)
            birth_s = drawn(draws, self.model.team.birth_in_min * 60, self.model.tasks.spread)
            after(self.env, birth_s, lambda: self._birth(bed))

    def _birth(self, bed: int) -> None:
        """Let the child be born where the team is still needed."""
        now = self.env.now
        if self.beds[bed].needed_from(now, now + 1, Level.TEAM.value) is not None:
            self.done.append(Done(now, bed, (), is_birth=True))

    def is_over(self, bed: int) -> bool:
        """Return whether a bed is not watched any more: its recording has ended, or the child is born."""
        return self.ends_s is not None and self.env.now >= self.ends_s[bed]

    def level(self, bed: int) -> int:
        """Return the level of a bed's unanswered alarm."""
        return self.alarms.level(self.variant, self.first_bed + bed)

    def answer(self, bed: int) -> None:
        """Acknowledge whatever is active at a bed."""
        self.alarms.answer(self.variant, self.first_bed + bed, self.env.now)


class Nurse:
    """One nurse: pending calls come first, the most urgent first; then rounds, then other tasks.

    Any call that she answers interrupts another task; `bedside` and `team` interrupt a visit to a bed where nobody is
    needed; nothing interrupts a visit where somebody is. Where the team is needed she calls it, and stays until it is
    there.
    """

    def __init__(self, staff: Staff, number: int, beds: list[int], has_student: bool) -> None:
        self.staff, self.number, self.beds = staff, number, beds
        self._env, self._model = staff.env, staff.model
        key = f"{staff.seed} nurse {number}"
        self._draws = Draws(key)
        self._matches = self._draws.next("matches").random() < self._model.trust.matching_share
        self._student = Student(self, f"{key} student") if has_student else None
        self._slower_at_beds = self._model.tasks.teaching if has_student else 1.0
        self._false_calls: deque[float] = deque()
        self._pending: dict[int, PendingCall] = {}
        self._breaks_off_from = NEVER
        every_s = self._model.tasks.round_every_min * 60
        self._due = {bed: self._draws.next("first round", bed).uniform(0.0, every_s) for bed in beds}
        self._has_cared: set[int] = set()
        self._next_other = self._draws.next("first other").uniform(0, self._model.tasks.other_every_min * 60)
        self._process = self._env.process(self._work())

    def hear(self, call: Call, is_true: bool | None) -> None:
        """Be interrupted by a call, whether she answers it or not."""
        now, trust = self._env.now, self._model.trust
        while self._false_calls and self._false_calls[0] < now - trust.window_min * 60:
            self._false_calls.popleft()
        slower = trust.slower[sum(len(self._false_calls) >= limit for limit in trust.slow_from)]
        if is_true is False:
            self._false_calls.append(now)
        ppv = self.staff.ppv.get(call.level, 1.0)
        share = ppv if self._matches else float(ppv >= trust.all_from)
        draws = self._draws.next("hear", call.bed - self.staff.first_bed, call.level)
        answers = draws.random() < max(share, trust.least)
        notice_s = self._time(draws, self._model.call.notice_s)
        if answers:
            after(self._env, notice_s * slower, lambda: self.notice(PendingCall(call)))

    def notice(self, pending: PendingCall) -> None:
        """Attend to a call as soon as she is free; a student reads strips for her."""
        bed = pending.call.bed - self.staff.first_bed
        if (
            self._student is not None
            and pending.call.level == LOOK
            and not pending.strip_read
            and self._student.take(pending)
        ):
            return
        before = self._pending.get(bed)
        if before is None or pending.strip_read or pending.call.level > before.call.level:
            self._pending[bed] = pending
            if pending.call.level >= self._breaks_off_from:
                self._breaks_off_from = NEVER  # one interruption is enough
                self._process.interrupt()

    def _time(self, draws: random.Random, median_s: float) -> float:
        return drawn(draws, median_s, self._model.tasks.spread)

    def _work(self) -> Work:
        tasks, env = self._model.tasks, self._env
        while True:
            if self._pending:
                bed = max(self._pending, key=lambda b: (self._pending[b].call.level, -self._pending[b].call.t_s))
                yield from self._answer(bed, self._pending.pop(bed))
                continue
            due = min(self._due, key=lambda b: self._due[b])
            if env.now >= self._due[due] and self.staff.is_over(due):
                self._due[due] = math.inf
            elif env.now >= self._due[due]:
                yield from self._visit(due, tasks.round_s, AGAIN if due in self._has_cared else ROUND)
            elif env.now >= self._next_other:
                draws = self._draws.next("other")
                self._next_other = env.now + self._time(draws, tasks.other_every_min * 60)
                yield from self._busy(self._time(draws, tasks.other_s), LOOK)
            else:
                until_s = min(self._due[due], self._next_other)
                yield from self._busy(max(1.0, until_s - env.now), LOOK)

    def _busy(self, for_s: float, until_level: int) -> Work:
        """Do a task until it is done, or until a pending call of at least `until_level` interrupts it."""
        until_s = self._env.now + for_s
        while self._env.now < until_s and all(h.call.level < until_level for h in self._pending.values()):
            self._breaks_off_from = until_level
            with contextlib.suppress(simpy.Interrupt):
                yield self._env.timeout(until_s - self._env.now)
            self._breaks_off_from = NEVER

    def _answer(self, bed: int, pending: PendingCall) -> Work:
        staff, call = self.staff, self._model.call
        if not pending.strip_read:
            if staff.level(bed) == 0:
                return  # over, or somebody else was quicker
            if pending.call.level == LOOK:
                draws = self._draws.next("read", bed)
                yield self._env.timeout(self._time(draws, call.read_s))
                reads_right = draws.random() < call.reads_right
                if not (staff.beds[bed].is_needed(self._env.now, call.ahead_s) and reads_right):
                    staff.answer(bed)
                    return
        yield from self._visit(bed, self._model.tasks.check_s, CALL)

    def _visit(self, bed: int, median_s: float, why: str) -> Work:
        tasks, staff = self._model.tasks, self.staff
        draws = self._draws.next(why, bed)
        yield self._env.timeout(self._time(draws, tasks.walk_s))
        arrived, how_long = self._env.now, self._time(draws, 1.0) * self._slower_at_beds
        staff.answer(bed)
        place, who = len(staff.visits), f"nurse {self.number + 1}"
        staff.visits.append(Visit(bed, arrived, math.inf, who, why))
        has_cared = False
        needed_s = staff.beds[bed].needed_from(arrived, arrived + how_long * median_s)
        yield from self._busy(how_long * median_s if needed_s is None else needed_s - arrived, BEDSIDE)
        if needed_s is not None and self._env.now >= needed_s:  # else called away before
            yield from self._care(bed, how_long * tasks.care_s, why)
            has_cared = True
        staff.visits[place] = Visit(bed, arrived, self._env.now, who, why)
        if bed in self._due:  # another nurse's bed stays hers, whoever has helped there
            again_min = min(tasks.round_every_min, tasks.again_after_min) if has_cared else tasks.round_every_min
            self._due[bed] = self._env.now + again_min * 60
            (self._has_cared.add if has_cared else self._has_cared.discard)(bed)

    def _care(self, bed: int, for_s: float, why: str) -> Work:
        """Stay where somebody is needed; where that is the team, call it and wait for it. why: what she came for."""
        staff, env, team = self.staff, self._env, Level.TEAM.value
        staff.done.append(Done(env.now, bed, NURSE_DOES))
        team_s = staff.beds[bed].needed_from(env.now, env.now + for_s, team)
        if team_s is not None:
            after(env, team_s - env.now, lambda: self._call_clinicians(bed, why))
        yield from self._busy(for_s, NEVER)
        if staff.beds[bed].needed_from(env.now, env.now + 1, team) is not None:
            yield from self._busy(staff.call_clinicians(bed, why) - env.now, NEVER)

    def _call_clinicians(self, bed: int, why: str) -> None:
        now = self._env.now
        if self.staff.beds[bed].needed_from(now, now + 1, Level.TEAM.value) is not None:
            self.staff.call_clinicians(bed, why)


class Student:
    """A student: reads strips at the station, more slowly and less reliably, and tells the nurse."""

    def __init__(self, nurse: Nurse, key: str) -> None:
        self._nurse, self._draws, self._is_free = nurse, Draws(key), True

    def take(self, pending: PendingCall) -> bool:
        """Take a strip to read; return False if still busy with another."""
        if not self._is_free:
            return False
        self._is_free = False
        staff = self._nurse.staff
        draws, tasks = self._draws.next("read", pending.call.bed - staff.first_bed), staff.model.tasks
        reads_s = drawn(draws, tasks.student_reads_s, tasks.spread)
        reads_right = draws.random() < tasks.student_reads_right
        after(staff.env, reads_s, lambda: self._has_read(pending, reads_right=reads_right))
        return True

    def _has_read(self, pending: PendingCall, *, reads_right: bool) -> None:
        self._is_free = True
        staff = self._nurse.staff
        bed = pending.call.bed - staff.first_bed
        is_needed = staff.beds[bed].is_needed(staff.env.now, staff.model.call.ahead_s)
        if is_needed and reads_right:
            self._nurse.notice(PendingCall(pending.call, strip_read=True))
        else:
            staff.answer(bed)


def drawn(rng: random.Random, median: float, spread: float) -> float:
    """Draw a time, log-normal around its median."""
    return median * math.exp(spread * rng.gauss(0, 1))


def after(env: simpy.Environment, delay_s: float, then: Callable[[], None]) -> None:
    """Schedule a function for later."""
    env.timeout(delay_s).callbacks.append(lambda _: then())


def run_shift(
    env: simpy.Environment,
    alarms: Alarms,
    on_call: Callable[[Call], None],
    until_s: float,
    moved: Callable[[float], None] = lambda _: None,
) -> None:
    """Run alarms and staff side by side until a shift is over.

    on_call: called with every call; moved: with the seconds that have gone by since it was called last.
    """
    before_s = 0.0
    while True:
        t_s = min(alarms.next_s(), until_s)
        while env.peek() < t_s:  # an answer may put off when alarms call next, or bring it forward
            env.step()
            t_s = min(alarms.next_s(), until_s)
        if t_s >= until_s:
            return
        if env.now < t_s:
            env.run(until=t_s)
        for call in alarms.step():
            on_call(call)
        moved(t_s - before_s)
        before_s = t_s
