"""Measuring: from what is remembered of a bed to its measures, a dictionary for each rule set.

Run lengths and shares are kept up second by second; all else is worked out when a look is taken.
"""

from dataclasses import dataclass

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import LONG_AGO, Bools, Floats, Ints, Lanes, index, lane, some
from quietward.detect.core.measures.findings import Measures
from quietward.detect.core.parameters import NotableLimits, TachysystoleRule
from quietward.detect.core.patterns.decelerations import Kind
from quietward.detect.core.patterns.excursions import DOWN, UA, Excursions
from quietward.detect.core.patterns.history import History
from quietward.detect.core.signal import conditioning
from quietward.detect.core.signal.baseline import Baseline
from quietward.detect.core.signal.conditioning import Clean, Conditioning, LastMinute
from quietward.detect.core.signal.tone import Tone
from quietward.detect.core.signal.variability import Variability

BEYOND_BPM = np.array([[100.0], [110.0], [-160.0]])
_BELOW = np.array([[1.0], [1.0], [-1.0]])
"""Below 100 and 110 bpm, and above 160: what is above is the negative below the negative."""
_FHR, _UA, _LOW, _MOTHER = range(4)
_IN_10, _IN_20, _IN_30, _IN_60 = range(4)
_SINCE = np.array([600, 1200, 1800, 3600]) * HZ
"""Windows that are looked back over, in samples."""
_sums, _least, _most = np.add.reduce, np.minimum.reduce, np.maximum.reduce
"""As methods of arrays they cost twice as much for a few lanes."""


@dataclass(init=False, eq=False)
class Running(Lanes):
    """Run lengths and shares that are kept up second by second."""

    beyond_s: Ints = index(0, len(BEYOND_BPM))  # how long the baseline has been beyond each of BEYOND_BPM
    this_minute: Floats = lane(0.0, 4)  # of the minute that is running, what Minutes keeps of those that are over
    stage: Ints = index(1)
    weeks: Ints = index(0)  # of gestation; 0: not said
    none_since: Ints = index(-1)  # second since which no FHR sample has been used


@dataclass(init=False, eq=False)
class Minutes(Lanes):
    """What the last minutes were, one by one."""

    used: Floats = lane(0.0, 3, 30)  # usable samples of FHR and of UA, and of the FHR those below 90 bpm
    near_mother: Floats = lane(0.0, 10)  # FHR samples near the mother's pulse
    baseline_bpm: Floats = lane(np.nan, 30)


def keep_up(
    r: Running,
    minutes: Minutes,
    lanes: Ints,
    second: Ints,
    minute_ends: Bools,
    baseline_bpm: Floats,
    clean: Clean,
    ua_useful: Bools,
    low_bpm: float,
) -> None:
    """Take one second. r holds just these lanes, minutes all of them; ua_useful: where the UA is not flat."""
    beyond = baseline_bpm * _BELOW < BEYOND_BPM
    r.beyond_s += beyond
    r.beyond_s *= beyond | np.isnan(baseline_bpm)
    now = r.this_minute
    now[_FHR] += clean.fhr_used
    now[_UA] += clean.ua_used * ua_useful
    now[_LOW] += np.add.reduce(clean.fhr_bpm < low_bpm, axis=0, dtype=np.int64)
    now[_MOTHER] += clean.near_mother
    if some(minute_ends):
        ended = np.flatnonzero(minute_ends)
        slot = second[ended] // 60 % 30
        minutes.used[:, slot, lanes[ended]] = now[:_MOTHER, ended]
        minutes.near_mother[slot % 10, lanes[ended]] = now[_MOTHER, ended]
        now[:, ended] = 0.0
        # In steps of 1/64: so their sum is exact, and the same in whatever order numpy adds.
        minutes.baseline_bpm[slot, lanes[ended]] = np.rint(baseline_bpm[ended] * 64) / 64
    r.none_since = np.where(clean.fhr_used > 0, -1, np.where(r.none_since < 0, second, r.none_since))


