"""Flags: raised, escalated while nobody comes, answered, eased; lost signals keep what was known."""

import numpy as np

from detect.core import engine, summaries
from detect.core.engine import Output
from detect.core.state import State
from quietward.messages import Acknowledge, Act, Block, DeviceStatus, Done, Event, Level, Signal, Summary, Tick
from tests.traces import RULES, flat, put, ramp, ripple
from tests.traces import Signal as Trace

T0 = 1_790_000_000
FALL_AT_S = 400
LOOK_S = RULES.policy.escalation.look_after_s
BEDSIDE_S = RULES.policy.escalation.bedside_after_s
LOOK_AT_S, BEDSIDE_AT_S, TEAM_AT_S = (
    next(int(limit) for name, _, limit in c.all if name == "running_s")
    for c in RULES.policy.condition
    if any(name == "running_s" for name, _, _ in c.all)
)
"""How long a deceleration runs before the policy asks for a look, for somebody at the bedside, and for the team."""


class Bed:
    """One bed, driven second by second."""

    def __init__(self) -> None:
        self.state = State(RULES)
        self.second = 0
        self.events: list[Event] = []
        self.summary: Summary | None = None

    def take(self, output: Output) -> None:
        self.events += output.events
        for found in summaries.of(self.state, output):
            self.summary = found

    def play(self, fhr: Trace) -> None:
        for i in range(len(fhr) // 4):
            values = [None if np.isnan(x) else float(x) for x in fhr[4 * i : 4 * i + 4]]
            at = (T0 + self.second) * 1000
            self.take(engine.step(self.state, [Block("b", "s", self.second, at, at, values, [10.0] * 4)]))
            self.second += 1

    def tick(self, seconds: int) -> None:
        for _ in range(seconds):
            self.second += 1
            self.take(engine.step(self.state, [Tick((T0 + self.second) * 1000)]))

    def answer(self, flag: str) -> None:
        self.do(Acknowledge("b", "Kim", flag))

    def do(self, act: Act) -> None:
        self.take(engine.step(self.state, [Done((T0 + self.second) * 1000, act)]))

    def flags(self) -> list[tuple[str, object]]:
        return [(e.kind.removeprefix("flag-"), e.detail["level"]) for e in self.events if e.kind.startswith("flag")]

    def now(self) -> Summary:
        assert self.summary is not None
        return self.summary


def with_long_fall(length_s: float, after_s: float = 60) -> Trace:
    seconds = FALL_AT_S + length_s + after_s
    return put(flat(140, seconds) + ripple(seconds, 10), FALL_AT_S, ramp(-60, 10, length_s - 20, 10))


def test_a_running_deceleration_is_announced_before_it_is_over() -> None:
    bed = Bed()
    trace = with_long_fall(BEDSIDE_AT_S + 60, 0)
    bed.play(trace[: (FALL_AT_S + 60) * 4])
    running = bed.now().running
    assert running is not None
    assert running.depth_bpm > 50
    assert bed.now().level is Level.QUIET
    bed.play(trace[(FALL_AT_S + 60) * 4 : (FALL_AT_S + BEDSIDE_AT_S + 10) * 4])
    assert bed.now().level is Level.BEDSIDE
    assert "not over" in bed.now().reason


def test_worse_goes_up_and_ease_ends_the_flag() -> None:
    bed = Bed()
    bed.play(with_long_fall(TEAM_AT_S + 40, 1900))
    assert bed.flags()[:2] == [("raised", "bedside"), ("worsened", "team")]
    assert bed.flags()[-1] == ("eased", "quiet")
    assert bed.now().level is Level.QUIET


def test_an_unanswered_flag_goes_one_level_up_and_an_answered_one_does_not() -> None:
    waiting, answered = Bed(), Bed()
    for bed in (waiting, answered):
        bed.play(flat(95, 480) + ripple(480, 10))
        assert bed.now().level is Level.BEDSIDE
    flag = answered.now().flag
    assert flag is not None
    answered.answer(flag)
    for bed in (waiting, answered):
        bed.play(flat(95, BEDSIDE_S + 120) + ripple(BEDSIDE_S + 120, 10))
    assert ("escalated", "team") in waiting.flags()
    assert waiting.now().level is Level.TEAM
    assert answered.now().level is Level.BEDSIDE
    assert answered.now().acknowledged_by == "Kim"


def test_an_answer_to_an_old_or_foreign_flag_changes_nothing() -> None:
    bed = Bed()
    bed.play(flat(95, 480) + ripple(480, 10))
    for flag in ("b-f0", "b-f99", "other", "b-fx"):
        bed.answer(flag)
    assert bed.now().acknowledged_by is None
    assert not [f for f in bed.flags() if f[0] == "acknowledged"]


def test_silence_is_lost_and_what_was_raised_stays() -> None:
    bed = Bed()
    bed.play(with_long_fall(600, 0)[: (FALL_AT_S + BEDSIDE_AT_S + 20) * 4])
    assert bed.now().level is Level.BEDSIDE
    bed.tick(60)
    assert bed.now().signal is Signal.LOST
    assert bed.now().level is Level.BEDSIDE
    assert "device sends nothing" in bed.now().signal_reason


def test_a_quiet_bed_that_falls_silent_says_so_and_asks_for_somebody() -> None:
    bed = Bed()
    bed.play(flat(140, 400) + ripple(400, 10))
    bed.take(engine.step(bed.state, [DeviceStatus("b", (T0 + bed.second) * 1000, online=False)]))
    bed.tick(11)
    assert bed.now().signal is Signal.LOST
    assert "offline" in bed.now().signal_reason
    bed.tick(130)
    assert bed.now().level is Level.LOOK
    bed.tick(round(LOOK_S) + 5)
    assert bed.now().level is Level.BEDSIDE
    bed.play(flat(140, 120) + ripple(120, 10))
    assert bed.now().signal is not Signal.LOST
    assert bed.now().level is Level.QUIET


def test_a_device_that_sends_no_value_is_lost_too() -> None:
    bed = Bed()
    bed.play(flat(140, 400) + ripple(400, 10))
    bed.play(flat(np.nan, 70))
    assert bed.now().signal is Signal.LOST
    assert bed.now().fhr_bpm is None


def test_no_level_without_a_reason() -> None:
    bed = Bed()
    bed.play(with_long_fall(TEAM_AT_S + 40, 200))
    raised = [e for e in bed.events if e.kind in ("flag-raised", "flag-worsened", "flag-escalated")]
    assert raised
    assert all(e.detail["reason"] and e.rules == RULES.digest for e in raised)
