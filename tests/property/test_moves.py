"""A woman is moved: for her comes out what would have come out without it, and she is in one bed, whatever is lost.

Two shards, each with its own state, and what their detectors send each other. Run by hand: what is sent is delivered,
lost or doubled as the test says, and what is not answered is sent again, as the service does.
"""

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.commands import (
    Acknowledge,
    Arrive,
    Attend,
    Command,
    CorrectArrival,
    Leave,
    Move,
    RecordCare,
    SetBedLimit,
    Tap,
    UndoStay,
)
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Tick, Transfer, TransferAnswer
from quietward.contracts.log import Event
from quietward.contracts.stays import Arrival
from quietward.contracts.summary import Level, Summary
from quietward.detect.core import arrays, engine
from quietward.detect.core.people import moves
from quietward.detect.core.reporting import summaries
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.state import State
from tests.property.test_stays import ROOM_4, unnumbered
from tests.property.test_streaming_core import RELAXED, SECONDS, labours
from tests.property.test_twins import second_rates, with_second
from tests.traces import RULES

HERE, THERE = "bed-1", "bed-7"
T0_MS = 1_790_000_000_000


class Wards:
    """Two shards, one bed each; what was said is kept by bed."""

    def __init__(self) -> None:
        self._states = {HERE: State(RULES), THERE: State(RULES)}
        self.said: dict[str, list[Event]] = {HERE: [], THERE: []}
        self.taken: dict[str, list[Input]] = {HERE: [], THERE: []}
        self.worked_through = {HERE: 0, THERE: 0}
        self.answers: list[TransferAnswer] = []

    def take(self, bed: str, *inputs: Input) -> None:
        self.taken[bed] += inputs
        if not all(isinstance(item, Block | Tick) for item in inputs):
            self.step(bed)

    def step(self, bed: str) -> None:
        inputs, self.worked_through[bed] = self.taken[bed][self.worked_through[bed] :], len(self.taken[bed])
        output = engine.step(self._states[bed], inputs)
        self.said[bed] += output.copied + output.events
        self.answers += output.answers

    @property
    def states(self) -> dict[str, State]:
        for bed in self._states:
            self.step(bed)
        return self._states

    def both(self, *inputs: Input) -> None:
        for bed in self._states:
            self.take(bed, *inputs)

    def sent(self) -> list[Input]:
        """Return all that is on its way: what is asked is sent until it is answered."""
        asked = [one for state in self.states.values() for one in moves.asked_for(state)]
        answers, self.answers = self.answers, []
        return [*(self.with_log(one) for one in asked), *answers]

    def with_log(self, asked: Any) -> Any:
        if not isinstance(asked, Transfer):
            return asked
        hers = [e for e in self.said[asked.of] if e.stay == asked.stay.id]
        log, trend = ([e for e in hers if (e.kind == "minute") is minutes] for minutes in (False, True))
        return msgspec.structs.replace(asked, log=log, trend=trend)

    def deliver(self) -> None:
        """Deliver all until nothing is on its way."""
        while sent := self.sent():
            for one in sent:
                self.take(one.bed, one)  # type: ignore[union-attr]

    def press(self, command: Command) -> None:
        self.take(command.bed, CommandEnvelope(max(s.now for s in self.states.values()), command))

    def restart(self, bed: str) -> None:
        restored = State.from_bytes(self.states[bed].to_bytes(), RULES)
        assert restored is not None
        self._states[bed] = restored

    def summary(self, bed: str) -> Summary:
        state = self.states[bed]
        return summaries.of(state, Output(updated={state.index_of[bed]}))[0]

    def where_she_is(self) -> list[str]:
        return [bed for bed in self.states if (stay := self.summary(bed).stay) is not None and stay.arrival is not None]

    def make_room(self) -> None:
        """Somebody says that nobody is in the other bed, and that she is in this one."""
        at = T0_MS - 30_000
        self.take(HERE, CommandEnvelope(at, Arrive(HERE, "Kim", ROOM_4)))
        self.take(THERE, CommandEnvelope(at, Arrive(THERE, "Kim", Arrival("red"))))
        self.take(THERE, CommandEnvelope(at + 1000, Leave(THERE, "Kim")))


def of_another_device(blocks: list[Block], bed: str) -> list[Block]:
    return [msgspec.structs.replace(b, bed=bed, session="the other monitor", seq=b.seq + 500) for b in blocks]


def plain(summary: Summary) -> Summary:
    same: dict[str, Any] = {"bed": "", "stay": None, "former": [], "undoable": None, "events": 0}
    same["flag"] = summary.flag and "flag"
    same["cared"] = [msgspec.structs.replace(c, flag=c.flag and "flag") for c in summary.cared]
    same["fetuses"] = [msgspec.structs.replace(f, flag=f.flag and "flag") for f in summary.fetuses]
    return msgspec.structs.replace(summary, **same)


