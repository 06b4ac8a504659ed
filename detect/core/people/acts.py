"""What people do at a bed: each act is taken, or said to be impossible and why. Nothing is done in silence."""

from quietward.contracts.commands import (
    CARE_WORDS,
    Acknowledge,
    Attend,
    Command,
    Pause,
    RecordCare,
    SetBedLimit,
    Shelve,
    StayCommand,
    Tap,
    Unshelve,
)
from quietward.contracts.flag_names import flag_number, is_of_second
from quietward.contracts.inputs import CommandEnvelope
from quietward.contracts.log import Event
from quietward.contracts.summary import Attending, CareRecord
from quietward.detect.core.alerting import attention
from quietward.detect.core.alerting.flags import OWN_LIMIT_OVER, PAUSE_OVER, SHELF_OVER, Notice, counting_at
from quietward.detect.core.alerting.policy import BEDSIDE, LEVELS, TEAM
from quietward.detect.core.measures.findings import asked_of
from quietward.detect.core.patterns import hand
from quietward.detect.core.people import care
from quietward.detect.core.reporting import events as report
from quietward.detect.core.reporting.reasons import reason_for
from quietward.detect.core.state.state import State

ATTENDING_AT_MOST = 6
"""People who are shown at one bed: so many that the newest are never missing."""


def take(state: State, done: CommandEnvelope, events: list[Event]) -> list[int]:
    """Take an act; return the index of its bed, [] where there is no such bed."""
    n = state.index_of.get(done.bed)
    if n is None:
        return []
    refused = not_hers(state, n, done.command)
    second = report.newest_second(state, n)
    if refused:
        pass
    elif state.clock.second[n] < 0:
        refused = "nothing has come from this bed yet"
    else:
        second = second_now(state, n, done.at)
        refused = _take(state, n, second, done, events)
    if refused:
        refuse_act(state, n, second, done.command, refused, events)
    return [n]


def not_hers(state: State, n: int, act: Command) -> str:
    """Return why an act is not for who is in bed n now, or nothing."""
    occupancy = state.stays.get(state.beds[n])
    if occupancy is not None and occupancy.asked is not None:
        return f"She is being moved to {occupancy.asked.bed}; do it there"
    if act.stay is not None and act.stay != state.stay_id(n):
        return "Nobody is in this bed any more" if state.is_empty(n) else "Another woman is in this bed now"
    return "Nobody is in this bed" if state.is_empty(n) and not isinstance(act, StayCommand) else ""


def refuse_act(state: State, n: int, second: int, act: Command, why: str, events: list[Event]) -> None:
    """Say in the log that an act could not be taken, and why."""
    kind = str(type(act).__struct_config__.tag)
    detail: report.Detail = {"act": kind, "by": act.by, "why": why}
    events.append(report.event(state, n, second, "not-taken", f"{kind} by {act.by}: {why}", detail))


def second_now(state: State, n: int, at: int) -> int:
    """Return the second of bed n's own clock at the server's time `at`."""
    return int(state.clock.second[n]) + max(0, at - int(state.clock.at[n])) // 1000


def _take(state: State, n: int, second: int, done: CommandEnvelope, events: list[Event]) -> str:
    """Return why the act could not be taken, or nothing."""
    match act := done.command:
        case Acknowledge():
            return _acknowledge(state, n, second, act, events)
        case Attend():
            return _attend(state, n, second, act, done.at, events)
        case Shelve():
            return _shelve(state, n, second, act, events)
        case Unshelve():
            return _unshelve(state, n, second, act, events)
        case RecordCare():
            return _care(state, n, second, act, events)
        case Pause():
            return _pause(state, n, second, act, events)
        case Tap():
            return _tap(state, n, second, act, events)
        case SetBedLimit():
            return _own_limit(state, n, second, act, events)
        case _:
            raise AssertionError(act)  # who is in the bed: `stays`


