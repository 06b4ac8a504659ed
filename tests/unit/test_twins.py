"""Two fetuses in one bed: each is read by itself, the bed asks for what the worse one does, one press answers both."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from quietward.contracts.commands import Acknowledge, Arrive, Command, CorrectArrival, Pause, RecordCare, Shelve
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, CommandEnvelope, Tick
from quietward.contracts.log import Event
from quietward.contracts.stays import Arrival
from quietward.contracts.summary import Level, SignalState, Summary
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.reporting.carry_over import carry_over
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.reporting.twins import SAME_RATE
from quietward.detect.core.state.state import State
from tests.traces import RULES

T0_MS = 1_790_000_000_000
Rate = Callable[[int], float | None]
"""bpm at a sample, counted from the beginning; None: no value."""


def lively(bpm: float, seed: int) -> Rate:
    """A steady rate with variability of its own."""
    swings = np.random.default_rng(seed).normal(0, 1, 4 * 4 * 3600)
    smooth = np.convolve(swings, np.ones(24) / np.sqrt(24), "same") * 4
    return lambda i: round(float(bpm + smooth[i % len(smooth)]) * 4) / 4


def falling(rate: Rate, from_s: int, until_s: int, by_bpm: float) -> Rate:
    """The same, lower by so much between two seconds."""

    def fallen(i: int) -> float | None:
        bpm = rate(i)
        return bpm - by_bpm if bpm is not None and from_s * HZ <= i < until_s * HZ else bpm

    return fallen


class Bed:
    """A bed whose device sends one rate or two."""

    def __init__(self) -> None:
        self.state, self.events, self.second = State(RULES), list[Event](), 0
        self.summary: Summary | None = None

    def at(self) -> int:
        return T0_MS + self.second * 1000

    def play(self, seconds: int, first: Rate, second: Rate | None = None) -> Summary:
        """Go on by so many seconds."""
        blocks: list[Block | Tick] = []
        for _ in range(seconds):
            samples = range(self.second * HZ, (self.second + 1) * HZ)
            both = [None if rate is None else [rate(i) for i in samples] for rate in (first, second)]
            blocks.append(Block("b", "s", self.second, self.at(), self.at(), both[0] or [], [10.0] * HZ, fhr2=both[1]))
            blocks.append(Tick(self.at()))
            self.second += 1
        return self._step(blocks)

    def do(self, command: Command) -> Summary:
        return self._step([CommandEnvelope(self.at(), command)])

    def _step(self, items: Sequence[Block | Tick | CommandEnvelope]) -> Summary:
        output = engine.step(self.state, items)
        self.events += output.events
        (self.summary,) = summaries.of(self.state, output)
        return self.summary

    def lines(self, kind: str) -> list[str]:
        return [e.text for e in self.events if e.kind == kind]


A, B = lively(138, 1), lively(146, 2)


def test_each_fetus_is_read_by_itself_and_the_bed_says_which_one_it_is_about() -> None:
    bed = Bed()
    calm = bed.play(900, A, B)
    assert [f.baseline_bpm for f in calm.fetuses] == [pytest.approx(138, abs=4), pytest.approx(146, abs=4)]
    assert calm.level is Level.QUIET
    assert calm.reason.startswith("first twin: baseline 1")
    found = bed.play(400, A, falling(B, 900, 1300, 45))
    assert found.level is Level.TEAM
    assert found.reason.startswith("second twin: deceleration for 6 min")
    assert found.flag == "b-s1"
    assert found.fetuses[0].level is Level.QUIET
    assert found.fetuses[1].level is Level.TEAM
    raised = next(e for e in bed.events if e.kind == "flag-raised")
    assert raised.text.startswith("look: second twin: deceleration")
    assert raised.detail["fetus"] == 2.0


def test_the_lines_of_a_single_fetus_do_not_say_whose_they_are() -> None:
    bed = Bed()
    found = bed.play(400, falling(A, 300, 500, 40))
    assert found.fetuses == []
    assert "twin" not in found.reason
    assert not [e for e in bed.events if "twin" in e.text or "fetus" in e.detail]


def test_one_press_answers_for_both() -> None:
    bed = Bed()
    bed.play(900, A, B)
    found = bed.play(200, falling(A, 900, 1300, 45), falling(B, 900, 1300, 45))
    assert {f.flag for f in found.fetuses} == {"b-f1", "b-s1"}
    answered = bed.do(Acknowledge("b", "Kim", "b-f1"))
    assert [f.acknowledged_by for f in answered.fetuses] == ["Kim", "Kim"]
    assert bed.lines("flag-acknowledged") == [
        "first twin: acknowledged by Kim",
        "second twin: acknowledged by Kim",
    ]
    bed.do(Acknowledge("b", "Kim", "b-s1"))
    assert bed.lines("not-taken") == ["acknowledge by Kim: Already answered by Kim"]


def test_a_note_of_care_answers_both_and_compares_both() -> None:
    bed = Bed()
    bed.play(900, A, B)
    bed.play(200, A, falling(B, 900, 1100, 45))
    done = bed.do(RecordCare("b", "Kim", "turned"))
    assert done.cared[0].flag == "b-s1"
    assert done.cared[0].before.decelerations == 1
    assert done.acknowledged_by == "Kim"
    later = bed.play(700, A, B)
    assert later.cared[0].helped is True


def test_a_shelf_is_for_what_the_bed_asks_for() -> None:
    bed = Bed()
    bed.play(900, A, B)
    found = bed.play(150, falling(A, 900, 1300, 35), falling(B, 900, 1300, 35))
    assert found.level is Level.LOOK
    shelved = bed.do(Shelve("b", "Kim", "b-s1", 600, "being looked at"))
    assert [f.flag for f in shelved.fetuses] == [None, None]
    assert [len(f.shelved) for f in shelved.fetuses] == [1, 1]
    assert shelved.level is Level.NOTED


def test_the_second_may_be_lost_while_the_first_is_there() -> None:
    bed = Bed()
    bed.play(700, A, B)
    found = bed.play(120, A, lambda i: None)
    assert found.signal is SignalState.LOST
    assert found.signal_reason == "second twin: No FHR for 2 min"
    assert found.level is Level.NOTED
    assert found.fetuses[0].signal is SignalState.GOOD
    found = bed.play(200, A)  # a device that no longer has the channel says no less
    assert found.flag == "b-s1"
    assert found.reason == "second twin: no usable signal for 5 min"


def test_a_silent_device_is_told_once() -> None:
    bed = Bed()
    bed.play(700, A, B)
    bed._step([Tick(bed.at() + s * 1000) for s in range(1, 400)])
    assert [e.detail["flag"] for e in bed.events if e.kind == "flag-raised"] == ["b-f1"]


def test_a_contraction_and_too_many_of_them_are_told_once() -> None:
    bed = Bed()

    def ua(i: int) -> float:
        s = i / HZ % 90
        return 10 + 50 * max(0.0, np.sin(np.pi * s / 50)) if s < 50 else 10.0

    blocks = []
    for second in range(2700):
        part = range(second * HZ, (second + 1) * HZ)
        at = T0_MS + second * 1000
        fhr, fhr2 = [A(i) for i in part], [B(i) for i in part]
        blocks.append(Block("b", "s", second, at, at, fhr, [round(ua(i) * 2) / 2 for i in part], fhr2=fhr2))
    bed._step(blocks)
    contractions = [e for e in bed.events if e.kind == "contraction"]
    assert 25 <= len(contractions) <= 30
    assert not [e for e in contractions if "twin" in e.text]
    assert [e.detail["flag"] for e in bed.events if e.kind == "flag-raised"] == ["b-f1"]
    assert bed.summary is not None
    assert bed.summary.contractions.tachysystole


def test_both_sensors_on_one_fetus_are_told() -> None:
    noise = np.random.default_rng(3).normal(0, 0.5, 8 * 4000)

    def also_a(i: int) -> float:
        return round(((A(i) or 0.0) + float(noise[i])) * 4) / 4

    bed = Bed()
    bed.play(900, A, B)
    found = bed.play(60, A, also_a)
    assert found.signal is SignalState.POOR
    assert [f.signal_reason for f in found.fetuses] == [SAME_RATE, SAME_RATE]
    found = bed.play(75, A, also_a)
    assert found.level is Level.LOOK
    assert found.reason == f"second twin: {SAME_RATE}"
    assert [e.detail["flag"] for e in bed.events if e.kind == "flag-raised"] == ["b-s1"]
    found = bed.play(180, A, B)
    assert found.level is not Level.LOOK
    assert found.signal is SignalState.GOOD


def test_rates_that_cross_or_lie_side_by_side_are_not_the_same() -> None:
    crossing, steady = lively(0, 5), lively(141, 6)
    bed = Bed()
    found = bed.play(3600, lambda i: 141 + 12 * np.sin(i / HZ / 200) + (crossing(i) or 0.0), steady)
    assert found.fetuses
    beside = lively(141, 7)
    bed.play(1800, beside, steady)
    assert not [e for e in bed.events if SAME_RATE in e.text]


def test_twins_of_whom_one_is_heard_are_not_quiet() -> None:
    bed = Bed()
    bed.play(10, A)
    bed.do(Arrive("b", "Kim", Arrival("green", twins=True)))
    found = bed.play(900, A)
    assert (found.level, found.reason) == (Level.NOTED, "twins, but only one heart rate comes")
    found = bed.play(900, A, B)
    assert found.level is Level.QUIET


def test_a_new_woman_has_no_second_fetus_of_the_one_before() -> None:
    bed = Bed()
    bed.play(900, A, B)
    flag = bed.play(200, A, falling(B, 900, 1300, 45)).flag
    assert flag is not None
    bed.do(Acknowledge("b", "Kim", flag))
    bed.do(Arrive("b", "Kim", Arrival("green")))
    found = bed.play(60, A)
    assert (found.fetuses, found.flag) == ([], None)
    bed.play(900, A, B)
    found = bed.play(200, A, falling(B, 2000, 2300, 45))
    assert found.flag == "b-s2"


def test_one_fetus_after_all() -> None:
    bed = Bed()
    bed.do(Arrive("b", "Kim", Arrival("green", twins=True)))
    bed.play(900, A, B)
    flag = bed.play(200, A, falling(B, 900, 1300, 45)).flag
    assert flag is not None
    refused = bed.do(CorrectArrival("b", "Kim", Arrival("green", twins=False)))
    assert refused.flag == flag, "nobody has answered for what may be a fetus all the same"
    bed.do(Acknowledge("b", "Kim", flag))
    found = bed.do(CorrectArrival("b", "Kim", Arrival("green", twins=False)))
    assert (found.fetuses, found.flag) == ([], None)
    assert bed.events[-1].text == "second twin: eased: there is one fetus"
    assert bed.events[-1].detail["level"] == "quiet"
    assert bed.play(30, A).level is Level.QUIET


def test_a_second_fetus_that_asks_for_nothing_goes_without_a_word() -> None:
    bed = Bed()
    bed.do(Arrive("b", "Kim", Arrival("green", twins=True)))
    bed.play(300, A, B)
    found = bed.do(CorrectArrival("b", "Kim", Arrival("green", twins=False)))
    assert found.fetuses == []
    assert bed.events[-1].text == "fetuses twins → single; by Kim"
    assert not bed.lines("flag-eased")


def test_a_pause_ends_for_both_when_the_monitor_is_back() -> None:
    bed = Bed()
    bed.play(700, A, B)
    paused = bed.do(Pause("b", "Kim", 1800))
    assert paused.paused is not None
    nothing: Rate = lambda i: None  # noqa: E731
    bed.play(120, nothing, nothing)
    found = bed.play(120, A, nothing)
    assert found.paused is None
    found = bed.play(400, A, nothing)
    assert found.reason.startswith("second twin: no usable signal")
    assert bed.lines("pause-over") == ["the monitor should be on again"]


def test_what_was_said_of_both_is_carried_over_to_a_state_that_was_rebuilt() -> None:
    bed = Bed()
    bed.play(900, A, B)
    before = bed.play(400, A, falling(B, 900, 1300, 45))
    anew = State(RULES, ["b"], ["s"])
    carry_over(anew, "b", bed.events[::-1], before)
    (found,) = summaries.of(anew, Output(updated={0}))
    assert (found.level, found.flag) == (Level.TEAM, "b-s1")
    assert found.reason.startswith("second twin: from before a restart · deceleration for")
    assert found.fetuses[0].flag is None
    engine.step(anew, [Tick(bed.at() + 60_000)])
    (found,) = summaries.of(anew, Output(updated={0}))
    assert (found.level, found.flag) == (Level.TEAM, "b-s1")


def test_a_checkpoint_holds_both() -> None:
    bed, other = Bed(), Bed()
    bed.play(900, A, B)
    other.play(450, A, B)
    kept = State.from_bytes(other.state.to_bytes(), RULES)
    assert kept is not None
    other.state = kept
    other.play(450, A, B)
    assert other.summary == bed.summary
    assert [e for e in other.events if e.kind != "x"] == bed.events