acts: list[Callable[[str], Command]] = [
    lambda bed: RecordCare(bed, "Kim", "turned"),
    lambda bed: Tap(bed, "Kim", "start"),
    lambda bed: Tap(bed, "Kim", "end"),
    lambda bed: Attend(bed, "Ann"),
    lambda bed: Acknowledge(bed, "Kim", f"{bed}-f1"),
    lambda bed: Acknowledge(bed, "Kim", f"{bed}-s1"),
    lambda bed: SetBedLimit(bed, "Ann", "concern-high", 50.0, 3600, "small"),
]


@RELAXED
@given(
    labours(), st.none() | second_rates(), st.integers(1, SECONDS - 1),
    st.lists(st.tuples(st.integers(0, SECONDS), st.sampled_from(acts))),
)  # fmt: skip
def test_what_comes_out_for_her_is_what_would_have_come_out_without_a_move(
    blocks: list[Block],
    rates: list[list[float | None] | None] | None,
    at: int,
    done: list[tuple[int, Callable[[str], Command]]],
) -> None:
    """Also with twins: both fetuses, what each has asked for, and both their arrays."""
    if rates is not None:
        blocks = with_second(blocks, rates)
    at = min(at, len(blocks) - 1)
    never, moved = Wards(), Wards()
    for ward in (never, moved):
        ward.make_room()
    for i, block in enumerate(blocks):
        there = of_another_device([block], HERE if i < at else THERE)[0]
        if i == at:
            moved.press(Move(HERE, "Kim", THERE))
            moved.deliver()
        if i < at:
            never.take(HERE, block)
            moved.take(HERE, block)
            moved.take(THERE, msgspec.structs.replace(there, bed=THERE, fhr=[60.0] * 4, seq=i))  # nobody's
        else:
            never.take(HERE, msgspec.structs.replace(there, bed=HERE))
            moved.take(THERE, there)
            moved.take(HERE, block)  # nobody's
        for ward in (never, moved):
            ward.both(Tick(block.at + 1))
            bed = HERE if ward is never or i < at else THERE
            for _, act in [one for one in done if one[0] == i]:
                ward.press(act(bed))
    here, there_now = never.summary(HERE).stay_id, moved.summary(THERE).stay_id
    told = [e for e in moved.said[THERE] if e.stay == there_now]
    assert [e.kind for e in told].count("moved") == [e.kind for e in told].count("came-from") == 1
    told = sorted((e for e in told if e.kind not in ("moved", "came-from")), key=lambda e: int(e.id.rpartition("-")[2]))
    assert unnumbered(told) == unnumbered([e for e in never.said[HERE] if e.stay == here])
    assert all(e.bed == THERE for e in told)
    numbers = [int(e.id.rpartition("-")[2]) for e in told]
    assert numbers == sorted(set(numbers))
    assert plain(moved.summary(THERE)) == plain(never.summary(HERE))
    assert moved.summary(HERE).is_empty
    assert moved.summary(HERE).fetuses == []
    one, other = moved.states[THERE], never.states[HERE]
    one.clock.event[:], one.attention.flag[:], one.clock.online[:] = (
        other.clock.event, other.attention.flag, other.clock.online,
    )  # fmt: skip
    for own, its in zip(arrays.every(one.all), arrays.every(other.all), strict=True):
        np.testing.assert_array_equal(own, its)


def labour_with_a_flag(ward: Wards, seconds: int = 1300) -> int:
    """Let her FHR fall and stay down; return the time then."""
    ward.make_room()
    for second in range(seconds):
        at = T0_MS + second * 1000
        bpm = 140.0 if second < 900 else 60.0
        ward.take(HERE, Block(HERE, "s", second, at, at, [bpm] * 4, [10.0] * 4))
        ward.both(Tick(at + 1))
    return T0_MS + seconds * 1000


What = st.sampled_from(["deliver", "lose", "twice", "restart here", "restart there", "time", "act"])


class Unlucky:
    """Two shards to which things happen, and two like them to which nothing does. late: all that was ever sent."""

    def __init__(self) -> None:
        self.ward, self.quiet, self.late = Wards(), Wards(), list[Any]()
        for one in (self.ward, self.quiet):
            self.at = labour_with_a_flag(one)

    def press(self, command: Command, happens: list[str]) -> None:
        """Let somebody press, and all this happen; then nothing is in the way any more."""
        for one in (self.ward, self.quiet):
            one.press(command)
        self.quiet.deliver()
        for what in happens:
            for bed in self.ward.where_she_is():
                shown = self.ward.summary(bed)
                assert shown.flag is not None
                assert shown.level in (Level.BEDSIDE, Level.TEAM), "she looks calmer than she is"
            assert self.ward.where_she_is(), "she is in no bed"
            self.happens(what)
        self.ward.deliver()

    def happens(self, what: str) -> None:
        match what:
            case "time":
                self.at += 1000
                for one in (self.ward, self.quiet):
                    one.both(Tick(self.at))
            case "act":
                for bed in self.ward.states:
                    self.ward.press(RecordCare(bed, "Ann", "turned", stay=0))  # meant for nobody who is there
            case "restart here" | "restart there":
                self.ward.restart(HERE if what == "restart here" else THERE)
            case _:
                sent = self.ward.sent()
                self.late += sent
                self.arrive([] if what == "lose" else sent * (2 if what == "twice" else 1))

    def arrive(self, sent: list[Any]) -> None:
        for one in sent:
            self.ward.take(one.bed, one)


