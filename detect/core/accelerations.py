"""What counts as an acceleration, by a rule set's numbers."""

from enum import IntEnum

from msgspec import Struct

from detect.core.decelerations import meets
from detect.core.excursions import Excursion


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
    """A rule set's definition. strict: more than, instead of at least, for height and length."""

    height_bpm: float
    length_s: float
    strict: bool
    rise_below_s: float
    prolonged_s: float


def rise(x: Excursion, rule: AccelerationRule) -> Rise:
    """Return what a closed rise is."""
    if not meets(x.height, rule.height_bpm, rule.strict) or not meets(x.length_s, rule.length_s, rule.strict):
        return Rise.NONE
    if x.fall_s >= rule.rise_below_s:
        return Rise.NONE
    return Rise.PROLONGED if x.length_s >= rule.prolonged_s else Rise.ACCELERATION
