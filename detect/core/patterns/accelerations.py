"""What counts as an acceleration, by a rule set's numbers."""

from enum import IntEnum

from msgspec import Struct

from quietward.detect.core.compiled import compiled
from quietward.detect.core.patterns.decelerations import meets
from quietward.detect.core.patterns.excursions import Excursion, fall_s, length_s


class Rise(IntEnum):
    """What a rise of the FHR is under a rule set."""

    NONE = 0
    ACCELERATION = 1
    PROLONGED = 2

    @property
    def word(self) -> str:
        """The trade's word."""
        return ("none", "acceleration", "prolonged acceleration")[self]


class AccelerationRule(Struct, frozen=True, forbid_unknown_fields=True):
    """A rule set's definition. strict: more than, instead of at least, for height and length.

    early_...: before so many weeks of gestation smaller ones count.
    """

    height_bpm: float
    length_s: float
    strict: bool
    rise_below_s: float
    prolonged_s: float
    early_before_weeks: int
    early_height_bpm: float
    early_length_s: float


@compiled
def rise(x: Excursion, rule: AccelerationRule, weeks: int) -> int:
    """Return what a closed rise is. weeks: completed weeks of gestation, 0 when not said (then: at term)."""
    is_early = 0 < weeks < rule.early_before_weeks
    least_bpm = rule.early_height_bpm if is_early else rule.height_bpm
    least_s = rule.early_length_s if is_early else rule.length_s
    if not meets(x.height, least_bpm, rule.strict) or not meets(length_s(x), least_s, rule.strict):
        return Rise.NONE
    if fall_s(x) >= rule.rise_below_s:
        return Rise.NONE
    return Rise.PROLONGED if length_s(x) >= rule.prolonged_s else Rise.ACCELERATION
