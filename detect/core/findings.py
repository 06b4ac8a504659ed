"""Measures: every number that a rule set, the concern or the attention policy may ask for, by name.

NaN means "cannot be said"; a comparison with it never holds. They are taken anew every few seconds (`look.every_s`),
and at once when the level has changed; in between they stay.
"""

from dataclasses import dataclass

import numpy as np

from detect.core import conditioning
from detect.core.baseline import Baseline
from detect.core.conditioning import Clean, Conditioning, LastMinute
from detect.core.decelerations import Kind
from detect.core.excursions import DOWN, UA, Excursions
from detect.core.history import History
from detect.core.lanes import LONG_AGO, Bools, Floats, Ints, Lanes, index, lane, some
from detect.core.limits import NotableLimits, TachysystoleRule
from detect.core.tone import Tone
from detect.core.variability import Variability
from quietward.messages import HZ

MEASURES = {
    "baseline_bpm": "baseline; NaN while undetermined",
    "baseline_30min_bpm": "mean baseline of the last 30 minutes, of the minutes in which it was determined",
    "baseline_below_100_s": "how long the baseline has been below 100 bpm",
    "baseline_below_110_s": "how long the baseline has been below 110 bpm",
    "baseline_above_160_s": "how long the baseline has been above 160 bpm",
    "variability_bpm": "mean bandwidth of the last 10 minutes, excursions left out, rounded to 1 bpm",
    "low_variability_min": "minutes in a row with variability below 5 bpm",
    "high_variability_min": "minutes in a row with variability above 25 bpm",
    "low_variability_share_30min": "share of the last 30 minutes' known minutes with a bandwidth of 5 bpm or less",
    "sinusoidal_min": "minutes in a row with a smooth wave of 3 to 5 cycles",
    "low_fhr_share_30min": "share of usable FHR below 90 bpm in 30 minutes, 0 to 1",
    "decelerations_30min": "decelerations that began in the last 30 minutes",
    "deceleration_area_30min": "their area in bpm x min per 10 min of usable FHR, a running one included",
    "severe_decelerations_30min": "those of 60 s or more that are 60 bpm deep or fall below 70 bpm",
    "deepest_30min_bpm": "depth of the deepest",
    "mean_depth_30min_bpm": "their mean depth, a running one included",
    "longest_30min_s": "length of the longest, a running one included",
    "late_share_20min": "late decelerations per contraction in 20 minutes",
    "variable_share_20min": "variable decelerations per contraction in 20 minutes",
    "late_or_prolonged_share_20min": "late and prolonged decelerations per contraction in 20 minutes",
    "late_or_prolonged_share_30min": "late and prolonged decelerations per contraction in 30 minutes",
    "deceleration_share_30min": "decelerations of any kind per contraction in 30 minutes",
    "late_or_variable_30min": "late and variable decelerations in 30 minutes",
    "prolonged_30min": "prolonged decelerations in 30 minutes",
    "recovery_between_s": "mean time from the end of a deceleration to the start of the next in 30 minutes",
    "decelerations_10min": "decelerations that began in the last 10 minutes, a running one of 15 s included",
    "deceleration_area_10min": "their area in bpm x min, a running one included",
    "running_s": "length of the deceleration that is going on; 0 when there is none",
    "running_depth_bpm": "its depth so far",
    "running_mean_depth_bpm": "its mean depth so far, over the samples that were there",
    "accelerations_30min": "accelerations that began in the last 30 minutes",
    "contractions_per_10min": "contractions per 10 minutes, averaged over 30 minutes",
    "contractions_busiest_20min": "the smaller of the counts in the last two 10-minute windows, or in the two before",
    "tachysystole": "1 when there are more contractions than the rule set allows, for the stage of labour; else 0",
    "contraction_interval_s": "mean interval from start to start in 30 minutes",
    "contraction_duration_s": "mean duration in 30 minutes",
    "contraction_rest_s": "mean time from the end of one to the start of the next in 30 minutes",
    "contraction_interval_change": "mean interval of the last 30 minutes over that of the 30 before; below 1: closer",
    "contraction_duration_change": "the same for the duration; above 1: longer",
    "contraction_since_s": "time since the start of the last contraction",
    "second_stage": "1 when the device says so, else 0",
    "weeks": "of gestation; unknown where the device does not say",
    "fhr_usable_30min": "share of FHR samples that could be used in 30 minutes, 0 to 1",
    "fhr_usable_1min": "the same for the last minute",
    "ua_flat": "1 while the UA is there and does nothing: no contraction can be seen; else 0",
    "ua_usable_30min": "share of UA samples that were there and not flat in 30 minutes, 0 to 1",
    "near_mother_1min": "share of the last minute's FHR within 5 bpm of the mother's pulse",
    "near_mother_10min": "share of all samples of the last 10 minutes at which it was so",
    "stepped": "1 while the FHR is where it jumped to from one sample to the next, away from the baseline; else 0",
    "signal_lost_s": "how long nothing usable has come",
    "observed_min": "minutes since the lane began",
}
"""Name and meaning of every measure. A rule file that asks for another is refused with this list."""