def _no_such_flag(state: State, n: int, number: int) -> str:
    a = state.attention
    if a.level[n] == 0:
        return "The flag is over"
    if a.flag[n] != number:
        return f"The flag is over; there is a newer one, {report.flag_at(state, n, int(a.flag[n]))}"
    if a.acknowledged[n]:
        return f"Already answered by {state.words_of(n).acknowledged_by}"
    return ""


def _acknowledge(state: State, n: int, second: int, act: Acknowledge, events: list[Event]) -> str:
    number, place = flag_number(act.flag), _place_of(state, n, act.flag)
    note = act.note.strip()
    text = f"acknowledged by {act.by}" + (f": {note}" if note else "")
    if place is None:
        return "The flag is over"
    if not _answer(state, place, second, number, act.by, text, events, note):
        return _no_such_flag(state, place, number)
    _answer_all(state, n, second, act.by, text, events, note)
    return ""


def _place_of(state: State, n: int, flag: str) -> int | None:
    """Return the place of the fetus of bed n that a flag is of; None where it is no longer there."""
    return state.second_of(n) if is_of_second(flag) else n


def _answer_all(state: State, n: int, second: int, by: str, text: str, events: list[Event], note: str = "") -> None:
    """Somebody answers what bed n asks for, of whichever fetus."""
    for fetus in state.fetuses(n):
        _answer(state, fetus, second, int(state.attention.flag[fetus]), by, text, events, note)


def _attend(state: State, n: int, second: int, act: Attend, at: int, events: list[Event]) -> str:
    words, for_ms = state.words_of(n), state.rules.policy.longest.attend_s * 1000
    there = [one for one in words.attending if one.until > at]
    others = [one for one in there if one.by != act.by]
    if not act.going and len(others) == len(there):
        return f"{act.by} is not at this bed"
    kind, text = ("attending", f"{act.by} is going") if act.going else ("attending-over", f"{act.by} has left")
    words.attending = [*others, Attending(act.by, at, at + for_ms)][-ATTENDING_AT_MOST:] if act.going else others
    events.append(report.event(state, n, second, kind, text, {"by": act.by}))
    if act.going:
        _answer_all(state, n, second, act.by, f"answered by {act.by}: is going", events)
    return ""


def _answer(
    state: State, n: int, second: int, number: int, by: str, text: str, events: list[Event], note: str = ""
) -> bool:
    """Somebody answers flag `number`; return whether there was something to answer."""
    change = attention.acknowledge(state.attention, n, number, second)
    if change is None:
        return False
    state.words_of(n).acknowledged_by = by
    detail: report.Detail = {"by": by}
    if note:
        detail["note"] = note
    report.flag_action(state, second, change, detail, text, events)
    return True


def _shelve(state: State, n: int, second: int, act: Shelve, events: list[Event]) -> str:
    a, longest = state.attention, state.rules.policy.longest
    place, number = _place_of(state, n, act.flag), flag_number(act.flag)
    if place is None:
        return "The flag is over"
    flagged = [fetus for fetus in state.fetuses(n) if a.level[fetus] > 0]  # what is shelved is what the bed asks for
    longest_s = longest.shelve_bedside_s if any(a.level[fetus] == BEDSIDE for fetus in flagged) else longest.shelve_s
    if not 0 < act.for_s <= longest_s:
        return f"Shelve for at most {longest_s / 60:.0f} min"
    if a.flag[place] == number and any(a.level[fetus] == TEAM for fetus in flagged):
        return f"A flag for the {LEVELS[TEAM]} cannot be shelved"
    if a.flag[place] == number and any(a.carried[fetus] > 0 for fetus in flagged):
        return "It is from before a restart or a gap: acknowledge it, and it ends once ten minutes can be read"
    if place not in flagged or a.flag[place] != number:
        return _no_such_flag(state, place, number)
    until, refused = _silent_until(state, n, second, act.for_s)
    if refused:
        return refused
    if not any(counting_at(a, fetus).any() for fetus in flagged):
        return "The flag is over"  # a pause has just ended it
    for fetus in flagged:
        reason, counted = reason_for(state, fetus), counting_at(a, fetus).nonzero()[0].tolist()
        change = attention.shelve(a, fetus, int(a.flag[fetus]), until)
        if change is None:
            continue
        state.words_of(fetus).shelved |= dict.fromkeys(counted, (act.by, act.why))
        text = f"shelved for {(until - second) / 60:.0f} min by {act.by} ({act.why}): {reason}"
        detail: report.Detail = {"by": act.by, "why": act.why, "until": until * 1000.0, "reason": reason}
        report.flag_action(state, second, change, detail, text, events)
    return ""


