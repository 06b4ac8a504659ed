"""One second of one bed, from its samples to attention: the order of everything, on one page."""

from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ, UA_LOWEST
from quietward.detect.core.alerting import attention, concern
from quietward.detect.core.arrays import Ints
from quietward.detect.core.compiled import EntryPoint, compiled
from quietward.detect.core.measures import measuring
from quietward.detect.core.measures.findings import OBSERVED_MIN, SIGNAL_LOST_S
from quietward.detect.core.patterns import earlier, excursions, naming, ongoing
from quietward.detect.core.patterns.excursions import DOWN, UA, UNNAMED, UP
from quietward.detect.core.records import next_row
from quietward.detect.core.signal import baseline, conditioning, histogram, minute, steps, tone, usable, variability
from quietward.detect.core.signal.minute import FHR, LENGTH, MINUTE_S
from quietward.detect.core.state.beds import MOST_CLOSED_LATE, Beds, Room
from quietward.detect.core.state.rules import Numbers


def _take_all(beds: Beds, numbers: Numbers, room: Room) -> int:
    """Take the second of each bed that is given in `room`, and return how many were evaluated; which, and what is told
    of them, stands in `room`.
    """
    given, evaluated = room.given, 0
    for place in range(given.beds[0]):
        n = given.n[place]
        beds.clock.second[n] = given.second[place]
        if given.stage[place] > 0:
            beds.running.stage[n] = given.stage[place]
        if given.weeks[place] > 0:
            beds.running.weeks[n] = given.weeks[place]
        room.evaluated[place] = _take_second(beds, n, given.second[place], place, numbers, room)
        evaluated += room.evaluated[place]
    return evaluated


take_all = EntryPoint(_take_all, state="beds")


class _Used(NamedTuple):
    """How many samples of a second could be used; of the FHR: how many were low, and near the mother's pulse."""

    fhr: int
    ua: int
    low: int
    near_mother: int


@compiled
def _take_second(beds: Beds, n: int, second: int, place: int, numbers: Numbers, room: Room) -> bool:
    """Take a second of bed n, which is given at `place`; return whether it was evaluated."""
    reading, b = numbers.reading, beds.baseline
    if np.isnan(beds.excursions.enter[DOWN, n]):
        _set_thresholds(beds, n, numbers)  # a bed that begins
    evaluation_is_due = second % reading.look.every_s == reading.look.every_s - 1
    minute_ends = second % MINUTE_S == MINUTE_S - 1
    closed_before = room.closed.written[0]

    used = _take_samples(beds, n, second, place, numbers, room)
    ua_is_there = not np.isnan(room.given.ua[place, HZ - 1])
    tone.end_second(beds.tone, beds.levels, n, second, ua_is_there, evaluation_is_due, reading.look.every_s)
    useful_ua = used.ua if beds.tone.useful[n] else 0
    usable.count_second(beds.usable, n, second, used.fhr, useful_ua, used.low, used.near_mother)
    baseline_bpm = b.bpm[n]
    measuring.keep_up(beds.running, n, second, baseline_bpm, used.fhr)
    none_since = beds.running.none_since[n]
    if none_since >= 0 and second - none_since >= reading.signal.forget_after_s:
        baseline.forget(b, n)

    level_is_new = False
    if room.closed.written[0] > closed_before:
        level_is_new = _name_closed(beds, n, second, closed_before, numbers, room)
    ongoing.follow(
        beds.ongoing, n, (second + 1) * HZ, beds.excursions, beds.history, room.open_fall.rows[0],
        numbers.deceleration, reading.kind, reading.notable,
    )  # fmt: skip
    if minute_ends:
        work = room.minute
        variability.finish_minute(
            beds.variability, beds.sinusoidal, beds.minute, n, second, work, reading.variability, reading.sinusoidal
        )
        measuring.end_minute(beds.minutes, n, second, baseline_bpm, beds.variability.minute_bpm[n])
    is_evaluated = evaluation_is_due or level_is_new or np.isnan(beds.findings.values[0, OBSERVED_MIN, n])
    if is_evaluated:
        _evaluate(beds, n, second, room.given.first[place], level_is_new, numbers, room)
    if is_evaluated or minute_ends:
        _set_thresholds(beds, n, numbers)
    return is_evaluated