BY_RULE_SET = {name for name in MEASURES if "late" in name or "variable_" in name or name.startswith("prolonged")} | {
    "tachysystole"
}
"""Measures whose value depends on a rule set's definitions."""

Measures = dict[str, Floats]
_ROW = {name: i for i, name in enumerate(MEASURES)}


@dataclass(init=False, eq=False)
class Findings(Lanes):
    """What the newest look said of each lane."""

    values: Floats = lane(np.nan, "rule_sets", len(MEASURES))
    concern: Floats = lane(np.nan)
    parts: Floats = lane(0.0, "findings")  # points of each finding of the concern


def measures_of(f: Findings, rule_set: int) -> Measures:
    """Return the measures of all lanes by name, as one rule set sees them."""
    return {name: f.values[rule_set, row] for name, row in _ROW.items()}


Values = dict[str, float]
"""The measures of one lane, NaN where one cannot be said."""


def values_of(f: Findings, rule_set: int, lanes: Ints) -> list[Values]:
    """Return the measures of some lanes one by one, as one rule set sees them."""
    return [dict(zip(_ROW, row, strict=True)) for row in f.values[rule_set][:, lanes].T.tolist()]


def measures_at(f: Findings, rule_set: int, lanes: Ints) -> Measures:
    """Return the measures of some lanes by name, as one rule set sees them."""
    return dict(zip(_ROW, f.values[rule_set][:, lanes], strict=True))


def tachysystole_at(f: Findings, n: int) -> list[float]:
    """Return whether lane n has too many contractions, by rule set: 1, 0, or NaN."""
    found: list[float] = f.values[:, _ROW["tachysystole"], n].tolist()
    return found


def asked(f: Findings, lanes: Ints) -> Measures:
    """Return what an attention policy may ask of some lanes: the measures, and the concern."""
    return measures_at(f, 0, lanes) | {"concern": f.concern[lanes]}


def remember(f: Findings, lanes: Ints, measured: list[Measures]) -> None:
    """Keep what was measured of some lanes."""
    f.values[:, :, lanes] = np.array([[measures[name] for name in _ROW] for measures in measured])


def count_silence(f: Findings, lanes: Ints, none_since: Ints, second: Ints, passed_s: Ints) -> None:
    """Nothing comes from these lanes since `passed_s`; their other measures stay as they were at `second`."""
    before = np.where(none_since >= 0, second - none_since + 1, 0)
    f.values[:, _ROW["signal_lost_s"], lanes] = before + passed_s


def never_measured(f: Findings, lanes: Ints) -> Bools:
    """Return which lanes no look has been taken of."""
    found: Bools = np.isnan(f.values[0, _ROW["observed_min"], lanes])
    return found


