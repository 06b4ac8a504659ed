"""Women come and go: who is in a bed. Nothing of one stay counts in another; a wrong press can be undone.

A stay begins where its act stands in the input stream. Before an arrival or a leaving is taken, the bed is kept as it
was, and from then on everything that comes from its device, and time. To undo it is to work through that again from
there: the bed is then as if nobody had pressed. How a woman is moved, made of the same: `moves`.
"""

from collections.abc import Callable, Sequence

import numpy as np
from msgspec import structs

from quietward.contracts.commands import CARE_WORDS, Arrive, CorrectArrival, Leave, Move, StayCommand, UndoStay
from quietward.contracts.inputs import Block, DeviceStatus, Input, SetAside, Tick
from quietward.contracts.stays import Arrival, Stay
from quietward.contracts.summary import Summary
from quietward.detect.core.alerting.flags import CLEARED, Change
from quietward.detect.core.alerting.policy import BEDSIDE
from quietward.detect.core.reporting import events as report
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.state import Occupancy, State, Undo

DEEPEST = 4
"""So many presses, one after the other, can be undone."""
MOST_RECORDED = 20_000
"""Inputs of a bed that are kept to undo a press: what 10 min bring at 30 times the usual speed. What brings more cannot
be undone any longer."""
MOST_FORMER = 8
UNANSWERED = "Somebody is asked for here and nobody has answered: acknowledge it first"
"""No press that takes a woman out of sight, or a fetus, ends a call."""

Step = Callable[[State, Sequence[Input]], Output]


def record(state: State, item: Input | SetAside) -> None:
    """Keep an input for the beds at which something may still be undone; forget what no longer can be."""
    beds = [item.bed] if isinstance(item, Block | DeviceStatus) else state.stays if isinstance(item, Tick) else []
    for bed in beds:
        occupancy = state.stays.get(bed)
        if occupancy is None or occupancy.undo is None or not isinstance(item, Block | DeviceStatus | Tick):
            continue
        is_full = len(occupancy.undo.since) >= MOST_RECORDED
        if occupancy.asked is not None:  # whatever the other bed says, and when: she can be brought back
            if not is_full:
                occupancy.undo.since.append(item)
            continue
        occupancy.undo.since.append(item)
        in_time = occupancy.is_undone_in_time(max(state.now, item.at), state.rules.stay.undo_s)
        if is_full or not in_time:
            occupancy.undo = None


def take(
    state: State,
    n: int,
    second: int,
    now: int,
    act: StayCommand,
    output: Output,
    end_of: Callable[[int], None],
    step: Step,
) -> str:
    """Take an act that says who is in bed n, but for moves; return why it could not be taken, or nothing.

    second: by the bed's clock; now: ms by the server's. end_of: works through the seconds of a bed that still wait for
    an earlier one; step: works through inputs.
    """
    match act:
        case Arrive() | Leave() if _calls_unanswered(state, state.fetuses(n)):
            return UNANSWERED
        case Arrive():
            undo = undo_of(state, n, Undo("arrival", act.by, now, b"", []), output, end_of)
            _arrive(state, n, second, now, act, undo, output)
        case Leave() if state.is_empty(n):
            return "Nobody is in this bed"
        case Leave():
            undo = undo_of(state, n, Undo("leaving", act.by, now, b"", []), output, end_of)
            _leave(state, n, second, now, act, undo, output)
        case CorrectArrival():
            return correct(state, n, second, act.by, act.arrival, output)
        case UndoStay():
            return _undo(state, n, second, act, output, step)
        case Move():
            raise AssertionError(act)  # `moves`
    return ""


def _calls_unanswered(state: State, fetuses: Sequence[int]) -> bool:
    """Return whether the bedside or the team is asked for, for one of some fetuses, and nobody has answered."""
    a = state.attention
    return bool(((a.level[fetuses] >= BEDSIDE) & ~a.acknowledged[fetuses]).any())


def without_signal(state: State) -> list[int]:
    """Return the beds of which something is to be said though no signal of theirs is worked through."""
    occupied = [state.index_of[bed] for bed in state.stays if bed in state.index_of]
    return [n for n in occupied if state.clock.second[n] < 0]