def measure(
    second: Ints,
    c: Conditioning,
    last_minute: LastMinute,
    b: Baseline,
    v: Variability,
    t: Tone,
    e: Excursions,
    h: History,
    r: Running,
    minutes: Minutes,
    notable: NotableLimits,
    tachysystole: list[TachysystoleRule],
) -> list[Measures]:
    """Return the measures of these lanes at `second` (its end is now), one dictionary for each rule set.

    tachysystole: that part of each rule set.
    """
    now = (second + 1) * HZ
    seconds = np.maximum(c.seconds, 1).astype(np.float64)
    window_s = np.minimum(seconds, 1800.0)
    fhr_used, ua_used, low_used = _sums(minutes.used, axis=1) + r.this_minute[:_MOTHER]
    fhr_s, ua_s = fhr_used / HZ, ua_used / HZ
    least_fhr_s = np.maximum(fhr_s, notable.least_usable_s)
    below_100_s, below_110_s, above_160_s = r.beyond_s.astype(np.float64)
    minute_fhr, _, minute_mother = _sums(last_minute.used, axis=1)
    baseline_known = ~np.isnan(minutes.baseline_bpm)
    baseline_sum = _sums(np.where(baseline_known, minutes.baseline_bpm, 0.0))
    low_variability = _counts(np.rint(v.minutes) <= notable.low_variability_bpm)
    near_mother = _sums(minutes.near_mother) + r.this_minute[_MOTHER]
    since = now - _SINCE[:, None]
    common: Measures = {
        "baseline_bpm": b.bpm,
        "baseline_30min_bpm": _per_known(baseline_sum, baseline_known, 1),
        "baseline_below_100_s": below_100_s,
        "baseline_below_110_s": below_110_s,
        "baseline_above_160_s": above_160_s,
        "variability_bpm": np.rint(v.bpm),
        "low_variability_min": v.low_min.astype(np.float64),
        "high_variability_min": v.high_min.astype(np.float64),
        "low_variability_share_30min": _per_known(low_variability, ~np.isnan(v.minutes), notable.least_minutes),
        "sinusoidal_min": v.sinusoidal_min.astype(np.float64),
        "low_fhr_share_30min": low_used / HZ / least_fhr_s,
        "accelerations_30min": _counts(h.rise_onset > since[_IN_30]),
        "fhr_usable_30min": np.minimum(1.0, fhr_s / window_s),
        "fhr_usable_1min": conditioning.usable_share(minute_fhr, c.seconds),
        "ua_flat": (~t.useful & ~np.isnan(t.rest)).astype(np.float64),
        "ua_usable_30min": np.minimum(1.0, ua_s / window_s),
        "near_mother_1min": minute_mother / np.maximum(minute_fhr, 1.0),
        "near_mother_10min": near_mother / np.minimum(seconds, 600.0) / HZ,
        "stepped": c.stepped.astype(np.float64),
        "signal_lost_s": np.where(r.none_since >= 0, second - r.none_since + 1, 0).astype(np.float64),
        "second_stage": (r.stage == 2).astype(np.float64),
        "weeks": np.where(r.weeks > 0, r.weeks, np.nan),
        "observed_min": seconds / 60,
    }
    recent_falls = h.fall_onset > since[:_IN_60, None]
    recent_contractions = h.contraction_onset > since[:, None]
    contractions = _counts(recent_contractions, axis=1)
    common |= _decelerations(now, e, h, recent_falls, least_fhr_s, notable)
    common |= _contractions(now, e, h, t, recent_contractions, contractions, ua_s, window_s, notable)
    patterns = _patterns(h, recent_falls, contractions)
    return [
        common | {name: by_rule_set[s] for name, by_rule_set in patterns.items()} | _tachysystole(common, rule)
        for s, rule in enumerate(tachysystole)
    ]


def _counts(chosen: Bools, axis: int = 0) -> Floats:
    found: Floats = np.add.reduce(chosen, axis=axis, dtype=np.float64)
    return found


