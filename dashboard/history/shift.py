"""Pure: flags, interventions and waits of all beds over the last hours, and key figures of the whole ward.

Beds may have clocks of their own. All times here are seconds relative to the bed's own now, hence zero or negative, so
that they can be compared between beds.
"""

from bisect import bisect_left
from collections import Counter
from statistics import quantiles

from msgspec import Struct

from quietward.contracts.log import Event
from quietward.dashboard.history.flags import AlertEpisode, Wait, alert_episodes, calls_of_bed, waits_of_bed
from quietward.dashboard.view import wording

PROMPT_S = 300.0
"""A flag that is answered within this time counts as answered promptly (our own choice; the studies use the same)."""
RATE_WINDOW_S = 600.0
"""Alarm rates are counted per ten minutes (alarm management by IEC 62682; from memory)."""
TREND_STEP_S = 60.0
"""Each point of the trend covers the minute before it."""


class AlertInterval(Struct, frozen=True):
    """An interval in which a flag had one level; waits: it was unanswered; of_second: it is of a second twin."""

    from_s: float
    until_s: float
    level: str
    waits: bool
    text: str
    of_second: bool = False


class Intervention(Struct, frozen=True):
    """Something that was done at a bed: care, a pause of the monitor, a shelved flag."""

    at_s: float
    what: str
    by: str


class BedShift(Struct, frozen=True, rename={"gaps": "nothing", "interventions": "done"}):
    """The last hours of one bed.

    now: ms by the bed's clock, the zero of all its times. since_s: beginning of what the store holds. gaps: intervals
    (from, until) without a trend: no detector ran, or no signal came. waits_s: of the flag that is unanswered now.
    """

    bed: str
    now: int
    since_s: float
    flags: list[AlertInterval]
    gaps: list[tuple[float, float]]
    interventions: list[Intervention]
    calls: int
    longest_wait_s: float | None
    waits_s: float | None


class KeyFigure(Struct, frozen=True):
    """A number about the whole ward, in words."""

    name: str
    value: str
    meaning: str


class ShiftReport(Struct, frozen=True):
    """The last hours of all beds, and the ward's key figures."""

    hours: float
    beds: list[BedShift]
    figures: list[KeyFigure]


class BedLog(Struct, frozen=True):
    """Log and trend of one bed. now, trend_times: ms by the bed's clock; log and trend_times: oldest first."""

    bed: str
    now: int
    log: list[Event]
    trend_times: list[int]

    def ago_s(self, t: int) -> float:
        """Return a time of this bed in seconds relative to its now."""
        return (t - self.now) / 1000


def shift_report(logs: list[BedLog], hours: float) -> ShiftReport:
    """Return the last hours of the beds, in the order given."""
    episodes = [_recent_episodes(log, hours) for log in logs]
    beds = [_bed_shift(log, of_bed, hours) for log, of_bed in zip(logs, episodes, strict=True)]
    return ShiftReport(hours, beds, _key_figures(logs, episodes, beds, hours))


def _recent_episodes(log: BedLog, hours: float) -> list[AlertEpisode]:
    begins = log.now - hours * 3_600_000
    return [episode for episode in alert_episodes(log.log) if episode.over_at is None or episode.last_at >= begins]


def _bed_shift(log: BedLog, episodes: list[AlertEpisode], hours: float) -> BedShift:
    begins_s = -hours * 3600
    oldest = min([event.t for event in log.log[:1]] + log.trend_times[:1], default=log.now)
    since_s = max(begins_s, log.ago_s(oldest))
    waits = [
        wait for wait in waits_of_bed(episodes) if wait.until is None or log.ago_s(wait.until) >= begins_s
    ]  # fmt: skip
    return BedShift(
        bed=log.bed,
        now=log.now,
        since_s=since_s,
        flags=[interval for episode in episodes for interval in _intervals(log, episode, begins_s)],
        gaps=_gaps([log.ago_s(t) for t in log.trend_times], since_s if log.trend_times else begins_s),
        interventions=[
            Intervention(log.ago_s(event.t), _what_was_done(event), str(event.detail.get("by") or "–"))
            for event in log.log
            if event.kind in ("care", "pause", "flag-shelved") and log.ago_s(event.t) >= begins_s
        ],
        calls=len(_calls(log, episodes, begins_s)),
        longest_wait_s=max((wait.length_s(log.now) for wait in waits), default=None),
        waits_s=max((wait.length_s(log.now) for wait in waits if wait.until is None), default=None),
    )


def _what_was_done(event: Event) -> str:
    if event.kind == "care":
        return wording.care(str(event.detail.get("what") or ""), str(event.detail.get("text") or ""))
    return event.text


def _intervals(log: BedLog, episode: AlertEpisode, begins_s: float) -> list[AlertInterval]:
    ends = [log.ago_s(change.t) for change in episode.changes[1:]] + [0.0]
    intervals = []
    reason = episode.reason
    for change, until_s in zip(episode.changes, ends, strict=True):
        reason = change.text if change.waits else reason  # the text of an answer names who answered, not a reason
        if change.level != "quiet" and until_s > begins_s:
            from_s = max(begins_s, log.ago_s(change.t))
            intervals.append(AlertInterval(from_s, until_s, change.level, change.waits, reason, episode.is_of_second))
    return intervals


