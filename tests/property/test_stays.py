"""Women come and go: nothing of one stay counts in the next, an undone press was none, and batches change nothing."""

from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.commands import Acknowledge, Arrive, Leave, RecordCare, Tap, UndoStay
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Tick
from quietward.contracts.log import Event
from quietward.contracts.stays import Arrival
from quietward.contracts.summary import Summary
from quietward.detect.core import arrays, engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.state import State
from tests.property.test_streaming_core import RELAXED, SECONDS, labours
from tests.traces import RULES

ROOM_4 = Arrival("room 4, blue", weeks=39, parity=1, stage=1, twins=False, risks=["diabetes"], note="birth plan read")
PLAIN = Arrival("green")
MS = 1000


def envelope(block: Block, command: Any) -> CommandEnvelope:
    """A command that is pressed when this second has just come."""
    return CommandEnvelope(block.at, command)


def with_ticks(blocks: list[Block], skipping: int = 1) -> list[Input]:
    inputs: list[Input] = []
    for i, block in enumerate(blocks):
        inputs.append(block)
        if i % skipping == 0:
            inputs.append(Tick(block.at + 1))
    return inputs


def run(state: State, inputs: list[Input]) -> tuple[list[Event], Summary]:
    """Take inputs; return what is said of bed-1, and its summary."""
    output = engine.step(state, inputs)
    return [e for e in output.events if e.bed == "bed-1"], summary_of(state)


def summary_of(state: State) -> Summary:
    return summaries.of(state, Output(updated={state.index_of["bed-1"]}))[0]


def unnumbered(events: list[Event]) -> list[Any]:
    """Return what is said without the numbers of lines, flags and stays, which go on from woman to woman."""
    plain = []
    for event in events:
        detail = {name: value for name, value in event.detail.items() if name != "flag"}
        plain.append((event.t, event.kind, event.text, detail))
    return plain


def without_stay(summary: Summary) -> Summary:
    same: dict[str, Any] = {"stay": None, "former": [], "undoable": None, "events": 0}
    same["flag"] = None if summary.flag is None else "flag"
    return msgspec.structs.replace(summary, **same)


@RELAXED
@given(labours(), labours(), st.integers(0, 400), st.booleans())
def test_after_an_arrival_a_bed_says_what_a_fresh_one_would(
    hers: list[Block], before: list[Block], pause_s: int, leaves_first: bool
) -> None:
    """The same device goes on, at once or after a pause; what it sends in the empty bed counts for nobody."""
    back_s = SECONDS + pause_s
    earlier = [
        msgspec.structs.replace(b, t=b.t - back_s * MS, at=b.at - back_s * MS, fhr=b.fhr, seq=b.seq) for b in before
    ]
    later = [msgspec.structs.replace(b, seq=b.seq + back_s) for b in hers]
    state = State(RULES)
    run(state, with_ticks(earlier))
    pressed_at = earlier[-1]
    if leaves_first:
        run(state, [envelope(pressed_at, Leave("bed-1", "Kim"))])
        middle = [
            msgspec.structs.replace(b, seq=b.seq + SECONDS, t=b.t - pause_s * MS) for b in hers if b.seq < pause_s
        ]
        pressed_at = middle[-1] if middle else pressed_at
        assert run(state, list(middle))[0] == []
    (*_, arrived), _ = run(state, [envelope(pressed_at, Arrive("bed-1", "Kim", ROOM_4))])
    assert arrived.kind == "arrived"
    found, shown = run(state, with_ticks(later))
    fresh = State(RULES)
    said = [msgspec.structs.replace(b, weeks=39, stage=1) for b in later]
    expected, expected_shown = run(fresh, with_ticks(said))
    assert unnumbered(found) == unnumbered(expected)
    assert without_stay(shown) == without_stay(expected_shown)
    assert {e.stay for e in found} == {arrived.stay}
    assert arrived.stay > 0


def at_press(blocks: list[Block], i: int) -> Block:
    return blocks[min(i, len(blocks) - 1)]


presses = st.lists(st.integers(0, SECONDS), min_size=2, max_size=2, unique=True).map(sorted)


