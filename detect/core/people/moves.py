"""A woman is moved to another bed, with all that is hers: what the two beds ask of each other, and answer.

The other bed may be in another shard, whose detector is another process. The act stands in the input of the bed that
she is in. That bed is kept as for a leaving, and asks the other one, by a `Transfer` in the input of its shard, to go
on from where she stood. Until the answer has come it shows her as she was, says where she is being moved to, and takes
nothing else; its detector repeats what it has asked for. The other bed does what is asked of it once, however often it
is asked, and answers each time: so wherever one of the two is killed, what was lost comes again. If it refuses, the
press is undone: she is as if nobody had pressed. Nothing of this is stored beside inputs and states.

A move is undone at the bed where she is then, which asks back: the bed that she came from undoes its leaving, and the
one that asked its arrival.
"""

from collections.abc import Callable

from msgspec import structs

from quietward.contracts.bounds import EARLIER_SESSIONS
from quietward.contracts.commands import Move, StayCommand, UndoStay
from quietward.contracts.flag_names import flag_name, flag_number, is_of_second
from quietward.contracts.inputs import Asked, CommandEnvelope, Transfer, TransferAnswer, UndoTransfer
from quietward.contracts.log import Event
from quietward.contracts.stays import Arrival, BedBefore, Stay
from quietward.detect.core.people import stays
from quietward.detect.core.people.acts import not_hers, refuse_act
from quietward.detect.core.people.stays import Step
from quietward.detect.core.reporting import carry_over, summaries
from quietward.detect.core.reporting import events as report
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.state import Occupancy, State, Undo

EndOf = Callable[[int], None]


def take_act(
    state: State, done: CommandEnvelope, act: StayCommand, output: Output, end_of: EndOf, step: Step
) -> list[int]:
    """Take an act that says who is in a bed; return the index of its bed, [] where there is no such bed.

    end_of, step: as for `stays.take`.
    """
    n = state.index_of.get(done.bed)
    if n is None:
        return []
    now = state.now or done.at  # not who pressed: clocks of pages may differ from that of the stream
    second = stays.present_second(state, n, done.at)
    refused = not_hers(state, n, act)
    if not refused:
        undo = None if (occupancy := state.stays.get(done.bed)) is None else occupancy.undo
        match act:
            case Move():
                refused = _move(state, n, second, now, act, output, end_of)
            case UndoStay() if undo is not None and undo.what == "moved-away":
                refused = f"She was moved to {undo.other}: undo it there"
            case UndoStay() if undo is not None and undo.what == "move":
                refused = _ask_back(state, n, now, act)
            case _:
                refused = stays.take(state, n, second, now, act, output, end_of, step)
    if refused:
        refuse_act(state, n, second, act, refused, output.events)
    return [n]


def take(state: State, item: Asked | TransferAnswer, output: Output, end_of: EndOf, step: Step) -> list[int]:
    """Take what another bed asks or answers; return the index of its bed, [] where there is no such bed."""
    n = state.index_of.get(item.bed)
    match item:
        case TransferAnswer():
            return [] if n is None else _take_answer(state, n, item, output, step)
        case _ if item.id in state.answered:
            why = state.answered[item.id]  # it asks again: the answer was late, or lost
        case Transfer():
            why = _come(state, n, item, output, end_of)
        case UndoTransfer():
            why = _take_back(state, n, item, output, step)
    _answer(state, item, why, output)
    return [] if n is None else [n]


def refuse(state: State, asked: Asked, output: Output) -> None:
    """Refuse what another bed has asked for, since it cannot be worked through."""
    _answer(state, asked, f"{asked.bed} cannot take her: something failed there", output)


def _answer(state: State, asked: Asked, why: str, output: Output) -> None:
    state.answer(asked.id, why)
    output.answers.append(TransferAnswer(asked.of, max(state.now, asked.at), asked.id, why))


def asked_for(state: State) -> list[Asked]:
    """Return what has been asked of other beds and not been answered."""
    return [occupancy.asked for occupancy in state.stays.values() if occupancy.asked is not None]


