"""A woman is moved, and what was said of her is corrected: the sentences, the numbers, the page's strip."""

from typing import Any, cast

import msgspec
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.commands import Arrive, Attend, Command, CorrectArrival, Leave, Move, RecordCare, UndoStay
from quietward.contracts.inputs import Block, CommandEnvelope, SetAside, Tick, Transfer
from quietward.contracts.stays import Arrival, Stay
from quietward.contracts.summary import Level
from quietward.dashboard.live import hub as live
from quietward.dashboard.view.signal_buffer import SignalBuffer
from quietward.dashboard.view.view_model import UNWATCHED_AFTER_MS, build_card
from quietward.detect.core import engine
from quietward.detect.core.people import moves, stays
from quietward.detect.core.reporting.carry_over import carry_over
from quietward.detect.core.state.state import State
from tests.property.test_moves import HERE, T0_MS, THERE, Wards, labour_with_a_flag
from tests.property.test_stays import ROOM_4
from tests.traces import RULES
from tests.unit.test_page_models import NOW, summary


def ward_with_room() -> Wards:
    """She is in one bed, with a quiet trace of ten seconds; nobody in the other."""
    ward = Wards()
    ward.make_room()
    for second in range(10):
        at = T0_MS + second * 1000
        ward.take(HERE, Block(HERE, "s", second, at, at, [140.0] * 4, [10.0] * 4))
        ward.both(Tick(at + 1))
    return ward


def refusal(ward: Wards, command: Command) -> str:
    """Return why a command is not taken, also if the other bed says so."""
    ward.press(command)
    ward.deliver()
    line = ward.said[command.bed][-1]
    assert line.kind == "not-taken", line
    return str(line.detail["why"])


def test_why_she_cannot_be_moved_is_said_in_a_sentence() -> None:
    ward = ward_with_room()
    assert refusal(ward, Move(HERE, "Kim", HERE)) == "She is in bed-1 already"
    assert refusal(ward, Move(THERE, "Kim", HERE)) == "Nobody is in this bed"
    assert refusal(ward, Move(HERE, "Kim", THERE, stay=3)) == "Another woman is in this bed now"
    ward.press(Arrive(THERE, "Kim", Arrival("blue")))
    assert refusal(ward, Move(HERE, "Kim", THERE)) == "bed-7 is occupied: blue is there"
    assert ward.where_she_is() == [HERE, THERE]
    ward.states[THERE].stays.clear()
    assert refusal(ward, Move(HERE, "Kim", THERE)) == "Nobody has said that bed-7 is empty"


def test_an_unknown_bed_takes_nobody() -> None:
    ward = ward_with_room()
    ward.press(Move(HERE, "Kim", "bed-77"))
    (asked,) = moves.asked_for(ward.states[HERE])
    assert isinstance(asked, Transfer)
    ward.take(THERE, asked)
    (answer,) = ward.answers
    assert (answer.bed, answer.why) == (HERE, "bed-77 is no bed of this ward")
    ward.take(HERE, answer)
    assert moves.asked_for(ward.states[HERE]) == []
    assert ward.where_she_is() == [HERE]


def test_until_the_other_bed_answers_she_is_shown_and_nothing_else_is_taken() -> None:
    ward = ward_with_room()
    labour = Wards()
    at = labour_with_a_flag(labour)
    labour.press(Move(HERE, "Kim", THERE))
    ward.press(Move(HERE, "Kim", THERE))
    for one in (ward, labour):
        one.both(Tick(at + 1000))
        for command in (
            RecordCare(HERE, "Ann", "turned"),
            Leave(HERE, "Ann"),
            UndoStay(HERE, "Ann"),
            Move(HERE, "A", "b"),
        ):
            one.press(command)
            assert one.said[HERE][-1].detail["why"] == "She is being moved to bed-7; do it there"
    quiet, called = ward.summary(HERE), labour.summary(HERE)
    assert (quiet.level, quiet.reason, quiet.moving_to) == (Level.NOTED, "moving to bed-7", THERE)
    assert called.level in (Level.BEDSIDE, Level.TEAM)
    assert called.flag == "bed-1-f1"
    assert called.looked_at == at - 999, "so that a page sees it grow old"
    card = build_card(HERE, called, at)
    assert card.state in ("bedside", "team")
    assert card.reason.startswith("moving to bed-7; ")
    assert build_card(HERE, called, at + UNWATCHED_AFTER_MS).state == "unwatched"
    for one in (ward, labour):
        one.deliver()
        assert one.where_she_is() == [THERE]
        assert one.summary(HERE).is_empty