def _gaps(trend_s: list[float], since_s: float) -> list[tuple[float, float]]:
    """Return the gaps of a trend, which has a point for each minute in which a signal was evaluated."""
    gaps = []
    known_until = since_s
    for at in [*(t for t in trend_s if t > since_s), 0.0]:
        from_s = at - TREND_STEP_S
        if from_s - known_until > TREND_STEP_S:
            gaps.append((known_until, from_s if at < 0 else 0.0))
        known_until = at
    return gaps


def _calls(log: BedLog, episodes: list[AlertEpisode], begins_s: float) -> list[tuple[float, str]]:
    """Return time and level of every call."""
    return [(log.ago_s(t), level) for t, level in calls_of_bed(episodes) if log.ago_s(t) >= begins_s]


def _events(log: BedLog, episodes: list[AlertEpisode], begins_s: float) -> list[Event]:
    """Return what happened at a bed; of an escalation that calls nobody anew, of a twin, nothing."""
    calls = set(calls_of_bed(episodes))
    return [
        event for event in log.log
        if log.ago_s(event.t) >= begins_s
        and (event.kind != "flag-escalated" or (event.t, str(event.detail.get("level"))) in calls)
    ]  # fmt: skip


def _key_figures(
    logs: list[BedLog], episodes: list[list[AlertEpisode]], beds: list[BedShift], hours: float
) -> list[KeyFigure]:
    begins_s = -hours * 3600
    by_bed = list(zip(logs, episodes, strict=True))
    calls = sorted(call for log, of_bed in by_bed for call in _calls(log, of_bed, begins_s))
    waits = [
        (wait, wait.length_s(log.now)) for log, of_bed in by_bed for wait in waits_of_bed(of_bed)
        if log.ago_s(wait.from_t) >= begins_s
    ]  # fmt: skip
    events = [event for log, of_bed in by_bed for event in _events(log, of_bed, begins_s)]
    bed_hours = sum(-bed.since_s for bed in beds) / 3600
    return [*_figures_of_calls(calls, bed_hours), *_figures_of_waits(waits), *_figures_of_events(events)]


def _figures_of_calls(calls: list[tuple[float, str]], bed_hours: float) -> list[KeyFigure]:
    levels = Counter(level for _, level in calls)
    by_level = ", ".join(f"{levels[level]} {level}" for level in ("team", "bedside", "look") if levels[level])
    rate = f"{len(calls) / bed_hours:.2f}" if bed_hours > 0 else "–"
    at = [t for t, _ in calls]
    busiest = max((i + 1 - bisect_left(at, t - RATE_WINDOW_S) for i, t in enumerate(at)), default=0)
    count = f"{len(calls)}" + (f": {by_level}" if by_level else "")
    return [
        KeyFigure("Calls", count, "each time a flag asked for somebody"),
        KeyFigure("Calls per bed-hour", rate, f"over {bed_hours:.1f} hours of all beds that are on record"),
        KeyFigure("Busiest ten minutes", wording.counted(busiest, "call"), "of the whole ward"),
    ]


def _figures_of_waits(waits: list[tuple[Wait, float]]) -> list[KeyFigure]:
    """Return the figures of all waits, each with its length in seconds."""
    answered = sorted(length for wait, length in waits if wait.answered)
    open_now = [length for wait, length in waits if wait.until is None]
    passed = sum(wait.until is not None and not wait.answered for wait, _ in waits)
    prompt = sum(length <= PROMPT_S for length in answered)
    due = len(answered) + sum(length > PROMPT_S for length in open_now)
    share = f"{prompt} of {due}" if due else "–"
    return [
        KeyFigure("Answered within 5 minutes", share, "of those answered, and those that have waited longer"),
        KeyFigure("Until somebody answered", _spread(answered), "median, nine in ten, longest"),
        KeyFigure("Waiting now", _waiting_now(open_now), "nobody has answered yet"),
        KeyFigure("Resolved before answered", f"{passed}", "their cause was over before anybody answered"),
    ]


def _spread(lengths: list[float]) -> str:
    """Return median, 90th percentile and maximum of sorted lengths in seconds."""
    if not lengths:
        return "–"
    tenths = quantiles(lengths, n=10, method="inclusive") if len(lengths) > 1 else lengths * 9
    return ", ".join(wording.length(s) for s in (tenths[4], tenths[8], lengths[-1]))


def _waiting_now(lengths: list[float]) -> str:
    return f"{len(lengths)}, the longest for {wording.length(max(lengths))}" if lengths else "nobody"


def _figures_of_events(events: list[Event]) -> list[KeyFigure]:
    kinds = Counter(event.kind for event in events)
    results = Counter(event.detail.get("helped") for event in events if event.kind == "care-result")
    counted = [f"{results[key]} {words}" for key, words in ((1.0, "helped"), (0.0, "no improvement")) if results[key]]
    care = f"{kinds['care']}" + (f": {', '.join(counted)}" if counted else "")
    return [
        KeyFigure("Escalated unanswered", f"{kinds['flag-escalated']}", "the level rose because nobody answered"),
        KeyFigure("Suppressed", f"{kinds['held-back']}", "would have called, and did not; the log says why"),
        KeyFigure("Shelved", f"{kinds['flag-shelved']}", "set aside by somebody for a time"),
        KeyFigure("Care notes", care, "what was done, and whether the trace was better afterwards"),
    ]
