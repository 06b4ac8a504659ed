"""Pure: how baseline and variability have changed against an hour ago, for the arrows beside their numbers."""

from collections.abc import Iterable
from statistics import median

from msgspec import Struct

from quietward.contracts.messages import Event

HOUR_MS = 3_600_000
WITHIN_MS = 300_000
"""The trend's points of so long before and after an hour ago are taken together: one of them may be a bad minute."""
TREND_POINTS = (HOUR_MS + WITHIN_MS) // 60_000
"""Points that must be known, one for each minute."""
BASELINE_STEP_BPM, VARIABILITY_STEP_BPM = 10.0, 5.0
"""What counts as a change (our own choice: two of the steps to which baselines are rounded, a band of variability)."""


class HourAgo(Struct, frozen=True):
    """Baseline and variability of an hour ago, in bpm; None where they are not known."""

    baseline_bpm: float | None = None
    variability_bpm: float | None = None


def hour_ago(trend: Iterable[Event], now_ms: int) -> HourAgo:
    """Return what a trend says of an hour ago. now_ms: by the bed's clock, as the times of the trend are."""
    then = [e for e in trend if abs(e.t - (now_ms - HOUR_MS)) <= WITHIN_MS]
    return HourAgo(_median(then, "baseline_bpm"), _median(then, "variability_bpm"))


def _median(events: list[Event], name: str) -> float | None:
    values = [value for e in events if isinstance(value := e.detail.get(name), float | int)]
    return median(values) if values else None


def arrow(now: float | None, before: float | None, step: float) -> str:
    """Return an arrow with the change behind it, "→" for less than a step, nothing where one of them is not known."""
    if now is None or before is None:
        return ""
    change = round(now - before)
    if abs(change) < step:
        return "→"
    return f"{'↑' if change > 0 else '↓'}{abs(change)}"
