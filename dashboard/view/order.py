"""Pure: which bed comes first, and how it stays in its place while little changes."""

from collections.abc import Mapping
from math import inf

from msgspec import Struct

from quietward.dashboard.view.view_model import Card

RANK = {"team": 8, "bedside": 7, "unwatched": 6, "lost": 5, "look": 4, "paused": 3, "shelved": 2, "quiet": 0}
STEP = 10.0
"""Width of a step of the concern."""
BEYOND = 3.0
"""A bed changes its step only when its concern is further than this beyond the step's edge."""


class Place(Struct, frozen=True):
    """What is remembered of a bed's place.

    level_since: of its level, by the bed's clock; began: the same moment by the server's clock, reckoned once, for the
    beds' own clocks may differ, and a moment that is reckoned anew every second would tremble.
    """

    step: int
    level_since: int | None
    began: float


def in_order(cards: list[Card], before: Mapping[str, Place], now_ms: int) -> tuple[list[Card], dict[str, Place]]:
    """Return the beds, the one that needs somebody first, and their places for the next call.

    Beds of the same state: unanswered before answered, then by concern in steps, then the longest unanswered, then by
    name.
    """
    places = {c.bed: _place(c, before.get(c.bed), now_ms) for c in cards}

    def key(c: Card) -> tuple[int, bool, int, float, tuple[int, str]]:
        return (-RANK[c.state], c.acknowledged_by is not None, -places[c.bed].step, _waits_since(c), natural(c.bed))

    def _waits_since(c: Card) -> float:
        return places[c.bed].began if c.waiting_s is not None else inf

    return sorted(cards, key=key), places


def _place(c: Card, before: Place | None, now_ms: int) -> Place:
    step = _step(c.concern or 0.0, None if before is None else before.step)
    if before is not None and before.level_since == c.level_since:
        return Place(step, c.level_since, before.began)
    return Place(step, c.level_since, now_ms - (c.level_s or 0.0) * 1000)


def _step(concern: float, before: int | None) -> int:
    if before is not None and before * STEP - BEYOND <= concern <= (before + 1) * STEP + BEYOND:
        return before
    return int(concern // STEP)


def natural(bed: str) -> tuple[int, str]:
    """Return a key that orders bed-2 before bed-10."""
    digits = "".join(ch for ch in bed if ch.isdecimal())
    return (int(digits) if digits else 0, bed)
