"""Kinds of deceleration, from the shape of the fall and the relation to the contraction, by a rule set's numbers."""

from enum import IntEnum

from msgspec import Struct

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import LONG_AGO
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import KindLimits
from quietward.detect.core.patterns.excursions import Excursion, fall_s, length_s


class Kind(IntEnum):
    """What a fall of the FHR is under a rule set. NONE: does not meet its definition of a deceleration."""

    NONE = 0
    EARLY = 1
    LATE = 2
    VARIABLE = 3
    PROLONGED = 4
    UNDETERMINED = 5

    @property
    def word(self) -> str:
        """The trade's word."""
        return self.name.lower()


class DecelerationRule(Struct, frozen=True, forbid_unknown_fields=True):
    """A rule set's definitions. strict: more than, instead of at least, for depth, length and prolonged."""

    depth_bpm: float
    length_s: float
    strict: bool
    abrupt_below_s: float
    gradual_depth_bpm: float
    prolonged_s: float
    late_onset_after_s: float
    late_return_over_s: float


@compiled
def meets(value: float, limit: float, strict: bool) -> bool:
    """Compare with a definition's limit: more than it if strict, at least it otherwise."""
    return value > limit if strict else value >= limit


@compiled
def kind(x: Excursion, contraction_end: int, rule: DecelerationRule, limits: KindLimits) -> int:
    """Return the kind of a closed deceleration; without a contraction a gradual one stays undetermined.

    contraction_end: of the contraction whose onset and peak are in `x`; of a running one it is now.
    """
    is_deep = meets(x.height, rule.depth_bpm, rule.strict)
    if is_deep and meets(length_s(x), rule.prolonged_s, rule.strict):
        return Kind.PROLONGED
    if not meets(length_s(x), rule.length_s, rule.strict):
        return Kind.NONE
    at_contraction = _at_contraction(x, contraction_end, rule, limits)
    is_abrupt = fall_s(x) < rule.abrupt_below_s
    if is_abrupt and at_contraction != Kind.UNDETERMINED and _is_gradual_within_doubt(x, rule, limits):
        is_abrupt = False  # seen through variability, and its place says the same
    if is_abrupt:
        return Kind.VARIABLE if is_deep else Kind.NONE
    return at_contraction if meets(x.height, rule.gradual_depth_bpm, rule.strict) else Kind.NONE


@compiled
def _at_contraction(x: Excursion, contraction_end: int, rule: DecelerationRule, limits: KindLimits) -> int:
    """Return what a gradual deceleration is by its place at the contraction."""
    if x.contraction_onset == LONG_AGO:
        return Kind.UNDETERMINED
    lag_s = (x.peak_at - x.contraction_peak) / HZ
    if abs(lag_s) <= limits.early_within_s:
        return Kind.EARLY
    is_late = (
        lag_s > 0
        and (x.onset - x.contraction_onset) / HZ > rule.late_onset_after_s
        and x.end > contraction_end
        and (x.end - x.peak_at) / HZ > rule.late_return_over_s
    )
    return Kind.LATE if is_late else Kind.UNDETERMINED


@compiled
def _is_gradual_within_doubt(x: Excursion, rule: DecelerationRule, limits: KindLimits) -> bool:
    least_s = rule.abrupt_below_s - limits.doubt_s
    return not x.exact and fall_s(x) >= least_s and (x.end - x.peak_at) / HZ >= least_s
