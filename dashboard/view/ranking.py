"""Pure: which bed comes first on the page. Beds keep their places while little changes, so that they can be found."""

from collections.abc import Mapping
from math import inf

from msgspec import Struct

from quietward.dashboard.view.view_model import Card

STATE_RANK = {
    "team": 7, "bedside": 6, "unwatched": 5, "look": 4, "lost": 3, "paused": 2, "noted": 1, "quiet": 0, "empty": -1,
}  # fmt: skip
"""A bed whose signal is lost stands where its flag puts it, and above all that ask for nobody where it has none."""
CONCERN_STEP = 10.0
HYSTERESIS = 3.0
"""A bed changes its step of concern only when its concern is more than this beyond the step's edge."""


class Ranking(Struct, frozen=True):
    """What is remembered of a bed's rank.

    concern_step: its concern in whole steps. level_since: of its level, in ms by the bed's clock. level_began: the same
    in ms by the server's clock. It is computed once, when the level begins: beds may have clocks of their own, and a
    time that is computed anew every second would jitter.
    """

    concern_step: int
    level_since: int | None
    level_began: float


def rank_beds(cards: list[Card], before: Mapping[str, Ranking], now_ms: int) -> tuple[list[Card], dict[str, Ranking]]:
    """Return the beds, the one that needs somebody most first, and what to pass as `before` to the next call.

    Beds of the same state: unanswered before answered, then by concern in steps, then the longest unanswered, then by
    name. A shelved bed stands with those of the level that its shelf hides, as if it were answered.
    """
    rankings = {c.bed: _ranking(c, before.get(c.bed), now_ms) for c in cards}

    def unanswered_since(c: Card) -> float:
        return rankings[c.bed].level_began if c.waiting_s is not None else inf

    def key(c: Card) -> tuple[int, bool, int, float, tuple[int, str]]:
        is_answered = c.acknowledged_by is not None or c.hides != ""
        step = rankings[c.bed].concern_step
        return (-_rank_of_state(c), is_answered, -step, unanswered_since(c), natural_key(c.bed))

    return sorted(cards, key=key), rankings


def _rank_of_state(c: Card) -> int:
    rank = STATE_RANK[c.hides or c.state]
    return max(rank, STATE_RANK[c.level]) if c.flag is not None else rank


def _ranking(c: Card, before: Ranking | None, now_ms: int) -> Ranking:
    step = _concern_step(c.concern or 0.0, None if before is None else before.concern_step)
    if before is not None and before.level_since == c.level_since:
        return Ranking(step, c.level_since, before.level_began)
    return Ranking(step, c.level_since, now_ms - (c.level_s or 0.0) * 1000)


def _concern_step(concern: float, before: int | None) -> int:
    if before is not None and before * CONCERN_STEP - HYSTERESIS <= concern <= (before + 1) * CONCERN_STEP + HYSTERESIS:
        return before
    return int(concern // CONCERN_STEP)


def natural_key(bed: str) -> tuple[int, str]:
    """Return a key that orders bed-2 before bed-10."""
    digits = "".join(ch for ch in bed if ch.isdecimal())
    return (int(digits) if digits else 0, bed)
