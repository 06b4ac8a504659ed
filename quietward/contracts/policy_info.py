"""What the page must know of the attention policy and the rule sets that the detector runs."""

import msgspec
from msgspec import Struct


class AdjustableLimit(Struct, frozen=True):
    """A condition whose limit may be changed for a single bed, and the bounds of that."""

    condition: str
    measure: str
    limit: float
    lowest: float
    highest: float


class RuleSetInfo(Struct, frozen=True):
    """What makes a deceleration one, and of which kind, under a published rule set.

    One that falls in less than `abrupt_below_s` is abrupt. Within `abrupt_doubt_s` of that, the way back and its place
    at the contraction decide.
    """

    name: str
    depth_bpm: float
    gradual_depth_bpm: float
    length_s: float
    prolonged_s: float
    abrupt_below_s: float
    abrupt_doubt_s: float
    late_onset_after_s: float


class PolicyInfo(Struct, frozen=True):
    """What the page must know of the attention policy and the rule sets that the detector runs."""

    name: str
    rules: str
    longest_shelve_s: int
    longest_shelve_bedside_s: int
    longest_pause_s: int
    longest_limit_s: int
    helps_within_s: int
    limits: list[AdjustableLimit]
    rule_sets: list[RuleSetInfo] = []
    risks: list[str] = []
    undo_stay_s: int = 0


decode_policy_info = msgspec.json.Decoder(PolicyInfo).decode
