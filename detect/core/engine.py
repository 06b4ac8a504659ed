"""The order of everything, on one page: inputs in, state forward, events out.

`step` takes what the input stream holds (samples, status, acts of people, ticks) in its order. `advance` takes one
second of many lanes as arrays; live, replay, assessment and studies all go through it.
"""

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from detect.core import (
    attention,
    baseline,
    concern,
    conditioning,
    excursions,
    findings,
    histogram,
    ordering,
    people,
    tone,
)
from detect.core import reporting as report
from detect.core import variability as vary
from detect.core.excursions import DOWN, UA, UP
from detect.core.lanes import Bools, Floats, Ints, some
from detect.core.ordering import Second
from detect.core.state import State
from quietward.messages import HZ, UA_LOWEST, Block, DeviceStatus, Done, Event, Input, Tick


@dataclass
class Output:
    """events: in order. looked: the lanes whose summary is new."""

    events: list[Event] = field(default_factory=list)
    looked: set[int] = field(default_factory=set)
    refused: dict[tuple[str, str], int] = field(default_factory=dict)  # (bed, why) -> seconds not used


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
            case Done():
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
        fhr = np.array([s.fhr for s in seconds], dtype=np.float64).T
        ua = np.array([s.ua for s in seconds], dtype=np.float64).T
        mhr = np.array([np.nan if s.mhr is None else s.mhr for s in seconds])
        second = np.array([s.second for s in seconds])
        stage = np.array([s.stage for s in seconds])
        weeks = np.array([s.weeks for s in seconds])
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
    rules, reading = state.rules, state.rules.reading
    c, b, t = state.conditioning.take(lanes), state.baseline.take(lanes), state.tone.take(lanes)
    if some(np.isnan(state.excursions.enter[DOWN, lanes])):  # a lane that begins
        _set_thresholds(state, lanes)
    e, r = state.excursions.take(lanes), state.running.take(lanes)
    start = second * HZ
    every_s = reading.look.every_s
    look_is_due, minute_ends = second % every_s == every_s - 1, second % 60 == 59
    # What is usable, and the histograms behind baseline and resting tone.
    clean = conditioning.step(c, state.last_minute, lanes, start, fhr_bpm, ua, mhr_bpm, b.reference_bpm, reading.signal)
    lowest = reading.signal.fhr_lowest_bpm
    histogram.push(state.fhr, lanes, second, clean.fhr_bpm, lowest)
    histogram.push(state.ua, lanes, second, clean.ua, UA_LOWEST)

    # Departures and returns.
    height = np.empty((HZ, excursions.ROWS, len(lanes)))
    np.subtract(b.reference_bpm, clean.fhr_bpm, out=height[:, DOWN])
    np.negative(height[:, DOWN], out=height[:, UP])
    np.subtract(tone.even_out(t, clean.ua, reading.tone), t.rest, out=height[:, UA])
    was_open = e.open[DOWN] | e.open[UP]
    found = excursions.step(e, start, height, rules.excursions)
    apart = found.open[:, DOWN] | found.open[:, UP]
    if found.opened:
        before = np.concatenate([was_open[None], apart[:-1]])
        baseline.note_openings(b, np.logical_or.reduce(~before & apart, axis=0))
    tone.keep_up(t, state.levels, lanes, second, ~np.isnan(clean.ua[-1]), look_is_due, every_s)
    vary.push(state.minute, lanes, second, clean.fhr_bpm, apart)
    findings.keep_up(r, state.minutes, lanes, second, minute_ends, b.bpm, clean, t.useful, reading.notable.low_fhr_bpm)
    if stage is not None:
        r.stage = np.where(stage > 0, stage, r.stage)
    if weeks is not None:
        r.weeks = np.where(weeks > 0, weeks, r.weeks)
    is_silent = (r.none_since >= 0) & (second - r.none_since >= reading.signal.forget_after_s)
    if some(is_silent):
        baseline.forget(b, state.lagged, lanes, is_silent)
    state.conditioning.put(lanes, c)
    state.baseline.put(lanes, b)
    state.tone.put(lanes, t)
    state.excursions.put(lanes, e)
    state.running.put(lanes, r)
    report.marks(state, lanes, second, clean.marks, events)
    for opening in found.opened:
        if opening.row != UA:
            at = int(second[opening.lane])
            vary.set_apart(state.minute, int(lanes[opening.lane]), opening.onset, (at + 1) * HZ, at, True)
    at_once = report.closed_excursions(state, lanes, second, found.ended, events)
    if some(minute_ends):
        vary.finish_minute(
            state.variability,
            state.minute,
            lanes[minute_ends],
            second[minute_ends],
            reading.variability,
            reading.sinusoidal,
        )

    # A look: the slow numbers, findings, concern, attention.
    due = look_is_due | findings.never_measured(state.findings, lanes)
    due[at_once] = True
    looked: Ints = lanes[due]
    if len(looked):
        _look(state, looked, second[due], events)
    changed = lanes[due | minute_ends]
    if len(changed):
        _set_thresholds(state, changed)
    return looked


