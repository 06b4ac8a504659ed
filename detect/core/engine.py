"""The order of everything, on one page: inputs in, state forward, events out.

`step` takes what the input stream holds (samples, status, acts of people, ticks) in its order. `advance` takes one
second of many beds as arrays; live, replay, assessment and studies all go through it.
"""

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple, TypeGuard

import numpy as np

from quietward.contracts.commands import Arrive, StayCommand
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import (
    Asked,
    Block,
    CommandEnvelope,
    DeviceStatus,
    Input,
    SetAside,
    Tick,
    Transfer,
    TransferAnswer,
    UndoTransfer,
)
from quietward.contracts.log import Event
from quietward.detect.core.arrays import Floats, Ints
from quietward.detect.core.measures import findings
from quietward.detect.core.people import acts as people
from quietward.detect.core.people import moves, stays
from quietward.detect.core.reporting import events as report
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.reporting.reasons import keep_reason
from quietward.detect.core.second import keep_waiting, take_all
from quietward.detect.core.state import ordering
from quietward.detect.core.state.ordering import NOTHING, Report, Second
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import SECOND, State

LATE_S = 2.0
"""A bed whose next second is due for so long is looked at with every tick, as one is that sends."""


def prepare(rules: Rules) -> None:
    """Compile all that `step` needs, or read what was kept of it: the first start takes a minute or so, others 0.3 s.

    Whoever calls it first does not keep beds waiting for it later.
    """
    state = State(rules)
    none = np.zeros(0, dtype=np.int64)
    advance(state, none, none, np.zeros((HZ, 0)), np.zeros((HZ, 0)), np.zeros(0), [])
    keep_waiting(state.all, none, none, rules.numbers, state.room)


def step(state: State, inputs: Sequence[Input | SetAside]) -> Output:
    """Take inputs in their order; `state` is changed in place."""
    state.admit(item.bed for item in inputs if _brings_its_bed(item))
    state.admit(item.bed + SECOND for item in inputs if isinstance(item, Block) and _is_heard(item.fhr2))
    output = Output()
    placed = Report(output.refused)
    waiting: dict[int, list[Second]] = defaultdict(list)

    def end_of(n: int) -> None:  # what still waits is of who was in the bed
        _line_up(state, ordering.give_up_waiting(state, n, placed), waiting, output)
        _work_through(state, waiting, output)
        _say_of_devices(state, placed, output)

    for item in inputs:
        if state.stays:
            stays.record(state, item)
        match item:
            case Block():
                state.now = max(state.now, item.at)
                seconds = ordering.place(state, item, placed)
                if placed.notices:
                    _work_through(state, waiting, output)
                    _say_of_devices(state, placed, output)
                _line_up(state, seconds, waiting, output)
            case Tick(at=at, stepped_ms=stepped_ms):
                state.broker_is_away = item.broker_is_away
                ordering.follow_clock(state, at, stepped_ms)
                for seconds in ordering.overdue(state, placed).values():
                    _line_up(state, seconds, waiting, output)
                _work_through(state, waiting, output)
                _say_of_devices(state, placed, output)
                _tick(state, output)
            case DeviceStatus():
                _work_through(state, waiting, output)
                state.clock.online[state.index_of[item.bed]] = item.online
            case CommandEnvelope() | Transfer() | UndoTransfer() | TransferAnswer():
                _work_through(state, waiting, output)
                output.updated.update(_take_of_people(state, item, output, end_of))
            case SetAside():
                _work_through(state, waiting, output)
                _say_set_aside(state, item.bed, output)
                if item.asked is not None:
                    moves.refuse(state, item.asked, output)
    _work_through(state, waiting, output)
    return output