def _move(state: State, n: int, second: int, now: int, act: Move, output: Output, end_of: EndOf) -> str:
    """Ask another bed to go on with the woman in bed n; return why that cannot be."""
    bed = state.beds[n]
    if act.to == bed:
        return f"She is in {bed} already"
    if state.is_empty(n):
        return "Nobody is in this bed"
    undo = stays.undo_of(state, n, Undo("moved-away", act.by, now, b"", [], other=act.to), output, end_of)
    line = report.event(
        state, n, second, "moved", f"moved to {act.to}, noted by {act.by}", {"by": act.by, "to": act.to}
    )
    output.events.append(line)
    hers = state.alone(n)
    occupancy = state.stays.get(bed)
    stay = Stay(0, "", 0) if occupancy is None else occupancy.stay
    hers.stays = {bed: Occupancy(stay)}
    summary = summaries.of(state, Output(updated={n}))[0]
    clock = state.clock
    columns = clock.placed, clock.seq, clock.t, clock.placed_at, clock.lead_ms, clock.credit_s
    placed, seq, t, placed_at, lead_ms, credit_s = (int(column[n]) for column in columns)
    stands = (placed, seq, t, placed_at, lead_ms, credit_s)
    asked = Transfer(
        act.to, now, line.id, act.by, bed, stay, state.sessions[n], stands, hers.to_bytes(), summary
    )  # fmt: skip
    undo.move = line.id
    stays.begin(state, n, second, now, act.by, None, undo, output, moved_to=act.to)
    state.stays[bed].asked = asked
    text = f"nobody is in this bed: moved to {act.to}, noted by {act.by}"
    output.events.append(report.event(state, n, second, "empty", text, {"by": act.by, "to": act.to}))
    return ""


def _come(state: State, n: int | None, item: Transfer, output: Output, end_of: EndOf) -> str:
    """Let the woman of a transfer be in bed n; return why that cannot be."""
    if n is None:
        return f"{item.bed} is no bed of this ward"
    if why := _why_no_room(state, n):
        return why
    bed, clock, now = state.beds[n], state.clock, state.now or item.at
    undo = Undo("move", item.by, now, b"", [], move=item.id, other=item.of)
    undo = stays.undo_of(state, n, undo, output, end_of)
    lines, flags = int(clock.event[n]), _newest_flags(state, n)
    is_online, session, sessions = bool(clock.online[n]), state.sessions[n], dict(state.earlier.get(n, {}))
    occupancy = state.stays[bed]
    hers = State.from_bytes(item.state, state.rules)
    if hers is not None:
        state.put_in(n, hers)
        _rename(state, n, lines, flags)
    else:  # it was made by other rules, or another version: as when a detector starts with these
        _begin_from_summary(state, n, item, lines, flags)
    clock.online[n] = is_online  # the monitor of this bed
    known = sessions | state.earlier.get(n, {})
    known.pop(session, None)
    state.earlier[n] = dict(list(known.items())[-EARLIER_SESSIONS:])
    second = stays.present_second(state, n, now)
    arrival = item.stay.arrival or Arrival(f"from {item.of}")
    came_from = [*item.stay.came_from, BedBefore(item.id, item.of, item.stay.id, item.at, item.stands[0])]
    stay = Stay(
        max(now, occupancy.stay.id + 1), item.by, second * 1000, arrival, item.stay.first_s, came_from=came_from
    )  # fmt: skip
    state.stays[bed] = Occupancy(stay, occupancy.former, undo)
    if hers is None:
        state.remember_arrival(n)
    output.ended[bed, occupancy.stay.id] = True
    output.ended[bed, stay.id] = False
    output.copied += [_renamed(event, bed, stay.id, lines, flags) for event in (*item.log, *item.trend)]
    text = f"came from {item.of}: {', '.join([arrival.label, *arrival.facts])}; noted by {item.by}"
    detail: report.Detail = {"by": item.by, "from": item.of, "label": arrival.label}
    output.events.append(report.event(state, n, second, "came-from", text, detail))
    return ""


def _why_no_room(state: State, n: int) -> str:
    bed, occupancy = state.beds[n], state.stays.get(state.beds[n])
    if occupancy is None or not occupancy.stay.id:
        return f"Nobody has said that {bed} is empty"
    if occupancy.stay.arrival is not None:
        return f"{bed} is occupied: {occupancy.stay.arrival.label} is there"
    return f"{bed} is not empty yet: who is there is being moved to {occupancy.asked.bed}" if occupancy.asked else ""


Flags = tuple[int, int]
"""Numbers of a bed's newest flags: of the first fetus, and of a second."""


def _newest_flags(state: State, n: int) -> Flags:
    second = state.place_of_second.get(n)
    return int(state.attention.flag[n]), 0 if second is None else int(state.attention.flag[second])


def _renumbered(flag: str, bed: str, flags: Flags) -> str:
    """Return the name in another bed, which has had such flags, of a flag of hers."""
    of_second = is_of_second(flag)
    return flag_name(bed, flag_number(flag) + flags[of_second], of_second=of_second)