def _silent_until(state: State, n: int, second: int, for_s: int) -> tuple[int, str]:
    """Return how long a bed may be silent that somebody wants silent for `for_s`, or why it may not any more.

    All that people press one after the other has one end, so far after the bed last called: pressing again, or
    something else, does not begin a new time.
    """
    known = [int(state.attention.silent_from[fetus]) for fetus in state.fetuses(n)]
    began = min((since for since in known if since >= 0), default=-1)
    longest_s = state.rules.policy.longest.silent_s
    end = (second if began < 0 else began) + longest_s
    if second >= end:
        return 0, f"It has been silent for {longest_s / 60:.0f} min; look at it first"
    return min(second + for_s, end), ""


def _unshelve(state: State, n: int, second: int, act: Unshelve, events: list[Event]) -> str:
    shelved_until, is_any = state.attention.shelved_until, False
    for fetus in state.fetuses(n):
        shelved = (shelved_until[:, fetus] >= 0).nonzero()[0].tolist()
        shelved_until[:, fetus] = -1
        for i in shelved:
            report.notice(state, second, Notice(fetus, SHELF_OVER, i), events, by=act.by)
        is_any |= bool(shelved)
    return "" if is_any else "Nothing is shelved"


def _care(state: State, n: int, second: int, act: RecordCare, events: list[Event]) -> str:
    if act.what == "other" and not act.text.strip():
        return "Write what was done"
    a, words = state.attention, state.words_of(n)
    what = act.text.strip() or CARE_WORDS[act.what]
    before = care.stretch(state, n, second)
    worse = max(state.fetuses(n), key=lambda fetus: a.level[fetus])
    flag = report.flag_at(state, worse, int(a.flag[worse])) if a.level[worse] > 0 else None
    words.cared.insert(0, CareRecord(second * 1000, act.by, act.what, what, before, flag))
    del words.cared[care.KEPT :]
    detail: report.Detail = {"by": act.by, "what": act.what, "text": what, **report.numbers(before, "before")}
    events.append(report.event(state, n, second, "care", f"{what}, by {act.by}", detail))
    _answer_all(state, n, second, act.by, f"answered by {act.by}: {what}", events)
    for fetus in state.fetuses(n):
        attention.care(a, fetus, second, asked_of(state.findings, fetus), state.rules.policy)
    return ""


def _pause(state: State, n: int, second: int, act: Pause, events: list[Event]) -> str:
    a, longest_s = state.attention, state.rules.policy.longest.pause_s
    if act.for_s == 0:
        if a.paused_until[n] < 0:
            return "The monitor is not off"
        a.paused_until[state.fetuses(n)] = -1
        report.notice(state, second, Notice(n, PAUSE_OVER, -1), events, by=act.by)
        return ""
    if act.for_s > longest_s:
        return f"Monitor off for at most {longest_s / 60:.0f} min"
    until, refused = _silent_until(state, n, second, act.for_s)
    if refused:
        return refused
    first = second if a.paused_from[n] < 0 else int(a.paused_from[n])
    if until > first + longest_s:
        left_s = max(0, first + longest_s - second)
        return f"No signal has come since the pause before; at most {left_s / 60:.0f} min more"
    for fetus in state.fetuses(n):
        attention.pause(a, fetus, until, state.rules.policy)
        a.paused_from[fetus] = first
        if a.silent_from[fetus] < 0:
            a.silent_from[fetus] = second
    state.words_of(n).paused = (act.by, act.why)
    text = f"monitor off for {(until - second) / 60:.0f} min, said by {act.by}" + (f": {act.why}" if act.why else "")
    detail: report.Detail = {"by": act.by, "why": act.why, "until": until * 1000.0}
    events.append(report.event(state, n, second, "pause", text, detail))
    return ""