def _take_of_people(
    state: State, item: CommandEnvelope | Asked | TransferAnswer, output: Output, end_of: moves.EndOf
) -> list[int]:
    """Take what people do, and what beds ask of each other; return the index of its bed, [] where there is none."""
    if not isinstance(item, CommandEnvelope):
        return moves.take(state, item, output, end_of, step)
    if isinstance(item.command, StayCommand):
        return moves.take_act(state, item, item.command, output, end_of, step)
    return people.take(state, item, output.events)


def _is_heard(fhr: list[float | None] | None) -> bool:
    return fhr is not None and any(bpm is not None for bpm in fhr)


def _brings_its_bed(item: Input | SetAside) -> TypeGuard[Block | DeviceStatus | CommandEnvelope]:
    if isinstance(item, CommandEnvelope):
        return isinstance(item.command, Arrive)  # she may be there before her monitor is
    return isinstance(item, Block | DeviceStatus)


def _line_up(state: State, seconds: list[Second], waiting: dict[int, list[Second]], output: Output) -> None:
    for second in seconds:
        if state.stays and state.is_empty(second.n):
            continue  # nobody is there: it is nobody's trace
        if second.forget:
            _work_through(state, waiting, output)
        waiting[second.n].append(second)


def _work_through(state: State, waiting: dict[int, list[Second]], output: Output) -> None:
    """Advance all waiting seconds, one of each bed at a time."""
    while waiting:
        beds = sorted(waiting)
        seconds = [waiting[n].pop(0) for n in beds]
        for n in [n for n in beds if not waiting[n]]:
            del waiting[n]
        forgetting = [s.n for s in seconds if s.forget]
        if forgetting:
            for fetus in state.with_seconds(np.array(forgetting)).tolist():
                report.began_anew(state, fetus, output.events)
                keep_reason(state, fetus)
            state.forget_signal(np.array(forgetting))
        fetuses = _fetuses(state, beds, seconds)
        signals = np.array([(*f.fhr, *f.s.ua, f.s.mhr) for f in fetuses], dtype=np.float64).T  # None becomes NaN
        place, first, second, stage, weeks = np.array(
            [(f.place, f.first, f.s.second, f.s.stage, f.s.weeks) for f in fetuses]
        ).T
        fhr, ua, mhr = signals[:HZ], signals[HZ:-1], signals[-1]
        advance(state, place, second, fhr, ua, mhr, output.events, stage, weeks, first)
        output.updated.update(beds)


class _Fetus(NamedTuple):
    """Whose rate of a second it is. first: place of the first twin, where this is the second; else -1."""

    place: int
    first: int
    fhr: list[float | None]
    s: Second


def _fetuses(state: State, beds: list[int], seconds: list[Second]) -> list[_Fetus]:
    """Return what a second of each bed holds of each fetus, the second twin of a bed behind the first."""
    fetuses = []
    for n, s in zip(beds, seconds, strict=True):
        fetuses.append(_Fetus(n, -1, s.fhr, s))
        if state.second_of(n) is not None or _is_heard(s.fhr2):
            fetuses.append(_Fetus(_place_of_second(state, n), n, s.fhr2 or NOTHING, s))
    return fetuses


def _place_of_second(state: State, n: int) -> int:
    """Return the place of the second twin in bed n; one whose first value this is knows what is known of the labour."""
    if n not in state.place_of_second:  # what has waited was told of the bed elsewhere
        state.admit([state.beds[n] + SECOND])
    place = state.place_of_second[n]
    if state.second_of(n) is None:
        state.running.weeks[place], state.running.stage[place] = state.running.weeks[n], state.running.stage[n]
    return place


def _say_of_devices(state: State, placed: Report, output: Output) -> None:
    for n, notice in placed.notices:
        output.events.append(report.event(state, n, report.newest_second(state, n), "device", notice.value, {}))
        output.updated.add(n)
    placed.notices.clear()


def _say_set_aside(state: State, bed: str, output: Output) -> None:
    n = state.index_of.get(bed)
    if n is not None:
        second = report.newest_second(state, n)
        text = "something that came from this bed could not be worked through, and is left out"
        output.events.append(report.event(state, n, second, "set-aside", text, {}))
        output.updated.add(n)


