"""Kinds of deceleration, from the shape of the fall and the relation to the contraction, by a rule set's numbers."""

from enum import IntEnum
from typing import NamedTuple

from msgspec import Struct

from quietward.contracts.messages import HZ
from quietward.detect.core.parameters import KindLimits
from quietward.detect.core.patterns.excursions import Excursion


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


class Contraction(NamedTuple):
    """Sample indices of one contraction; of a running one `end` is now."""

    onset: int
    peak_at: int
    end: int


def nearest(found: list[Contraction], deceleration: Excursion, limits: KindLimits) -> Contraction | None:
    """Return the contraction a deceleration belongs to: the last that began before its nadir and is not long over."""
    for contraction in sorted(found, reverse=True):
        begun = contraction.onset <= deceleration.peak_at
        if begun and deceleration.onset <= contraction.end + limits.late_within_s * HZ:
            return contraction
    return None


def kind(deceleration: Excursion, contraction: Contraction | None, rule: DecelerationRule, limits: KindLimits) -> Kind:
    """Return the kind of a closed deceleration; without a contraction a gradual one stays undetermined."""
    deep = meets(deceleration.height, rule.depth_bpm, rule.strict)
    if deep and meets(deceleration.length_s, rule.prolonged_s, rule.strict):
        return Kind.PROLONGED
    if not meets(deceleration.length_s, rule.length_s, rule.strict):
        return Kind.NONE
    at_contraction = _at_contraction(deceleration, contraction, rule, limits)
    if deceleration.fall_s < rule.abrupt_below_s and not (
        at_contraction is not Kind.UNDETERMINED and _gradual_within_doubt(deceleration, rule, limits)
    ):
        return Kind.VARIABLE if deep else Kind.NONE
    return at_contraction if meets(deceleration.height, rule.gradual_depth_bpm, rule.strict) else Kind.NONE


def _at_contraction(x: Excursion, contraction: Contraction | None, rule: DecelerationRule, limits: KindLimits) -> Kind:
    """Return what a gradual deceleration is by its place at the contraction."""
    if contraction is None:
        return Kind.UNDETERMINED
    lag_s = (x.peak_at - contraction.peak_at) / HZ
    if abs(lag_s) <= limits.early_within_s:
        return Kind.EARLY
    late = (
        lag_s > 0
        and (x.onset - contraction.onset) / HZ > rule.late_onset_after_s
        and x.end > contraction.end
        and (x.end - x.peak_at) / HZ > rule.late_return_over_s
    )
    return Kind.LATE if late else Kind.UNDETERMINED


def _gradual_within_doubt(x: Excursion, rule: DecelerationRule, limits: KindLimits) -> bool:
    back_s = (x.end - x.peak_at) / HZ
    return (
        not x.exact
        and x.fall_s >= rule.abrupt_below_s - limits.doubt_s
        and back_s >= rule.abrupt_below_s - limits.doubt_s
    )


def meets(value: float, limit: float, strict: bool) -> bool:
    """Compare with a definition's limit: more than it if strict, at least it otherwise."""
    return value > limit if strict else value >= limit
