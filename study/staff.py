"""Who comes when, as a model: nurses with several beds, one thing at a time, who believe calls as far as they earn it.

What staff do does not change how the women do: signals, truth and measures are the same for every variant, so that
variants differ in nothing but their calls. Numbers and sources: `study/staff.toml`.
"""

import contextlib
import math
import random
from collections import deque
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import simpy

from quietward.detect.core.alerting.attention import BEDSIDE, LOOK, TEAM
from quietward.simulator.truth import Span, TruthFile
from quietward.study.alarms import Alarms, Call
from quietward.study.staff_model import Staff, Worth

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
    """What matters of one bed's truth: when somebody is needed, and what makes its calls stand for something.

    is_known: without it nobody is needed as far as a study can tell, and what a call stands for cannot be said.
    """

    needs: list[Span]
    worth: list[Span]
    worth_for_signal: list[Span]
    is_known: bool = True

    @classmethod
    def of(cls, truth: TruthFile | None, worth: Worth) -> "BedTruth":
        """Take it from a truth file."""
        if truth is None:
            return cls([], [], [], is_known=False)
        plain = [s for s in truth.states if s.what in worth.any_call]
        away = [s for s in truth.artefacts if s.what in worth.call_for_signal]
        return cls(truth.needs, plain, [s for s in away if s.until_s - s.from_s >= worth.gone_for_s])

    def stands_for_something(self, call: Call, ahead_s: float) -> bool | None:
        """Say whether a call's reason is there now, or will be before long; None where nobody knows."""
        if not self.is_known:
            return None
        spans = [*self.needs, *self.worth, *(self.worth_for_signal if call.about_signal else [])]
        return any(s.from_s <= call.t_s + ahead_s and s.until_s >= call.t_s for s in spans)

    def is_needed(self, t_s: float, ahead_s: float = 0.0) -> bool:
        """Say whether somebody is needed at the bed now, or before long."""
        return any(s.from_s <= t_s + ahead_s and s.until_s > t_s for s in self.needs)


@dataclass
class Heard:
    """A call that somebody has decided to answer."""

    call: Call
    is_certain: bool = False  # somebody has read the strip already


@dataclass
class Crew:
    """The people of one shift under one variant."""

    env: simpy.Environment
    staff: Staff
    beds: list[BedTruth]
    alarms: Alarms
    variant: int
    first_lane: int
    earned: dict[int, float]  # by level: the share of calls that stand for something, as learnt; all if not known
    seed: str
    visits: list[Visit] = field(default_factory=list)

    def __post_init__(self) -> None:
        count = math.ceil(len(self.beds) / self.staff.beds_per_nurse)
        has_student = random.Random(f"{self.seed} student").random() < self.staff.student_share
        self.nurses = [
            Nurse(self, i, list(range(i, len(self.beds), count)), has_student and i == 0) for i in range(count)
        ]
        self._clinicians = random.Random(f"{self.seed} clinicians")

    def called(self, call: Call, stands: bool | None) -> None:
        """A call reaches the nurse of the bed; one for the team reaches everybody. stands: for something, if known."""
        bed = call.lane - self.first_lane
        for nurse in self.nurses:
            if bed in nurse.beds or call.level == TEAM:
                nurse.hear(call, stands)
        if call.level == TEAM and self._clinicians.random() < max(self.staff.trust.least, self.earned.get(TEAM, 1.0)):
            comes_s = drawn(self._clinicians, self.staff.team.comes_in_s, self.staff.tasks.spread)
            after(self.env, comes_s, lambda: self._arrives(bed))

    def _arrives(self, bed: int) -> None:
        now = self.env.now
        self.visits.append(Visit(bed, now, now + self.staff.tasks.care_s, "clinician"))
        self.answer(bed)

    def level(self, bed: int) -> int:
        """Return the level of a bed's unanswered call."""
        return self.alarms.level(self.variant, self.first_lane + bed)

    def answer(self, bed: int) -> None:
        """Answer whatever calls from a bed."""
        self.alarms.answer(self.variant, self.first_lane + bed, self.env.now)


