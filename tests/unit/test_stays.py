"""Women come and go: what the core says of it, what can be undone, and what the page makes of it."""

import json
import struct
from datetime import UTC
from typing import Any, cast
from unittest.mock import patch

import msgspec
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.commands import Acknowledge, Arrive, Command, Leave, Move, RecordCare, UndoStay
from quietward.contracts.errors import BadRules
from quietward.contracts.inputs import Block, CommandEnvelope, DeviceStatus, Input, Tick, TransferAnswer
from quietward.contracts.log import Event
from quietward.contracts.stays import Arrival, Stay
from quietward.contracts.summary import Level, SignalState, Summary
from quietward.dashboard.history.bed_record import BedRecord
from quietward.dashboard.live import hub as live
from quietward.dashboard.print.handover import hand_over
from quietward.dashboard.routes.downloads import signal_from
from quietward.dashboard.view.ranking import rank_beds
from quietward.dashboard.view.signal_buffer import SignalBuffer
from quietward.dashboard.view.view_model import Card, build_card
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.core.people import moves, stays
from quietward.detect.core.reporting import summaries
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.state import Occupancy, State
from tests.traces import RULES
from tests.unit.test_page_models import NOW, SHEET, summary

T0 = 1_790_000_000
UNDO_S = RULES.stay.undo_s
GREEN, BLUE = (
    Arrival("green", weeks=31, parity=2, stage=1, twins=True, risks=["diabetes"], note="calm"),
    Arrival("blue"),
)


class Bed:
    """Bed `b`, second by second: a tick after each."""

    def __init__(self) -> None:
        self.state = State(RULES)
        self.state.admit(["b"])
        self.second = 0
        self.ended: dict[tuple[str, int], bool] = {}

    @property
    def at(self) -> int:
        return (T0 + self.second) * 1000

    def take(self, *inputs: Input) -> list[Event]:
        output = engine.step(self.state, list(inputs))
        self.ended |= output.ended
        return output.events

    def send(self, seconds: int, bpm: float | None = 140.0) -> list[Event]:
        events: list[Event] = []
        for _ in range(seconds):
            block = Block("b", "s", self.second, self.at, self.at, [bpm] * 4, [10.0] * 4)
            events += self.take(block, Tick(self.at + 1))
            self.second += 1
        return events

    def wait(self, seconds: int) -> list[Event]:
        events: list[Event] = []
        for _ in range(seconds):
            events += self.take(Tick(self.at + 1))
            self.second += 1
        return events

    def press(self, command: Command) -> list[Event]:
        return self.take(CommandEnvelope(self.at, command))

    @property
    def summary(self) -> Summary:
        return summaries.of(self.state, Output(updated={0}))[0]

    def raise_flag(self) -> str:
        """Let the rate fall and stay down until somebody is called; return the flag."""
        self.send(900)
        self.send(240, 60.0)
        flag = self.summary.flag
        assert flag is not None
        return flag

    def answer_flag(self) -> str:
        """Raise a flag and answer it, without which nobody leaves; return the flag."""
        flag = self.raise_flag()
        assert kinds(self.press(Acknowledge("b", "Kim", flag))) == ["flag-acknowledged"]
        return flag


def kinds(events: list[Event]) -> list[str]:
    return [event.kind for event in events]


def test_an_arrival_ends_what_was_before_and_says_who_has_come() -> None:
    bed = Bed()
    flag = bed.answer_flag()
    left, arrived = bed.press(Arrive("b", "Kim", GREEN))
    assert (left.kind, left.stay) == ("left", 0)
    assert (arrived.kind, arrived.stay) == ("arrived", bed.state.now)
    assert arrived.text == "green, 31 weeks, para 2, first stage, twins, diabetes, calm; noted by Kim"
    now = bed.summary
    assert (now.flag, now.level, now.baseline_bpm, now.concern) == (None, Level.NOTED, None, None)
    assert (now.t, now.at, now.signal) == (-1000, 0, SignalState.LOST)
    assert now.stay == Stay(bed.state.now, "Kim", bed.at, GREEN, T0 + bed.second)
    assert [stay.id for stay in now.former] == [0]
    assert bed.ended == {("b", 0): True, ("b", bed.state.now): False}
    bed.send(900)
    bed.send(240, 60.0)
    assert bed.summary.flag is not None
    assert int(bed.summary.flag.rpartition("-f")[2]) > int(flag.rpartition("-f")[2]), (
        "no flag of hers has a name of before"
    )


