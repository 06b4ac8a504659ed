"""What an excursion that has just closed is called, and what follows from it for baseline and history."""

from collections.abc import Sequence

import numpy as np

from quietward.contracts.fields import HZ, UA_LOWEST
from quietward.detect.core.arrays import LONG_AGO, Ints
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import Reading
from quietward.detect.core.patterns import excursions, history
from quietward.detect.core.patterns.accelerations import AccelerationRule, Rise, rise
from quietward.detect.core.patterns.decelerations import DecelerationRule, Kind, kind
from quietward.detect.core.patterns.excursions import DOWN, UA, UP, Excursion, Excursions, length_s
from quietward.detect.core.patterns.history import History
from quietward.detect.core.patterns.shape import Work, refine
from quietward.detect.core.signal import minute, usable
from quietward.detect.core.signal.baseline import Baseline
from quietward.detect.core.signal.histogram import Histogram, Window, value_at
from quietward.detect.core.signal.minute import Minute
from quietward.detect.core.signal.selection import kth_smallest
from quietward.detect.core.signal.usable import Usable


@compiled
def name_contraction(
    x: Excursion, h: History, ua: Histogram, u: Usable, second: int, rest: float, work: Work, reading: Reading
) -> None:
    """Take a closed rise of the UA above the resting tone: remember it if it is a contraction.

    u: all of the FHR up to the end of `second`.
    """
    if not x.kept:
        return
    _look_at_contraction(x, h, ua.window, second, rest, (second + 1) * HZ, work, reading)
    x.what = excursions.CONTRACTION
    since = x.onset // HZ
    read_s = usable.of_seconds_s(u, usable.FHR, x.n, since, second + 1)
    history.add_contraction(h, x, read_s >= reading.notable.read_share * (second + 1 - since))


@compiled
def _look_at_contraction(
    x: Excursion, h: History, ua: Window, second: int, rest: float, latest: int, work: Work, reading: Reading
) -> None:
    """Look at a contraction again, behind the one before it: contractions do not overlap. It ends by `latest`."""
    until = h.contraction_end[(h.contractions[x.n] - 1) % history.KEPT, x.n]
    first = max(_first_sample(x.onset, ua, second, reading), min(until, x.onset))
    length = (second + 1) * HZ - first
    for i in range(length):
        work.height[i] = value_at(ua, x.n, first + i, UA_LOWEST) - rest
    refine(x, first, length, latest, work, reading.flanks)
    x.onset = max(x.onset, until)


@compiled
def contraction_going_on(
    fall: Excursion,
    x: Excursion,
    h: History,
    ua: Window,
    e: Excursions,
    second: int,
    rest: float,
    work: Work,
    reading: Reading,
) -> tuple[int, int, int]:
    """Return onset, peak and likely end of a contraction that is not over when a fall is named; LONG_AGO: none is.

    Its flanks are read as those of one that is over, as far as they have come: its highest single value lies anywhere
    on a noisy top, and from half of its way back it is known when it ends. x: room to work in.
    """
    n, now = fall.n, (second + 1) * HZ
    if not (fall.kept and fall.row == DOWN and e.open[UA, n]):
        return (LONG_AGO, LONG_AGO, LONG_AGO)
    is_closing = e.closing[UA, n] >= 0
    x.n, x.row = n, UA
    x.onset, x.end = e.onset[UA, n], e.closing[UA, n] if is_closing else now
    x.peak_at = x.reached_at = e.peak_at[UA, n]
    seen_until = x.end
    _look_at_contraction(x, h, ua, second, rest, now + (now - x.onset), work, reading)
    if is_closing or x.end > seen_until:
        return (x.onset, x.peak_at, x.end)
    return (x.onset, x.peak_at, history.expected_end(x.onset, x.peak_at, now, reading.kind))


@compiled
def name_departure(
    x: Excursion,
    going_on: tuple[int, int, int],
    kinds: Ints,
    h: History,
    fhr: Window,
    m: Minute,
    b: Baseline,
    e: Excursions,
    second: int,
    variability_bpm: float,
    weeks: int,
    work: Work,
    reading: Reading,
    deceleration: Sequence[DecelerationRule],
    acceleration: Sequence[AccelerationRule],
) -> bool:
    """Take a closed departure of the FHR: name it and remember it.

    kinds: room for what it is under each rule set. Returns whether it was a new level, so that the bed must
    be evaluated at once. m, fhr: everything up to the end of `second`.
    """
    n = x.n
    has_moved = abs(b.reference_bpm[n] - b.before_bpm[n]) > reading.baseline.moved_bpm
    if x.kept and not has_moved and not _stands_out(x, h.until[n], fhr, second, work, reading):
        x.kept, x.why = False, excursions.NOT_APART
    if x.kept and not has_moved:
        if not variability_bpm < reading.flanks.from_variability_bpm:
            _look_again(x, h, fhr, e, second, b.before_bpm[n], work, reading)
        h.until[n] = x.end
        if x.row == DOWN:
            _name_fall(x, kinds, h, going_on, b.before_bpm[n], reading, deceleration)
        else:
            _name_rise(x, kinds, h, weeks, acceleration)
        return False
    if x.kept:
        x.why = excursions.MOVED
    minute.mark(m, n, x.onset, x.end, second, False)
    if not (x.new_level or x.kept):
        return False
    if length_s(x) >= reading.deceleration.longest_s / 2:  # else a drift, not worth a line
        x.what = excursions.BASELINE_CHANGE
    return True