def test_lines_and_flags_are_numbered_on_from_those_of_the_other_bed() -> None:
    ward = Wards()
    labour_with_a_flag(ward)
    state = ward.states[THERE]
    state.attention.flag[0], lines = 4, int(state.clock.event[0])
    ward.press(RecordCare(HERE, "Kim", "turned"))
    ward.press(Move(HERE, "Kim", THERE))
    ward.deliver()
    now = ward.summary(THERE)
    assert now.flag == "bed-7-f5"
    assert now.cared[0].flag == "bed-7-f5"
    stay = now.stay_id
    told = [e for e in ward.said[THERE] if e.stay == stay]
    assert {e.detail["flag"] for e in told if "flag" in e.detail} == {"bed-7-f5"}
    numbers = sorted(int(e.id.rpartition("-")[2]) for e in told)
    assert numbers[0] > lines
    assert numbers[-1] == now.events
    assert len(set(numbers)) == len(numbers)
    ward.press(Leave(THERE, "Kim"))
    ward.press(Arrive(THERE, "Kim", Arrival("blue")))
    assert ward.states[THERE].attention.flag[0] == 5, "no flag of the next has a name of hers"


def test_what_other_rules_have_made_is_begun_from_its_summary() -> None:
    """Detectors are updated one after the other: she keeps what her bed asks for, and what was said."""
    ward = Wards()
    labour_with_a_flag(ward)
    ward.press(RecordCare(HERE, "Kim", "turned"))
    ward.press(Move(HERE, "Kim", THERE))
    (asked,) = moves.asked_for(ward.states[HERE])
    assert isinstance(asked, Transfer)
    before = asked.summary
    ward.take(THERE, msgspec.structs.replace(ward.with_log(asked), state=b"of another version"))
    now = ward.summary(THERE)
    assert (now.level, now.acknowledged_by) == (before.level, before.acknowledged_by)
    assert now.flag == "bed-7-f1"
    assert now.cared[0].what == "turned"
    assert now.stay is not None
    assert now.stay.arrival == ROOM_4
    assert ward.states[THERE].running.weeks[0] == ROOM_4.weeks
    ward.deliver()
    assert ward.where_she_is() == [THERE]


def test_a_move_that_makes_the_other_detector_fail_is_refused_and_not_asked_for_ever() -> None:
    ward = ward_with_room()
    ward.press(Move(HERE, "Kim", THERE))
    (asked,) = moves.asked_for(ward.states[HERE])
    ward.answers += engine.step(ward.states[THERE], [SetAside(THERE, asked)]).answers
    ward.deliver()
    assert ward.where_she_is() == [HERE]
    assert ward.said[HERE][-1].detail["why"] == "bed-7 cannot take her: something failed there"


def test_without_a_checkpoint_she_is_still_on_the_way() -> None:
    ward = ward_with_room()
    ward.press(Move(HERE, "Kim", THERE))
    last = ward.summary(HERE)
    rebuilt = State(RULES)
    rebuilt.admit([HERE])
    engine.step(rebuilt, ward.taken[HERE])
    carry_over(rebuilt, HERE, ward.said[HERE], last)
    assert rebuilt.stays[HERE].asked is not None
    ward._states[HERE] = rebuilt
    assert ward.summary(HERE).moving_to == THERE
    ward.deliver()
    assert ward.where_she_is() == [THERE]
    resumed = State(RULES)
    resumed.admit([THERE])
    stays.resume(resumed, ward.summary(THERE), ward.summary(THERE).stay_id)
    assert resumed.stays[THERE].stay == ward.summary(THERE).stay