def _rename(state: State, n: int, lines: int, flags: Flags) -> None:
    """Let lines and flags of her who has come to bed n be numbered on from those that the bed has had."""
    state.clock.event[n] += lines
    for place, of_fetus in zip(state.fetuses(n), flags, strict=False):
        state.attention.flag[place] += of_fetus
    words = state.words.get(state.beds[n])
    for place, care in enumerate(words.cared if words is not None else []):
        if words is not None and care.flag is not None:
            flag = _renumbered(care.flag, state.beds[n], flags)
            words.cared[place] = structs.replace(care, flag=flag)


def _renamed(event: Event, bed: str, stay: int, lines: int, flags: Flags) -> Event:
    """Return a line of her log as it stands in that of another bed."""
    number = int(event.id.rpartition("-")[2]) + lines
    detail = event.detail
    if isinstance(flag := detail.get("flag"), str):
        detail = detail | {"flag": _renumbered(flag, bed, flags)}
    return structs.replace(event, id=f"{bed}-{number}", bed=bed, detail=detail, stay=stay)


def _begin_from_summary(state: State, n: int, item: Transfer, lines: int, flags: Flags) -> None:
    """Let bed n be what the summary of a woman says, and no more: her signal is read anew."""
    state.begin_anew(n)
    state.clock.event[n] = lines + item.summary.events
    said = carry_over.of_each(item.summary)
    for place, one, newest in zip(carry_over.places(state, n, item.summary), said, flags, strict=False):
        state.attention.flag[place] = newest + flag_number(one.flag or "")
        carry_over.carry_level(state, place, one)
    carry_over.carry_words(state, n, item.summary)


def _take_answer(state: State, n: int, item: TransferAnswer, output: Output, step: Step) -> list[int]:
    """Take an answer to what bed n has asked for."""
    occupancy = state.stays.get(state.beds[n])
    if occupancy is None or occupancy.asked is None or occupancy.asked.id != item.id:
        return []  # it has been answered before
    asked, occupancy.asked = occupancy.asked, None
    undo = occupancy.undo
    if isinstance(asked, UndoTransfer) and item.why:
        second = stays.present_second(state, n, state.now)
        refuse_act(state, n, second, UndoStay(item.bed, asked.by), item.why, output.events)
    elif isinstance(asked, UndoTransfer) and undo is not None:
        stays.bring_back(state, n, undo, output, step)
        second = stays.present_second(state, n, state.now)
        text = f"move undone by {asked.by}: she is in {asked.bed} again"
        output.events.append(report.event(state, n, second, "stay-undone", text, {"by": asked.by}))
    elif item.why and undo is not None:
        stays.bring_back(state, n, undo, output, step)
        second = stays.present_second(state, n, state.now)
        refuse_act(state, n, second, Move(item.bed, asked.by, asked.bed), item.why, output.events)
    return [n]


def _ask_back(state: State, n: int, now: int, act: UndoStay) -> str:
    """Ask the bed from which the woman in bed n has come to take her back; return why that cannot be."""
    occupancy, undo_s = state.stays[state.beds[n]], state.rules.stay.undo_s
    undo = occupancy.undo
    if undo is None or not occupancy.is_undone_in_time(state.now, undo_s):
        return f"There is nothing to undo; an arrival, a leaving or a move can be undone for {undo_s / 60:.0f} min"
    meanwhile = stays.noted_since(state, n, occupancy.stay.began)
    arrival, name = occupancy.stay.arrival, f"{undo.move} undone {now}"
    occupancy.asked = UndoTransfer(undo.other, now, name, undo.move, act.by, state.beds[n], arrival, meanwhile)
    return ""


def _take_back(state: State, n: int | None, item: UndoTransfer, output: Output, step: Step) -> str:
    """Let bed n be as if the woman who was in it had not been moved; return why that cannot be."""
    occupancy = None if n is None else state.stays.get(item.bed)
    if n is None or occupancy is None or not occupancy.stay.is_empty:
        return f"{item.bed} is occupied"
    undo = occupancy.undo
    of_this_move = undo is not None and undo.what == "moved-away" and undo.move == item.move
    if undo is None or not of_this_move or not occupancy.is_undone_in_time(state.now, state.rules.stay.undo_s):
        return f"In {item.bed} it can be undone no longer"
    if not stays.bring_back(state, n, undo, output, step):
        return f"What was in {item.bed} before cannot be read any more"
    second = stays.present_second(state, n, state.now)
    detail: report.Detail = {"by": item.by, "meanwhile": item.meanwhile or None}
    text = f"move to {item.of} undone by {item.by}{stays.and_meanwhile(item.meanwhile)}"
    output.events.append(report.event(state, n, second, "stay-undone", text, detail))
    if item.arrival is not None:
        stays.correct(state, n, second, item.by, item.arrival, output, item.of)  # is hers, wherever it was said
    return ""
