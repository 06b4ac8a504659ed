"""Findings: every number that a rule set, the concern or the attention policy may ask for, by name, as last measured.

NaN means "cannot be said"; a comparison with it never holds. They are measured anew every few seconds (`look.every_s`),
and at once when the level has changed; in between they stay. How each is measured is in `measuring`.
"""

from typing import NamedTuple

import numpy as np

from quietward.detect.core.arrays import Bools, Floats, Ints, array
from quietward.detect.core.compiled import compiled


class Measure(NamedTuple):
    """What rule files may ask for. depends: its value depends on a rule set's definitions, so only rule sets may.

    unit: of its value; shares are 0 to 1. Keys in backquotes are those of `reading.toml`.
    """

    name: str
    unit: str
    meaning: str
    depends: bool = False


MEASURES = {
    measure.name: measure
    for measure in (
        Measure("baseline_bpm", "bpm", "baseline; NaN while undetermined"),
        Measure(
            "baseline_30min_bpm",
            "bpm",
            "mean baseline of the last 30 minutes, of the minutes in which it was determined",
        ),
        Measure(
            "baseline_change_1h_bpm",
            "bpm",
            "baseline less its mean in the ten minutes around an hour ago; NaN: one of them is not known",
        ),
        Measure("baseline_below_100_s", "s", "how long the baseline has been below 100 bpm"),
        Measure("baseline_below_110_s", "s", "how long the baseline has been below 110 bpm"),
        Measure("baseline_above_160_s", "s", "how long the baseline has been above 160 bpm"),
        Measure("baseline_unknown_s", "s", "how long the baseline has been undetermined; 0: it is known"),
        Measure(
            "variability_bpm", "bpm", "mean bandwidth of the last 10 minutes, excursions left out, rounded to 1 bpm"
        ),
        Measure(
            "variability_change_1h_bpm",
            "bpm",
            "variability less the mean bandwidth of the ten minutes around an hour ago; NaN: one of them is not known",
        ),
        Measure("low_variability_min", "min", "minutes in a row with low variability (`variability.low_below_bpm`)"),
        Measure("high_variability_min", "min", "minutes in a row with high variability (`variability.high_above_bpm`)"),
        Measure(
            "low_variability_share_30min",
            "share",
            "share of the last 30 minutes' known minutes with a bandwidth up to `notable.low_variability_bpm`",
        ),
        Measure(
            "smooth_share_30min",
            "share",
            "share of the last 30 minutes' known minutes with a fine bandwidth below `notable.smooth_below_bpm`",
        ),
        Measure("sinusoidal_min", "min", "minutes in a row with a smooth wave (`sinusoidal`)"),
        Measure("low_fhr_share_30min", "share", "share of usable FHR below `notable.low_fhr_bpm` in 30 minutes"),
        Measure("decelerations_30min", "count", "decelerations that began in the last 30 minutes"),
        Measure(
            "unrelated_decelerations_30min",
            "count",
            "the same, where fewer than two contractions began in 20 minutes, so that they belong to none; else 0",
        ),
        Measure(
            "deceleration_area_30min",
            "bpm x min in 10 min",
            "their area in 10 min of usable FHR, a running one included",
        ),
        Measure("severe_decelerations_30min", "count", "those that are long, and deep or low (`notable.severe_...`)"),
        Measure("deepest_30min_bpm", "bpm", "depth of the deepest"),
        Measure(
            "repeated_or_long_depth_30min_bpm",
            "bpm",
            "depth that three of them reach, or a long one by itself (`notable.prolonged_s`), a running one included",
        ),
        Measure("longest_30min_s", "s", "length of the longest, a running one included"),
        Measure("late_share_20min", "share", "late decelerations per contraction in 20 minutes", depends=True),
        Measure("variable_share_20min", "share", "variable decelerations per contraction in 20 minutes", depends=True),
        Measure(
            "late_or_prolonged_share_20min",
            "share",
            "late and prolonged decelerations per contraction in 20 minutes",
            depends=True,
        ),
        Measure(
            "late_or_prolonged_share_30min",
            "share",
            "late and prolonged decelerations per contraction in 30 minutes",
            depends=True,
        ),
        Measure(
            "deceleration_share_30min", "share", "decelerations of any kind per contraction in 30 minutes", depends=True
        ),
        Measure("late_or_variable_30min", "count", "late and variable decelerations in 30 minutes", depends=True),
        Measure("prolonged_30min", "count", "prolonged decelerations in 30 minutes", depends=True),
        Measure(
            "recovery_between_s", "s", "mean time from the end of a deceleration to the start of the next in 30 minutes"
        ),
        Measure(
            "decelerations_10min",
            "count",
            "decelerations that began in the last 10 minutes, a running one included (`notable.deceleration_...`)",
        ),
        Measure("deceleration_area_10min", "bpm x min", "their area, a running one included"),
        Measure(
            "running_s",
            "s",
            "length of the deceleration that is going on, a return from a rise of the last hour left out; "
            "0: there is none, NaN: the end of the last was not seen",
        ),
        Measure("running_depth_bpm", "bpm", "its depth so far; below what was usual before such a rise"),
        Measure("running_mean_depth_bpm", "bpm", "its mean depth so far, over the samples that were there"),
        Measure("earlier_baseline_bpm", "bpm", "baseline before a fall that is not back; NaN: there is none"),
        Measure("earlier_baseline_s", "s", "how long ago that fall began; NaN: there is none"),
        Measure(
            "below_earlier_bpm",
            "bpm",
            "how far the baseline, or the FHR until it was back, is below; 0: no such fall, NaN: it cannot be said",
        ),
        Measure(
            "fall_unseen_s",
            "s",
            "for how long a deceleration has not been seen that nothing has shown to be over, less what was seen of it "
            "since (`earlier.seen_counts`); 0: enough of it is seen, or there is none",
        ),
        Measure("fall_seen_s", "s", "how long it had gone on by then; 0: there is none"),
        Measure("fall_seen_bpm", "bpm", "how far the FHR was below the baseline then; 0: there is none"),
        Measure("accelerations_30min", "count", "accelerations that began in the last 30 minutes; 48 at most"),
        Measure("contractions_per_10min", "in 10 min", "contractions, averaged over 30 minutes"),
        Measure(
            "contractions_busiest_20min",
            "count",
            "the smaller of the counts in the last two 10-minute windows, or in the two before",
        ),
        Measure(
            "tachysystole",
            "1 or 0",
            "whether there are more contractions than the rule set allows, for the stage of labour",
            depends=True,
        ),
        Measure("contraction_interval_s", "s", "mean interval from start to start in 30 minutes"),
        Measure("contraction_duration_s", "s", "mean duration in 30 minutes"),
        Measure("contraction_rest_s", "s", "mean time from the end of one to the start of the next in 30 minutes"),
        Measure(
            "contraction_interval_change",
            "ratio",
            "mean interval of the last 30 minutes over that of the 30 before; below 1: closer",
        ),
        Measure("contraction_duration_change", "ratio", "the same for the duration; above 1: longer"),
        Measure("contraction_since_s", "s", "time since the start of the last contraction"),
        Measure(
            "unread_contractions_30min",
            "count",
            "contractions that began in 30 minutes, of which too little of the FHR could be used "
            "(`notable.read_share`) until they were seen to be over",
        ),
        Measure("second_stage", "1 or 0", "whether the device says so"),
        Measure("weeks", "weeks", "completed weeks of gestation; NaN where the device does not say"),
        Measure("fhr_usable_30min", "share", "share of FHR samples that could be used in 30 minutes"),
        Measure("fhr_usable_1min", "share", "the same for the last minute"),
        Measure("ua_flat", "1 or 0", "whether the UA is there and does nothing: no contraction can be seen"),
        Measure("ua_usable_30min", "share", "share of UA samples that were there and not flat in 30 minutes"),
        Measure(
            "near_mother_1min",
            "share",
            "share of the last minute's FHR near the mother's pulse (`signal.mother_within_bpm`)",
        ),
        Measure("near_mother_10min", "share", "share of all samples of the last 10 minutes at which it was so"),
        Measure(
            "stepped",
            "1 or 0",
            "whether the FHR is where it was not seen to go: it jumped, or stepped to another level (`step`)",
        ),
        Measure(
            "same_as_twin_1min",
            "share",
            "share of the last minute's samples at which a second twin's FHR is that of the first "
            "(`twins.within_bpm`), 0 where they do not move alike or there is one fetus; NaN: too few samples of both",
        ),
        Measure("signal_lost_s", "s", "how long nothing usable has come"),
        Measure("same_value_s", "s", "of how many seconds in a row each FHR value was the same; gaps left out"),
        Measure("observed_min", "min", "time since the bed began"),
    )
}
"""Every measure by its name. A rule file that asks for another is refused with the names of those it may ask for."""


