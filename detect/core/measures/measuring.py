"""Measuring: from what is remembered of a bed to its measures, under each rule set.

Run lengths are kept up second by second; all else is worked out when a bed is evaluated.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import LONG_AGO, Floats, Ints, array, index
from quietward.detect.core.compiled import compiled
from quietward.detect.core.measures import findings as row
from quietward.detect.core.measures.findings import Findings, say
from quietward.detect.core.parameters import EarlierLimits, NotableLimits, TachysystoleRule, TwinLimits
from quietward.detect.core.patterns import earlier
from quietward.detect.core.patterns.decelerations import Kind
from quietward.detect.core.patterns.earlier import Earlier
from quietward.detect.core.patterns.excursions import DOWN, UA, Excursions
from quietward.detect.core.patterns.history import KEPT, History, in_64ths
from quietward.detect.core.signal import twins, usable
from quietward.detect.core.signal.baseline import Baseline
from quietward.detect.core.signal.conditioning import Conditioning
from quietward.detect.core.signal.minute import MINUTE_S, Minute
from quietward.detect.core.signal.sinusoidal import Pattern
from quietward.detect.core.signal.steps import Steps
from quietward.detect.core.signal.tone import Tone
from quietward.detect.core.signal.usable import Usable
from quietward.detect.core.signal.variability import KEPT_MIN, Variability

BELOW_100, BELOW_110, ABOVE_160, UNKNOWN = range(4)
MINUTES = 30
HOUR_AGO = (55, 65)
"""Minutes that are taken together for an hour ago: one of them may be a bad one."""
MINUTES_KEPT = HOUR_AGO[1]
IN_10, IN_20, IN_30, IN_60 = (minutes * 60 * HZ for minutes in (10, 20, 30, 60))
"""Windows that are looked back over, in samples."""
FAR_AHEAD = -LONG_AGO


class Running(NamedTuple):
    """What is kept up second by second."""

    beyond_s: Ints = index(0, 4)  # how long the baseline has been BELOW_100 bpm, BELOW_110, ABOVE_160, UNKNOWN
    stage: Ints = index(1)
    weeks: Ints = index(0)  # of gestation; 0: not said
    none_since: Ints = index(-1)  # second since which no FHR sample has been used
    fall_seen_at: Ints = index(-1)  # second in which a deceleration not known to be over was last seen; -1: none is
    fall_missed_s: Floats = array(0.0)  # for how long it had not been seen before that, less what was seen since ...
    fall_seen_s: Floats = array(0.0)  # ... how long it had gone on ...
    fall_seen_bpm: Floats = array(0.0)  # ... and how far below the baseline it was


class Minutes(NamedTuple):
    """The baseline at the end of each of the last minutes and its bandwidth, those of minute m at m % MINUTES_KEPT."""

    baseline_bpm: Floats = array(np.nan, MINUTES_KEPT)
    bandwidth_bpm: Floats = array(np.nan, MINUTES_KEPT)


@compiled
def keep_up(r: Running, n: int, second: int, baseline_bpm: float, fhr: int) -> None:
    """Take a second of bed n of whose FHR so many samples could be used.

    baseline_bpm: NaN while undetermined; then no run of it goes on.
    """
    _run(r, BELOW_100, n, baseline_bpm < 100, baseline_bpm)
    _run(r, BELOW_110, n, baseline_bpm < 110, baseline_bpm)
    _run(r, ABOVE_160, n, baseline_bpm > 160, baseline_bpm)
    _run(r, UNKNOWN, n, bool(np.isnan(baseline_bpm)), baseline_bpm)
    if fhr > 0:
        r.none_since[n] = -1
    elif r.none_since[n] < 0:
        r.none_since[n] = second


@compiled
def _run(r: Running, which: int, n: int, is_beyond: bool, baseline_bpm: float) -> None:
    if is_beyond:
        r.beyond_s[which, n] += 1
    elif not np.isnan(baseline_bpm):  # while it is undetermined the run stays as long as it is
        r.beyond_s[which, n] = 0


@compiled
def end_minute(minutes: Minutes, n: int, second: int, baseline_bpm: float, bandwidth_bpm: float) -> None:
    """Keep the minute of bed n that has just ended with `second`."""
    place = second // MINUTE_S % MINUTES_KEPT
    minutes.baseline_bpm[place, n], minutes.bandwidth_bpm[place, n] = in_64ths(baseline_bpm), in_64ths(bandwidth_bpm)


@compiled
def measure(
    f: Findings,
    n: int,
    second: int,
    c: Conditioning,
    steps: Steps,
    u: Usable,
    b: Baseline,
    left: Earlier,
    fhr_bpm: float,
    v: Variability,
    pattern: Pattern,
    t: Tone,
    e: Excursions,
    h: History,
    r: Running,
    minutes: Minutes,
    notable: NotableLimits,
    limits: EarlierLimits,
    tachysystole: Sequence[TachysystoleRule],
    every_s: int,
) -> None:
    """Write the measures of bed n at `second` (its end is now) into `f`.

    fhr_bpm: the newest, NaN where there was none within `every_s`. tachysystole: that part of each rule set.
    """
    now = (second + 1) * HZ
    window_s = usable.seen_s(u, n, usable.HALF_HOUR_S)
    fhr_s = usable.of_window_s(u, usable.FHR, n)
    ua_s = usable.of_window_s(u, usable.UA, n)
    least_fhr_s = max(fhr_s, notable.least_usable_s)
    say(f, n, row.LOW_FHR_SHARE_30MIN, usable.of_window_s(u, usable.LOW_FHR, n) / least_fhr_s)
    say(f, n, row.SINUSOIDAL_MIN, pattern.lasted_min[n])
    say(f, n, row.FHR_USABLE_30MIN, fhr_s / window_s)
    say(f, n, row.UA_USABLE_30MIN, ua_s / window_s)
    say(f, n, row.OBSERVED_MIN, max(u.seconds[n], 1) / 60)
    _measure_signal(f, n, second, c, steps, u, t, r)
    _measure_level(f, n, second, b, v, r, minutes, notable)
    risen_bpm = earlier.risen_bpm(left, n, b.reference_bpm[n])
    fell_s = second + 1 - left.fell_at[n] if left.goes_on[n] and earlier.is_down(left, n, limits) else 0
    _measure_falls(f, n, now, e, h, risen_bpm, fell_s, least_fhr_s, notable)
    _compare_with_earlier(f, n, second, b, left, fhr_bpm, limits)
    below_bpm = b.reference_bpm[n] - risen_bpm - fhr_bpm
    _measure_unseen_fall(f, n, second, below_bpm, fhr_bpm, left, r, u, every_s, limits)
    _measure_contractions(f, n, now, e, h, t, ua_s, window_s, notable)
    accelerations = 0
    for slot in range(KEPT):
        accelerations += h.rise_onset[slot, n] > now - IN_30
    say(f, n, row.ACCELERATIONS_30MIN, accelerations)
    for rule_set in range(len(tachysystole)):
        _measure_patterns(f, n, now, h, rule_set, notable.pattern_contractions)
        _judge_contractions(f, n, rule_set, r.stage[n] == 2, tachysystole[rule_set])


@compiled
def measure_second_twin(f: Findings, n: int, m: Minute, first: int, limits: TwinLimits) -> None:
    """Write what is so of a second twin alone: whether its rate is that of the first; the uterus is judged there."""
    say(f, n, row.SAME_AS_TWIN_1MIN, twins.same_rate_share(m, first, n, limits))
    say(f, n, row.CONTRACTIONS_PER_10MIN, np.nan)
    say(f, n, row.TACHYSYSTOLE, np.nan)


@compiled
def _measure_signal(
    f: Findings, n: int, second: int, c: Conditioning, steps: Steps, u: Usable, t: Tone, r: Running
) -> None:
    """Write how much of the signal can be used, whose it may be, and what the device says."""
    fhr_s = usable.of_last_minute_s(u, usable.FHR, n, second)
    near_mother_s = usable.of_last_minute_s(u, usable.NEAR_MOTHER, n, second)
    say(f, n, row.FHR_USABLE_1MIN, fhr_s / usable.seen_s(u, n, MINUTE_S))
    say(f, n, row.NEAR_MOTHER_1MIN, near_mother_s / max(fhr_s, 1 / HZ))
    near_mother_s = usable.of_window_s(u, usable.NEAR_MOTHER, n)
    say(f, n, row.NEAR_MOTHER_10MIN, near_mother_s / usable.seen_s(u, n, usable.WINDOW_S[usable.NEAR_MOTHER]))
    say(f, n, row.UA_FLAT, not t.useful[n] and not np.isnan(t.rest[n]))
    say(f, n, row.STEPPED, c.stepped[n] or not np.isnan(steps.before_bpm[n]))
    say(f, n, row.SAME_AS_TWIN_1MIN, 0)
    say(f, n, row.SIGNAL_LOST_S, second - r.none_since[n] + 1 if r.none_since[n] >= 0 else 0)
    say(f, n, row.SAME_VALUE_S, c.same[n] / HZ)
    say(f, n, row.SECOND_STAGE, r.stage[n] == 2)
    say(f, n, row.WEEKS, r.weeks[n] if r.weeks[n] > 0 else np.nan)


@compiled
def _measure_level(
    f: Findings, n: int, second: int, b: Baseline, v: Variability, r: Running, minutes: Minutes, notable: NotableLimits
) -> None:
    """Write baseline and variability."""
    say(f, n, row.BASELINE_BPM, b.bpm[n])
    say(f, n, row.BASELINE_BELOW_100_S, r.beyond_s[BELOW_100, n])
    say(f, n, row.BASELINE_BELOW_110_S, r.beyond_s[BELOW_110, n])
    say(f, n, row.BASELINE_ABOVE_160_S, r.beyond_s[ABOVE_160, n])
    say(f, n, row.BASELINE_UNKNOWN_S, r.beyond_s[UNKNOWN, n])
    baselines, bandwidths = minutes.baseline_bpm, minutes.bandwidth_bpm
    say(f, n, row.BASELINE_30MIN_BPM, _mean_bpm(baselines, n, second, 0, MINUTES))
    say(f, n, row.BASELINE_CHANGE_1H_BPM, b.bpm[n] - _mean_bpm(baselines, n, second, HOUR_AGO[0], HOUR_AGO[1]))
    say(f, n, row.VARIABILITY_BPM, np.rint(v.bpm[n]))
    say(f, n, row.VARIABILITY_CHANGE_1H_BPM, v.bpm[n] - _mean_bpm(bandwidths, n, second, HOUR_AGO[0], HOUR_AGO[1]))
    say(f, n, row.LOW_VARIABILITY_MIN, v.low_min[n])
    say(f, n, row.HIGH_VARIABILITY_MIN, v.high_min[n])
    low, known = 0.0, 0
    for i in range(KEPT_MIN):
        if not np.isnan(v.minutes[i, n]):
            low += np.rint(v.minutes[i, n]) <= notable.low_variability_bpm
            known += 1
    say(f, n, row.LOW_VARIABILITY_SHARE_30MIN, low / max(known, 1) if known >= notable.least_minutes else np.nan)
    smooth, known = 0.0, 0
    for i in range(KEPT_MIN):
        if not np.isnan(v.fine[i, n]):
            smooth += v.fine[i, n] < notable.smooth_below_bpm
            known += 1
    say(f, n, row.SMOOTH_SHARE_30MIN, smooth / max(known, 1) if known >= notable.least_minutes else np.nan)


@compiled
def _mean_bpm(minutes_bpm: Floats, n: int, second: int, first: int, end: int) -> float:
    """Return the mean over [first, end) of the minutes that are over, counted back from the newest; NaN: none known."""
    newest = (second + 1) // MINUTE_S - 1
    total, known = 0.0, 0
    for ago in range(first, end):
        bpm = minutes_bpm[(newest - ago) % MINUTES_KEPT, n]
        if not np.isnan(bpm):
            total += bpm
            known += 1
    return total / known if known > 0 else np.nan


@compiled
def _measure_falls(
    f: Findings,
    n: int,
    now: int,
    e: Excursions,
    h: History,
    risen_bpm: float,
    fell_s: int,
    least_fhr_s: float,
    notable: NotableLimits,
) -> None:
    """Write what the decelerations of the last half hour amount to, whatever their kind; a running one with them.

    risen_bpm: by so much the level has risen within the last hour. Back to where it was is no fall, so the running one
    is measured from there. fell_s: how long ago it began, where a gap has cut it off since; else 0.
    """
    is_running = e.open[DOWN, n] and (risen_bpm == 0 or e.height[DOWN, n] - risen_bpm >= notable.deceleration_bpm)
    running_s = own_s = (now - e.onset[DOWN, n]) / HZ if is_running else 0.0
    if is_running:
        running_s = max(own_s, float(fell_s))
    running_depth = e.height[DOWN, n] - risen_bpm if is_running else 0.0
    running_area = max(e.area[DOWN, n] - risen_bpm * own_s, 0.0) if is_running else 0.0
    area_10 = area_30 = longest_s = together_s = 0.0
    deepest, second, third = in_64ths(running_depth), 0.0, 0.0  # in steps of 1/64, as those that are over are kept
    long_depth = deepest if running_s >= notable.prolonged_s else 0.0
    counted = counted_10 = severe = 0
    first, last_end = FAR_AHEAD, LONG_AGO
    for slot in range(KEPT):
        onset, end = h.fall_onset[slot, n], h.fall_end[slot, n]
        if onset <= now - IN_30:
            continue
        depth, length_s = h.fall_depth[slot, n], (end - onset) / HZ
        deepest, second, third = max(deepest, depth), _middle(deepest, second, depth), _middle(second, third, depth)
        area_30 += h.fall_area[slot, n]
        longest_s = max(longest_s, length_s)
        if length_s >= notable.prolonged_s:
            long_depth = max(long_depth, depth)
        is_10 = onset > now - IN_10
        if is_10:
            area_10 += h.fall_area[slot, n]
        if depth >= notable.deceleration_bpm and length_s >= notable.deceleration_s:
            counted += 1
            counted_10 += is_10
            together_s += length_s
            first, last_end = min(first, onset), max(last_end, end)
        is_deep = depth >= notable.severe_depth_bpm or h.fall_lowest[slot, n] < notable.severe_below_bpm
        severe += is_deep and length_s >= notable.severe_s
    if is_running and running_s >= notable.deceleration_s and running_depth >= notable.deceleration_bpm:
        counted_10 += 1
    say(f, n, row.DECELERATIONS_30MIN, counted)
    has_pattern = contractions_since(h, n, now - IN_20) >= notable.pattern_contractions
    unrelated = max(counted - contractions_since(h, n, now - IN_30), 0) if has_pattern else counted
    say(f, n, row.UNRELATED_DECELERATIONS_30MIN, unrelated)
    say(f, n, row.DECELERATION_AREA_30MIN, (area_30 + running_area) / 60 / least_fhr_s * 600)
    say(f, n, row.SEVERE_DECELERATIONS_30MIN, severe)
    say(f, n, row.DEEPEST_30MIN_BPM, deepest)
    say(f, n, row.REPEATED_OR_LONG_DEPTH_30MIN_BPM, max(third, long_depth))
    say(f, n, row.LONGEST_30MIN_S, max(longest_s, running_s))
    say(f, n, row.RECOVERY_BETWEEN_S, _between_s(first, last_end, together_s, counted))
    say(f, n, row.DECELERATIONS_10MIN, counted_10)
    say(f, n, row.DECELERATION_AREA_10MIN, (area_10 + running_area) / 60)
    say(f, n, row.RUNNING_S, running_s)
    say(f, n, row.RUNNING_DEPTH_BPM, running_depth)
    say(f, n, row.RUNNING_MEAN_DEPTH_BPM, running_area * HZ / max(e.used[DOWN, n], 1))


@compiled
def _middle(high: float, low: float, value: float) -> float:
    """Return the value, but no more than `high` and no less than `low`."""
    return max(low, min(high, value))


@compiled
def _compare_with_earlier(
    f: Findings, n: int, second: int, b: Baseline, left: Earlier, fhr_bpm: float, limits: EarlierLimits
) -> None:
    """Write how things stand against levels that have been left."""
    is_known = not np.isnan(left.before_fall_bpm[n])
    say(f, n, row.EARLIER_BASELINE_BPM, left.before_fall_bpm[n])
    say(f, n, row.EARLIER_BASELINE_S, max(second + 1 - left.fell_at[n], 0) if is_known else np.nan)
    say(f, n, row.BELOW_EARLIER_BPM, earlier.below_bpm(left, n, b.bpm[n], fhr_bpm, limits))
    if not f.values[0, row.RUNNING_S, n] > 0 and earlier.is_unseen(left, n, limits):
        say(f, n, row.RUNNING_S, np.nan)


@compiled
def _measure_unseen_fall(
    f: Findings,
    n: int,
    second: int,
    below_bpm: float,
    fhr_bpm: float,
    left: Earlier,
    r: Running,
    u: Usable,
    every_s: int,
    limits: EarlierLimits,
) -> None:
    """Write what was last seen of a deceleration that goes on, or whose end was not seen, and how much of it was not.

    below_bpm: how far the newest FHR is below the baseline; fhr_bpm: that FHR itself, NaN where there was none within
    `every_s`. Where the signal went in the middle of one, and no glimpse since then has shown the FHR back, what is
    seen now is the same one: a glimpse takes back only a little of the time in which it was not seen, and it counts as
    long as it was. It is forgotten when a glimpse shows the FHR back, or when it has become the baseline and has been
    seen there for as long as it takes to make up for what was missed, a minute or so at most.
    """
    is_running = f.values[0, row.RUNNING_S, n] > 0
    is_same = left.closed_at[n] >= r.fall_seen_at[n] - r.fall_seen_s[n]
    is_down = earlier.is_down(left, n, limits) and is_same
    goes_on = is_running or (is_down and r.fall_seen_at[n] >= 0)
    if not is_running and is_down:
        below_bpm = left.before_fall_bpm[n] - fhr_bpm
    is_over = not goes_on
    if not is_running and goes_on and earlier.is_back_now(left, n, fhr_bpm, limits):
        r.fall_seen_at[n] = min(r.fall_seen_at[n] + every_s, second)  # a glimpse that may be its end: it does not count
    elif goes_on and not np.isnan(below_bpm):
        length_s = f.values[0, row.RUNNING_S, n] if is_running else 0.0
        if r.fall_seen_at[n] >= 0:
            since_s = second - r.fall_seen_at[n]
            seen_s = usable.of_seconds_s(u, usable.FHR, n, second + 1 - min(since_s, every_s), second + 1)
            missed_s = r.fall_missed_s[n] + since_s - (1 + limits.seen_counts) * seen_s
            r.fall_missed_s[n] = max(0.0, min(missed_s, limits.seen_counts * limits.back_for_s))
        if is_down and r.fall_seen_at[n] >= 0:
            length_s = max(length_s, r.fall_seen_s[n] + second - r.fall_seen_at[n])
        r.fall_seen_at[n], r.fall_seen_s[n], r.fall_seen_bpm[n] = second, length_s, in_64ths(below_bpm)
        is_over = not is_running and r.fall_missed_s[n] == 0 and not earlier.is_unseen(left, n, limits)
    if is_over:
        r.fall_seen_at[n], r.fall_missed_s[n], r.fall_seen_s[n], r.fall_seen_bpm[n] = -1, 0.0, 0.0, 0.0
    elif not is_running and r.fall_seen_at[n] >= 0:
        say(f, n, row.RUNNING_S, np.nan)  # what is seen of it now and then does not end it
    unseen_s = r.fall_missed_s[n] + second - r.fall_seen_at[n] if r.fall_seen_at[n] >= 0 else 0.0
    say(f, n, row.FALL_UNSEEN_S, unseen_s)
    say(f, n, row.FALL_SEEN_S, r.fall_seen_s[n])
    say(f, n, row.FALL_SEEN_BPM, r.fall_seen_bpm[n])


@compiled
def _between_s(first: int, last_end: int, together_s: float, n: int) -> float:
    """Return the mean time from an end to the next onset; NaN with fewer than two.

    From the first onset to the last end, less the time they take together.
    """
    return ((last_end - first) / HZ - together_s) / (n - 1) if n >= 2 else np.nan


class _Labour(NamedTuple):
    """Contractions of half an hour. starts: a running one counts; interval_s: from start to start; NaN: too few."""

    n: int
    interval_s: float
    duration_s: float
    rest_s: float


@compiled
def _contractions(h: History, n: int, after: int, until: int, running_onset: int) -> _Labour:
    """Return what the contractions were that began after one sample and not after another.

    running_onset: of one that is going on within that time, LONG_AGO if there is none.
    """
    count, together_s = 0, 0.0
    first, last, last_end = FAR_AHEAD, running_onset, LONG_AGO
    for slot in range(KEPT):
        onset, end = h.contraction_onset[slot, n], h.contraction_end[slot, n]
        if after < onset <= until:
            count += 1
            together_s += (end - onset) / HZ
            first, last, last_end = min(first, onset), max(last, onset), max(last_end, end)
    starts = count + (running_onset != LONG_AGO)
    interval_s = (last - first) / HZ / (starts - 1) if starts >= 2 and count >= 1 else np.nan
    duration_s = together_s / count if count > 0 else np.nan
    return _Labour(count, interval_s, duration_s, _between_s(first, last_end, together_s, count))


@compiled
def _measure_contractions(
    f: Findings,
    n: int,
    now: int,
    e: Excursions,
    h: History,
    t: Tone,
    ua_s: float,
    window_s: float,
    notable: NotableLimits,
) -> None:
    """Write how often contractions come and how long they are; `ua_s` of `window_s` could be used."""
    is_running = e.open[UA, n]
    running_onset = e.onset[UA, n] if is_running else LONG_AGO
    newest = running_onset
    for slot in range(KEPT):
        newest = max(newest, h.contraction_onset[slot, n])
    say(f, n, row.CONTRACTION_SINCE_S, (now - newest) / HZ if newest >= 0 else np.nan)

    recent = _contractions(h, n, now - IN_30, now, running_onset)
    before = _contractions(h, n, now - IN_60, now - IN_30, LONG_AGO)
    say(f, n, row.CONTRACTION_INTERVAL_S, recent.interval_s)
    say(f, n, row.CONTRACTION_DURATION_S, recent.duration_s)
    say(f, n, row.CONTRACTION_REST_S, recent.rest_s)
    say(f, n, row.CONTRACTION_INTERVAL_CHANGE, recent.interval_s / before.interval_s)
    say(f, n, row.CONTRACTION_DURATION_CHANGE, recent.duration_s / before.duration_s)
    unread = 0
    for slot in range(KEPT):
        unread += h.contraction_onset[slot, n] > now - IN_30 and not h.contraction_read[slot, n]
    say(f, n, row.UNREAD_CONTRACTIONS_30MIN, unread)

    rate = busiest = np.nan
    if t.useful[n] and ua_s >= notable.contractions_after_s:
        # A few seconds without UA do not change a rate; long stretches without it do.
        seen_s = window_s if ua_s >= notable.whole_ua_share * window_s else ua_s
        rate = (recent.n + is_running) / min(max(seen_s / 600, 1.0), 3.0)
        newest_10 = contractions_since(h, n, now - IN_10)
        middle_10 = contractions_since(h, n, now - IN_20) - newest_10
        oldest_10 = recent.n - newest_10 - middle_10
        busiest = max(min(newest_10 + is_running, middle_10), min(middle_10, oldest_10))
    say(f, n, row.CONTRACTIONS_PER_10MIN, rate)
    say(f, n, row.CONTRACTIONS_BUSIEST_20MIN, busiest)


@compiled
def contractions_since(h: History, n: int, sample: int) -> int:
    """Return how many contractions of bed n began after a sample."""
    count = 0
    for slot in range(KEPT):
        count += h.contraction_onset[slot, n] > sample
    return count


@compiled
def _judge_contractions(f: Findings, n: int, rule_set: int, is_second_stage: bool, rule: TachysystoleRule) -> None:
    """Write whether there are more contractions than a rule set allows."""
    limit = rule.over_per_10min_second_stage if is_second_stage else rule.over_per_10min
    rate = f.values[rule_set, row.CONTRACTIONS_PER_10MIN, n]
    busiest = f.values[rule_set, row.CONTRACTIONS_BUSIEST_20MIN, n]
    is_more = rate > limit or (rule.two_successive_windows and busiest > limit)
    f.values[rule_set, row.TACHYSYSTOLE, n] = np.nan if np.isnan(rate) else is_more * 1.0


@compiled
def _measure_patterns(f: Findings, n: int, now: int, h: History, rule_set: int, least: int) -> None:
    """Write what depends on the kinds of decelerations under a rule set. least: contractions that are a pattern."""
    late_20 = variable_20 = prolonged_20 = late_30 = variable_30 = prolonged_30 = any_30 = 0
    for slot in range(KEPT):
        onset, kind = h.fall_onset[slot, n], h.fall_kind[rule_set, slot, n]
        if onset <= now - IN_30:
            continue
        is_late, is_variable, is_prolonged = kind == Kind.LATE, kind == Kind.VARIABLE, kind == Kind.PROLONGED
        any_30 += kind != Kind.NONE
        late_30 += is_late
        variable_30 += is_variable
        prolonged_30 += is_prolonged
        if onset > now - IN_20:
            late_20 += is_late
            variable_20 += is_variable
            prolonged_20 += is_prolonged
    contractions_20 = contractions_since(h, n, now - IN_20)
    contractions_30 = contractions_since(h, n, now - IN_30)
    f.values[rule_set, row.LATE_SHARE_20MIN, n] = _share(late_20, contractions_20, least)
    f.values[rule_set, row.VARIABLE_SHARE_20MIN, n] = _share(variable_20, contractions_20, least)
    f.values[rule_set, row.LATE_OR_PROLONGED_SHARE_20MIN, n] = _share(late_20 + prolonged_20, contractions_20, least)
    f.values[rule_set, row.LATE_OR_PROLONGED_SHARE_30MIN, n] = _share(late_30 + prolonged_30, contractions_30, least)
    f.values[rule_set, row.DECELERATION_SHARE_30MIN, n] = _share(any_30, contractions_30, least)
    f.values[rule_set, row.LATE_OR_VARIABLE_30MIN, n] = late_30 + variable_30
    f.values[rule_set, row.PROLONGED_30MIN, n] = prolonged_30


@compiled
def _share(decelerations: int, contractions: int, least: int) -> float:
    """Return how many decelerations there are for each contraction."""
    return min(decelerations / contractions, 1.0) if contractions >= least else np.nan
