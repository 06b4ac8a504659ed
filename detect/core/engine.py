"""The order of everything, on one page: inputs in, state forward, events out.

`step` takes what the input stream holds (samples, status, acts of people, ticks) in its order. `advance` takes one
second of many lanes as arrays; live, replay, assessment and studies all go through it.
"""

from collections import defaultdict

import numpy as np

from quietward.contracts.messages import HZ, Block, CommandEnvelope, DeviceStatus, Event, Input, Tick
from quietward.detect.core.arrays import Floats, Ints
from quietward.detect.core.measures import findings
from quietward.detect.core.people import acts as people
from quietward.detect.core.reporting import events as report
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.second import keep_waiting, take_all
from quietward.detect.core.state import ordering
from quietward.detect.core.state.ordering import Second
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State


def prepare(rules: Rules) -> None:
    """Compile all that `step` needs, or read what was kept of it: the first start takes 20 s or so, later ones 0.3 s.

    Whoever calls it first does not keep beds waiting for it later.
    """
    state = State(rules)
    none = np.zeros(0, dtype=np.int64)
    advance(state, none, none, np.zeros((HZ, 0)), np.zeros((HZ, 0)), np.zeros(0), [])
    keep_waiting(state.all, none, none, rules.numbers, state.room)


def step(state: State, inputs: list[Input]) -> Output:
    """Take inputs in their order; `state` is changed in place."""
    state.admit(item.bed for item in inputs if isinstance(item, Block | DeviceStatus))
    output = Output()
    waiting: dict[int, list[Second]] = defaultdict(list)
    for item in inputs:
        match item:
            case Block():
                state.now = max(state.now, item.at)
                _line_up(state, ordering.place(state, item, output.refused), waiting, output)
            case Tick(at=at):
                ordering.follow_clock(state, at)
                for seconds in ordering.overdue(state).values():
                    _line_up(state, seconds, waiting, output)
                _work_through(state, waiting, output)
                _tick(state, output)
            case DeviceStatus():
                _work_through(state, waiting, output)
                state.clock.online[state.lane_of[item.bed]] = item.online
            case CommandEnvelope():
                _work_through(state, waiting, output)
                output.looked.update(people.take(state, item, output.events))
    _work_through(state, waiting, output)
    return output


def _line_up(state: State, seconds: list[Second], waiting: dict[int, list[Second]], output: Output) -> None:
    for second in seconds:
        if second.forget:
            _work_through(state, waiting, output)
        waiting[second.lane].append(second)


def _work_through(state: State, waiting: dict[int, list[Second]], output: Output) -> None:
    """Advance all waiting seconds, one of each lane at a time."""
    while waiting:
        lanes = sorted(waiting)
        seconds = [waiting[n].pop(0) for n in lanes]
        for n in [n for n in lanes if not waiting[n]]:
            del waiting[n]
        forgetting = [s.lane for s in seconds if s.forget]
        if forgetting:
            state.forget_signal(np.array(forgetting))
        signals = np.array([(*s.fhr, *s.ua, s.mhr) for s in seconds], dtype=np.float64).T  # None becomes NaN
        second, stage, weeks = np.array([(s.second, s.stage, s.weeks) for s in seconds]).T
        fhr, ua, mhr = signals[:HZ], signals[HZ:-1], signals[-1]
        advance(state, np.array(lanes), second, fhr, ua, mhr, output.events, stage, weeks)
        output.looked.update(lanes)


def advance(
    state: State,
    lanes: Ints,
    second: Ints,
    fhr_bpm: Floats,
    ua: Floats,
    mhr_bpm: Floats,
    events: list[Event],
    stage: Ints | None = None,
    weeks: Ints | None = None,
) -> Ints:
    """Take one second of some lanes, and return those of which a look was taken.

    lanes, second, mhr_bpm, stage (of labour) and weeks (of gestation; both 0 where not said): shape (m,); fhr_bpm, ua:
    shape (4, m), NaN where there is no value. Each lane once, its second the one after its last (a gap is passed as
    seconds of NaN). Appends to `events`; what was found is in `state.findings`.
    """
    m = len(lanes)
    stage = np.zeros(m, dtype=np.int64) if stage is None else stage
    weeks = np.zeros(m, dtype=np.int64) if weeks is None else weeks
    row = np.ascontiguousarray  # the one layout that is compiled for
    take_all(
        state.all, row(lanes), row(second), row(fhr_bpm), row(ua), row(mhr_bpm), row(stage), row(weeks),
        state.rules.numbers, state.room,
    )  # fmt: skip
    looked: Ints = lanes[state.room.looked[:m]]
    report.second(state, events)
    if len(looked):
        state.measured_anew(looked)
        _report_looks(state, looked, second[state.room.looked[:m]], events)
    return looked


def _report_looks(state: State, lanes: Ints, second: Ints, events: list[Event]) -> None:
    """Say what looks have changed."""
    now = dict(zip(lanes.tolist(), second.tolist(), strict=True))
    report.looks(state, now, events)
    people.due_results(state, now, events)
    report.changed_flags(state, now, events)
    report.trend(state, now, events)


def _tick(state: State, output: Output) -> None:
    """Time has passed: beds from which nothing comes are looked at all the same."""
    limits = state.rules.reading.signal
    waits = state.clock.online & (state.clock.second < 0)  # a device that is there, and nothing usable has come yet
    output.looked.update(np.flatnonzero(waits).tolist())
    silent_s = (state.now - state.clock.at) / 1000
    lanes = np.flatnonzero((silent_s >= limits.silent_after_s) & (state.clock.second >= 0))
    if not len(lanes):
        return
    passed = silent_s[lanes].astype(np.int64)
    second = state.clock.second[lanes] + passed
    none_since = state.running.none_since[lanes]
    findings.count_silence(state.findings, lanes, none_since, state.clock.second[lanes], passed)
    state.measured_anew(lanes)
    keep_waiting(state.all, lanes, second, state.rules.numbers, state.room)
    now = dict(zip(lanes.tolist(), second.tolist(), strict=True))
    report.looks(state, now, output.events)
    people.due_results(state, now, output.events)
    report.changed_flags(state, now, output.events)
    output.looked.update(lanes.tolist())
