"""A model of staff: nurses with several beds, one task at a time, who answer calls according to their predictive value.

What staff do has no effect on the labours: signals, truth and measures are the same for every variant, so that variants
differ in nothing but their calls. Numbers and sources: `study/staff.toml`.
"""

import contextlib
import math
import random
from collections import deque
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import simpy

from quietward.detect.core.alerting.policy import BEDSIDE, LOOK, TEAM
from quietward.simulator.truth import Span
from quietward.study.alarms import Alarms, Call
from quietward.study.staff_model import StaffModel, TruePositiveCriteria
from quietward.study.truth import KnownTruth

NEVER = TEAM + 1

Work = Generator[simpy.Event, Any, None]


class Visit(NamedTuple):
    """Somebody is at a bed."""

    bed: int
    from_s: float
    until_s: float
    who: str


@dataclass(frozen=True)
class BedTruth:
    """When somebody is needed at one bed, and during which states and artefacts its calls are true positives.

    is_known: if not, nobody is needed as far as a study can tell, and no call can be judged.
    """

    needs: list[Span]
    states: list[Span]
    artefacts: list[Span]
    is_known: bool = True

    @classmethod
    def of(cls, truth: KnownTruth | None, criteria: TruePositiveCriteria) -> "BedTruth":
        """Return what a truth file says under some criteria."""
        if truth is None:
            return cls([], [], [], is_known=False)
        states = [s for s in truth.states if s.what in criteria.any_call]
        artefacts = [s for s in truth.artefacts if s.what in criteria.call_for_signal]
        return cls(truth.needs, states, [s for s in artefacts if s.until_s - s.from_s >= criteria.gone_for_s])

    def is_true_positive(self, call: Call, ahead_s: float) -> bool | None:
        """Return whether a call's reason is there now or within `ahead_s`; None if that is not known."""
        if not self.is_known:
            return None
        spans = [*self.needs, *self.states, *(self.artefacts if call.about_signal else [])]
        return any(s.from_s <= call.t_s + ahead_s and s.until_s >= call.t_s for s in spans)

    def is_needed(self, t_s: float, ahead_s: float = 0.0) -> bool:
        """Return whether somebody is needed at the bed now or within `ahead_s`."""
        return any(s.from_s <= t_s + ahead_s and s.until_s > t_s for s in self.needs)


@dataclass
class PendingCall:
    """A call that somebody has decided to answer. strip_read: a student has read the strip and found it right."""

    call: Call
    strip_read: bool = False


@dataclass
class Staff:
    """The staff of one shift under one variant. ppv: expected positive predictive value by level, 1 where not known."""

    env: simpy.Environment
    model: StaffModel
    beds: list[BedTruth]
    alarms: Alarms
    variant: int
    first_bed: int
    ppv: dict[int, float]
    seed: str
    visits: list[Visit] = field(default_factory=list)

    def __post_init__(self) -> None:
        count = math.ceil(len(self.beds) / self.model.beds_per_nurse)
        has_student = random.Random(f"{self.seed} student").random() < self.model.student_share
        self.nurses = [
            Nurse(self, i, list(range(i, len(self.beds), count)), has_student and i == 0) for i in range(count)
        ]
        self._clinicians = random.Random(f"{self.seed} clinicians")

    def on_call(self, call: Call, is_true: bool | None) -> None:
        """Bring a call to the nurse of the bed, one for the team to everybody.

        is_true: whether it is a true positive, None if that is not known.
        """
        bed = call.bed - self.first_bed
        for nurse in self.nurses:
            if bed in nurse.beds or call.level == TEAM:
                nurse.hear(call, is_true)
        if call.level == TEAM and self._clinicians.random() < max(self.model.trust.least, self.ppv.get(TEAM, 1.0)):
            comes_s = drawn(self._clinicians, self.model.team.comes_in_s, self.model.tasks.spread)
            after(self.env, comes_s, lambda: self._arrives(bed))

    def _arrives(self, bed: int) -> None:
        now = self.env.now
        self.visits.append(Visit(bed, now, now + self.model.tasks.care_s, "clinician"))
        self.answer(bed)

    def level(self, bed: int) -> int:
        """Return the level of a bed's unanswered alarm."""
        return self.alarms.level(self.variant, self.first_bed + bed)

    def answer(self, bed: int) -> None:
        """Acknowledge whatever is active at a bed."""
        self.alarms.answer(self.variant, self.first_bed + bed, self.env.now)