def test_a_move_cannot_be_undone_once_another_woman_is_in_the_bed() -> None:
    ward = ward_with_room()
    ward.press(Move(HERE, "Kim", THERE))
    ward.deliver()
    assert refusal(ward, UndoStay(HERE, "Kim")) == "She was moved to bed-7: undo it there"
    ward.press(Arrive(HERE, "Ann", Arrival("blue")))
    assert refusal(ward, UndoStay(THERE, "Kim")) == "bed-1 is occupied"
    ward.press(UndoStay(HERE, "Ann"))
    ward.both(Tick(T0_MS + 30_000))
    ward.press(UndoStay(THERE, "Kim"))
    ward.deliver()
    assert ward.where_she_is() == [HERE]


def test_ten_minutes_later_a_move_cannot_be_undone() -> None:
    ward = ward_with_room()
    ward.press(Move(HERE, "Kim", THERE))
    ward.deliver()
    undoable = ward.summary(THERE).undoable
    assert undoable is not None
    assert undoable.what == "move"
    assert ward.summary(HERE).undoable is None
    ward.both(Tick(undoable.until + 1))
    assert ward.summary(THERE).undoable is None
    assert "can be undone for 10 min" in refusal(ward, UndoStay(THERE, "Kim"))
    ward.both(Tick(undoable.until + 61_000))
    assert ward.states[HERE].stays[HERE].undo is None, "what is kept for it is let go"


def test_a_move_undone_in_the_last_second_is_undone_though_the_other_bed_hears_of_it_later() -> None:
    ward = ward_with_room()
    ward.press(Move(HERE, "Kim", THERE))
    ward.deliver()
    undoable = ward.summary(THERE).undoable
    assert undoable is not None
    ward.both(Tick(undoable.until - 1000))
    ward.press(UndoStay(THERE, "Kim"))
    ward.both(Tick(undoable.until + 30_000))
    ward.deliver()
    assert ward.where_she_is() == [HERE]


def test_what_was_noted_since_is_told_when_a_move_is_undone_and_a_correction_stays() -> None:
    ward = ward_with_room()
    ward.press(RecordCare(HERE, "Kim", "examined"))
    ward.both(Tick(T0_MS + 20_000))
    ward.press(Move(HERE, "Kim", THERE))
    ward.deliver()
    ward.both(Tick(T0_MS + 30_000))
    ward.press(RecordCare(THERE, "Ann", "turned"))
    ward.press(CorrectArrival(THERE, "Ann", msgspec.structs.replace(ROOM_4, weeks=38)))
    ward.press(UndoStay(THERE, "Kim"))
    ward.deliver()
    undone, corrected = ward.said[HERE][-2:]
    assert undone.text == "move to bed-7 undone by Kim; noted meanwhile, and answers nothing: turned to the side by Ann"
    assert corrected.text == "weeks 39 → 38; while she was in bed-7"
    stay = ward.summary(HERE).stay
    assert stay is not None
    assert stay.arrival is not None
    assert stay.arrival.weeks == 38


def test_she_may_be_moved_on_and_knows_where_she_was() -> None:
    ward = ward_with_room()
    ward.press(Move(HERE, "Kim", THERE))
    ward.deliver()
    ward.both(Tick(T0_MS + 60_000))
    ward.press(Move(THERE, "Kim", HERE))
    ward.deliver()
    stay, former = ward.summary(HERE).stay, ward.summary(HERE).former
    assert stay is not None
    assert [before.bed for before in stay.came_from] == [HERE, THERE]
    assert stay.arrival == ROOM_4
    assert former[0].moved_to == THERE
    texts = [e.text for e in ward.said[HERE] if e.stay == stay.id]
    assert [text.partition(":")[0] for text in texts if "moved" in text or "came from" in text] == [
        "moved to bed-7, noted by Kim", "came from bed-1", "moved to bed-1, noted by Kim", "came from bed-7",
    ]  # fmt: skip
    assert ward.summary(THERE).former[0].moved_to == HERE
    ward.press(UndoStay(HERE, "Kim"))
    ward.deliver()
    assert ward.where_she_is() == [THERE]


def test_a_woman_of_whom_no_arrival_was_noted_can_be_moved() -> None:
    ward = Wards()
    ward.take(
        THERE, CommandEnvelope(T0_MS, Arrive(THERE, "Kim", Arrival("red"))), CommandEnvelope(T0_MS, Leave(THERE, "K"))
    )
    ward.take(HERE, Block(HERE, "s", 1, T0_MS, T0_MS, [140.0] * 4, [10.0] * 4))
    ward.press(Move(HERE, "Kim", THERE))
    ward.deliver()
    stay = ward.summary(THERE).stay
    assert stay is not None
    assert stay.arrival == Arrival("from bed-1")