class Nurse:
    """One nurse: what calls her comes first, the most urgent first; then rounds, then everything else.

    Everything else is broken off for any call she answers, a bed where nobody is needed for `bedside` and `team`, a bed
    where somebody is needed for none.
    """

    def __init__(self, crew: Crew, number: int, beds: list[int], has_student: bool) -> None:
        self.crew, self.number, self.beds = crew, number, beds
        self._env, self._staff = crew.env, crew.staff
        key = f"{crew.seed} nurse {number}"
        self._believes, self._works = random.Random(f"{key} believes"), random.Random(f"{key} works")
        self._matches = self._believes.random() < self._staff.trust.matching_share
        self._student = Student(self, f"{key} student") if has_student else None
        self._slower_at_beds = self._staff.tasks.teaching if has_student else 1.0
        self._for_nothing: deque[float] = deque()
        self._heard: dict[int, Heard] = {}
        self._breaks_off_from = NEVER
        every_s = self._staff.tasks.round_every_min * 60
        self._seen = {bed: self._works.uniform(-every_s, 0.0) for bed in beds}
        self._next_other = self._works.uniform(0, self._staff.tasks.other_every_min * 60)
        self._process = self._env.process(self._work())

    def hear(self, call: Call, stands: bool | None) -> None:
        """A call interrupts her, whether she answers it or not."""
        now, trust = self._env.now, self._staff.trust
        while self._for_nothing and self._for_nothing[0] < now - trust.window_min * 60:
            self._for_nothing.popleft()
        slower = trust.slower[sum(len(self._for_nothing) >= limit for limit in trust.slow_from)]
        if stands is False:
            self._for_nothing.append(now)
        earned = self.crew.earned.get(call.level, 1.0)
        share = earned if self._matches else float(earned >= trust.all_from)
        # Drawn always, so that what she draws next does not hang on what she thinks of this call.
        answers = self._believes.random() < max(share, trust.least)
        notice_s = drawn(self._believes, self._staff.call.notice_s, self._staff.tasks.spread)
        if answers:
            after(self._env, notice_s * slower, lambda: self.notice(Heard(call)))

    def notice(self, heard: Heard) -> None:
        """She turns to a call as soon as she is free; a student reads strips for her."""
        bed = heard.call.lane - self.crew.first_lane
        if (
            self._student is not None
            and heard.call.level == LOOK
            and not heard.is_certain
            and self._student.take(heard)
        ):
            return
        before = self._heard.get(bed)
        if before is None or heard.is_certain or heard.call.level > before.call.level:
            self._heard[bed] = heard
            if heard.call.level >= self._breaks_off_from:
                self._breaks_off_from = NEVER  # one interruption is enough
                self._process.interrupt()

    def _time(self, median_s: float) -> float:
        return drawn(self._works, median_s, self._staff.tasks.spread)

    def _work(self) -> Work:
        tasks, env = self._staff.tasks, self._env
        every_s = tasks.round_every_min * 60
        while True:
            if self._heard:
                bed = max(self._heard, key=lambda b: (self._heard[b].call.level, -self._heard[b].call.t_s))
                yield from self._answer(bed, self._heard.pop(bed))
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
        """Do something until it is done, or until a call of so high a level, which she answers, makes her break off."""
        until_s = self._env.now + for_s
        while self._env.now < until_s and all(h.call.level < until_level for h in self._heard.values()):
            self._breaks_off_from = until_level
            with contextlib.suppress(simpy.Interrupt):
                yield self._env.timeout(until_s - self._env.now)
            self._breaks_off_from = NEVER

    def _answer(self, bed: int, heard: Heard) -> Work:
        crew, call = self.crew, self._staff.call
        if not heard.is_certain:
            if crew.level(bed) == 0:
                return  # over, or somebody else was quicker
            if heard.call.level == LOOK:
                yield self._env.timeout(self._time(call.read_s))
                if not (
                    crew.beds[bed].is_needed(self._env.now, call.ahead_s) and self._works.random() < call.reads_right
                ):
                    crew.answer(bed)
                    return
        yield from self._visit(bed, self._staff.tasks.check_s)

    def _visit(self, bed: int, median_s: float) -> Work:
        tasks, truth = self._staff.tasks, self.crew.beds[bed]
        yield self._env.timeout(self._time(tasks.walk_s))
        arrived, is_needed = self._env.now, truth.is_needed(self._env.now)
        self.crew.answer(bed)
        lasts_s = self._time(tasks.care_s if is_needed else median_s) * self._slower_at_beds
        place, who = len(self.crew.visits), f"nurse {self.number + 1}"
        self.crew.visits.append(Visit(bed, arrived, arrived + lasts_s, who))
        yield from self._busy(lasts_s, NEVER if is_needed else BEDSIDE)
        self.crew.visits[place] = Visit(bed, arrived, self._env.now, who)
        self._seen[bed] = self._env.now


class Student:
    """Somebody who learns: reads strips at the station, more slowly and less surely, and tells the nurse."""

    def __init__(self, nurse: Nurse, key: str) -> None:
        self._nurse, self._rng, self._is_free = nurse, random.Random(key), True

    def take(self, heard: Heard) -> bool:
        """Take a strip to read, if there is time for it."""
        if not self._is_free:
            return False
        self._is_free = False
        crew = self._nurse.crew
        reads_s = drawn(self._rng, crew.staff.tasks.student_reads_s, crew.staff.tasks.spread)
        after(crew.env, reads_s, lambda: self._has_read(heard))
        return True

    def _has_read(self, heard: Heard) -> None:
        self._is_free = True
        crew = self._nurse.crew
        bed = heard.call.lane - crew.first_lane
        is_needed = crew.beds[bed].is_needed(crew.env.now, crew.staff.call.ahead_s)
        reads_right = self._rng.random() < crew.staff.tasks.student_reads_right
        if is_needed and reads_right:
            self._nurse.notice(Heard(heard.call, is_certain=True))
        else:
            crew.answer(bed)


def drawn(rng: random.Random, median: float, spread: float) -> float:
    """Return a time around a median, log-normal."""
    return median * math.exp(spread * rng.gauss(0, 1))


def after(env: simpy.Environment, delay_s: float, then: Callable[[], None]) -> None:
    """Let something happen later."""
    env.timeout(delay_s).callbacks.append(lambda _: then())


def live(env: simpy.Environment, alarms: Alarms, called: Callable[[Call], None], until_s: float) -> None:
    """Let alarms and people go on side by side until a shift is over. called: told of every call."""
    while (t_s := alarms.next_s()) < until_s:
        if env.peek() < t_s:
            env.run(until=t_s)
        for call in alarms.look():
            called(call)
    if env.peek() < until_s:
        env.run(until=until_s)