@compiled
def _take_samples(beds: Beds, n: int, second: int, place: int, numbers: Numbers, room: Room) -> _Used:
    """Take the samples one by one: which may be used, and which excursions they open, go on with or close."""
    reading, given = numbers.reading, room.given
    reference_bpm, rest = beds.baseline.reference_bpm[n], beds.tone.rest[n]
    end, ua_used, first_closed = (second + 1) * HZ, 0, room.closed.written[0]
    for now in range(second * HZ, end):
        fhr, ua = given.fhr_bpm[place, now % HZ], given.ua[place, now % HZ]
        bpm = conditioning.usable_fhr(beds.conditioning, n, now, fhr, reference_bpm, reading.signal, room.marks)
        minute.push(beds.minute, n, now, bpm, ua)
        ua_used += not np.isnan(ua)
        known = conditioning.known(beds.conditioning, n, now)
        if beds.conditioning.followed[n] < now == known:
            _use_held(beds, n, second, now, given.mhr_bpm[place], numbers)
        if beds.conditioning.followed[n] <= known:
            _follow(beds, n, second, known, first_closed, numbers, room)
        evened = tone.even_out(beds.tone, n, ua, reading.tone)
        excursions.step(beds.excursions, UA, n, now, evened - rest, numbers.rows[UA], room.closed)
    for i in range(first_closed, room.closed.written[0]):
        room.closed.rows[i].closed_at = max(room.closed.rows[i].closed_at, second * HZ)  # when it is known
    fhr_used = low = near_mother = 0
    for sample in range(second * HZ, end):
        bpm = beds.minute.samples[FHR, sample % LENGTH, n]
        fhr_used += not np.isnan(bpm)
        low += bpm < reading.notable.low_fhr_bpm
        near_mother += abs(bpm - given.mhr_bpm[place]) <= reading.signal.mother_within_bpm
    return _Used(fhr_used, ua_used, low, near_mother)