def test_what_was_said_of_her_is_corrected_and_the_log_says_what() -> None:
    ward = ward_with_room()
    right = Arrival("room 4, red", weeks=38, parity=None, stage=2, twins=True, risks=["fever"], note="birth plan read")
    ward.press(CorrectArrival(HERE, "Ann", right))
    line = ward.said[HERE][-1]
    assert line.text == (
        "label room 4, blue → room 4, red, weeks 39 → 38, para 1 → not said, "
        "stage first stage → second stage, fetuses single → twins, not diabetes, fever; by Ann"
    )
    assert (line.kind, line.detail["by"], line.detail["stage"]) == ("corrected", "Ann", 2.0)
    running = ward.states[HERE].running
    assert (running.weeks[0], running.stage[0]) == (38, 2)
    stay = ward.summary(HERE).stay
    assert stay is not None
    assert (stay.arrival, stay.id) == (right, line.stay)
    assert refusal(ward, CorrectArrival(HERE, "Ann", right)) == "That is what is noted already"
    assert refusal(ward, CorrectArrival(THERE, "Ann", right)) == "Nobody is in this bed"
    nobody = Wards()
    nobody.take(HERE, Block(HERE, "s", 1, T0_MS, T0_MS, [140.0] * 4, [10.0] * 4))
    assert refusal(nobody, CorrectArrival(HERE, "Ann", right)) == "No arrival has been noted at this bed"


def test_what_her_device_says_counts_until_staff_correct_it_and_then_again() -> None:
    ward = ward_with_room()
    said = Block(HERE, "s", 10, T0_MS + 10_000, T0_MS + 10_000, [140.0] * 4, [10.0] * 4, weeks=40, stage=1)
    ward.take(HERE, said)
    ward.press(CorrectArrival(HERE, "Ann", msgspec.structs.replace(ROOM_4, note="none")))
    assert ward.states[HERE].running.weeks[0] == 40, "what was not corrected is as it was"
    ward.press(CorrectArrival(HERE, "Ann", msgspec.structs.replace(ROOM_4, weeks=31)))
    assert ward.states[HERE].running.weeks[0] == 31
    ward.take(HERE, msgspec.structs.replace(said, seq=11, t=T0_MS + 11_000, at=T0_MS + 11_000))
    assert ward.states[HERE].running.weeks[0] == 40


def test_who_is_at_her_bed_goes_with_her_and_nobody_stays_at_an_empty_one() -> None:
    ward = ward_with_room()
    ward.press(Attend(HERE, "Ann"))
    ward.press(Move(HERE, "Kim", THERE))
    assert [one.by for one in ward.summary(HERE).attending] == ["Ann"], "she is shown as she was"
    ward.deliver()
    assert ward.summary(HERE).attending == []
    (ann,) = ward.summary(THERE).attending
    ward.press(Attend(THERE, "Ann", going=False))
    assert ward.summary(THERE).attending == []
    ward.press(Attend(THERE, "Ann"))
    ward.press(Leave(THERE, "Kim"))
    assert ward.summary(THERE).attending == []
    ward.press(UndoStay(THERE, "Kim"))
    assert [one.by for one in ward.summary(THERE).attending] == ["Ann"]
    ward.both(Tick(ann.until + 10_000))
    assert ward.summary(THERE).attending == [], "whoever forgets it is not there for ever"


# --- the page


def stay_of(arrival: Arrival | None, **more: Any) -> Stay:
    return Stay(NOW - 60_000, "Kim", NOW - 60_000, arrival, **more)


def test_an_empty_bed_says_where_she_went() -> None:
    former = msgspec.structs.replace(stay_of(ROOM_4), ended=NOW - 60_000, ended_at=NOW, moved_to=THERE)
    card = build_card(HERE, summary(stay=stay_of(None), former=[former], signal_reason="A device is sending"), NOW)
    assert (card.state, card.reason) == ("empty", "moved to bed-7; a device is sending")
    assert card.former[0].moved_to == THERE


