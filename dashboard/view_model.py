"""Pure: what is stored, and what time it is, to what each bed's card says, and which bed comes first."""

from msgspec import Struct

from quietward.messages import Level, Signal, Summary

UNWATCHED_AFTER_MS = 10_000
"""Older looks than this are not believed: the bed is unwatched, whatever the summary says."""
PART_DEAD_AFTER_MS = 5_000
CLOCKS_AGREE_MS = 2_000
"""A look or a heartbeat that lies further ahead of our own time is of unknown age, and so not believed either."""
RANK = {
    Level.TEAM: 6, Level.BEDSIDE: 5, Signal.UNWATCHED: 4, Signal.LOST: 3, Level.LOOK: 2, Level.QUIET: 0,
}  # fmt: skip
SHAPES = {
    "team": "hexagon",
    "bedside": "triangle",
    "look": "diamond",
    "quiet": "ring",
    "lost": "gap",
    "unwatched": "cross",
}


class Card(Struct, frozen=True):
    """One bed as it is shown. `state` is a level, or `lost` or `unwatched` where a level would be a false calm."""

    bed: str
    state: str
    shape: str
    headline: str
    reason: str
    signal: str
    signal_reason: str
    age_s: float | None
    waiting_s: float | None
    fhr: str
    baseline: str
    variability: str
    contractions: str
    contraction_rate: str
    running: str
    running_from_s: float | None
    concern: float | None
    concern_parts: list[tuple[str, float]]
    classes: list[tuple[str, str, list[str]]]
    flag: str | None
    acknowledged_by: str | None
    source: str
    events: int
    t: int | None


def card(bed: str, summary: Summary | None, now_ms: int) -> Card:
    """Return what to show of a bed; summary None: its device sends, but no detector has ever looked."""
    if summary is None:
        return _never_looked_at(bed)
    s = summary
    looked_ago_ms = now_ms - s.looked_at
    ahead = looked_ago_ms < -CLOCKS_AGREE_MS
    unwatched = looked_ago_ms > UNWATCHED_AFTER_MS or ahead
    state, headline, reason = s.level.value, s.level.value, s.reason
    if unwatched:
        state = headline = "unwatched"
        since = (
            f"clocks disagree: the last look lies {-looked_ago_ms / 1000:.0f} s ahead of this server's time"
            if ahead
            else f"no detector has looked for {looked_ago_ms / 1000:.0f} s"
        )
        reason = f"{since}; last known: {s.level}. {s.reason}".strip()
    elif s.signal is Signal.LOST and s.level in (Level.QUIET, Level.LOOK):
        state, headline = "lost", "signal lost"
        reason = s.signal_reason + (f"; {s.reason}" if s.reason and "usable signal" not in s.reason else "")
    elif s.signal is Signal.LOST:
        reason = f"{s.reason}; now {s.signal_reason}"
    return Card(
        bed=bed,
        state=state,
        shape=SHAPES[state],
        headline=headline,
        reason=reason,
        signal="unwatched" if unwatched else s.signal.value,
        signal_reason=s.signal_reason,
        age_s=round((now_ms - s.at) / 1000, 1) if s.at else None,
        waiting_s=None
        if s.level_since is None or s.acknowledged_by
        else max(0.0, _device_now(s) - s.level_since / 1000),
        fhr=_number(s.fhr_bpm),
        baseline=_number(s.baseline_bpm),
        variability=_number(s.variability_bpm),
        contractions=_contractions(s),
        contraction_rate=_rate(s),
        running="" if s.running is None else f"{s.running.length_s:.0f} s, {s.running.depth_bpm:.0f} bpm deep",
        running_from_s=None if s.running is None else s.t / 1000 + 1 - s.running.length_s,
        concern=None if unwatched else s.concern,
        concern_parts=[(p.finding, p.points) for p in s.concern_parts],
        classes=[(c.rules, c.name, [*c.criteria, *c.missing]) for c in s.classes],
        flag=s.flag,
        acknowledged_by=s.acknowledged_by,
        source=s.session,
        events=s.events,
        t=s.t,
    )


def _device_now(s: Summary) -> float:
    """Return the time of the last look by the bed's own clock, in seconds: it goes on while nothing comes."""
    return (s.t + max(0, s.looked_at - s.at)) / 1000


def _never_looked_at(bed: str) -> Card:
    return Card(
        bed=bed,
        state="unwatched",
        shape=SHAPES["unwatched"],
        headline="unwatched",
        reason="its device sends, but no detector has looked at it yet",
        signal="unwatched",
        signal_reason="",
        age_s=None,
        waiting_s=None,
        fhr="–",
        baseline="–",
        variability="–",
        contractions="–",
        contraction_rate="–",
        running="",
        running_from_s=None,
        concern=None,
        concern_parts=[],
        classes=[],
        flag=None,
        acknowledged_by=None,
        source="",
        events=0,
        t=None,
    )


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f}"


def _contractions(s: Summary) -> str:
    c = s.contractions
    if c.interval_s is None:
        return "–"
    lasting = "" if c.duration_s is None else f", {c.duration_s:.0f} s"
    return f"every {c.interval_s / 60:.1f} min{lasting}"


def _rate(s: Summary) -> str:
    rate = s.contractions.per_10min
    too_many = f", tachysystole by {' and '.join(s.contractions.tachysystole)}" if s.contractions.tachysystole else ""
    rest = "" if s.contractions.rest_s is None else f", {s.contractions.rest_s:.0f} s between"
    return "–" if rate is None else f"{rate:.1f} in 10 min{rest}{too_many}"


def in_order(cards: list[Card]) -> list[Card]:
    """Return the beds, the one that needs somebody first; answered flags after unanswered ones of the same level.

    Ties go by concern in steps of ten (small changes must not make beds jump), then by name.
    """

    def key(c: Card) -> tuple[float, ...] | tuple[float, float, float, tuple[int, str]]:
        rank = RANK[Level(c.state)] if c.state in set(Level) else RANK[Signal(c.state)]
        return (-rank, float(c.acknowledged_by is not None), -((c.concern or 0.0) // 10), _natural(c.bed))

    return sorted(cards, key=key)


def _natural(bed: str) -> tuple[int, str]:
    """Order bed-2 before bed-10."""
    digits = "".join(ch for ch in bed if ch.isdecimal())
    return (int(digits) if digits else 0, bed)


def dead_parts(heartbeats: dict[str, int], expected: tuple[str, ...], now_ms: int) -> list[str]:
    """Return which parts have not been heard of lately, in words."""
    said = []
    for part in expected:
        at = heartbeats.get(part)
        if at is None:
            said.append(f"{part} has never been heard of")
        elif now_ms - at < -CLOCKS_AGREE_MS:
            said.append(f"clocks disagree: {part} is {(at - now_ms) / 1000:.0f} s ahead of this server")
        elif now_ms - at > PART_DEAD_AFTER_MS:
            said.append(f"{part} has been silent for {(now_ms - at) / 1000:.0f} s")
    return said