@compiled
def _use_held(beds: Beds, n: int, second: int, now: int, mhr_bpm: float, numbers: Numbers) -> None:
    """Use what was held back of bed n before the sample `now`, and is no longer in doubt: it counts where it was."""
    c, reading = beds.conditioning, numbers.reading
    for sample in range(c.followed[n], now):
        bpm = c.held[sample % LENGTH, n]
        if np.isnan(bpm) or not np.isnan(beds.minute.samples[FHR, sample % LENGTH, n]):
            continue
        beds.minute.samples[FHR, sample % LENGTH, n] = bpm
        beds.fhr.until[n] = min(beds.fhr.until[n], sample // HZ)
        if sample >= second * HZ:
            continue  # counted with the second
        is_low, is_near = bpm < reading.notable.low_fhr_bpm, abs(bpm - mhr_bpm) <= reading.signal.mother_within_bpm
        usable.count_late(beds.usable, n, sample // HZ, is_low, is_near)


@compiled
def _follow(beds: Beds, n: int, second: int, until: int, first_closed: int, numbers: Numbers, room: Room) -> None:
    """Let the FHR of bed n go on in its excursions, from what has been followed up to the sample `until`.

    first_closed: of the second. What was held back and would close more than a few there is not used.
    """
    e, c, reference_bpm = beds.excursions, beds.conditioning, beds.baseline.reference_bpm[n]
    for now in range(c.followed[n], until + 1):
        is_late = now < second * HZ and room.closed.written[0] - first_closed >= MOST_CLOSED_LATE
        bpm = np.nan if c.suspect_since[n] >= 0 or is_late else c.held[now % LENGTH, n]
        was_away = e.open[DOWN, n] or e.open[UP, n]
        falls = excursions.step(e, DOWN, n, now, reference_bpm - bpm, numbers.rows[DOWN], room.closed)
        rises = excursions.step(e, UP, n, now, bpm - reference_bpm, numbers.rows[UP], room.closed)
        is_away = e.open[DOWN, n] or e.open[UP, n]
        if is_away and not was_away:
            beds.baseline.before_bpm[n] = reference_bpm
        minute.mark(beds.minute, n, now, now + 1, second, is_away)
        if falls:
            minute.mark(beds.minute, n, e.onset[DOWN, n], now, second, True)  # an onset lies a little back
        if rises:
            minute.mark(beds.minute, n, e.onset[UP, n], now, second, True)
    c.followed[n] = until + 1


@compiled
def _name_closed(beds: Beds, n: int, second: int, first: int, numbers: Numbers, room: Room) -> bool:
    """Name what has closed at bed n, the rows from `first` on; return whether one of them was a new level.

    Where there is nothing to say of any of them, as of most, they are not told.
    """
    _fill_windows(beds, n, second, numbers)
    reading, level_is_new, is_told = numbers.reading, False, False
    # Contractions first: a fall may belong to one that ends with it.
    for i in range(first, room.closed.written[0]):
        x = room.closed.rows[i]
        if x.row == UA:
            naming.name_contraction(
                x, beds.history, beds.ua, beds.usable, second, beds.tone.rest[n], room.shape, reading
            )
    for i in range(first, room.closed.written[0]):
        x = room.closed.rows[i]
        if x.row == UA:
            continue
        going_on = naming.contraction_going_on(
            x, room.open_fall.rows[0], beds.history, beds.ua.window, beds.excursions, second, beds.tone.rest[n],
            room.shape, reading,
        )  # fmt: skip
        is_level = naming.name_departure(
            x, going_on, room.kinds[i], beds.history, beds.fhr, beds.minute, beds.baseline, beds.excursions, second,
            beds.variability.bpm[n], beds.running.weeks[n], room.shape, reading,
            numbers.deceleration, numbers.acceleration,
        )  # fmt: skip
        if x.row == DOWN:
            ongoing.end(beds.ongoing, x)
        earlier.leave(beds.earlier, x, beds.baseline.before_bpm[n], is_level, reading.earlier)
        level_is_new |= is_level
    for i in range(first, room.closed.written[0]):
        is_told |= room.closed.rows[i].what != UNNAMED or room.closed.rows[i].said
    if not is_told:
        room.closed.written[0] = first
    return level_is_new


@compiled
def _fill_windows(beds: Beds, n: int, second: int, numbers: Numbers) -> None:
    """Let the windows behind baseline and resting tone hold all that has come."""
    histogram.catch_up(beds.fhr, beds.minute, FHR, n, second, numbers.reading.signal.fhr_lowest_bpm)
    histogram.count_up(beds.ua, beds.minute, minute.UA, n, second, UA_LOWEST)


@compiled
def _evaluate(beds: Beds, n: int, second: int, first: int, level_is_new: bool, numbers: Numbers, room: Room) -> None:
    """Measure baseline, tone and findings of bed n, and let attention follow. level_is_new: its FHR stays where an
    excursion went that has just closed. first: of a second twin the place of the first, else -1.
    """
    reading, b, e = numbers.reading, beds.baseline, beds.excursions
    _fill_windows(beds, n, second, numbers)
    tone.measure(beds.tone, beds.levels, beds.ua, n, room.shape.height, reading.tone)
    lowest_bpm = reading.signal.fhr_lowest_bpm
    baseline.catch_up(beds.stretches, beds.minute, n, second, lowest_bpm, reading.baseline)
    measured_bpm = baseline.measure(beds.stretches, n, b.reference_bpm[n], lowest_bpm, reading.baseline)
    fall_bpm = e.height[DOWN, n] if e.open[DOWN, n] and not level_is_new else 0.0
    baseline.update(b, n, measured_bpm, fall_bpm, e.open[UP, n], reading.baseline)
    steps.follow(beds.steps, n, second, beds.fhr, b.reference_bpm[n], lowest_bpm, reading.step)
    fhr_bpm = conditioning.newest(beds.conditioning, n, (second + 1 - reading.look.every_s) * HZ)
    falling_since = e.onset[DOWN, n] // HZ if e.open[DOWN, n] else -1
    earlier.follow(beds.earlier, n, second, b.bpm[n], fhr_bpm, falling_since, reading.look.every_s, reading.earlier)
    measuring.measure(
        beds.findings, n, second, beds.conditioning, beds.steps, beds.usable, b, beds.earlier, fhr_bpm,
        beds.variability, beds.sinusoidal, beds.tone, e, beds.history, beds.running, beds.minutes, reading.notable,
        reading.earlier, numbers.tachysystole, reading.look.every_s,
    )  # fmt: skip
    concern.weigh(beds.findings, n, numbers.concern)
    if first >= 0:
        measuring.measure_second_twin(beds.findings, n, beds.minute, first, reading.twins)
    measures = beds.findings.values[0]
    is_lost = measures[SIGNAL_LOST_S, n] >= reading.signal.no_value_after_s
    attention.decide(beds.attention, n, second, measures, n, is_lost, numbers.policy, 0, room.told)
    tell_lost(beds, n, is_lost, room)


@compiled
def tell_lost(beds: Beds, n: int, is_lost: bool, room: Room) -> None:
    """Tell when the signal of bed n is lost, and when it is back."""
    if beds.clock.lost[n] != is_lost:
        row = next_row(room.lost)
        row.n, row.is_lost = n, is_lost
        beds.clock.lost[n] = is_lost


@compiled
def _set_thresholds(beds: Beds, n: int, numbers: Numbers) -> None:
    """Set from which height on the signals of bed n have left their reference: it grows with what they do anyway."""
    variability_bpm, span = beds.variability.bpm[n], beds.tone.span[n]
    if np.isnan(variability_bpm):
        variability_bpm = numbers.reading.variability.assumed_bpm
    if np.isnan(span):
        span = 0.0
    excursions.set_thresholds(beds.excursions, DOWN, n, variability_bpm, numbers.rows[DOWN])
    excursions.set_thresholds(beds.excursions, UP, n, variability_bpm, numbers.rows[UP])
    excursions.set_thresholds(beds.excursions, UA, n, span, numbers.rows[UA])


def _keep_waiting(beds: Beds, chosen: Ints, second: Ints, numbers: Numbers, room: Room) -> None:
    """Let attention follow at beds from which nothing comes. chosen, second: shape (m,)."""
    for place in range(len(chosen)):
        n = chosen[place]
        attention.decide(
            beds.attention, n, second[place], beds.findings.values[0], n, True, numbers.policy, 0, room.told
        )
        tell_lost(beds, n, True, room)


keep_waiting = EntryPoint(_keep_waiting, state="beds")