def test_what_was_meant_for_one_woman_is_not_done_to_the_next() -> None:
    bed = Bed()
    flag = bed.answer_flag()
    bed.press(Arrive("b", "Kim", GREEN, stay=0))
    (refused,) = bed.press(RecordCare("b", "Ann", "turned", stay=0))
    assert (refused.kind, refused.detail["why"]) == ("not-taken", "Another woman is in this bed now")
    (again,) = bed.press(Arrive("b", "Ann", BLUE, stay=0))
    assert again.detail["why"] == "Another woman is in this bed now"
    assert bed.summary.stay is not None
    assert bed.summary.stay.arrival == GREEN
    bed.press(Leave("b", "Kim", stay=bed.summary.stay_id))
    (nobody,) = bed.press(Acknowledge("b", "Ann", flag, stay=bed.summary.former[0].id))
    assert nobody.detail["why"] == "Nobody is in this bed any more"
    assert bed.press(RecordCare("b", "Ann", "turned"))[0].detail["why"] == "Nobody is in this bed"
    assert bed.press(Leave("b", "Ann"))[0].detail["why"] == "Nobody is in this bed"


@pytest.mark.parametrize("command", [Leave("b", "Kim"), Arrive("b", "Kim", BLUE)])
def test_one_press_does_not_end_a_call_that_nobody_has_answered(command: Command) -> None:
    """She may have gone to theatre: whoever writes that down has been there, and says so first."""
    bed = Bed()
    flag = bed.raise_flag()
    assert bed.summary.level in (Level.BEDSIDE, Level.TEAM)
    (refused,) = bed.press(command)
    assert (refused.kind, refused.detail["why"]) == (
        "not-taken", "Somebody is asked for here and nobody has answered: acknowledge it first",
    )  # fmt: skip
    assert bed.summary.flag == flag
    bed.press(Acknowledge("b", "Kim", flag))
    assert "left" in kinds(bed.press(command))


def test_undoing_a_press_does_not_end_a_call_either() -> None:
    bed = Bed()
    bed.send(60)
    bed.press(Leave("b", "Kim"))
    bed.press(Arrive("b", "Kim", GREEN))
    bed.send(240, 140.0)
    bed.send(240, 60.0)
    assert bed.summary.level in (Level.BEDSIDE, Level.TEAM)
    (refused,) = bed.press(UndoStay("b", "Kim"))
    assert refused.detail["why"] == stays.UNANSWERED
    bed.press(Acknowledge("b", "Kim", bed.summary.flag or ""))
    assert "stay-undone" in kinds(bed.press(UndoStay("b", "Kim")))


def test_an_empty_bed_calls_nobody_and_says_that_a_device_is_sending() -> None:
    bed = Bed()
    bed.answer_flag()
    left, empty = bed.press(Leave("b", "Kim"))
    assert (left.kind, left.stay, empty.kind, empty.stay) == ("left", 0, "empty", bed.state.now)
    assert bed.send(1200, 60.0) == []
    now = bed.summary
    assert (now.is_empty, now.level, now.flag, now.fhr_bpm, now.concern) == (True, Level.NOTED, None, None, None)
    assert now.signal_reason == "A device is sending, nobody is here"
    assert now.looked_at == bed.at - 999
    assert bed.wait(1200) == []
    assert bed.summary.signal_reason == ""


def test_an_undone_leaving_brings_back_the_flag_and_what_became_of_it() -> None:
    never, bed = Bed(), Bed()
    for one in (never, bed):
        one.answer_flag()
    bed.press(Leave("b", "Kim"))
    expected = never.send(300, 60.0)
    assert bed.send(300, 60.0) == []
    *again, undone = bed.press(UndoStay("b", "Kim"))
    assert "flag-worsened" in kinds(again)
    assert [(e.t, e.kind, e.text) for e in again] == [(e.t, e.kind, e.text) for e in expected]
    assert undone.text == "leaving undone by Kim"
    assert bed.summary.flag == never.summary.flag
    assert (bed.summary.level, bed.summary.acknowledged_by) == (Level.TEAM, None)
    assert bed.summary.stay is None
    assert bed.ended[("b", 0)] is False