@RELAXED
@given(labours(), presses, st.sampled_from(["arrival", "leaving"]), st.randoms(use_true_random=False))
def test_an_undone_press_was_none(blocks: list[Block], at: list[int], what: str, random: Any) -> None:
    """Also where seconds come in disorder, so that some wait while it is pressed."""
    late = [0, *(random.choice([0, 0, 0, 1, 2]) for _ in blocks[1:])]
    blocks = [blocks[i] for i in sorted(range(len(blocks)), key=lambda i: (i + late[i], -i))]
    press, undo = min(at[0], len(blocks) - 2), min(at[1], press_limit(at[0], len(blocks)))
    inputs = [with_ticks([b]) for b in blocks]
    first, second, third = (
        [x for one in part for x in one] for part in (inputs[:press], inputs[press:undo], inputs[undo:])
    )
    act: Any = Arrive("bed-1", "Kim", PLAIN) if what == "arrival" else Leave("bed-1", "Kim")
    never, undone = State(RULES), State(RULES)
    never.admit(["bed-1"])
    undone.admit(["bed-1"])
    before_press = run(never, first)[0]
    expected = before_press + run(never, second)[0]
    found = run(undone, [*first, envelope(at_press(blocks, press), act)])[0]
    mistaken = [e for e in found if e.kind in ("left", "arrived", "empty")]
    found = [e for e in found if e not in mistaken]
    in_between, _ = run(undone, second)
    again, _ = run(undone, [envelope(at_press(blocks, undo), UndoStay("bed-1", "Kim"))])
    assert again[-1].kind == "stay-undone"
    assert {e.stay for e in again} == {0}
    assert what == "arrival" or not in_between
    if len(found) > len(
        before_press
    ):  # what waited has said something: it is not said again, and counts as it was said
        said = [(e.t, e.kind, e.text) for e in found + again]
        assert len(said) == len(set(said))
        return
    assert unnumbered(found + again[:-1]) == unnumbered(expected)
    last, shown = run(undone, third)
    expected, expected_shown = run(never, third)
    assert unnumbered(last) == unnumbered(expected)
    assert without_stay(shown) == without_stay(expected_shown)
    undone.clock.event[:] = never.clock.event
    undone.attention.flag[:] = never.attention.flag
    for own, its in zip(arrays.every(undone.all), arrays.every(never.all), strict=True):
        np.testing.assert_array_equal(own, its)


def press_limit(press: int, blocks: int) -> int:
    """Return until where a press can be undone: 600 s, and the test has a second of its own for it."""
    return min(press + 550, blocks - 1)


@st.composite
def wards(draw: st.DrawFn) -> list[Input]:
    """A labour and people who press at any time, also what makes no sense."""
    blocks = draw(labours())
    inputs = with_ticks(blocks, draw(st.integers(1, 20)))
    commands: list[Any] = [
        Arrive("bed-1", "Kim", ROOM_4), Arrive("bed-1", "Ann", PLAIN, stay=0), Leave("bed-1", "Kim"),
        UndoStay("bed-1", "Ann"), RecordCare("bed-1", "Kim", "turned"), Tap("bed-1", "Kim", "start"),
        Acknowledge("bed-1", "Kim", "bed-1-f1"),
    ]  # fmt: skip
    for _ in range(draw(st.integers(1, 12))):
        place = draw(st.integers(1, len(inputs) - 1))
        at = max(item.at for item in inputs[:place])
        inputs.insert(place, CommandEnvelope(at, draw(st.sampled_from(commands))))
    return inputs


def work(
    inputs: list[Input], cuts: list[int], *, checkpoint: bool = False
) -> tuple[list[Event], dict[tuple[str, int], bool], Summary]:
    state = State(RULES)
    events: list[Event] = []
    ended: dict[tuple[str, int], bool] = {}
    bounds = [0, *sorted(min(cut, len(inputs)) for cut in cuts), len(inputs)]
    for a, b in pairwise(bounds):
        output = engine.step(state, inputs[a:b])
        events += output.events
        ended |= output.ended
        if checkpoint:
            restored = State.from_bytes(state.to_bytes(), RULES)
            assert restored is not None
            state = restored
    return events, ended, summary_of(state)


cuts = st.lists(st.integers(0, 2 * SECONDS), max_size=30)


@RELAXED
@given(wards(), cuts)
def test_where_batches_end_changes_nothing(inputs: list[Input], at: list[int]) -> None:
    assert work(inputs, at) == work(inputs, [])


@RELAXED
@given(wards(), st.lists(st.integers(0, 2 * SECONDS), max_size=6))
def test_a_checkpoint_anywhere_changes_nothing(inputs: list[Input], at: list[int]) -> None:
    assert work(inputs, at, checkpoint=True) == work(inputs, [])


@RELAXED
@given(wards())
def test_lines_are_numbered_on_and_none_is_of_a_stay_that_was_not_there(inputs: list[Input]) -> None:
    events, _, summary = work(inputs, [])
    assert [int(e.id.rpartition("-")[2]) for e in events] == list(range(1, len(events) + 1))
    pressed = {item.at for item in inputs if isinstance(item, CommandEnvelope)}
    assert all(e.stay == 0 or any(0 <= e.stay - at < 12 for at in pressed) for e in events)
    assert summary.stay is None or summary.stay.ended is None