BEYOND_BPM = np.array([[100.0], [110.0], [-160.0]])
_BELOW = np.array([[1.0], [1.0], [-1.0]])
"""Below 100 and 110 bpm, and above 160: what is above is the negative below the negative."""
_FHR, _UA, _LOW, _MOTHER = range(4)


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
    fhr_used, ua_used, low_used = minutes.used.sum(axis=1) + r.this_minute[:_MOTHER]
    fhr_s, ua_s = fhr_used / HZ, ua_used / HZ
    below_100_s, below_110_s, above_160_s = r.beyond_s.astype(np.float64)
    minute_fhr, _, minute_mother = last_minute.used.sum(axis=1)
    in_30 = h.fall_onset > now - 1800 * HZ
    in_20 = h.fall_onset > now - 1200 * HZ
    length_s = (h.fall_end - h.fall_onset) / HZ
    is_running = e.open[DOWN]
    running_s = np.where(is_running, (now - e.onset[DOWN]) / HZ, 0.0)
    running_depth = np.where(is_running, e.height[DOWN], 0.0)
    in_30_n = in_30.sum(axis=0) + is_running
    mean_depth = (np.where(in_30, h.fall_depth, 0.0).sum(axis=0) + np.rint(running_depth * 64) / 64) / np.maximum(
        in_30_n, 1
    )
    baseline_known = ~np.isnan(minutes.baseline_bpm)
    baseline_sum = np.where(baseline_known, minutes.baseline_bpm, 0.0).sum(axis=0)
    variability_known = ~np.isnan(v.minutes)
    low_variability = (np.rint(v.minutes) <= notable.low_variability_bpm).sum(axis=0)
    area = np.where(in_30, h.fall_area, 0.0).sum(axis=0) + np.where(is_running, e.area[DOWN], 0.0)
    severe = (
        in_30
        & (length_s >= notable.severe_s)
        & ((h.fall_depth >= notable.severe_depth_bpm) | (h.fall_lowest < notable.severe_below_bpm))
    )
    counted = in_30 & (h.fall_depth >= notable.deceleration_bpm) & (length_s >= notable.deceleration_s)
    in_10 = h.fall_onset > now - 600 * HZ
    area_10 = np.where(in_10, h.fall_area, 0.0).sum(axis=0) + np.where(is_running, e.area[DOWN], 0.0)
    running_counts = (running_s >= notable.deceleration_s) & (running_depth >= notable.deceleration_bpm)
    common: Measures = {
        "baseline_bpm": b.bpm,
        "baseline_30min_bpm": _per_known(baseline_sum, baseline_known, 1),
        "baseline_below_100_s": below_100_s,
        "baseline_below_110_s": below_110_s,
        "baseline_above_160_s": above_160_s,
        "variability_bpm": np.rint(v.bpm),
        "low_variability_min": v.low_min.astype(np.float64),
        "high_variability_min": v.high_min.astype(np.float64),
        "low_variability_share_30min": _per_known(low_variability, variability_known, notable.least_minutes),
        "sinusoidal_min": v.sinusoidal_min.astype(np.float64),
        "low_fhr_share_30min": low_used / HZ / np.maximum(fhr_s, notable.least_usable_s),
        "decelerations_30min": counted.sum(axis=0).astype(np.float64),
        "deceleration_area_30min": area / 60 / np.maximum(fhr_s, notable.least_usable_s) * 600,
        "severe_decelerations_30min": severe.sum(axis=0).astype(np.float64),
        "deepest_30min_bpm": np.maximum(np.where(in_30, h.fall_depth, 0.0).max(axis=0), running_depth),
        "mean_depth_30min_bpm": mean_depth,
        "longest_30min_s": np.maximum(np.where(in_30, length_s, 0.0).max(axis=0), running_s),
        "recovery_between_s": _between(h.fall_onset, h.fall_end, counted),
        "decelerations_10min": ((counted & in_10).sum(axis=0) + running_counts).astype(np.float64),
        "deceleration_area_10min": area_10 / 60,
        "running_s": running_s,
        "running_depth_bpm": running_depth,
        "running_mean_depth_bpm": np.where(is_running, e.area[DOWN] * HZ / np.maximum(e.used[DOWN], 1), 0.0),
        "accelerations_30min": (h.rise_onset > now - 1800 * HZ).sum(axis=0).astype(np.float64),
        "fhr_usable_30min": np.minimum(1.0, fhr_s / window_s),
        "fhr_usable_1min": conditioning.usable_share(minute_fhr, c.seconds),
        "ua_flat": (~t.useful & ~np.isnan(t.rest)).astype(np.float64),
        "ua_usable_30min": np.minimum(1.0, ua_s / window_s),
        "near_mother_1min": minute_mother / np.maximum(minute_fhr, 1.0),
        "near_mother_10min": (minutes.near_mother.sum(axis=0) + r.this_minute[_MOTHER])
        / np.minimum(seconds, 600.0)
        / HZ,
        "stepped": c.stepped.astype(np.float64),
        "signal_lost_s": np.where(r.none_since >= 0, second - r.none_since + 1, 0).astype(np.float64),
        "second_stage": (r.stage == 2).astype(np.float64),
        "weeks": np.where(r.weeks > 0, r.weeks, np.nan),
        "observed_min": seconds / 60,
    }
    common |= _contractions(now, e, h, t, ua_s, window_s, notable)
    return [
        common | _by_rule_set(h, h.fall_kind[s], in_20, in_30, now) | {"tachysystole": _tachysystole(common, rule)}
        for s, rule in enumerate(tachysystole)
    ]


def _per_known(total: Floats, known: Bools, least: int) -> Floats:
    """Divide by the number of known minutes; NaN with fewer than `least`."""
    n = known.sum(axis=0)
    return np.where(n >= least, total / np.maximum(n, 1), np.nan)


def _tachysystole(common: Measures, rule: TachysystoleRule) -> Floats:
    limit = np.where(common["second_stage"] > 0, rule.over_per_10min_second_stage, rule.over_per_10min)
    rate, busiest = common["contractions_per_10min"], common["contractions_busiest_20min"]
    holds = (rate > limit) | ((busiest > limit) & rule.two_successive_windows)
    return np.where(np.isnan(rate), np.nan, holds.astype(np.float64))