class Nurse:
    """One nurse: pending calls come first, the most urgent first; then rounds, then other tasks.

    Any call that she answers interrupts another task; `bedside` and `team` interrupt a visit to a bed where nobody is
    needed; nothing interrupts a visit where somebody is.
    """

    def __init__(self, staff: Staff, number: int, beds: list[int], has_student: bool) -> None:
        self.staff, self.number, self.beds = staff, number, beds
        self._env, self._model = staff.env, staff.model
        key = f"{staff.seed} nurse {number}"
        self._believes, self._works = random.Random(f"{key} believes"), random.Random(f"{key} works")
        self._matches = self._believes.random() < self._model.trust.matching_share
        self._student = Student(self, f"{key} student") if has_student else None
        self._slower_at_beds = self._model.tasks.teaching if has_student else 1.0
        self._false_calls: deque[float] = deque()
        self._pending: dict[int, PendingCall] = {}
        self._breaks_off_from = NEVER
        every_s = self._model.tasks.round_every_min * 60
        self._seen = {bed: self._works.uniform(-every_s, 0.0) for bed in beds}
        self._next_other = self._works.uniform(0, self._model.tasks.other_every_min * 60)
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
        # Always draw, to keep the random stream independent of the decision.
        answers = self._believes.random() < max(share, trust.least)
        notice_s = drawn(self._believes, self._model.call.notice_s, self._model.tasks.spread)
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

    def _time(self, median_s: float) -> float:
        return drawn(self._works, median_s, self._model.tasks.spread)

    def _work(self) -> Work:
        tasks, env = self._model.tasks, self._env
        every_s = tasks.round_every_min * 60
        while True:
            if self._pending:
                bed = max(self._pending, key=lambda b: (self._pending[b].call.level, -self._pending[b].call.t_s))
                yield from self._answer(bed, self._pending.pop(bed))
                continue
            longest_ago = min(self._seen, key=lambda b: self._seen[b])
            if env.now - self._seen[longest_ago] >= every_s:
                yield from self._visit(longest_ago, tasks.round_s)
            elif env.now >= self._next_other:
                self._next_other = env.now + self._time(tasks.other_every_min * 60)
                yield from self._busy(self._time(tasks.other_s), LOOK)
            else:
                until_s = min(self._seen[longest_ago] + every_s, self._next_other)
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
                yield self._env.timeout(self._time(call.read_s))
                if not (
                    staff.beds[bed].is_needed(self._env.now, call.ahead_s) and self._works.random() < call.reads_right
                ):
                    staff.answer(bed)
                    return
        yield from self._visit(bed, self._model.tasks.check_s)

    def _visit(self, bed: int, median_s: float) -> Work:
        tasks, truth = self._model.tasks, self.staff.beds[bed]
        yield self._env.timeout(self._time(tasks.walk_s))
        arrived, is_needed = self._env.now, truth.is_needed(self._env.now)
        self.staff.answer(bed)
        lasts_s = self._time(tasks.care_s if is_needed else median_s) * self._slower_at_beds
        place, who = len(self.staff.visits), f"nurse {self.number + 1}"
        self.staff.visits.append(Visit(bed, arrived, arrived + lasts_s, who))
        yield from self._busy(lasts_s, NEVER if is_needed else BEDSIDE)
        self.staff.visits[place] = Visit(bed, arrived, self._env.now, who)
        self._seen[bed] = self._env.now


class Student:
    """A student: reads strips at the station, more slowly and less reliably, and tells the nurse."""

    def __init__(self, nurse: Nurse, key: str) -> None:
        self._nurse, self._rng, self._is_free = nurse, random.Random(key), True

    def take(self, pending: PendingCall) -> bool:
        """Take a strip to read; return False if still busy with another."""
        if not self._is_free:
            return False
        self._is_free = False
        staff = self._nurse.staff
        reads_s = drawn(self._rng, staff.model.tasks.student_reads_s, staff.model.tasks.spread)
        after(staff.env, reads_s, lambda: self._has_read(pending))
        return True

    def _has_read(self, pending: PendingCall) -> None:
        self._is_free = True
        staff = self._nurse.staff
        bed = pending.call.bed - staff.first_bed
        is_needed = staff.beds[bed].is_needed(staff.env.now, staff.model.call.ahead_s)
        reads_right = self._rng.random() < staff.model.tasks.student_reads_right
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
    while (t_s := alarms.next_s()) < until_s:
        if env.peek() < t_s:
            env.run(until=t_s)
        for call in alarms.step():
            on_call(call)
        moved(t_s - before_s)
        before_s = t_s
    if env.peek() < until_s:
        env.run(until=until_s)
