"""Women come and go: who is in a bed. Nothing of one stay counts in another; a wrong press can be undone.

A stay begins where its act stands in the input stream. Before an arrival or a leaving is taken, the bed is kept as it
was, and from then on everything that comes from its device, and time. To undo it is to work through that again from
there: the bed is then as if nobody had pressed.
"""

from collections.abc import Callable, Sequence

from msgspec import structs

from quietward.contracts.messages import (
    CARE_WORDS,
    Arrival,
    Arrive,
    Block,
    CommandEnvelope,
    DeviceStatus,
    Input,
    Leave,
    SetAside,
    Stay,
    Summary,
    Tick,
    UndoStay,
)
from quietward.detect.core.people.acts import not_hers, refuse
from quietward.detect.core.reporting import events as report
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.state import Occupancy, State, Undo

DEEPEST = 4
"""So many presses, one after the other, can be undone."""
MOST_RECORDED = 20_000
"""Inputs of a bed that are kept to undo a press: what 10 min bring at 30 times the usual speed. What brings more cannot
be undone any longer."""
MOST_FORMER = 8

Step = Callable[[State, Sequence[Input]], Output]


def record(state: State, item: Input | SetAside) -> None:
    """Keep an input for the beds at which something may still be undone; forget what no longer can be."""
    beds = [item.bed] if isinstance(item, Block | DeviceStatus) else state.stays if isinstance(item, Tick) else []
    for bed in beds:
        occupancy = state.stays.get(bed)
        if occupancy is None or occupancy.undo is None or isinstance(item, CommandEnvelope | SetAside):
            continue
        occupancy.undo.since.append(item)
        is_over = occupancy.undoable(max(state.now, item.at), state.rules.stay.undo_s) is None
        if is_over or len(occupancy.undo.since) > MOST_RECORDED:
            occupancy.undo = None


def take(state: State, done: CommandEnvelope, output: Output, end_of: Callable[[int], None], step: Step) -> list[int]:
    """Take an act that says who is in a bed; return the index of its bed, [] where there is no such bed.

    end_of: works through the seconds of a bed that still wait for an earlier one; step: works through inputs.
    """
    n, act = state.index_of.get(done.bed), done.command
    if n is None:
        return []
    now = state.now or done.at  # not who pressed: clocks of pages may differ from that of the stream
    second = _present_second(state, n, done.at)
    refused = not_hers(state, n, act)
    if not refused:
        match act:
            case Arrive():
                before = state.alone(n).to_bytes()
                end_of(n)
                _arrive(state, n, second, now, act, before, output)
            case Leave() if state.is_empty(n):
                refused = "Nobody is in this bed"
            case Leave():
                before = state.alone(n).to_bytes()
                end_of(n)
                _leave(state, n, second, now, act, before, output)
            case UndoStay():
                refused = _undo(state, n, second, act, output, step)
    if refused:
        refuse(state, n, second, act, refused, output.events)
    return [n]


def without_signal(state: State) -> list[int]:
    """Return the beds of which something is to be said though no signal of theirs is worked through."""
    found = [state.index_of[bed] for bed in state.stays if bed in state.index_of]
    return [n for n in found if state.clock.second[n] < 0]


def resume(state: State, summary: Summary, from_ms: int) -> None:
    """Let a bed begin with who was in it at `from_ms`, ms by the server's clock, as its newest summary tells."""
    if summary.stay is None:
        return
    ended = {"last_s": None, "ended": None, "ended_by": "", "ended_at": 0}
    for place, stay in enumerate([summary.stay, *summary.former]):
        former = summary.former[place:]
        if stay.id and stay.id <= from_ms < (stay.ended_at or from_ms + 1):
            state.stays[summary.bed] = Occupancy(structs.replace(stay, **ended), former)
        elif stay.ended is not None and stay.ended_at <= from_ms:  # nobody was in it
            empty = Stay(stay.ended_at, stay.ended_by, stay.ended, None, (stay.last_s or 0) + 1)
            state.stays[summary.bed] = Occupancy(empty, [stay, *former])
        else:
            continue
        state.remember_arrival(state.index_of[summary.bed])
        return


def _present_second(state: State, n: int, at: int) -> int:
    """Return the second of bed n's own clock at the server's time `at`; a bed that has no clock yet goes by that."""
    clock = state.clock
    if clock.placed[n] < 0:
        return at // 1000
    return int(clock.placed[n]) + max(0, at - int(clock.at[n])) // 1000