class PageAndWard:
    """A ward, and a page's hub that follows its input streams."""

    def __init__(self) -> None:
        self.ward = Wards()
        self.ward.make_room()
        self.hub = live.Hub(Ward("w", 2), cast("Any", None))
        self.read = {HERE: 0, THERE: 0}
        self.second = 0

    def send(self, seconds: int, here: float, there: float, behind_ms: int = 7_200_000) -> None:
        """Both monitors send; the clock of the other one is two hours behind."""
        for _ in range(seconds):
            at = T0_MS + self.second * 1000
            self.ward.take(HERE, Block(HERE, "s", self.second, at, at, [here] * 4, [10.0] * 4))
            later = Block(THERE, "t", self.second + 9, at - behind_ms, at, [there] * 4, [10.0] * 4)
            self.ward.take(THERE, later)
            self.ward.both(Tick(at + 1))
            self.second += 1

    def follow(self, *beds: str) -> None:
        for bed in beds:
            for item in self.ward.taken[bed][self.read[bed] :]:
                self.hub._take(item)
            self.read[bed] = len(self.ward.taken[bed])
        for bed in (HERE, THERE):
            self.hub._show_moved(self.ward.summary(bed))
            self.hub.summaries[bed] = self.ward.summary(bed)

    def strip(self, bed: str) -> list[float]:
        fhr, _ = self.hub.signals[bed].arrays()
        return [float(x) for x in fhr[::4]]


@pytest.mark.parametrize("order", [(HERE, THERE), (THERE, HERE)])
def test_the_strip_goes_with_her_and_comes_back_when_the_move_is_undone(order: tuple[str, str]) -> None:
    """Whichever of the two shards' inputs the page reads first."""
    page = PageAndWard()
    page.send(20, 140.0, 60.0)
    page.ward.press(Move(HERE, "Kim", THERE))
    page.ward.deliver()
    page.send(10, 61.0, 150.0)
    for bed in order:
        page.follow(bed)
    page.follow()
    assert page.strip(THERE) == [140.0] * 20 + [150.0] * 10
    buffer, last = page.hub.signals[THERE], page.ward.states[THERE].clock.placed[0]
    assert buffer.last == last, "on her clock, as the detector has it"
    assert page.hub.sent_stays[THERE] == -1, "pages get all of it"
    page.ward.press(UndoStay(THERE, "Kim"))
    page.ward.deliver()
    page.send(10, 141.0, 62.0)
    page.follow(HERE, THERE)
    assert page.strip(HERE) == [140.0] * 20 + [61.0] * 10 + [141.0] * 10
    assert page.strip(THERE) == [60.0] * 20 + [150.0] * 10 + [62.0] * 10
    assert page.hub.signals[THERE].last == page.ward.states[THERE].clock.placed[0]


def test_a_strip_of_a_move_that_was_refused_is_that_of_the_bed() -> None:
    page = PageAndWard()
    page.ward.press(Arrive(THERE, "Kim", Arrival("blue")))
    page.send(20, 140.0, 150.0)
    page.ward.press(Move(HERE, "Kim", THERE))
    page.ward.deliver()
    page.send(10, 141.0, 151.0)
    page.follow(HERE, THERE)
    assert page.strip(THERE) == [150.0] * 20 + [151.0] * 10
    assert page.strip(HERE) == [140.0] * 20 + [141.0] * 10


def test_a_buffer_begins_with_what_another_holds_and_a_gap_stays_one() -> None:
    before, after = SignalBuffer(kept_s=10), SignalBuffer(kept_s=10)
    for second in range(8):
        before.add(Block("a", "s", second, T0_MS + second * 1000, T0_MS, [140.0] * 4, [10.0] * 4))
    for second in range(9, 12):
        after.add(Block("b", "t", second, T0_MS + second * 1000, T0_MS, [150.0] * 4, [10.0] * 4))
    first = before.first
    after.begin_with(before, first + 5)
    fhr, _ = after.arrays()
    assert after.first == first + 2, "no more than it holds"
    assert [None if x != x else x for x in fhr[::4]] == [140.0] * 4 + [None] * 3 + [150.0] * 3