def same_for_all() -> set[str]:
    """Return the measures that are the same under each rule set: what the concern and what calls may ask for."""
    return {measure.name for measure in MEASURES.values() if not measure.depends}


Measures = dict[str, Floats]

(
    BASELINE_BPM,
    BASELINE_30MIN_BPM,
    BASELINE_CHANGE_1H_BPM,
    BASELINE_BELOW_100_S,
    BASELINE_BELOW_110_S,
    BASELINE_ABOVE_160_S,
    BASELINE_UNKNOWN_S,
    VARIABILITY_BPM,
    VARIABILITY_CHANGE_1H_BPM,
    LOW_VARIABILITY_MIN,
    HIGH_VARIABILITY_MIN,
    LOW_VARIABILITY_SHARE_30MIN,
    SMOOTH_SHARE_30MIN,
    SINUSOIDAL_MIN,
    LOW_FHR_SHARE_30MIN,
    DECELERATIONS_30MIN,
    UNRELATED_DECELERATIONS_30MIN,
    DECELERATION_AREA_30MIN,
    SEVERE_DECELERATIONS_30MIN,
    DEEPEST_30MIN_BPM,
    REPEATED_OR_LONG_DEPTH_30MIN_BPM,
    LONGEST_30MIN_S,
    LATE_SHARE_20MIN,
    VARIABLE_SHARE_20MIN,
    LATE_OR_PROLONGED_SHARE_20MIN,
    LATE_OR_PROLONGED_SHARE_30MIN,
    DECELERATION_SHARE_30MIN,
    LATE_OR_VARIABLE_30MIN,
    PROLONGED_30MIN,
    RECOVERY_BETWEEN_S,
    DECELERATIONS_10MIN,
    DECELERATION_AREA_10MIN,
    RUNNING_S,
    RUNNING_DEPTH_BPM,
    RUNNING_MEAN_DEPTH_BPM,
    EARLIER_BASELINE_BPM,
    EARLIER_BASELINE_S,
    BELOW_EARLIER_BPM,
    FALL_UNSEEN_S,
    FALL_SEEN_S,
    FALL_SEEN_BPM,
    ACCELERATIONS_30MIN,
    CONTRACTIONS_PER_10MIN,
    CONTRACTIONS_BUSIEST_20MIN,
    TACHYSYSTOLE,
    CONTRACTION_INTERVAL_S,
    CONTRACTION_DURATION_S,
    CONTRACTION_REST_S,
    CONTRACTION_INTERVAL_CHANGE,
    CONTRACTION_DURATION_CHANGE,
    CONTRACTION_SINCE_S,
    UNREAD_CONTRACTIONS_30MIN,
    SECOND_STAGE,
    WEEKS,
    FHR_USABLE_30MIN,
    FHR_USABLE_1MIN,
    UA_FLAT,
    UA_USABLE_30MIN,
    NEAR_MOTHER_1MIN,
    NEAR_MOTHER_10MIN,
    STEPPED,
    SAME_AS_TWIN_1MIN,
    SIGNAL_LOST_S,
    SAME_VALUE_S,
    OBSERVED_MIN,
    CONCERN,
    CONCERN_CLASS,
) = range(len(MEASURES) + 2)
"""Rows of the measures, and of the concern and its class behind them."""