def _contractions(
    now: Ints, e: Excursions, h: History, t: Tone, ua_s: Floats, window_s: Floats, notable: NotableLimits
) -> Measures:
    onset, end = h.contraction_onset, h.contraction_end
    in_30 = onset > now - 1800 * HZ
    n = in_30.sum(axis=0)
    is_running = e.open[UA]
    counts = [
        ((onset > now - (i + 1) * 600 * HZ) & (onset <= now - i * 600 * HZ)).sum(axis=0) + (is_running if i == 0 else 0)
        for i in range(3)
    ]
    # A few seconds without UA do not change a rate; long stretches without it do.
    seen_s = np.where(ua_s >= notable.whole_ua_share * window_s, window_s, ua_s)
    busiest = np.maximum(np.minimum(counts[0], counts[1]), np.minimum(counts[1], counts[2]))
    enough = t.useful & (ua_s >= notable.contractions_after_s)
    newest = np.maximum(onset.max(axis=0), np.where(is_running, e.onset[UA], LONG_AGO))
    interval_s, duration_s = _timing(onset, end, in_30, np.where(is_running, e.onset[UA], LONG_AGO))
    in_30_before = (onset > now - 3600 * HZ) & ~in_30
    earlier_interval_s, earlier_duration_s = _timing(onset, end, in_30_before, LONG_AGO)
    return {
        "contractions_per_10min": np.where(enough, (n + is_running) / np.clip(seen_s / 600, 1.0, 3.0), np.nan),
        "contractions_busiest_20min": np.where(enough, busiest, np.nan).astype(np.float64),
        "contraction_interval_s": interval_s,
        "contraction_duration_s": duration_s,
        "contraction_rest_s": _between(onset, end, in_30),
        "contraction_interval_change": interval_s / earlier_interval_s,
        "contraction_duration_change": duration_s / earlier_duration_s,
        "contraction_since_s": np.where(newest >= 0, (now - newest) / HZ, np.nan),
    }


def _between(onset: Ints, end: Ints, chosen: Bools) -> Floats:
    """Return the mean time from an end to the next onset among the chosen; NaN with fewer than two."""
    n = chosen.sum(axis=0)
    later_onsets = np.where(chosen, onset, 0).sum(axis=0) - np.where(chosen, onset, 2**60).min(axis=0)
    earlier_ends = np.where(chosen, end, 0).sum(axis=0) - np.where(chosen, end, LONG_AGO).max(axis=0)
    return np.where(n >= 2, (later_onsets - earlier_ends) / HZ / np.maximum(n - 1, 1), np.nan)


def _timing(onset: Ints, end: Ints, chosen: Bools, running_onset: Ints | int) -> tuple[Floats, Floats]:
    """Return mean interval from start to start, and mean duration, of the chosen contractions; NaN where too few."""
    n = chosen.sum(axis=0)
    first = np.where(chosen, onset, 2**60).min(axis=0)
    last = np.maximum(np.where(chosen, onset, LONG_AGO).max(axis=0), running_onset)
    starts = n + (np.asarray(running_onset) > LONG_AGO)
    several = (starts >= 2) & (n >= 1)
    interval_s = np.where(several, last - first, 0) / HZ / np.maximum(starts - 1, 1)
    duration_s = np.where(chosen, end - onset, 0).sum(axis=0) / HZ / np.maximum(n, 1)
    return np.where(several, interval_s, np.nan), np.where(n > 0, duration_s, np.nan)


def _by_rule_set(h: History, kinds: Ints, in_20: Bools, in_30: Bools, now: Ints) -> Measures:
    contractions_20 = (h.contraction_onset > now - 1200 * HZ).sum(axis=0)
    contractions_30 = (h.contraction_onset > now - 1800 * HZ).sum(axis=0)
    late, variable, prolonged = kinds == Kind.LATE, kinds == Kind.VARIABLE, kinds == Kind.PROLONGED

    def share(chosen: Bools, contractions: Ints) -> Floats:
        # Two contractions at least: half of one contraction is no pattern.
        return np.where(contractions >= 2, chosen.sum(axis=0) / np.maximum(contractions, 1), np.nan)

    return {
        "late_share_20min": share(late & in_20, contractions_20),
        "variable_share_20min": share(variable & in_20, contractions_20),
        "late_or_prolonged_share_20min": share((late | prolonged) & in_20, contractions_20),
        "late_or_prolonged_share_30min": share((late | prolonged) & in_30, contractions_30),
        "deceleration_share_30min": share((kinds != Kind.NONE) & in_30, contractions_30),
        "late_or_variable_30min": ((late | variable) & in_30).sum(axis=0).astype(np.float64),
        "prolonged_30min": (prolonged & in_30).sum(axis=0).astype(np.float64),
    }
