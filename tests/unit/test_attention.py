"""Flags: raised, escalated while nobody comes, answered, eased; lost signals keep what was known."""

import re
from dataclasses import replace

import numpy as np
import pytest
from msgspec import structs

from quietward.contracts.commands import (
    Acknowledge,
    Attend,
    Command,
    Pause,
    RecordCare,
    SetBedLimit,
    Shelve,
    Tap,
    Unshelve,
)
from quietward.contracts.inputs import Block, CommandEnvelope, DeviceStatus, Input, Tick
from quietward.contracts.log import Event
from quietward.contracts.summary import Level, SignalState, Summary
from quietward.dashboard.view.view_model import at_one_bed_each, build_card
from quietward.detect import rule_file
from quietward.detect.assess import assess
from quietward.detect.core import engine
from quietward.detect.core.alerting.policy import CareTimes
from quietward.detect.core.reporting import summaries
from quietward.detect.core.reporting.carry_over import carry_over
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State
from quietward.recordings.recording import Recording
from tests.traces import RULES, flat, put, ramp, ripple
from tests.traces import Signal as Trace

T0 = 1_790_000_000
FALL_AT_S = 400
LOST = next(c for c in RULES.policy.condition if c.name == "signal-lost")
LOST_S, LOST_LOOK_S = int(LOST.all[0][2]), int(LOST.look_after_s or 0)
HELPS_S = RULES.policy.care.helps_within_s
BEDSIDE_S = RULES.policy.escalation.bedside_after_s
LOOK_AT_S, BEDSIDE_AT_S, TEAM_AT_S = (
    next(int(limit) for name, _, limit in c.all if name == "running_s")
    for c in RULES.policy.condition
    if c.name in ("long-fall", "fall-goes-on", "fall-not-recovering")
)
"""How long a deceleration runs before the policy asks for a look, for somebody at the bedside, and for the team."""