_ROW = {name: globals()[name.upper()] for name in MEASURES}
ASKED = _ROW | {"concern": CONCERN, "concern_class": CONCERN_CLASS}
"""Rows of all that an attention policy may ask for."""


class Findings(NamedTuple):
    """What the newest evaluation found at each bed."""

    values: Floats = array(np.nan, "rule_sets", len(ASKED))  # by row
    points: Floats = array(0.0, "findings")  # of each finding of the concern

    @property
    def concern(self) -> Floats:
        """Shape (beds,), NaN where it cannot be said."""
        concern: Floats = self.values[0, CONCERN]
        return concern


@compiled
def say(f: Findings, n: int, row: int, value: float) -> None:
    """Write a measure of bed n that is the same under each rule set."""
    for rule_set in range(f.values.shape[0]):
        f.values[rule_set, row, n] = value


def measures_of(f: Findings, rule_set: int) -> Measures:
    """Return the measures of all beds by name, as one rule set sees them."""
    return {name: f.values[rule_set, row] for name, row in _ROW.items()}


Values = dict[str, float]
"""The measures of one bed, NaN where one cannot be said."""


def values_of(f: Findings, rule_set: int, beds: Ints) -> list[Values]:
    """Return the measures of some beds one by one, as one rule set sees them."""
    return [dict(zip(_ROW, row, strict=False)) for row in f.values[rule_set][:, beds].T.tolist()]


def measures_at(f: Findings, rule_set: int, beds: Ints) -> Measures:
    """Return the measures of some beds by name, as one rule set sees them."""
    return dict(zip(_ROW, f.values[rule_set][:, beds], strict=False))


def tachysystole_at(f: Findings, n: int) -> list[float]:
    """Return whether bed n has too many contractions, by rule set: 1, 0, or NaN."""
    by_rule_set: list[float] = f.values[:, TACHYSYSTOLE, n].tolist()
    return by_rule_set


def asked(f: Findings, beds: Ints) -> Measures:
    """Return what an attention policy may ask of some beds: the measures, and the concern."""
    return dict(zip(ASKED, f.values[0][:, beds], strict=True))


def asked_of(f: Findings, n: int) -> Values:
    """Return the same of bed n alone."""
    return dict(zip(ASKED, f.values[0, :, n].tolist(), strict=True))


def count_silence(
    f: Findings, beds: Ints, is_first: Bools, none_since: Ints, unseen_s: Floats, second: Ints, passed_s: Ints
) -> None:
    """Nothing comes from these beds since `passed_s`; their other measures stay as they were at `second`.

    is_first: not a second twin, whose device has been said to be silent with the first. none_since: since when there
    is no FHR, -1 where there is one. unseen_s: for how long a deceleration not known to be over had not been seen, -1
    where there is none; all (m,).
    """
    before = np.where(none_since >= 0, second - none_since + 1, 0)
    f.values[:, SIGNAL_LOST_S, beds[is_first]] = (before + passed_s)[is_first]
    f.values[:, FALL_UNSEEN_S, beds] = np.where(unseen_s >= 0, unseen_s + passed_s, 0)