@RELAXED
@given(st.lists(What, max_size=30), st.booleans())
def test_whatever_is_lost_or_comes_twice_she_is_in_one_bed(happens: list[str], undo: bool) -> None:
    both = Unlucky()
    both.press(Move(HERE, "Kim", THERE), happens)
    assert both.ward.where_she_is() == [THERE]
    if undo:
        both.press(UndoStay(THERE, "Kim"), happens)
        assert both.ward.where_she_is() == [HERE]
    both.arrive(both.late)  # what hung somewhere, and comes long after
    both.ward.deliver()
    assert both.ward.where_she_is() == both.quiet.where_she_is()
    for bed in both.ward.states:
        kept, expected = (
            unnumbered([e for e in one.said[bed] if e.kind != "not-taken"]) for one in (both.ward, both.quiet)
        )
        assert pressed(kept) == pressed(expected)
        assert "time" in happens or kept == expected


def pressed(told: list[Any]) -> list[tuple[str, str]]:
    return [(kind, text) for _, kind, text, _ in told if kind in ("came-from", "moved", "stay-undone")]


@RELAXED
@given(labours(), st.integers(1, SECONDS - 2), st.integers(1, 550), st.sampled_from(["refused", "undone"]))
def test_a_move_that_is_refused_or_undone_was_none(blocks: list[Block], at: int, for_s: int, how: str) -> None:
    """However long the other bed does not answer; what its own monitor sent meanwhile counts for nobody."""
    at = min(at, len(blocks) - 2)
    never, tried = Wards(), Wards()
    for ward in (never, tried):
        ward.make_room()
        if how == "refused":
            ward.take(THERE, CommandEnvelope(T0_MS - 20_000, Arrive(THERE, "Kim", Arrival("blue"))))
    for i, block in enumerate(blocks):
        if i == at:
            tried.press(Move(HERE, "Kim", THERE))
            if how == "undone":
                tried.deliver()
        if i == min(at + for_s, len(blocks) - 1):
            if how == "undone":
                tried.press(UndoStay(THERE, "Kim"))
            tried.deliver()
        for ward in (never, tried):
            ward.take(HERE, block)
            ward.take(THERE, of_another_device([block], THERE)[0])
            ward.both(Tick(block.at + 1))
    stay = never.summary(HERE).stay_id
    assert tried.summary(HERE).stay_id == stay
    said = [e for e in tried.said[HERE] if e.stay == stay]
    (line,) = [e for e in said if e.kind in ("not-taken", "stay-undone")]
    assert (
        line.text
        == {
            "refused": "move by Kim: bed-7 is occupied: blue is there",
            "undone": "move to bed-7 undone by Kim",
        }[how]
    )
    told = [e for e in said if e.kind not in ("moved", "not-taken", "stay-undone")]
    assert unnumbered(told) == unnumbered([e for e in never.said[HERE] if e.stay == stay])
    assert tried.where_she_is() == never.where_she_is()
    for bed in (HERE, THERE):
        assert plain(tried.summary(bed)) == plain(never.summary(bed))
        one, other = tried.states[bed], never.states[bed]
        one.clock.event[:], one.attention.flag[:] = other.clock.event, other.attention.flag
        for own, its in zip(arrays.every(one.all), arrays.every(other.all), strict=True):
            np.testing.assert_array_equal(own, its)


@RELAXED
@given(st.lists(st.integers(0, 3000), max_size=20), st.booleans())
def test_where_batches_end_changes_nothing(cuts: list[int], checkpoint: bool) -> None:
    ward = Wards()
    at = labour_with_a_flag(ward)
    ward.press(Move(HERE, "Kim", THERE))
    ward.deliver()
    for second in range(100):
        there = at + second * 1000
        ward.take(THERE, Block(THERE, "t", second, there, there, [60.0] * 4, [10.0] * 4))
        ward.both(Tick(there + 1))
    ward.press(CorrectArrival(THERE, "Kim", Arrival("room 4, blue", weeks=38)))
    ward.press(UndoStay(THERE, "Kim"))
    ward.deliver()
    for bed, inputs in ward.taken.items():
        state, said = State(RULES), []
        for a, b in pairwise([0, *sorted(min(cut, len(inputs)) for cut in cuts), len(inputs)]):
            output = engine.step(state, inputs[a:b])
            said += output.copied + output.events
            if checkpoint:
                restored = State.from_bytes(state.to_bytes(), RULES)
                assert restored is not None
                state = restored
        summary = ward.summary(bed)
        assert sorted(said, key=lambda e: e.id) == sorted(ward.said[bed], key=lambda e: e.id)
        assert summaries.of(state, Output(updated={0}))[0] == summary