@pytest.mark.parametrize("command", [Leave("b", "Kim"), Arrive("b", "Kim", BLUE), Move("b", "Kim", "elsewhere")])
def test_what_waiting_seconds_have_said_at_a_press_is_not_said_again_when_it_is_undone(command: Command) -> None:
    bed = Bed()
    bed.send(120, None)
    bed.second += 1  # one is missing, the next wait for it
    said = []
    for _ in range(5):
        said += bed.take(Block("b", "s", bed.second, bed.at, bed.at, [140.0] * 4, [10.0] * 4))
        bed.second += 1
    assert said == []
    said += bed.press(command)
    for asked in moves.asked_for(bed.state):
        said += bed.take(TransferAnswer("b", bed.at, asked.id, "elsewhere is no bed of this ward"))
    said += [] if isinstance(command, Move) else bed.press(UndoStay("b", "Kim"))
    said += bed.send(10)
    assert [e.text for e in said if e.kind == "signal"] == ["signal is back"]
    numbers = [int(e.id.rpartition("-")[2]) for e in said]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))


def test_what_was_noted_in_a_mistaken_stay_answers_nothing_and_is_told() -> None:
    bed = Bed()
    flag = bed.answer_flag()
    bed.press(Arrive("b", "Kim", GREEN))
    bed.send(60, 60.0)
    bed.press(RecordCare("b", "Ann", "turned"))
    undone = bed.press(UndoStay("b", "Kim"))[-1]
    assert undone.text == (
        "arrival of green undone by Kim; noted meanwhile, and answers nothing: turned to the side by Ann"
    )
    assert (bed.summary.flag, bed.summary.acknowledged_by) == (flag, None)


def test_after_its_time_a_press_cannot_be_undone() -> None:
    bed = Bed()
    bed.send(60)
    bed.press(Arrive("b", "Kim", GREEN))
    assert bed.summary.undoable is not None
    assert bed.summary.undoable.until == bed.state.now + UNDO_S * 1000
    bed.send(UNDO_S)
    assert bed.summary.undoable is not None
    bed.send(2)
    assert not bed.summary.undoable
    occupancy = bed.state.stays["b"]
    assert occupancy.undo is None, "what is kept for it is let go"
    (refused,) = bed.press(UndoStay("b", "Kim"))
    assert "can be undone for 10 min" in str(refused.detail["why"])


def test_several_presses_are_undone_one_after_the_other_and_what_is_kept_for_them_is_bounded() -> None:
    bed = Bed()
    flag = bed.answer_flag()
    for number in range(2 * stays.DEEPEST):
        bed.press(Arrive("b", "Kim", Arrival(f"press {number}")))
        bed.send(5, 60.0)
    undo = bed.state.stays["b"].undo
    assert undo is not None
    assert undo.depth <= stays.DEEPEST
    few = Bed()
    few.answer_flag()
    few.press(Leave("b", "Kim"))
    few.press(Arrive("b", "Kim", BLUE))
    few.press(UndoStay("b", "Kim"))
    assert few.summary.is_empty
    few.press(UndoStay("b", "Kim"))
    assert few.summary.flag == flag


def test_a_device_that_floods_the_bed_ends_the_undoing_and_not_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stays, "MOST_RECORDED", 50)
    bed = Bed()
    bed.send(10)
    bed.press(Leave("b", "Kim"))
    bed.take(*[Block("b", "s", 9, bed.at, bed.at, [140.0] * 4, [10.0] * 4)] * 60)
    assert bed.state.stays["b"].undo is None
    assert bed.summary.undoable is None


def test_former_stays_are_listed_for_the_stated_time() -> None:
    bed = Bed()
    bed.send(10)
    bed.press(Arrive("b", "Kim", GREEN))
    bed.send(10)
    bed.press(Leave("b", "Ann"))
    first, second = bed.summary.former
    assert (first.arrival, first.by, first.ended_by, first.ended_at) == (GREEN, "Kim", "Ann", bed.state.now)
    assert second.id == 0
    bed.take(Tick(bed.at + round(RULES.stay.read_h * 3_600_000) + 1))
    assert bed.summary.former == []


def test_weeks_and_stage_count_until_the_device_says_something_else() -> None:
    bed = Bed()
    bed.send(10)
    bed.press(Arrive("b", "Kim", Arrival("green", weeks=31, stage=2)))
    bed.send(10)
    assert (bed.state.running.weeks[0], bed.state.running.stage[0]) == (31, 2)
    bed.second += 2 * round(RULES.reading.signal.forget_after_s)
    bed.send(10)
    assert (bed.state.running.weeks[0], bed.state.running.stage[0]) == (31, 2), "a gap does not change who she is"
    bed.take(Block("b", "s", bed.second, bed.at, bed.at, [140.0] * 4, [10.0] * 4, stage=1, weeks=40))
    assert (bed.state.running.weeks[0], bed.state.running.stage[0]) == (40, 1)