def _arrive(state: State, n: int, second: int, at: int, act: Arrive, before: bytes, output: Output) -> None:
    if not state.is_empty(n):
        text = f"has left: a new arrival was noted by {act.by}"
        output.events.append(report.event(state, n, second, "left", text, {"by": act.by}))
    undo = _undo_of(state, n, "arrival", act.by, at, before)
    _begin(state, n, second, at, act.by, act.arrival, undo, output)
    detail: report.Detail = {"by": act.by, "label": act.arrival.label}
    text = f"{', '.join([act.arrival.label, *act.arrival.facts])}; noted by {act.by}"
    output.events.append(report.event(state, n, second, "arrived", text, detail))


def _leave(state: State, n: int, second: int, at: int, act: Leave, before: bytes, output: Output) -> None:
    output.events.append(report.event(state, n, second, "left", f"has left, noted by {act.by}", {"by": act.by}))
    undo = _undo_of(state, n, "leaving", act.by, at, before)
    _begin(state, n, second, at, act.by, None, undo, output)
    text = f"nobody is in this bed, noted by {act.by}"
    output.events.append(report.event(state, n, second, "empty", text, {"by": act.by}))


def _undo_of(state: State, n: int, what: str, by: str, at: int, before: bytes) -> Undo:
    """Return what undoes a press; of several, one within the other, the oldest are let go."""
    occupancy = state.stays.get(state.beds[n])
    inner = None if occupancy is None else occupancy.undo
    depth = 1 if inner is None else inner.depth + 1
    if occupancy is not None and depth > DEEPEST:
        shallow = State.from_bytes(before, state.rules)
        if shallow is not None:
            shallow.stays[state.beds[n]].undo = None
            before, depth = shallow.to_bytes(), 1
    return Undo("arrival" if what == "arrival" else "leaving", by, at, before, [], depth)


def _begin(
    state: State, n: int, second: int, at: int, by: str, arrival: Arrival | None, undo: Undo, output: Output
) -> None:
    """Begin another stay at bed n."""
    bed, newest = state.beds[n], int(state.clock.placed[n])
    occupancy = state.stays.get(bed)
    last = Stay(0, "", 0) if occupancy is None else occupancy.stay
    former = [] if occupancy is None else occupancy.former
    if not last.is_empty:
        ended = structs.replace(last, last_s=newest, ended=second * 1000, ended_by=by, ended_at=at)
        former = [ended, *former][:MOST_FORMER]
    stay = Stay(max(at, last.id + 1), by, second * 1000, arrival, newest + 1)
    state.stays[bed] = Occupancy(stay, former, undo)
    state.begin_anew(n)
    output.ended[bed, last.id] = True
    output.ended[bed, stay.id] = False


def _undo(state: State, n: int, second: int, act: UndoStay, output: Output, step: Step) -> str:
    """Let bed n be as if the newest arrival or leaving had not been pressed; return why that cannot be."""
    bed, undo_s = state.beds[n], state.rules.stay.undo_s
    occupancy = state.stays.get(bed)
    undo = None if occupancy is None else occupancy.undo
    if occupancy is None or undo is None or occupancy.undoable(state.now, undo_s) is None:
        return f"There is nothing to undo; an arrival or a leaving can be undone for {undo_s / 60:.0f} min"
    before = State.from_bytes(undo.before, state.rules)
    if before is None:
        return "What was there before cannot be read any more"
    mistaken, meanwhile = occupancy.stay, _in_between(state, n)
    before.clock.event[0] = state.clock.event[n]
    if before.attention.level[0] == 0:
        before.attention.flag[0] = state.attention.flag[n]
    again = step(before, undo.since)
    state.put_back(n, before)
    output.events += again.events
    stay_id = state.stay_id(n)
    output.ended[bed, mistaken.id] = True
    output.ended[bed, stay_id] = False
    what = f"arrival of {mistaken.arrival.label}" if mistaken.arrival is not None else "leaving"
    detail: report.Detail = {"by": act.by, "meanwhile": meanwhile or None}
    text = f"{what} undone by {act.by}" + (f"; noted meanwhile, and answers nothing: {meanwhile}" if meanwhile else "")
    output.events.append(report.event(state, n, second, "stay-undone", text, detail))
    return ""


def _in_between(state: State, n: int) -> str:
    """Return in words what was noted in a stay that is undone: it is not carried over, and must not be lost."""
    words = state.words.get(state.beds[n])
    notes = [] if words is None else [f"{c.text or CARE_WORDS[c.what]} by {c.by}" for c in reversed(words.cared)]
    timed = int(state.hand.timed[n])
    return ", ".join([*notes, *([f"{timed} contractions timed by hand"] if timed else [])])
