"""Kinds of deceleration, from the shape of the fall and the relation to the contraction, by a rule set's numbers."""

from enum import IntEnum

from msgspec import Struct

from quietward.contracts.fields import HZ
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
    """A rule set's definitions. strict: more than, instead of at least, for depth, length and prolonged.

    late_return_over_s: an abrupt fall behind a contraction is late, too, if it takes longer to return; 0: never.
    """

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
    """Return the kind of a closed deceleration; without a contraction a gradual one that is deep stays undetermined.

    contraction_end: of the contraction whose onset and peak are in `x`; of a running one, where it is expected to end.
    """
    is_deep = meets(x.height, rule.depth_bpm, rule.strict)
    if is_deep and meets(length_s(x), rule.prolonged_s, rule.strict):
        return Kind.PROLONGED
    if not meets(length_s(x), rule.length_s, rule.strict):
        return Kind.NONE
    doubt_s = 0.0 if x.exact else limits.doubt_s
    is_after = _is_after_contraction(x, contraction_end, rule, doubt_s)
    place = _place(x, is_after, limits)
    if _is_abrupt(x, place, rule, doubt_s):
        if not is_deep:
            return Kind.NONE
        is_slow_back = 0 < rule.late_return_over_s < _back_s(x) + doubt_s
        return Kind.LATE if is_after and is_slow_back else Kind.VARIABLE
    if not is_deep and place == Kind.UNDETERMINED:
        return Kind.NONE  # what is shallow counts by its place at a contraction, or not at all
    return place if meets(x.height, rule.gradual_depth_bpm, rule.strict) else Kind.NONE


@compiled
def return_decides(x: Excursion, found: int, rule: DecelerationRule) -> bool:
    """Return whether an abrupt fall that is still open is variable so far, and would be late if it returned slowly."""
    begins_after = (x.onset - x.contraction_onset) / HZ > rule.late_onset_after_s and x.peak_at > x.contraction_peak
    return bool(found == Kind.VARIABLE and rule.late_return_over_s > 0 and begins_after and x.contraction_onset > 0)


@compiled
def _is_abrupt(x: Excursion, place: int, rule: DecelerationRule, doubt_s: float) -> bool:
    """Return whether the way down is abrupt; seen through variability and in doubt, return and place decide."""
    over_s = fall_s(x) - rule.abrupt_below_s
    if place == Kind.UNDETERMINED:
        return over_s < 0 or (doubt_s > 0 and over_s < doubt_s)
    is_doubtful = over_s < 0 and over_s >= -doubt_s and _back_s(x) >= rule.abrupt_below_s
    return over_s < 0 and not is_doubtful


@compiled
def _place(x: Excursion, is_after: bool, limits: KindLimits) -> int:
    """Return what a gradual deceleration is by its place at the contraction."""
    if x.contraction_onset == LONG_AGO:
        return Kind.UNDETERMINED
    if abs(x.peak_at - x.contraction_peak) / HZ <= limits.early_within_s:
        return Kind.EARLY
    return Kind.LATE if is_after else Kind.UNDETERMINED


@compiled
def _is_after_contraction(x: Excursion, contraction_end: int, rule: DecelerationRule, doubt_s: float) -> bool:
    """Return whether onset, nadir and end come behind those of the contraction."""
    if x.contraction_onset == LONG_AGO:
        return False
    least_s = max(rule.late_onset_after_s - doubt_s, 0.0)
    begins_after = (x.onset - x.contraction_onset) / HZ > least_s
    return begins_after and x.peak_at > x.contraction_peak and x.end > contraction_end


@compiled
def _back_s(x: Excursion) -> float:
    return (x.end - x.peak_at) / HZ