def _decelerations(
    now: Ints, e: Excursions, h: History, recent: Bools, least_fhr_s: Floats, notable: NotableLimits
) -> Measures:
    """recent: which falls began in the last 10, 20, 30 minutes, shape (3, kept, lanes)."""
    in_10, _, in_30 = recent
    length_s = (h.fall_end - h.fall_onset) / HZ
    is_running = e.open[DOWN]
    running_s = np.where(is_running, (now - e.onset[DOWN]) / HZ, 0.0)
    running_depth = np.where(is_running, e.height[DOWN], 0.0)
    area_10, _, area_30 = _sums(np.where(recent, h.fall_area, 0.0), axis=1) + np.where(is_running, e.area[DOWN], 0.0)
    depth = np.where(in_30, h.fall_depth, 0.0)
    chosen = np.empty((4, *in_30.shape), dtype=np.bool_)
    counted, severe = chosen[:2]
    counted[...] = in_30 & (h.fall_depth >= notable.deceleration_bpm) & (length_s >= notable.deceleration_s)
    deep = (h.fall_depth >= notable.severe_depth_bpm) | (h.fall_lowest < notable.severe_below_bpm)
    severe[...] = in_30 & (length_s >= notable.severe_s) & deep
    chosen[2], chosen[3] = counted & in_10, in_30
    n, n_severe, n_10, n_any = _counts(chosen, axis=1)
    running_counts = (running_s >= notable.deceleration_s) & (running_depth >= notable.deceleration_bpm)
    # Running ones in steps of 1/64, as the others are kept.
    mean_depth = (_sums(depth) + np.rint(running_depth * 64) / 64) / np.maximum(n_any + is_running, 1)
    first, last_end = _span(h.fall_onset, h.fall_end, counted)
    together_s = _sums(np.where(counted, length_s, 0.0))
    return {
        "decelerations_30min": n,
        "deceleration_area_30min": area_30 / 60 / least_fhr_s * 600,
        "severe_decelerations_30min": n_severe,
        "deepest_30min_bpm": np.maximum(_most(depth), running_depth),
        "mean_depth_30min_bpm": mean_depth,
        "longest_30min_s": np.maximum(_most(np.where(in_30, length_s, 0.0)), running_s),
        "recovery_between_s": _between(first, last_end, together_s, n),
        "decelerations_10min": n_10 + running_counts,
        "deceleration_area_10min": area_10 / 60,
        "running_s": running_s,
        "running_depth_bpm": running_depth,
        "running_mean_depth_bpm": np.where(is_running, e.area[DOWN] * HZ / np.maximum(e.used[DOWN], 1), 0.0),
    }


def _span(onset: Ints, end: Ints, chosen: Bools) -> tuple[Ints, Ints]:
    """Return the first onset and the last end of the chosen; far away where none is."""
    return _least(np.where(chosen, onset, 2**60), axis=-2), _most(np.where(chosen, end, LONG_AGO), axis=-2)


def _between(first: Ints, last_end: Ints, together_s: Floats, n: Floats) -> Floats:
    """Return the mean time from an end to the next onset; NaN with fewer than two.

    From the first onset to the last end, less the time they take together.
    """
    return np.where(n >= 2, ((last_end - first) / HZ - together_s) / np.maximum(n - 1, 1), np.nan)


def _per_known(total: Floats, known: Bools, least: int) -> Floats:
    """Divide by the number of known minutes; NaN with fewer than `least`."""
    n = _counts(known)
    return np.where(n >= least, total / np.maximum(n, 1), np.nan)


def _tachysystole(common: Measures, rule: TachysystoleRule) -> Measures:
    limit = np.where(common["second_stage"] > 0, rule.over_per_10min_second_stage, rule.over_per_10min)
    rate, busiest = common["contractions_per_10min"], common["contractions_busiest_20min"]
    holds = (rate > limit) | ((busiest > limit) & rule.two_successive_windows)
    return {"tachysystole": np.where(np.isnan(rate), np.nan, holds.astype(np.float64))}