def advance(
    state: State,
    beds: Ints,
    second: Ints,
    fhr_bpm: Floats,
    ua: Floats,
    mhr_bpm: Floats,
    events: list[Event],
    stage: Ints | None = None,
    weeks: Ints | None = None,
    first: Ints | None = None,
) -> Ints:
    """Take one second of some beds, and return those that were evaluated.

    beds, second, mhr_bpm, stage (of labour) and weeks (of gestation; both 0 where not said): shape (m,); fhr_bpm, ua:
    shape (4, m), NaN where there is no value. Each bed once, its second the one after its last (a gap is passed as
    seconds of NaN). first: shape (m,); of a second twin the place of the first, which stands before it; else -1.
    Appends to `events`; what was found is in `state.findings`.
    """
    m, room = len(beds), state.room
    given = room.given
    given.beds[0] = m
    given.n[:m], given.second[:m], given.mhr_bpm[:m] = beds, second, mhr_bpm
    given.fhr_bpm[:m], given.ua[:m] = fhr_bpm.T, ua.T
    given.stage[:m] = 0 if stage is None else stage
    given.weeks[:m] = 0 if weeks is None else weeks
    given.first[:m] = -1 if first is None else first
    evaluated = take_all(state.all, state.rules.numbers, room)
    report.second(state, events)
    if not evaluated:
        return beds[:0]
    which = room.evaluated[:m]
    state.measured_anew(beds[which])
    _report_evaluations(state, beds[which], second[which], events)
    anew: Ints = beds[which]
    return anew


def _report_evaluations(state: State, beds: Ints, second: Ints, events: list[Event]) -> None:
    """Report what evaluations have changed."""
    people.end_pauses(state)
    now = dict(zip(beds.tolist(), second.tolist(), strict=True))
    report.evaluations(state, now, events)
    people.due_results(state, now, events)
    report.changed_flags(state, now, events)
    report.trend(state, now, events)


def _tick(state: State, output: Output) -> None:
    """Time has passed: beds from which nothing comes are evaluated at all the same."""
    limits = state.rules.reading.signal
    begun = state.clock.second >= 0
    for first, place in state.place_of_second.items():
        state.clock.at[place] = state.clock.at[first]  # heard is the device
        begun[place] &= begun[first]
    waits = state.clock.online & (state.clock.second < 0)  # a device that is there, and nothing usable has come yet
    output.updated.update(np.flatnonzero(waits).tolist())
    output.updated.update(stays.without_signal(state))
    silent_s = (state.now - state.clock.at) / 1000
    # Somebody watches a bed of which nothing has come for a moment; when it was last looked at must not grow old.
    output.updated.update(np.flatnonzero((silent_s >= LATE_S) & begun).tolist())
    beds = np.flatnonzero((silent_s >= limits.silent_after_s) & begun)
    if not len(beds):
        return
    passed = silent_s[beds].astype(np.int64)
    second = state.clock.second[beds] + passed
    is_first = np.array([n not in state.first_at for n in beds.tolist()])  # that the device is silent is said once
    newest, seen_at = state.clock.second[beds], state.running.fall_seen_at[beds]
    unseen_s = np.where(seen_at >= 0, state.running.fall_missed_s[beds] + newest - seen_at, -1)
    none_since = state.running.none_since[beds]
    findings.count_silence(state.findings, beds, is_first, none_since, unseen_s, newest, passed)
    state.measured_anew(beds)
    keep_waiting(state.all, beds, second, state.rules.numbers, state.room)
    people.end_pauses(state)
    now = dict(zip(beds.tolist(), second.tolist(), strict=True))
    report.evaluations(state, now, output.events)
    people.due_results(state, now, output.events)
    report.changed_flags(state, now, output.events)
    output.updated.update(beds.tolist())
