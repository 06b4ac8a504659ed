"""Numbers the reading of a strip is done with, as read from `detect/rules/reading.toml`. No number is set here."""

from dataclasses import dataclass
from typing import Annotated, Literal

from msgspec import Meta, Struct

from quietward.contracts.fields import HZ, Risk


class EvaluationLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """How often a bed is evaluated: baseline, findings, attention. Divides a minute."""

    every_s: Literal[1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30, 60]


class SignalLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """What counts as a usable sample, and what the signal states mean."""

    fhr_lowest_bpm: float
    fhr_highest_bpm: float
    jump_bpm: float
    jump_within_s: float
    suspect_for_s: float
    suspect_after_gap_s: float
    gap_within_s: float
    ratio_within: float
    doubtful_for_s: Annotated[float, Meta(ge=0, le=58)]
    moves_by_bpm: Annotated[float, Meta(gt=0)]
    goes_on_bpm: Annotated[float, Meta(gt=0)]
    improbable_rise_bpm: float
    mother_within_bpm: float
    mother_share: float
    poor_below_share: float
    silent_after_s: float
    no_value_after_s: float
    shown_for_s: Annotated[float, Meta(gt=0)]
    forget_after_s: float
    wait_s: int
    missing_from_s: int
    marked_from_s: float


class TwinLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """When the rates of twins are one and the same."""

    within_bpm: Annotated[float, Meta(gt=0)]
    move_alike: Annotated[float, Meta(gt=0, le=1)]
    least_s: Annotated[float, Meta(gt=0, le=60)]
    doubtful_share: Annotated[float, Meta(gt=0, le=1)]


class StepLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """What makes a step of the level that no heart makes, and when it is no longer doubted."""

    before_s: Annotated[int, Meta(ge=2, le=60)]
    after_s: Annotated[int, Meta(ge=2, le=60)]
    gap_s: Annotated[int, Meta(ge=0, le=120)]
    least_bpm: Annotated[float, Meta(gt=0)]
    sharp_share: Annotated[float, Meta(gt=0, le=1)]
    scatter_share: Annotated[float, Meta(gt=0)]
    seen_share: Annotated[float, Meta(gt=0, le=1)]
    double_within: Annotated[float, Meta(ge=0, le=1)]
    back_s: Annotated[int, Meta(ge=2, le=60)]
    nearer_share: Annotated[float, Meta(gt=0, le=1)]
    longest_s: Annotated[int, Meta(ge=60)]


class BaselineLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """How the baseline is found."""

    window_s: int
    stretch_s: Literal[1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30, 60]
    flat_over_s: Annotated[int, Meta(ge=1, le=60)]
    flat_bpm: Annotated[float, Meta(gt=0)]
    level_within_bpm: int
    apart_bpm: float
    higher_counts: Annotated[float, Meta(ge=1)]
    mean_within_bpm: int
    identifiable_s: float
    identifiable_within_bpm: int
    hold_depth_bpm: float
    moved_bpm: float


class EarlierLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """Which levels are remembered after the FHR has left them, and until when."""

    least_fall_bpm: float
    least_rise_s: float
    back_within_bpm: float
    back_for_s: int
    glimpse_s: int
    same_within_s: int
    usual_from_bpm: float
    seen_counts: Annotated[float, Meta(ge=0)]
    remembered_s: int


class VariabilityLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """How variability is measured."""

    least_s: float
    trim_share: float
    mean_over_min: int
    assumed_bpm: float
    low_below_bpm: float
    high_above_bpm: float
    fine_short_s: float
    fine_long_s: float


class SinusoidalLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """What makes a minute sinusoidal, and when a pattern of such minutes is over."""

    slowest_per_min: int
    fastest_per_min: int
    wave_share: float
    lowest_bpm: float
    highest_bpm: float
    over_after_min: int
    least_share: float


class ExcursionNumbers(Struct, frozen=True, forbid_unknown_fields=True):
    """How one kind of departure is found; heights in the signal's own unit."""

    enter: float
    enter_share: float
    enter_at_most: float
    tolerance_share: float
    tolerance_least: float
    tolerance_at_most: float
    near: float
    slack_s: float
    leave_share: float
    leave_at_most: float
    settle_s: float
    bridge_s: float
    longest_s: float
    shallow_below: float
    shallow_longest_s: float
    min_height: float
    min_length_s: float


class ConfirmationLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """What a departure that is over must have to be named at all."""

    off_bpm: Annotated[float, Meta(ge=0)]
    off_share: Annotated[float, Meta(ge=0, le=1)]
    mean_s: Annotated[float, Meta(ge=1, le=60)]
    before_s: Annotated[float, Meta(ge=0, le=500)]
    least_s: Annotated[float, Meta(ge=1, le=500)]
    sure_bpm: Annotated[float, Meta(ge=0)]


class ShapeLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """How flanks and extreme of an ended excursion are looked at again."""

    from_variability_bpm: float
    smooth_share: float
    smooth_at_most_s: float
    before_s: float
    low_share: float
    high_share: float
    shoulder: float
    shoulder_back: Annotated[float, Meta(ge=0, le=2)]
    shoulder_ua: float
    seen_share: Annotated[float, Meta(ge=0, le=0.7)]
    ahead_share: Annotated[float, Meta(ge=0, le=1)]
    extend_share: float
    bottom_share: float
    flat_from: float
    flat_outline: Annotated[float, Meta(ge=0)]
    reference_s: Annotated[float, Meta(gt=0)]


class ToneLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """How the resting tone of the uterus is found, and when the UA is of no use."""

    window_s: int
    rest_window_s: int
    rest_share: float
    low_share: float
    high_share: float
    smooth_s: float
    flat_range: float
    still_s: Annotated[int, Meta(ge=60, le=3600)]


class KindLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """How a deceleration is related to a contraction."""

    early_within_s: float
    late_within_s: float
    doubt_s: float
    falls_as_long: Annotated[float, Meta(ge=0, le=3)]
    settled_s: Annotated[float, Meta(ge=0)]


class NotableLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """What the measures of decelerations count, beside the rule sets' own kinds."""

    deceleration_bpm: float
    deceleration_s: float
    severe_s: float
    severe_depth_bpm: float
    severe_below_bpm: float
    prolonged_s: float
    least_usable_s: float
    low_fhr_bpm: float
    low_variability_bpm: float
    low_variability_min: Annotated[int, Meta(ge=1)]
    smooth_below_bpm: float
    baseline_change_bpm: Annotated[float, Meta(gt=0)]
    least_minutes: int
    whole_ua_share: float
    contractions_after_s: float
    read_share: Annotated[float, Meta(gt=0, le=1)]
    pattern_contractions: Annotated[int, Meta(ge=1)]


class HandLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """Contractions timed by hand: what is forgotten, and when they disagree with the recorded ones."""

    longest_s: float
    least: int
    before_s: Annotated[float, Meta(ge=0, le=1800)]
    differs_share: float


class TachysystoleRule(Struct, frozen=True, forbid_unknown_fields=True):
    """A rule set's limit of contractions per 10 minutes, by stage; averaged over 30 minutes, or in two windows too."""

    over_per_10min: float
    over_per_10min_second_stage: float
    two_successive_windows: bool


class Reading(Struct, frozen=True, forbid_unknown_fields=True):
    """All of `reading.toml`."""

    look: EvaluationLimits
    signal: SignalLimits
    step: StepLimits
    baseline: BaselineLimits
    twins: TwinLimits
    earlier: EarlierLimits
    variability: VariabilityLimits
    sinusoidal: SinusoidalLimits
    deceleration: ExcursionNumbers
    acceleration: ExcursionNumbers
    contraction: ExcursionNumbers
    confirmation: ConfirmationLimits
    flanks: ShapeLimits
    tone: ToneLimits
    kind: KindLimits
    notable: NotableLimits
    hand: HandLimits


@dataclass
class ExcursionLimits:
    """ExcursionNumbers with times in samples."""

    enter: float
    enter_share: float
    enter_at_most: float
    tolerance_share: float
    tolerance_least: float
    tolerance_at_most: float
    near: float
    leave_share: float
    leave_at_most: float
    shallow_below: float
    min_height: float
    slack: int
    settle: int
    bridge: int
    longest: int
    shallow_longest: int
    min_length: int


def in_samples(numbers: ExcursionNumbers) -> ExcursionLimits:
    """Return the same with times in samples."""

    def samples(seconds: float) -> int:
        return round(seconds * HZ)

    n = numbers
    return ExcursionLimits(
        n.enter, n.enter_share, n.enter_at_most, n.tolerance_share, n.tolerance_least, n.tolerance_at_most, n.near,
        n.leave_share, n.leave_at_most, n.shallow_below, n.min_height,
        slack=samples(n.slack_s), settle=samples(n.settle_s), bridge=samples(n.bridge_s), longest=samples(n.longest_s),
        shallow_longest=samples(n.shallow_longest_s), min_length=samples(n.min_length_s),
    )  # fmt: skip


class StayLimits(Struct, frozen=True, forbid_unknown_fields=True):
    """What is said of women who come and go, as read from `detect/rules/stay.toml`.

    undo_s: how long a press can be undone; read_h: how long what remains can be read; risks: words to choose from.
    """

    undo_s: Annotated[int, Meta(ge=60, le=3600)]
    read_h: Annotated[float, Meta(gt=0, le=24 * 14)]
    risks: Annotated[list[Risk], Meta(max_length=40)]
