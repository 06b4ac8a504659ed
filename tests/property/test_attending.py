"""Who has said that she goes to a bed, while women come, leave and are moved: against a plain list of it."""

from dataclasses import dataclass, field
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.commands import Arrive, Attend, Command, Leave, Move, UndoStay
from quietward.contracts.inputs import Block, Tick
from quietward.contracts.stays import Arrival
from tests.property.test_moves import HERE, T0_MS, THERE, Wards
from tests.property.test_streaming_core import RELAXED
from tests.traces import RULES

ATTEND_MS = RULES.policy.longest.attend_s * 1000
UNDO_MS = RULES.stay.undo_s * 1000


@dataclass
class Plain:
    """Who is at a bed and until when, and what an undone press brings back: (what, when pressed, who was there)."""

    there: dict[str, int] = field(default_factory=dict)
    pressed: list[tuple[str, int, dict[str, int]]] = field(default_factory=list)

    def leave(self, what: str, at: int) -> dict[str, int]:
        gone, self.there = self.there, {}
        self.pressed.append((what, at, gone))
        return gone


def other(bed: str) -> str:
    return THERE if bed == HERE else HERE


def take(beds: dict[str, Plain], command: Command, at: int) -> None:
    """Do a command, which the detectors have taken, to the plain list."""
    bed = beds[command.bed]
    match command:
        case Attend(by=by, going=True):
            bed.there = {who: until for who, until in bed.there.items() if who != by} | {by: at + ATTEND_MS}
        case Attend(by=by):
            del bed.there[by]
        case Arrive() | Leave():
            bed.leave("here", at)
        case Move(to=to):
            gone = bed.leave("away", at)
            beds[to].leave("moved", at)
            beds[to].there = dict(gone)
        case UndoStay():
            what, _, bed.there = bed.pressed.pop()
            if what == "moved":
                before = beds[other(command.bed)]
                _, _, before.there = before.pressed.pop()


beds = st.sampled_from([HERE, THERE])
people = st.sampled_from(["Ann", "Kim"])
commands: st.SearchStrategy[Any] = st.one_of(
    st.builds(Attend, beds, people, st.booleans()),
    st.builds(Arrive, beds, people, st.just(Arrival("green"))),
    st.builds(Leave, beds, people),
    st.builds(lambda bed, by: Move(bed, by, other(bed)), beds, people),
    st.builds(UndoStay, beds, people),
    st.integers(1, 700),
)


@RELAXED
@given(st.lists(commands, max_size=40))
def test_nobody_is_at_a_bed_that_was_left_and_whoever_was_with_her_goes_along(steps: list[Any]) -> None:
    nobody: dict[str, int] = {}
    arrived = [("here", T0_MS, nobody)]
    ward, plain, at = Wards(), {HERE: Plain(pressed=arrived[:]), THERE: Plain(pressed=arrived * 2)}, T0_MS
    ward.make_room()
    for bed in plain:
        ward.take(bed, Block(bed, "s", 0, at, at, [140.0] * 4, [10.0] * 4))
    ward.both(Tick(at))
    for step in steps:
        if isinstance(step, int):
            at += step * 1000
            ward.both(Tick(at))
            continue
        lines = {bed: len(said) for bed, said in ward.said.items()}
        ward.press(step)
        ward.deliver()
        assert ward.said[step.bed][lines[step.bed] :], "nothing is done in silence"
        if ward.said[step.bed][-1].kind != "not-taken":
            take(plain, step, at)
        for bed, one in plain.items():
            shown = {who.by: who.until for who in ward.summary(bed).attending}
            assert shown == {by: until for by, until in one.there.items() if until > at}
            assert not shown or not ward.summary(bed).is_empty