def _look(state: State, lanes: Ints, second: Ints, events: list[Event]) -> None:
    """Measure baseline, tone and findings of some lanes, and let attention follow."""
    rules, reading = state.rules, state.rules.reading
    b, e, t = state.baseline.take(lanes), state.excursions.take(lanes), state.tone.take(lanes)
    tone.measure(t, state.levels, state.ua, lanes, reading.tone)
    measured = baseline.measure(state.fhr, lanes, reading.signal.fhr_lowest_bpm, reading.baseline)
    hold = e.open[DOWN] & (e.height[DOWN] >= reading.baseline.hold_depth_bpm)
    lagged = state.lagged.take(lanes)
    baseline.update(b, lagged, second, measured, hold, reading.look.every_s)
    state.lagged.put(lanes, lagged)
    state.baseline.put(lanes, b)
    state.tone.put(lanes, t)
    measures = findings.measure(
        second,
        state.conditioning.take(lanes),
        state.last_minute.take(lanes),
        b,
        state.variability.take(lanes),
        t,
        e,
        state.history.take(lanes),
        state.running.take(lanes),
        state.minutes.take(lanes),
        reading.notable,
        [r.tachysystole for r in rules.rule_sets],
    )
    findings.remember(state.findings, lanes, measures)
    state.measured_anew(lanes)
    found = concern.parts(rules.concern, measures[0])
    state.findings.parts[:, lanes] = found
    state.findings.concern[lanes] = concern.total(rules.concern, found, measures[0])
    lost = measures[0]["signal_lost_s"] >= reading.signal.no_value_after_s
    _attend(state, lanes, second, lost, events)
    report.minute(state, lanes, second, events)


def _attend(state: State, lanes: Ints, second: Ints, lost: Bools, events: list[Event]) -> None:
    asked = findings.asked(state.findings, lanes)
    a = state.attention.take(lanes)
    decision = attention.decide(a, second, asked, lost, state.rules.policy)
    state.attention.put(lanes, a)
    report.lost_signal(state, lanes, second, lost, events)
    report.asides(state, lanes, second, decision.asides, events)
    people.due_results(state, lanes, second, events)
    report.changed_flags(state, lanes, second, decision.changes, events)


def _set_thresholds(state: State, lanes: Ints) -> None:
    """Set tolerance and enter height of the three rows of some lanes: they grow with what the signal does anyway."""
    rules, e = state.rules, state.excursions
    variability_bpm, ua_span = state.variability.bpm[lanes], state.tone.span[lanes]
    usual = np.where(np.isnan(variability_bpm), rules.reading.variability.assumed_bpm, variability_bpm)
    span = np.where(np.isnan(ua_span), 0.0, ua_span)
    for row, (numbers, scale) in enumerate(zip(rules.rows, (usual, usual, span), strict=True)):
        for found, share, least, most in (
            (e.tolerance, numbers.tolerance_share, numbers.tolerance_least, numbers.tolerance_at_most),
            (e.enter, numbers.enter_share, numbers.enter, numbers.enter_at_most),
        ):
            found[row, lanes] = np.minimum(np.maximum(share * scale, least), most)


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
    findings.count_silence(state.findings, lanes, state.running.none_since[lanes], state.clock.second[lanes], passed)
    state.measured_anew(lanes)
    _attend(state, lanes, second, np.ones(len(lanes), dtype=np.bool_), output.events)
    output.looked.update(lanes.tolist())