@compiled
def _stands_out(x: Excursion, until: int, fhr: Window, second: int, work: Work, reading: Reading) -> bool:
    """Return whether a departure stands out from what was there before it, too, and not from the reference alone.

    Variability comes in bursts, and a reference may be some bpm off: what is shallow must have a mean over some seconds
    that is apart from the median before. until: end of the newest departure that was named; after it counts.
    """
    limits, n, lowest = reading.confirmation, x.n, reading.signal.fhr_lowest_bpm
    if x.height >= limits.sure_bpm:
        return True
    oldest = (second + 1) * HZ - fhr.ring.shape[0]
    known = 0
    for sample in range(max(x.onset - int(limits.before_s * HZ), until, oldest), x.onset):
        bpm = value_at(fhr, n, sample, lowest)
        if not np.isnan(bpm):
            work.height[known] = bpm
            known += 1
    if known < limits.least_s * HZ:
        return True
    before_bpm = kth_smallest(work.height, known, known // 2)
    off_bpm = min(limits.off_bpm, limits.off_share * x.height)
    width = int(limits.mean_s * HZ)
    total, there, sign = 0.0, 0, -1.0 if x.row == DOWN else 1.0
    for sample in range(max(x.onset, oldest), x.end):
        bpm = value_at(fhr, n, sample, lowest)
        if not np.isnan(bpm):
            total += bpm
            there += 1
        if sample - width >= max(x.onset, oldest):
            left = value_at(fhr, n, sample - width, lowest)
            if not np.isnan(left):
                total -= left
                there -= 1
        if 2 * there >= width and sign * (total / there - before_bpm) >= off_bpm:
            return True
    return False


@compiled
def _first_sample(onset: int, w: Window, second: int, reading: Reading) -> int:
    """Return from where on an excursion is looked at again: a slow flank may begin earlier than it was seen."""
    return int(max(onset - int(reading.flanks.before_s * HZ), (second + 1) * HZ - w.ring.shape[0]))


@compiled
def _look_again(
    x: Excursion,
    h: History,
    fhr: Window,
    e: Excursions,
    second: int,
    reference_bpm: float,
    work: Work,
    reading: Reading,
) -> None:
    """Look at a departure again, between its neighbours: departures do not overlap."""
    n, other = x.n, UP if x.row == DOWN else DOWN
    first = max(_first_sample(x.onset, fhr, second, reading), min(h.until[n], x.onset))
    is_other_open = e.open[other, n]
    end = max(x.end, e.onset[other, n]) if is_other_open else (second + 1) * HZ
    sign = -1.0 if x.row == DOWN else 1.0
    for i in range(end - first):
        bpm = value_at(fhr, n, first + i, reading.signal.fhr_lowest_bpm)
        work.height[i] = sign * (bpm - reference_bpm)
    latest = end if is_other_open or x.cut else end + int(reading.flanks.ahead_share * (x.end - x.onset))
    refine(x, first, end - first, latest, work, reading.flanks)


@compiled
def _name_fall(
    x: Excursion,
    kinds: Ints,
    h: History,
    going_on: tuple[int, int, int],
    reference_bpm: float,
    reading: Reading,
    rules: Sequence[DecelerationRule],
) -> None:
    contraction_end = history.find_contraction(h, x, going_on, reading.kind)
    is_any = False
    for rule_set in range(len(rules)):
        kinds[rule_set] = kind(x, contraction_end, rules[rule_set], reading.kind)
        is_any |= kinds[rule_set] != Kind.NONE
    if not is_any:
        x.why = excursions.SMALL
    if is_any:
        x.what = excursions.DECELERATION
        history.add_deceleration(h, x, reference_bpm - x.height, kinds)


@compiled
def _name_rise(x: Excursion, kinds: Ints, h: History, weeks: int, rules: Sequence[AccelerationRule]) -> None:
    is_any = False
    for rule_set in range(len(rules)):
        kinds[rule_set] = rise(x, rules[rule_set], weeks)
        is_any |= kinds[rule_set] != Rise.NONE
    if is_any:
        x.what = excursions.ACCELERATION
        history.add_acceleration(h, x)