class Bed:
    """One bed, driven second by second."""

    def __init__(self, rules: Rules = RULES) -> None:
        self.state = State(rules)
        self.second = 0
        self.events: list[Event] = []
        self.summary: Summary | None = None

    def take(self, output: Output) -> None:
        self.events += output.events
        for found in summaries.of(self.state, output):
            self.summary = found

    def play(self, fhr: Trace) -> None:
        blocks: list[Input] = []
        for i in range(len(fhr) // 4):
            values = [None if np.isnan(x) else float(x) for x in fhr[4 * i : 4 * i + 4]]
            at = (T0 + self.second) * 1000
            blocks.append(Block("b", "s", self.second, at, at, values, [10.0] * 4))
            self.second += 1
        for i in range(0, len(blocks), 60):
            self.take(engine.step(self.state, blocks[i : i + 60]))

    def tick(self, seconds: int) -> None:
        ticks = [Tick((T0 + self.second + n) * 1000) for n in range(1, seconds + 1)]
        self.second += seconds
        for i in range(0, len(ticks), 60):  # as blocks: a step for each of them costs five to ten times as much
            self.take(engine.step(self.state, ticks[i : i + 60]))

    def answer(self, flag: str) -> None:
        self.do(Acknowledge("b", "Kim", flag))

    def do(self, act: Command) -> None:
        self.take(engine.step(self.state, [CommandEnvelope((T0 + self.second) * 1000, act)]))

    def last(self, kind: str) -> Event:
        return next(e for e in reversed(self.events) if e.kind == kind)

    def flags(self) -> list[tuple[str, object]]:
        return [(e.kind.removeprefix("flag-"), e.detail["level"]) for e in self.events if e.kind.startswith("flag")]

    def now(self) -> Summary:
        assert self.summary is not None
        return self.summary


def lively(bpm: float, seconds: float) -> Trace:
    """A level with a variability of some 8 bpm that is no sinusoidal pattern."""
    return flat(bpm, seconds) + ripple(seconds, 5, 12.0) + ripple(seconds, 4, 7.0)


def with_long_fall(length_s: float, after_s: float = 60) -> Trace:
    seconds = FALL_AT_S + length_s + after_s
    return put(lively(140, seconds), FALL_AT_S, ramp(-60, 10, length_s - 20, 10))


def test_a_running_deceleration_is_announced_before_it_is_over() -> None:
    bed = Bed()
    trace = with_long_fall(BEDSIDE_AT_S + 60, 0)
    bed.play(trace[: (FALL_AT_S + 60) * 4])
    running = bed.now().running
    assert running is not None
    assert running.depth_bpm > 50
    assert bed.now().level is Level.NOTED
    bed.play(trace[(FALL_AT_S + 60) * 4 : (FALL_AT_S + BEDSIDE_AT_S + 10) * 4])
    assert bed.now().level is Level.BEDSIDE
    assert "deep so far" in bed.now().reason


def test_worse_goes_up_and_ease_ends_the_flag() -> None:
    bed = Bed()
    bed.play(with_long_fall(TEAM_AT_S + 40, 1900))
    assert bed.flags()[:3] == [("raised", "look"), ("worsened", "bedside"), ("worsened", "team")]
    assert bed.flags()[-1] == ("eased", "quiet")
    assert bed.now().level is Level.NOTED


def low_baseline(seconds: float) -> Trace:
    return lively(95, seconds)


def bed_with_low_baseline() -> Bed:
    bed = Bed()
    bed.play(low_baseline(480))
    assert bed.now().level is Level.BEDSIDE
    return bed


def flag_of(bed: Bed) -> str:
    flag = bed.now().flag
    assert flag is not None
    return flag


def test_an_unanswered_flag_goes_one_level_up_and_an_answered_one_does_not() -> None:
    waiting, answered = bed_with_low_baseline(), bed_with_low_baseline()
    answered.answer(flag_of(answered))
    for bed in (waiting, answered):
        bed.play(low_baseline(BEDSIDE_S + 120))
    assert ("escalated", "team") in waiting.flags()
    assert waiting.now().level is Level.TEAM
    assert waiting.now().reason.startswith("baseline 95 bpm")
    assert answered.now().level is Level.BEDSIDE
    assert answered.now().acknowledged_by == "Kim"


def test_what_was_answered_and_still_holds_speaks_again_after_the_policys_time() -> None:
    bed = bed_with_low_baseline()
    bed.answer(flag_of(bed))
    bed.play(low_baseline(RULES.policy.repeat.bedside_s + 30))
    assert bed.flags()[-1] == ("repeated", "bedside")
    assert bed.now().acknowledged_by is None


def test_what_was_done_and_has_not_helped_brings_the_flag_back_one_level_up() -> None:
    bed = bed_with_low_baseline()
    bed.do(RecordCare("b", "Kim", "turned"))
    assert bed.now().acknowledged_by == "Kim", "who does something has answered"
    assert bed.now().cared[0].after is None
    bed.play(low_baseline(HELPS_S - 20))
    assert bed.now().level is Level.BEDSIDE
    bed.play(low_baseline(40))
    assert bed.flags()[-1] == ("returned", "team")
    assert bed.now().acknowledged_by is None
    assert "has not helped" in str(bed.last("flag-returned").detail["reason"])


def test_a_second_thing_done_does_not_put_off_the_end_of_the_time_to_help() -> None:
    bed = bed_with_low_baseline()
    bed.do(RecordCare("b", "Kim", "turned"))
    bed.play(low_baseline(HELPS_S / 2))
    bed.do(RecordCare("b", "Kim", "fluids-checked"))
    bed.play(low_baseline(HELPS_S / 2 + 20))
    assert bed.flags()[-1] == ("returned", "team")


def decelerating(minutes: int, depth: float) -> Trace:
    """One deceleration of 60 s every 2.5 min, deep enough for a high concern."""
    trace = flat(140, minutes * 60) + ripple(minutes * 60, 3)
    for second in range(60, minutes * 60 - 90, 150):
        trace = put(trace, second, ramp(-depth, 10, 45, 10))
    return trace


@pytest.mark.parametrize(("after", "helped"), [(0.0, True), (70.0, False)])
def test_the_trace_before_and_after_what_was_done_is_compared(after: float, helped: bool) -> None:
    """Concern looks back 30 min and stays high; whether the decelerations have stopped is seen after 10."""
    bed = Bed()
    bed.play(decelerating(40, 70))
    assert bed.now().level in (Level.BEDSIDE, Level.TEAM)
    level = bed.now().level
    bed.do(RecordCare("b", "Kim", "turned"))
    bed.play(decelerating(11, after) if after else flat(140, 660) + ripple(660, 3))
    note = bed.now().cared[0]
    assert note.after is not None
    assert note.before.decelerations >= 3
    assert (note.after.decelerations == 0) is helped
    assert note.helped is helped
    assert (("returned", "team") in bed.flags()) is not helped
    if helped:
        assert bed.now().level is level
        assert bed.now().acknowledged_by == "Kim"
    assert (": helped;" in bed.last("care-result").text) is helped
    assert bed.last("care-result").detail["helped"] == float(helped)


@pytest.mark.parametrize("helps_s", [300, 600, 900])
def test_one_time_says_when_what_was_done_must_have_helped(helps_s: int) -> None:
    """Flag, comparison and page go by the policy's number, and as much of the trace is compared before and after."""
    rules = replace(RULES, policy=structs.replace(RULES.policy, care=CareTimes(helps_within_s=helps_s)))
    bed = Bed(rules)
    bed.play(decelerating(40, 70))
    done_ms = bed.now().t
    bed.do(RecordCare("b", "Kim", "turned"))
    bed.play(decelerating(16, 70))
    assert ("returned", "team") in bed.flags()
    note = bed.now().cared[0]
    (shown,) = build_card("b", bed.now(), bed.now().at, rule_file.policy_info(rules)).notes
    assert note.after is not None
    told = {event.kind: event for event in bed.events if event.kind in ("flag-returned", "care-result")}
    for event in told.values():
        assert done_ms + helps_s * 1000 <= event.t <= done_ms + (helps_s + RULES.reading.look.every_s) * 1000
    assert shown.result_at == note.t + helps_s * 1000
    assert note.before.decelerations == pytest.approx(helps_s / 150, abs=1)
    assert note.after.decelerations == pytest.approx(helps_s / 150, abs=1)
    assert f"decelerations in {helps_s // 60} min" in told["care-result"].text


def test_other_needs_words() -> None:
    bed = bed_with_low_baseline()
    bed.do(RecordCare("b", "Kim", "other"))
    assert "Write what was done" in bed.last("not-taken").text
    bed.do(RecordCare("b", "Kim", "other", "bladder emptied"))
    assert bed.now().cared[0].text == "bladder emptied"


def test_a_shelf_ends_and_then_the_flag_is_there_again() -> None:
    bed = bed_with_low_baseline()
    first = flag_of(bed)
    bed.do(Shelve("b", "Kim", first, 600, "known, plan is written"))
    assert bed.now().level is Level.NOTED
    assert [(s.condition, s.by, s.active) for s in bed.now().shelved] == [("low-baseline", "Kim", True)]
    bed.play(low_baseline(540))
    assert bed.now().level is Level.NOTED
    bed.play(low_baseline(90))
    assert bed.now().level is Level.BEDSIDE
    assert flag_of(bed) != first
    assert not bed.now().shelved
    assert [e.kind for e in bed.events if "shel" in e.kind] == ["flag-shelved", "shelf-over"]


def test_a_shelf_can_be_ended_early() -> None:
    bed = bed_with_low_baseline()
    bed.do(Shelve("b", "Kim", flag_of(bed), 600, "known"))
    bed.do(Unshelve("b", "Kim"))
    bed.play(low_baseline(10))
    assert bed.now().level is Level.BEDSIDE
    bed.do(Unshelve("b", "Kim"))
    assert "Nothing is shelved" in bed.last("not-taken").text


def test_team_cannot_be_shelved_and_is_not_hidden_by_a_shelf() -> None:
    bed = Bed()
    trace = with_long_fall(TEAM_AT_S + 60, 0)
    bed.play(trace[: (FALL_AT_S + BEDSIDE_AT_S + 20) * 4])
    bed.do(Shelve("b", "Kim", flag_of(bed), 600, "in the room"))
    assert bed.now().level is Level.NOTED
    bed.play(trace[(FALL_AT_S + BEDSIDE_AT_S + 20) * 4 :])
    assert bed.now().level is Level.TEAM
    bed.do(Shelve("b", "Kim", flag_of(bed), 600, "in the room"))
    assert bed.now().level is Level.TEAM
    assert "cannot be shelved" in bed.last("not-taken").text


@pytest.mark.parametrize("for_s", [0, 601, 100_000])
def test_a_shelf_needs_an_end_within_the_policys_longest(for_s: int) -> None:
    bed = bed_with_low_baseline()
    bed.do(Shelve("b", "Kim", flag_of(bed), for_s, "known"))
    assert bed.now().level is Level.BEDSIDE
    assert "at most" in bed.last("not-taken").text


def test_off_on_purpose_is_not_lost_until_its_end() -> None:
    bed = Bed()
    bed.play(lively(140, 600))
    bed.do(Pause("b", "Kim", 1200, "bathroom"))
    bed.tick(LOST_S + 60)
    assert (bed.now().level, bed.now().reason) == (Level.NOTED, "the monitor is off on purpose")
    paused = bed.now().paused
    assert paused is not None
    assert paused.until == (T0 + 600 + 1200) * 1000
    assert "off on purpose" in bed.last("held-back").text
    bed.tick(1200 - LOST_S)
    assert bed.now().paused is None
    assert bed.now().level is Level.LOOK
    assert [e.kind for e in bed.events if e.kind.startswith("pause")] == ["pause", "pause-over"]


def test_a_pause_is_over_when_the_signal_is_back() -> None:
    bed = Bed()
    bed.play(lively(140, 600))
    bed.do(Pause("b", "Kim", 1800, "walk"))
    bed.play(lively(140, 30))
    assert bed.now().paused is not None, "the transducer is still on for a moment"
    bed.play(flat(np.nan, 120))
    bed.play(lively(140, 60))
    assert bed.now().paused is None
    bed.do(Pause("b", "Kim", 0))
    assert "not off" in bed.last("not-taken").text


def test_taking_the_monitor_off_ends_the_flag_for_its_lost_signal_and_no_other() -> None:
    bed = Bed()
    bed.play(lively(140, 600))
    bed.tick(LOST_S + 20)
    assert bed.now().level is Level.LOOK
    bed.do(Pause("b", "Kim", 1200, "walk"))
    bed.tick(5)
    assert (bed.now().level, bed.now().flag) == (Level.NOTED, None), "nobody is called, and it is not quiet either"
    low = bed_with_low_baseline()
    low.do(Pause("b", "Kim", 1200, "walk"))
    low.tick(60)
    assert low.now().level is Level.BEDSIDE


def test_what_a_pause_has_just_ended_cannot_be_shelved() -> None:
    """Two nurses within five seconds, before the next evaluation."""
    bed = Bed()
    bed.play(lively(140, 600))
    bed.tick(LOST_S + 20)
    flag = flag_of(bed)
    bed.do(Pause("b", "Kim", 1200, "walk"))
    bed.do(Shelve("b", "Ann", flag, 60, "known"))
    assert bed.last("not-taken").text
    bed.tick(10)
    assert bed.now().flag is None


def test_a_limit_of_one_bed_has_bounds_and_an_end() -> None:
    bed = Bed()
    bed.play(decelerating(40, 70))
    concern = bed.now().concern
    assert concern is not None
    bed.do(SetBedLimit("b", "Kim", "concern-high", 54.0, 1800, "plan of the day"))
    assert [(own.condition, own.limit) for own in bed.now().limited] == [("concern-high", 54.0)]
    bed.do(SetBedLimit("b", "Kim", "concern-high", 99.0, 1800, "too far"))
    assert "use 50 to 55" in bed.last("not-taken").text
    bed.do(SetBedLimit("b", "Kim", "fall-not-recovering", 900.0, 1800, "no"))
    assert "no limit of a single bed" in bed.last("not-taken").text
    bed.play(decelerating(31, 70))
    assert not bed.now().limited
    assert bed.last("own-limit-over").detail["condition"] == "concern-high"


@pytest.mark.parametrize(
    ("limit", "for_s", "refused"),
    [
        (50.0, 43_200, ""), (55.0, 1, ""), (49.9, 60, "use 50 to 55"), (55.1, 60, "use 50 to 55"),
        (50.0, 43_201, "lasts at most 12 h"), (50.0, 0, "lasts at most 12 h"),
    ],
)  # fmt: skip
def test_a_limit_of_one_bed_may_lie_on_its_bounds(limit: float, for_s: int, refused: str) -> None:
    bed = Bed()
    bed.play(lively(140, 30))
    bed.do(SetBedLimit("b", "Kim", "concern-high", limit, for_s, "plan of the day"))
    if refused:
        assert refused in bed.last("not-taken").text
        assert not bed.now().limited
    else:
        assert [(own.condition, own.limit) for own in bed.now().limited] == [("concern-high", limit)]


def test_contractions_timed_by_hand() -> None:
    bed = Bed()
    bed.play(lively(140, 300))
    for length_s in (60, 50, 70):
        bed.do(Tap("b", "Ana", "start"))
        bed.play(lively(140, length_s))
        bed.do(Tap("b", "Ana", "end"))
        bed.play(lively(140, 240 - length_s))
    timed = bed.now().hand
    assert timed is not None
    assert (timed.count, timed.interval_s, timed.duration_s, timed.is_running) == (3, 240, 60, False)
    assert timed.differs.endswith("3 timed by hand, 0 recorded")
    assert bed.now().contractions.per_10min is None or bed.now().contractions.per_10min == 0, "the toco is not touched"
    bed.do(Tap("b", "Ana", "end"))
    assert "No contraction" in bed.last("not-taken").text
    bed.do(Tap("b", "Ana", "undo"))
    running = bed.now().hand
    assert running is not None
    assert (running.count, running.is_running) == (3, True)
    bed.play(lively(140, 400))
    bed.do(Tap("b", "Ana", "end"))
    assert "dropped" in bed.last("not-taken").text
    assert sum(e.kind == "hand-contraction" for e in bed.events) == 3


def test_nothing_is_taken_at_a_bed_from_which_nothing_has_come() -> None:
    state = State(RULES)
    output = engine.step(
        state, [DeviceStatus("b", T0 * 1000, online=True), CommandEnvelope(T0 * 1000, Pause("b", "Kim", 60))]
    )
    assert [e.kind for e in output.events] == ["not-taken"]
    assert engine.step(state, [CommandEnvelope(T0 * 1000, Pause("c", "Kim", 60))]).events == []


def test_the_reason_is_a_sentence_with_numbers() -> None:
    bed = Bed()
    bed.play(decelerating(40, 70))
    assert re.search(r"\d+ variable decelerations in 30 min · deepest 7\d bpm · variability \d+ bpm", bed.now().reason)


def test_an_answer_to_an_old_or_foreign_flag_changes_nothing() -> None:
    bed = Bed()
    bed.play(lively(95, 480))
    for flag in ("b-f0", "b-f99", "other", "b-fx"):
        bed.answer(flag)
    assert bed.now().acknowledged_by is None
    assert not [f for f in bed.flags() if f[0] == "acknowledged"]


def test_silence_is_lost_and_what_was_raised_stays() -> None:
    bed = Bed()
    bed.play(with_long_fall(600, 0)[: (FALL_AT_S + BEDSIDE_AT_S + 20) * 4])
    assert bed.now().level is Level.BEDSIDE
    bed.tick(60)
    assert bed.now().signal is SignalState.LOST
    assert bed.now().level is Level.BEDSIDE
    assert "monitor sends nothing" in bed.now().signal_reason


def test_a_quiet_bed_that_falls_silent_says_so_and_asks_for_somebody() -> None:
    bed = Bed()
    bed.play(lively(140, 400))
    bed.take(engine.step(bed.state, [DeviceStatus("b", (T0 + bed.second) * 1000, online=False)]))
    bed.tick(11)
    assert bed.now().signal is SignalState.LOST
    assert "disconnected" in bed.now().signal_reason
    bed.tick(LOST_S)
    assert bed.now().level is Level.LOOK
    bed.tick(LOST_LOOK_S + 5)
    assert bed.now().level is Level.BEDSIDE
    bed.play(lively(140, 120))
    assert bed.now().signal is not SignalState.LOST
    assert bed.now().level is Level.NOTED


def test_a_device_that_sends_no_value_is_lost_too() -> None:
    bed = Bed()
    bed.play(lively(140, 400))
    bed.play(flat(np.nan, 70))
    assert bed.now().signal is SignalState.LOST
    assert bed.now().fhr_bpm is None


def test_a_bed_that_never_had_a_signal_says_so_and_calls_nobody() -> None:
    bed = Bed()
    bed.play(flat(np.nan, LOST_S + 120))
    assert bed.now().signal is SignalState.LOST
    assert bed.now().signal_reason == f"No FHR yet, for {(LOST_S + 120) // 60} min"
    assert not bed.flags()


def test_no_level_without_a_reason() -> None:
    bed = Bed()
    bed.play(with_long_fall(TEAM_AT_S + 40, 200))
    raised = [e for e in bed.events if e.kind in ("flag-raised", "flag-worsened", "flag-escalated")]
    assert raised
    assert all(e.detail["reason"] and e.rules == RULES.digest for e in raised)


def test_what_people_said_survives_a_rebuild_without_a_checkpoint() -> None:
    """A checkpoint of other rules is of no use; shelves, pauses, limits and notes come back from the last summary."""
    bed = bed_with_low_baseline()
    bed.do(Shelve("b", "Kim", flag_of(bed), 600, "known"))
    bed.do(Pause("b", "Ana", 1200, "walk"))
    bed.do(SetBedLimit("b", "Kim", "concern-high", 55.0, 1800, "plan of the day"))
    bed.do(RecordCare("b", "Ana", "transducer-moved"))
    before = bed.now()
    again = Bed()
    again.second = bed.second - 120
    again.play(low_baseline(120))
    carry_over(again.state, "b", bed.events[-5:], before)
    again.do(Tap("b", "Ana", "start"))
    after = again.now()
    assert [(s.condition, s.by, s.why, s.until) for s in after.shelved] == [
        (s.condition, s.by, s.why, s.until) for s in before.shelved
    ]
    assert (after.paused, after.limited, after.cared) == (before.paused, before.limited, before.cared)
    assert after.events == before.events
    assert after.shelved
    assert after.limited


def test_a_strip_that_has_gone_flat_is_not_called_quiet() -> None:
    """Reduced variability for more than 50 min is pathological (FIGO 2015): seen although some minutes look lively."""
    rng = np.random.default_rng(3)
    seconds = 75 * 60
    flat_strip, lively_strip = (
        flat(140, seconds) + ripple(seconds, 3.0),
        flat(140, seconds) + ripple(seconds, 11.0, 7.0),
    )
    for minute in rng.choice(75, 25, replace=False):  # beats that are missed
        flat_strip[minute * 240 + 100 : minute * 240 + 104] += 12
    found = [Recording(name, strip, flat(10, seconds)) for name, strip in (("a", flat_strip), ("b", lively_strip))]
    still, lively = assess(found, RULES, "figo-2015")
    flag = still.flags[0]
    assert flag.level == "bedside"
    assert flag.reason.count("variability 5 bpm or less") == 1
    assert 49 * 60 <= flag.raised_s <= 60 * 60
    assert lively.flags == []


def test_assess_says_when_a_bed_was_noted_and_why() -> None:
    """Quiet, then a baseline above 160 (NICHD 2008, FIGO 2015: for more than 10 min), which asks for a look later."""
    rise = np.concatenate([flat(140, 1500), flat(170, 2700)]) + ripple(4200, 9.0, 7.0)
    quiet, risen = assess(
        [Recording("a", lively(140, 4200), flat(10, 4200)), Recording("b", rise, flat(10, 4200))], RULES, "nichd-2008"
    )
    (beginning,) = quiet.noted
    assert beginning.from_s == 0
    assert beginning.to_s == pytest.approx(600, abs=10)
    assert beginning.reason == "not enough trace to judge yet"
    *_, last = risen.noted
    assert last.reason.startswith("baseline 170 bpm, above 160 for 10 min")
    assert 2100 <= last.from_s <= 2700
    assert [flag.level for flag in risen.flags][:1] == ["look"]
    assert last.to_s == risen.flags[0].raised_s, "its flag speaks from then on"


def test_who_is_going_answers_the_flag_and_is_seen_for_a_time() -> None:
    bed = bed_with_low_baseline()
    assert bed.now().flag is not None
    bed.do(Attend("b", "Kim"))
    bed.play(low_baseline(1))
    assert bed.now().acknowledged_by == "Kim"
    (there,) = bed.now().attending
    assert (there.by, there.until - there.at) == ("Kim", RULES.policy.longest.attend_s * 1000)
    bed.do(Attend("b", "Ann"))
    bed.play(low_baseline(2))
    bed.do(Attend("b", "Kim"))  # again: she is the newest now
    bed.play(low_baseline(1))
    assert [one.by for one in bed.now().attending] == ["Ann", "Kim"]
    bed.do(Attend("b", "Ann", going=False))
    bed.do(Attend("b", "Nora", going=False))
    bed.play(low_baseline(1))
    assert [one.by for one in bed.now().attending] == ["Kim"]
    said = [(e.kind, e.text) for e in bed.events if "attend" in e.kind or e.kind == "not-taken"]
    assert said == [
        ("attending", "Kim is going"),
        ("attending", "Ann is going"),
        ("attending", "Kim is going"),
        ("attending-over", "Ann has left"),
        ("not-taken", "attend by Nora: Nora is not at this bed"),
    ]
    kept = State.from_bytes(bed.state.to_bytes(), RULES)
    assert kept is not None
    assert kept.words == bed.state.words, "a restart forgets nobody"
    bed.play(low_baseline(RULES.policy.longest.attend_s))
    assert bed.now().attending == []


def test_what_is_made_of_a_flag_is_in_the_log() -> None:
    bed = bed_with_low_baseline()
    flag = bed.now().flag
    assert flag is not None
    bed.do(Acknowledge("b", "Kim", flag, " toco moved "))
    (answer,) = [e for e in bed.events if e.kind == "flag-acknowledged"]
    assert answer.text == "acknowledged by Kim: toco moved"
    assert answer.detail["note"] == "toco moved"


def test_everybody_is_at_one_bed_alone() -> None:
    bed = bed_with_low_baseline()
    bed.do(Attend("b", "Kim"))
    bed.play(low_baseline(1))
    now = bed.state.now
    first = build_card("bed-1", bed.now(), now)
    later = [structs.replace(one, at=one.at + 5000) for one in bed.now().attending]
    second = build_card("bed-2", structs.replace(bed.now(), attending=later), now)
    shown, went = at_one_bed_each([first, second], {})
    assert [len(card.attending) for card in shown] == [0, 1]
    left = structs.replace(second, attending=[])
    shown, went = at_one_bed_each([first, left], went)
    assert [len(card.attending) for card in shown] == [0, 0], "she does not come back to the bed she went on from"
    again = structs.replace(first, attending=[structs.replace(second.attending[0], at=went["Kim"] + 1)])
    assert [len(card.attending) for card in at_one_bed_each([again, left], went)[0]] == [1, 0]
    assert at_one_bed_each([left], went)[1] == {}, "of whom no bed knows any more nothing is kept"