def _tap(state: State, n: int, second: int, act: Tap, events: list[Event]) -> str:
    limits = state.rules.reading.hand
    refused = hand.tap(state.hand, n, act.edge, second, limits)
    if refused:
        return refused
    if act.edge == "end":
        onset, end = hand.newest(state.hand, n)
        detail: report.Detail = {"onset_s": float(onset), "end_s": float(end), "by": act.by}
        text = f"contraction of {end - onset} s, timed by hand by {act.by}"
        events.append(report.event(state, n, second, "hand-contraction", text, detail))
    elif act.edge == "undo":
        opened = int(state.hand.running[n])  # it goes on again, or its beginning was the mistake
        undone: report.Detail = {"by": act.by, "onset_s": float(opened) if opened >= 0 else None}
        events.append(report.event(state, n, second, "hand-undone", f"last entry undone by {act.by}", undone))
    return ""


def _own_limit(state: State, n: int, second: int, act: SetBedLimit, events: list[Event]) -> str:
    a, policy = state.attention, state.rules.policy
    i = policy.place(act.condition)
    if i is None or policy.condition[i].for_one_bed is None:
        allowed = ", ".join(c.name for c in policy.condition if c.for_one_bed)
        return f"condition {act.condition} has no limit of a single bed; these have: {allowed or 'none'}"
    low, high = policy.condition[i].for_one_bed or (0.0, 0.0)
    if act.limit is None:
        if a.own_limit_until[i, n] < 0:
            return f"{act.condition} already has the ward limit"
        a.own_limit_until[i, state.fetuses(n)] = -1
        report.notice(state, second, Notice(n, OWN_LIMIT_OVER, i), events, by=act.by)
        return ""
    if not low <= act.limit <= high:
        return f"limit {act.limit:g} of {act.condition}: use {low:g} to {high:g}"
    if not 0 < act.for_s <= policy.longest.limit_s:
        return f"Another limit for one bed lasts at most {policy.longest.limit_s / 3600:.0f} h"
    until = second + act.for_s
    for fetus in state.fetuses(n):
        a.own_limit[i, fetus], a.own_limit_until[i, fetus] = act.limit, until
    state.words_of(n).limited[i] = (act.by, act.why)
    detail: report.Detail = {
        "by": act.by,
        "why": act.why,
        "condition": act.condition,
        "limit": act.limit,
        "until": until * 1000.0,
    }
    text = f"{act.condition} from {act.limit:g} for {act.for_s / 60:.0f} min, by {act.by} ({act.why})"
    events.append(report.event(state, n, second, "own-limit", text, detail))
    return ""


def end_pauses(state: State) -> None:
    """A monitor that is back on is so for both twins, though only the first is heard again."""
    until = state.attention.paused_until
    for first, second in state.place_of_second.items():
        if until[first] < 0:
            until[second] = -1


def due_results(state: State, seconds: dict[int, int], events: list[Event]) -> None:
    """Compare the trace after what was done with that before, where it is time. seconds: of the beds' clocks."""
    if not state.words:
        return
    within_s = state.rules.policy.care.helps_within_s
    for n, now in seconds.items():
        words = state.words.get(state.beds[n])
        if words is None:
            continue
        for place, note in enumerate(words.cared):
            if not care.due(note, now, within_s):
                continue
            result = care.compared(state, n, now, note)
            words.cared[place] = result
            helped = {True: 1.0, False: 0.0, None: None}[result.helped]
            detail: report.Detail = {"what": note.what, "by": note.by, "helped": helped}
            detail |= report.numbers(note.before, "before")
            if result.after is not None:
                detail |= report.numbers(result.after, "after")
            events.append(report.event(state, n, now, "care-result", care.in_words(result, within_s), detail))