def test_she_may_be_there_before_her_monitor() -> None:
    state = State(RULES)
    at = T0 * 1000
    events = engine.step(state, [CommandEnvelope(at, Arrive("new", "Kim", GREEN))]).events
    assert kinds(events) == ["left", "arrived"]
    assert summaries.of(state, Output(updated={0}))[0].signal_reason == "No monitor connected yet"
    assert engine.step(state, [Tick(at + 60_000)]).updated == {0}, "else the page would call it unwatched"
    engine.step(state, [DeviceStatus("new", at + 61_000, online=True), Tick(at + 62_000)])
    assert summaries.of(state, Output(updated={0}))[0].signal_reason == "Monitor connected, but no usable data yet"


def test_a_late_second_of_the_woman_before_is_none_of_hers() -> None:
    bed = Bed()
    bed.send(20)
    bed.second += 2  # one is missing, the next waits for it
    bed.take(Block("b", "s", 21, bed.at - 1000, bed.at - 1000, [140.0] * 4, [10.0] * 4))
    bed.press(Arrive("b", "Kim", GREEN))
    missing = Block("b", "s", 20, bed.at - 2000, bed.at, [140.0] * 4, [10.0] * 4)
    assert engine.step(bed.state, [missing]).refused == {("b", "late"): 1}
    assert bed.state.clock.second[0] == -1
    bed.send(1)
    assert bed.state.usable.seconds[0] == 1


def test_the_server_s_clock_may_be_set_meanwhile() -> None:
    bed = Bed()
    bed.send(60)
    bed.press(Leave("b", "Kim"))
    pressed_at = bed.state.now
    bed.take(Tick(pressed_at - 3_600_000, -3_600_000))
    undoable = bed.summary.undoable
    assert undoable is not None
    assert undoable.until == pressed_at - 3_600_000 + UNDO_S * 1000


def test_a_page_whose_clock_is_ahead_makes_no_bed_lost() -> None:
    bed = Bed()
    bed.send(60)
    engine.step(bed.state, [CommandEnvelope(bed.at + 3_600_000, Arrive("b", "Kim", GREEN))])
    bed.send(5)
    assert bed.summary.stay_id < bed.at
    assert bed.summary.fhr_bpm == 140.0


def test_without_a_checkpoint_a_bed_begins_with_who_was_in_it() -> None:
    bed = Bed()
    bed.send(10)
    bed.press(Arrive("b", "Kim", GREEN))
    green_at = bed.state.now
    bed.send(10)
    bed.press(Leave("b", "Ann"))
    left_at = bed.state.now
    bed.send(10)
    bed.press(Arrive("b", "Ann", BLUE))
    last = bed.summary

    def resumed(from_ms: int) -> Occupancy | None:
        state = State(RULES)
        state.admit(["b"])
        stays.resume(state, last, from_ms)
        return state.stays.get("b")

    assert resumed(green_at - 1) is None
    hers, empty, blue = resumed(green_at), resumed(left_at), resumed(last.stay_id)
    assert hers is not None
    assert empty is not None
    assert blue is not None
    assert (hers.stay.arrival, hers.stay.ended, [s.id for s in hers.former]) == (GREEN, None, [0])
    assert (empty.stay.is_empty, [s.arrival for s in empty.former]) == (True, [GREEN, None])
    assert (blue.stay, blue.former) == (last.stay, last.former)


def test_risks_that_stand_twice_are_refused(tmp_path: Any) -> None:
    with pytest.raises(BadRules, match=r"risks: 'fever'. Occurs twice"):
        rule_file._stay("stay.toml", 'undo_s = 600\nread_h = 24\nrisks = ["fever", "fever"]')


# --- the page


def stay_of(arrival: Arrival | None, began: int = NOW - 60_000, first_s: int = 0) -> Stay:
    return Stay(began, "Kim", began, arrival, first_s)


def card(bed: str = "bed-1", **changes: Any) -> Card:
    return build_card(bed, summary(bed, **changes), NOW)


