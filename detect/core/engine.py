"""The order of everything, on one page: inputs in, state forward, events out.

`step` takes what the input stream holds (samples, status, acts of people, ticks) in its order. `advance` takes one
second of many lanes as arrays; live, replay, assessment and studies all go through it.
"""

from collections import defaultdict

import numpy as np

from quietward.contracts.messages import HZ, UA_LOWEST, Block, CommandEnvelope, DeviceStatus, Event, Input, Tick
from quietward.detect.core.alerting import attention, concern
from quietward.detect.core.arrays import Bools, Floats, Ints, some
from quietward.detect.core.measures import findings, measuring
from quietward.detect.core.patterns import excursions
from quietward.detect.core.patterns.excursions import BASE, DOWN, NEAR, UA, UP
from quietward.detect.core.people import acts as people
from quietward.detect.core.reporting import events as report
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.signal import baseline, conditioning, histogram, minute, tone
from quietward.detect.core.signal import variability as vary
from quietward.detect.core.state import ordering
from quietward.detect.core.state.ordering import Second
from quietward.detect.core.state.state import State


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
    rules, reading = state.rules, state.rules.reading
    present = state.present.borrow(lanes)
    if some(np.isnan(present.excursions.enter[DOWN])):  # a lane that begins
        _set_thresholds(state, lanes)
        present = state.present.borrow(lanes)
    c, b, t, e, r = present.conditioning, present.baseline, present.tone, present.excursions, present.running
    start = second * HZ
    every_s = reading.look.every_s
    look_is_due, minute_ends = second % every_s == every_s - 1, second % 60 == 59
    clean = conditioning.step(c, state.last_minute, lanes, start, fhr_bpm, ua, mhr_bpm, b.reference_bpm, reading.signal)

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
    minute.push(state.minute, lanes, second, clean.samples, apart)
    measuring.keep_up(r, state.minutes, lanes, second, minute_ends, b.bpm, clean, t.useful, reading.notable.low_fhr_bpm)
    if stage is not None:
        r.stage = np.where(stage > 0, stage, r.stage)
    if weeks is not None:
        r.weeks = np.where(weeks > 0, weeks, r.weeks)
    is_silent = (r.none_since >= 0) & (second - r.none_since >= reading.signal.forget_after_s)
    if some(is_silent):
        baseline.forget(b, state.lagged, lanes, is_silent)
    state.present.put(lanes, present)
    report.marks(state, lanes, second, clean.marks, events)
    for opening in found.opened:
        if opening.row != UA:
            at = int(second[opening.lane])
            minute.set_apart(state.minute, int(lanes[opening.lane]), opening.onset, (at + 1) * HZ, at, True)
    if found.ended:  # whose samples are looked at again, and left out of the window
        ended = np.unique([x.lane for x in found.ended])
        _fill_histograms(state, lanes[ended], second[ended])
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
    present = state.present.borrow(lanes)
    b, e, t = present.baseline, present.excursions, present.tone
    _fill_histograms(state, lanes, second)
    tone.measure(t, state.levels, state.ua, lanes, reading.tone)
    measured = baseline.measure(state.fhr, lanes, reading.signal.fhr_lowest_bpm, reading.baseline)
    hold = e.open[DOWN] & (e.height[DOWN] >= reading.baseline.hold_depth_bpm)
    lagged = state.lagged.borrow(lanes)
    baseline.update(b, lagged, second, measured, hold, reading.look.every_s)
    state.lagged.put(lanes, lagged)
    state.present.put(lanes, present)
    measures = measuring.measure(
        second,
        present.conditioning,
        state.last_minute.borrow(lanes),
        b,
        state.variability.borrow(lanes),
        t,
        e,
        state.history.borrow(lanes),
        present.running,
        state.minutes.borrow(lanes),
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
    report.trend(state, lanes, second, events)


def _fill_histograms(state: State, lanes: Ints, second: Ints) -> None:
    """Let the windows behind baseline and resting tone hold all that has come."""
    fhr, ua = state.minute.samples
    histogram.catch_up(state.fhr, fhr, lanes, second, state.rules.reading.signal.fhr_lowest_bpm)
    histogram.catch_up(state.ua, ua, lanes, second, UA_LOWEST)


def _attend(state: State, lanes: Ints, second: Ints, lost: Bools, events: list[Event]) -> None:
    asked = findings.asked(state.findings, lanes)
    a = state.attention.borrow(lanes)
    decision = attention.decide(a, second, asked, lost, state.rules.policy)
    state.attention.put(lanes, a)
    report.lost_signal(state, lanes, second, lost, events)
    report.asides(state, lanes, second, decision.asides, events)
    people.due_results(state, lanes, second, events)
    report.changed_flags(state, lanes, second, decision.changes, events)


def _set_thresholds(state: State, lanes: Ints) -> None:
    """Set tolerance and enter height of the three rows of some lanes: they grow with what the signal does anyway."""
    rules, e = state.rules, state.present.excursions
    variability_bpm, ua_span = state.variability.bpm[lanes], state.present.tone.span[lanes]
    usual = np.where(np.isnan(variability_bpm), rules.reading.variability.assumed_bpm, variability_bpm)
    span = np.where(np.isnan(ua_span), 0.0, ua_span)
    for row, (numbers, scale) in enumerate(zip(rules.rows, (usual, usual, span), strict=True)):
        tolerance = np.maximum(numbers.tolerance_share * scale, numbers.tolerance_least)
        tolerance = np.minimum(tolerance, numbers.tolerance_at_most)
        e.within[BASE, row, lanes] = tolerance
        e.within[NEAR, row, lanes] = np.maximum(numbers.near, tolerance)
        enter = np.maximum(numbers.enter_share * scale, numbers.enter)
        e.enter[row, lanes] = np.minimum(enter, numbers.enter_at_most)


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
    none_since = state.present.running.none_since[lanes]
    findings.count_silence(state.findings, lanes, none_since, state.clock.second[lanes], passed)
    state.measured_anew(lanes)
    _attend(state, lanes, second, np.ones(len(lanes), dtype=np.bool_), output.events)
    output.looked.update(lanes.tolist())