def _contractions(
    now: Ints, e: Excursions, h: History, t: Tone, recent: Bools, counts: Floats, ua_s: Floats, window_s: Floats,
    notable: NotableLimits,
) -> Measures:  # fmt: skip
    """recent: which contractions began in the last 10, 20, 30, 60 minutes, (4, kept, lanes); counts: how many."""
    onset, end = h.contraction_onset, h.contraction_end
    is_running = e.open[UA]
    running_onset = np.where(is_running, e.onset[UA], LONG_AGO)
    n_10, n_20, n_30, n_60 = counts
    # A few seconds without UA do not change a rate; long stretches without it do.
    seen_s = np.where(ua_s >= notable.whole_ua_share * window_s, window_s, ua_s)
    middle = n_20 - n_10
    busiest = np.maximum(np.minimum(n_10 + is_running, middle), np.minimum(middle, n_30 - n_20))
    enough = t.useful & (ua_s >= notable.contractions_after_s)
    newest = np.maximum(_most(onset), running_onset)
    # The last 30 minutes, and the 30 before them.
    chosen = recent[_IN_30:].copy()
    chosen[1] &= ~chosen[0]
    n = np.array([n_30, n_60 - n_30])
    first, last_end = _span(onset, end, chosen)
    last = _most(np.where(chosen, onset, LONG_AGO), axis=1)
    last[0] = np.maximum(last[0], running_onset)
    together_s = _sums(np.where(chosen, (end - onset) / HZ, 0.0), axis=1)
    starts = n.copy()
    starts[0] += is_running
    several = (starts >= 2) & (n >= 1)
    interval_s = np.where(several, np.where(several, last - first, 0) / HZ / np.maximum(starts - 1, 1), np.nan)
    duration_s = np.where(n > 0, together_s / np.maximum(n, 1), np.nan)
    return {
        "contractions_per_10min": np.where(
            enough, (n_30 + is_running) / np.minimum(np.maximum(seen_s / 600, 1.0), 3.0), np.nan
        ),
        "contractions_busiest_20min": np.where(enough, busiest, np.nan),
        "contraction_interval_s": interval_s[0],
        "contraction_duration_s": duration_s[0],
        "contraction_rest_s": _between(first[0], last_end[0], together_s[0], n_30),
        "contraction_interval_change": interval_s[0] / interval_s[1],
        "contraction_duration_change": duration_s[0] / duration_s[1],
        "contraction_since_s": np.where(newest >= 0, (now - newest) / HZ, np.nan),
    }


def _patterns(h: History, recent: Bools, contractions: Floats) -> Measures:
    """Return what depends on the kinds of decelerations, shape (rule sets, lanes); `recent` as in `_decelerations`."""
    _, in_20, in_30 = recent
    kinds = h.fall_kind
    late, variable, prolonged = kinds == Kind.LATE, kinds == Kind.VARIABLE, kinds == Kind.PROLONGED
    late_or_prolonged = late | prolonged
    chosen = np.empty((7, *kinds.shape), dtype=np.bool_)
    np.logical_and(late, in_20, out=chosen[0])
    np.logical_and(variable, in_20, out=chosen[1])
    np.logical_and(late_or_prolonged, in_20, out=chosen[2])
    np.logical_and(late_or_prolonged, in_30, out=chosen[3])
    np.logical_and(kinds != Kind.NONE, in_30, out=chosen[4])
    np.logical_and(late | variable, in_30, out=chosen[5])
    np.logical_and(prolonged, in_30, out=chosen[6])
    counts = _counts(chosen, axis=2)

    def share(chosen: Floats, contractions: Floats) -> Floats:
        # Two contractions at least: half of one contraction is no pattern.
        return np.where(contractions >= 2, chosen / np.maximum(contractions, 1), np.nan)

    in_20_minutes, in_30_minutes = share(counts[:3], contractions[_IN_20]), share(counts[3:5], contractions[_IN_30])
    return {
        "late_share_20min": in_20_minutes[0],
        "variable_share_20min": in_20_minutes[1],
        "late_or_prolonged_share_20min": in_20_minutes[2],
        "late_or_prolonged_share_30min": in_30_minutes[0],
        "deceleration_share_30min": in_30_minutes[1],
        "late_or_variable_30min": counts[5],
        "prolonged_30min": counts[6],
    }
