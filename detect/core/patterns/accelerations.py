"""What counts as an acceleration, by a rule set's numbers."""

from enum import IntEnum

from msgspec import Struct

from quietward.detect.core.patterns.decelerations import meets
from quietward.detect.core.patterns.excursions import Excursion


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


def rise(x: Excursion, rule: AccelerationRule, weeks: int) -> Rise:
    """Return what a closed rise is. weeks: completed weeks of gestation, 0 when not said (then: at term)."""
    early = 0 < weeks < rule.early_before_weeks
    height_bpm, length_s = (rule.early_height_bpm, rule.early_length_s) if early else (rule.height_bpm, rule.length_s)
    if not meets(x.height, height_bpm, rule.strict) or not meets(x.length_s, length_s, rule.strict):
        return Rise.NONE
    if x.fall_s >= rule.rise_below_s:
        return Rise.NONE
    return Rise.PROLONGED if x.length_s >= rule.prolonged_s else Rise.ACCELERATION
