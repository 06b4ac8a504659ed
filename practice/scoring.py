"""The numbers of practice, from `scoring.toml`."""

from functools import cache
from importlib.resources import files
from typing import Annotated

from msgspec import Meta, Struct

from quietward.contracts.errors import BadRules
from quietward.contracts.tables import parse_toml_table

Share = Annotated[float, Meta(gt=0, le=1)]
Positive = Annotated[float, Meta(gt=0)]


class Points(Struct, frozen=True, forbid_unknown_fields=True):
    """What each part of an answer counts at most; what nobody knows of a strip is not counted."""

    baseline: int
    accelerations: int
    decelerations: int
    kinds: int
    next: int
    rule_class: int


class Scoring(Struct, frozen=True, forbid_unknown_fields=True):
    """What is asked for, and what counts as right; each number is explained in the file."""

    strip_min: Annotated[int, Meta(ge=10, le=30)]
    watched_before_min: Annotated[int, Meta(ge=0, le=120)]
    share_at_need: Share
    at_need_min: tuple[float, float]
    asked_deceleration_bpm: Positive
    asked_acceleration_bpm: Positive
    seen_share: Share
    overlap_share: Share
    baseline_right_bpm: Positive
    baseline_near_bpm: Positive
    baseline_near_share: Share
    one_too_high_share: Share
    points: Points


@cache
def scoring() -> Scoring:
    """Return the numbers."""
    return parse((files("quietward.practice") / "scoring.toml").read_text())


def parse(text: str) -> Scoring:
    """Return what a table says. Raises BadRules."""
    return parse_toml_table(text, Scoring, "scoring.toml", BadRules)
