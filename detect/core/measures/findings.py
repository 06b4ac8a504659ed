"""Findings: every number that a rule set, the concern or the attention policy may ask for, by name, as last measured.

NaN means "cannot be said"; a comparison with it never holds. They are measured anew every few seconds (`look.every_s`),
and at once when the level has changed; in between they stay. How each is measured is in `measuring`.
"""

from dataclasses import dataclass

import numpy as np

from quietward.detect.core.arrays import Bools, Floats, Ints, Lanes, lane

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