def resume(state: State, summary: Summary, from_ms: int) -> None:
    """Let a bed begin with who was in it at `from_ms`, ms by the server's clock, as its newest summary tells."""
    if summary.stay is None:
        return
    ended = {"last_s": None, "ended": None, "ended_by": "", "ended_at": 0, "moved_to": ""}
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


def present_second(state: State, n: int, at: int) -> int:
    """Return the second of bed n's own clock at the server's time `at`; a bed that has no clock yet goes by that."""
    clock = state.clock
    if clock.placed[n] < 0:
        return at // 1000
    return int(clock.placed[n]) + max(0, at - int(clock.at[n])) // 1000


def _arrive(state: State, n: int, second: int, at: int, act: Arrive, undo: Undo, output: Output) -> None:
    if not state.is_empty(n):
        text = f"has left: a new arrival was noted by {act.by}"
        output.events.append(report.event(state, n, second, "left", text, {"by": act.by}))
    begin(state, n, second, at, act.by, act.arrival, undo, output)
    detail: report.Detail = {"by": act.by, "label": act.arrival.label}
    text = f"{', '.join([act.arrival.label, *act.arrival.facts])}; noted by {act.by}"
    output.events.append(report.event(state, n, second, "arrived", text, detail))


def _leave(state: State, n: int, second: int, at: int, act: Leave, undo: Undo, output: Output) -> None:
    output.events.append(report.event(state, n, second, "left", f"has left, noted by {act.by}", {"by": act.by}))
    begin(state, n, second, at, act.by, None, undo, output)
    text = f"nobody is in this bed, noted by {act.by}"
    output.events.append(report.event(state, n, second, "empty", text, {"by": act.by}))


def correct(state: State, n: int, second: int, by: str, arrival: Arrival, output: Output, while_in: str = "") -> str:
    """Let what is said of the woman in bed n be this from now on; return why that cannot be, or nothing.

    while_in: the bed in which it was corrected, where a move to it is undone.
    """
    occupancy = state.stays.get(state.beds[n])
    if occupancy is None or occupancy.stay.id == 0:
        return "No arrival has been noted at this bed"
    before = occupancy.stay.arrival
    if before is None:
        return "Nobody is in this bed"
    changes = before.changes_to(arrival)
    if not changes:
        return "That is what is noted already"
    second_twin = state.second_of(n)
    if arrival.twins is False and second_twin is not None and _calls_unanswered(state, [second_twin]):
        if not while_in:
            return UNANSWERED
        arrival = structs.replace(arrival, twins=before.twins)
    occupancy.stay = structs.replace(occupancy.stay, arrival=arrival)
    detail: report.Detail = {"by": None if while_in else by, "label": arrival.label}
    if arrival.weeks != before.weeks:
        state.running.weeks[state.fetuses(n)] = arrival.weeks or 0
    if arrival.stage != before.stage:
        state.running.stage[state.fetuses(n)] = arrival.stage or 0
        detail["stage"] = None if arrival.stage is None else float(arrival.stage)
    how = f"while she was in {while_in}" if while_in else f"by {by}"
    text = f"{', '.join(changes)}; {how}"
    output.events.append(report.event(state, n, second, "corrected", text, detail))
    if arrival.twins is False and before.twins is not False:
        _end_second(state, n, second, output)
    return ""


def _end_second(state: State, n: int, second: int, output: Output) -> None:
    """Somebody has said that there is one fetus: nothing of a second is asked for any more, until its rate comes."""
    place = state.second_of(n)
    if place is None:
        return
    if state.attention.level[place] > 0:
        over = Change(place, CLEARED, 0, int(state.attention.flag[place]))
        report.flag_action(state, second, over, {}, "eased: there is one fetus", output.events)
    state.end_second(n)


def undo_of(state: State, n: int, undo: Undo, output: Output, end_of: Callable[[int], None]) -> Undo:
    """Keep bed n as it is, work through what still waits, and return what undoes the press that comes now; of several,
    one within the other, the oldest are let go.

    Where what waits has something to say, the bed is kept as it is then: it must not be said a second time.
    """
    undo.before, lines = state.alone(n).to_bytes(), len(output.events)
    end_of(n)
    if len(output.events) > lines:
        undo.before = state.alone(n).to_bytes()
    occupancy = state.stays.get(state.beds[n])
    inner = None if occupancy is None else occupancy.undo
    undo.depth = 1 if inner is None else inner.depth + 1
    if occupancy is not None and undo.depth > DEEPEST:
        shallow = State.from_bytes(undo.before, state.rules)
        if shallow is not None:
            shallow.stays[state.beds[n]].undo = None
            undo.before, undo.depth = shallow.to_bytes(), 1
    return undo