def test_an_empty_bed_has_its_own_word_and_shape_and_ranks_last() -> None:
    empty = card(
        "bed-1", stay=stay_of(None), signal=SignalState.LOST, level=Level.NOTED, signal_reason="A device sends"
    )
    assert (empty.state, empty.shape, empty.headline, empty.until) == ("empty", "frame", "empty since", NOW - 60_000)
    assert (empty.reason, empty.age_s, empty.flag) == ("A device sends", None, None)
    ranked, _ = rank_beds([empty, card("bed-2"), card("bed-3", level=Level.NOTED)], {}, NOW)
    assert [one.bed for one in ranked] == ["bed-3", "bed-2", "bed-1"]
    old = build_card("bed-1", summary(stay=stay_of(None), looked_at=NOW - 60_000), NOW)
    assert old.state == "unwatched", "that nobody is in it is no longer known"


def test_a_card_and_a_sheet_say_who_is_in_the_bed() -> None:
    former = msgspec.structs.replace(stay_of(BLUE, NOW - 9_000_000), ended=NOW - 60_000, ended_at=NOW)
    found = card(stay=stay_of(GREEN), former=[former])
    assert (found.label, found.facts[:2], found.here_since) == ("green", ["31 weeks", "para 2"], NOW - 60_000)
    assert [(one.label, one.ended) for one in found.former] == [("blue", NOW - 60_000)]
    record = BedRecord("bed-1", summary(stay=stay_of(GREEN), former=[former]), [], None, None, SHEET)
    situation = dict(hand_over(record, "ward-1", NOW, UTC).situation)
    assert situation["Woman"].startswith("green, 31 weeks, para 2")
    assert "Woman" not in dict(hand_over(msgspec.structs.replace(record, summary=summary()), "w", NOW, UTC).situation)


def test_frames_bring_her_strip_and_nothing_of_the_one_before() -> None:
    hub = live.Hub(Ward("ward-1", 1), cast("Any", None))
    strip = hub.signals["bed-1"] = SignalBuffer()
    for second in range(30):
        strip.add(Block("bed-1", "s", second, (T0 + second) * 1000, NOW, [140.0] * 4, [10.0] * 4))
    hub.labours["bed-1"] = live.LabourInfo(1, 39, None)

    def frame(*, whole: bool = False, **changes: Any) -> dict[str, Any]:
        hub.summaries["bed-1"] = summary(**changes)
        with patch.object(live, "now_ms", lambda: NOW), patch.object(live, "troubles_of_ward", lambda *_: []):
            raw = hub._frame(whole=whole)
        hub.sent_seconds, hub.sent_stays = {"bed-1": strip.last}, {"bed-1": hub.summaries["bed-1"].stay_id}
        (length,) = struct.unpack("<I", raw[:4])
        bed: dict[str, Any] = json.loads(raw[4 : 4 + length])["beds"][0]
        assert len(raw) == 4 + length + bed["seconds"] * 16
        return bed

    assert frame()["seconds"] == 30
    empty = frame(stay=stay_of(None))
    assert (empty["seconds"], empty["is_new"], "labour" in empty) == (0, True, False)
    hers = frame(stay=stay_of(GREEN, NOW - 1, T0 + 28))
    assert (hers["first"], hers["seconds"], hers["is_new"]) == (T0 + 28, 2, True)
    again = frame(stay=stay_of(GREEN, NOW - 1, T0 + 28))
    assert (again["seconds"], again.get("is_new")) == (0, None)
    assert frame(whole=True, stay=stay_of(GREEN, NOW - 1, T0 + 28))["seconds"] == 2
    assert frame(stay=stay_of(BLUE, NOW, T0 + 31))["seconds"] == 0, "the page's reader may be behind"


def test_a_hand_over_has_nothing_of_the_trace_of_the_woman_before() -> None:
    strip = SignalBuffer()
    assert signal_from(strip, 0) is None
    for second in range(30):
        strip.add(Block("bed-1", "s", second, (T0 + second) * 1000, NOW, [100.0 + second] * 4, [10.0] * 4))
    hers = signal_from(strip, T0 + 20)
    assert hers is not None
    assert (hers.first_s, hers.fhr[::4].tolist()) == (T0 + 20, [120.0 + second for second in range(10)])
    assert len(hers.ua) == len(hers.fhr)
    assert signal_from(strip, T0 + 30) is None, "nothing of hers has come yet"
    whole = signal_from(strip, 0)
    assert whole is not None
    assert len(whole.fhr) == 120