def begin(
    state: State,
    n: int,
    second: int,
    at: int,
    by: str,
    arrival: Arrival | None,
    undo: Undo,
    output: Output,
    moved_to: str = "",
) -> None:
    """Begin another stay at bed n. moved_to: the bed to which the woman in it goes."""
    bed, newest = state.beds[n], int(state.clock.placed[n])
    occupancy = state.stays.get(bed)
    last = Stay(0, "", 0) if occupancy is None else occupancy.stay
    former = [] if occupancy is None else occupancy.former
    if not last.is_empty:
        ended = structs.replace(
            last, last_s=newest, ended=second * 1000, ended_by=by, ended_at=at, moved_to=moved_to
        )  # fmt: skip
        former = [ended, *former][:MOST_FORMER]
    stay = Stay(max(at, last.id + 1), by, second * 1000, arrival, newest + 1)
    state.stays[bed] = Occupancy(stay, former, undo)
    state.begin_anew(n)
    output.ended[bed, last.id] = True
    output.ended[bed, stay.id] = False


def _undo(state: State, n: int, second: int, act: UndoStay, output: Output, step: Step) -> str:
    """Undo the newest arrival or leaving at bed n; return why that cannot be."""
    undo_s = state.rules.stay.undo_s
    occupancy = state.stays.get(state.beds[n])
    if occupancy is None or occupancy.undo is None or not occupancy.is_undone_in_time(state.now, undo_s):
        return f"There is nothing to undo; an arrival, a leaving or a move can be undone for {undo_s / 60:.0f} min"
    mistaken, meanwhile = occupancy.stay, noted_since(state, n)
    before = State.from_bytes(occupancy.undo.before, state.rules)
    if before is not None and before.is_empty(0) and _calls_unanswered(state, state.fetuses(n)):
        return UNANSWERED
    if not bring_back(state, n, occupancy.undo, output, step):
        return "What was there before cannot be read any more"
    what = f"arrival of {mistaken.arrival.label}" if mistaken.arrival is not None else "leaving"
    detail: report.Detail = {"by": act.by, "meanwhile": meanwhile or None}
    text = f"{what} undone by {act.by}{and_meanwhile(meanwhile)}"
    output.events.append(report.event(state, n, second, "stay-undone", text, detail))
    return ""


def and_meanwhile(words: str) -> str:
    """Return how a line goes on that says what was undone. words: what was noted since."""
    return f"; noted meanwhile, and answers nothing: {words}" if words else ""


def bring_back(state: State, n: int, undo: Undo, output: Output, step: Step) -> bool:
    """Let bed n be as if the press that began its present stay had not been; return False where that cannot be read."""
    before = State.from_bytes(undo.before, state.rules)
    if before is None:
        return False
    bed, mistaken = state.beds[n], state.stay_id(n)
    before.clock.event[0] = state.clock.event[n]
    for mine, its in ((n, 0), (state.place_of_second.get(n), before.second_of(0))):
        if mine is not None and its is not None and before.attention.level[its] == 0:
            before.attention.flag[its] = state.attention.flag[mine]
    again = step(before, undo.since)
    state.put_in(n, before)
    output.events += again.events
    output.ended[bed, mistaken] = True
    output.ended[bed, state.stay_id(n)] = False
    return True


def noted_since(state: State, n: int, from_ms: int = 0) -> str:
    """Return in words what was noted from a time on, ms by the bed's clock, in a stay that is undone: it is not carried
    over, and must not be lost.
    """
    words = state.words.get(state.beds[n])
    cared = [] if words is None else [c for c in reversed(words.cared) if c.t >= from_ms]
    notes = [f"{c.text or CARE_WORDS[c.what]} by {c.by}" for c in cared]
    timed = np.count_nonzero(state.hand.end[:, n] * 1000 >= max(1, from_ms))
    return ", ".join([*notes, *([f"{timed} contractions timed by hand"] if timed else [])])
