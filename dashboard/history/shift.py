"""Pure: what happened on a ward in the last hours: flags, answers and waits of all beds, and what they add up to.

Beds may have clocks of their own. All times here are seconds before the bed's own now, so that they lie side by side.
"""

from bisect import bisect_left
from collections import Counter
from statistics import quantiles

from msgspec import Struct

from quietward.contracts.messages import Event
from quietward.dashboard.history.flags import Story, Wait, stories
from quietward.dashboard.view import wording

PROMPT_S = 300.0
"""An answer within so long counts as prompt (our own; that of the studies)."""
RATE_S = 600.0
"""Alarm rates are counted per ten minutes (alarm management by IEC 62682; from memory)."""
MINUTE_S = 60.0
"""A point of the trend says that the minute before it was looked at."""


class Stretch(Struct, frozen=True):
    """A level that lasted; waits: nobody had answered it."""

    from_s: float
    until_s: float
    level: str
    waits: bool
    text: str


class Moment(Struct, frozen=True):
    """Something people did."""

    at_s: float
    what: str
    by: str


class BedHours(Struct, frozen=True):
    """One bed in the last hours. nothing: from when to when no minute is on record: nobody watched, or no signal came.

    now: ms by its own clock; 0 s of all its times. since_s: beginning of what is on record.
    """

    bed: str
    now: int
    since_s: float
    flags: list[Stretch]
    nothing: list[tuple[float, float]]
    done: list[Moment]
    calls: int
    longest_wait_s: float | None
    waits_s: float | None


class Figure(Struct, frozen=True):
    """A number about the ward, in words."""

    name: str
    value: str
    meaning: str


class Shift(Struct, frozen=True):
    """All beds in the last hours, and the figures."""

    hours: float
    beds: list[BedHours]
    figures: list[Figure]


class Kept(Struct, frozen=True):
    """What is on record of a bed: its log, oldest first, and the moments of its trend, both in ms by its clock."""

    bed: str
    now: int
    log: list[Event]
    minutes: list[int]


def shift(kept: list[Kept], hours: float) -> Shift:
    """Return the last hours of the beds, in the order given."""
    found = [(one, _within(one, hours)) for one in kept]
    beds = [_bed(one, told, hours) for one, told in found]
    return Shift(hours, beds, _figures(found, beds, hours))


def _within(kept: Kept, hours: float) -> list[Story]:
    begins = kept.now - hours * 3_600_000
    return [s for s in stories(kept.log) if s.over_at is None or s.last_at >= begins]


def _bed(kept: Kept, told: list[Story], hours: float) -> BedHours:
    begins_s = -hours * 3600
    oldest = min([event.t for event in kept.log[:1]] + kept.minutes[:1], default=kept.now)
    since_s = max(begins_s, _ago(kept, oldest))
    waits = [w for s in told for w in s.waits if w.until is None or _ago(kept, w.until) >= begins_s]
    lengths = [w.length_s(kept.now) for w in waits]
    return BedHours(
        bed=kept.bed,
        now=kept.now,
        since_s=since_s,
        flags=[stretch for s in told for stretch in _stretches(kept, s, begins_s)],
        nothing=_gaps([_ago(kept, t) for t in kept.minutes], since_s if kept.minutes else begins_s),
        done=[
            Moment(_ago(kept, e.t), _done(e), str(e.detail.get("by") or "–"))
            for e in kept.log if e.kind in ("care", "pause", "flag-shelved") and _ago(kept, e.t) >= begins_s
        ],
        calls=len(_calls(kept, told, begins_s)),
        longest_wait_s=max(lengths, default=None),
        waits_s=max((w.length_s(kept.now) for w in waits if w.until is None), default=None),
    )  # fmt: skip


def _ago(kept: Kept, t: int) -> float:
    return (t - kept.now) / 1000


def _done(event: Event) -> str:
    if event.kind == "care":
        return wording.care(str(event.detail.get("what") or ""), str(event.detail.get("text") or ""))
    return event.text


def _stretches(kept: Kept, story: Story, begins_s: float) -> list[Stretch]:
    ends = [_ago(kept, step.t) for step in story.steps[1:]] + [0.0]
    found = []
    reason = story.reason
    for step, until_s in zip(story.steps, ends, strict=True):
        reason = step.text if step.waits else reason  # an answer's own words say who, and not why
        if step.level != "quiet" and until_s > begins_s:
            found.append(Stretch(max(begins_s, _ago(kept, step.t)), until_s, step.level, step.waits, reason))
    return found


def _gaps(minutes: list[float], since_s: float) -> list[tuple[float, float]]:
    """Return the gaps between points of the trend, which comes once a minute while a signal is looked at."""
    found = []
    known_until = since_s
    for at in [*(m for m in minutes if m > since_s), 0.0]:
        from_s = at - MINUTE_S
        if from_s - known_until > MINUTE_S:
            found.append((known_until, from_s if at < 0 else 0.0))
        known_until = at
    return found


def _calls(kept: Kept, told: list[Story], begins_s: float) -> list[tuple[float, str]]:
    return [(_ago(kept, t), level) for s in told for t, level in s.calls if _ago(kept, t) >= begins_s]


def _figures(found: list[tuple[Kept, list[Story]]], beds: list[BedHours], hours: float) -> list[Figure]:
    begins_s = -hours * 3600
    calls = sorted(call for kept, told in found for call in _calls(kept, told, begins_s))
    waits = [
        (w, w.length_s(kept.now)) for kept, told in found for s in told for w in s.waits
        if _ago(kept, w.from_t) >= begins_s
    ]  # fmt: skip
    events = [e for kept, _ in found for e in kept.log if _ago(kept, e.t) >= begins_s]
    bed_hours = sum(-bed.since_s for bed in beds) / 3600
    return [
        *_calls_in_words(calls, bed_hours),
        *_waits_in_words(waits),
        *_others(Counter(e.kind for e in events), events),
    ]


def _calls_in_words(calls: list[tuple[float, str]], bed_hours: float) -> list[Figure]:
    levels = Counter(level for _, level in calls)
    each = ", ".join(f"{levels[level]} {level}" for level in ("team", "bedside", "look") if levels[level])
    rate = f"{len(calls) / bed_hours:.2f}" if bed_hours > 0 else "–"
    at = [t for t, _ in calls]
    busiest = max((i + 1 - bisect_left(at, t - RATE_S) for i, t in enumerate(at)), default=0)
    return [
        Figure("Calls", f"{len(calls)}" + (f": {each}" if each else ""), "each time a flag asked for somebody"),
        Figure("Calls per bed-hour", rate, f"over {bed_hours:.1f} hours of all beds that are on record"),
        Figure("Busiest ten minutes", f"{busiest} calls", "of the whole ward"),
    ]


def _waits_in_words(waits: list[tuple[Wait, float]]) -> list[Figure]:
    answered = sorted(length for wait, length in waits if wait.answered)
    open_now = [length for wait, length in waits if wait.until is None]
    alone = sum(wait.until is not None and not wait.answered for wait, _ in waits)
    prompt = sum(length <= PROMPT_S for length in answered)
    due = len(answered) + sum(length > PROMPT_S for length in open_now)
    within = f"{prompt} of {due}" if due else "–"
    return [
        Figure("Answered within 5 minutes", within, "of those answered, and those that have waited longer"),
        Figure("Until somebody answered", _spread(answered), "median, nine in ten, longest"),
        Figure("Waiting now", _now(open_now), "nobody has answered yet"),
        Figure("Passed by themselves", f"{alone}", "their reason was over before anybody answered"),
    ]


def _spread(lengths: list[float]) -> str:
    if not lengths:
        return "–"
    tenths = quantiles(lengths, n=10, method="inclusive") if len(lengths) > 1 else lengths * 9
    return ", ".join(wording.length(s) for s in (tenths[4], tenths[8], lengths[-1]))


def _now(lengths: list[float]) -> str:
    return f"{len(lengths)}, the longest for {wording.length(max(lengths))}" if lengths else "nobody"


def _others(kinds: Counter[str], events: list[Event]) -> list[Figure]:
    results = Counter(e.detail.get("helped") for e in events if e.kind == "care-result")
    came = [f"{results[k]} {words}" for k, words in ((1.0, "helped"), (0.0, "did not help")) if results[k]]
    notes = f"{kinds['care']}" + (f": {', '.join(came)}" if came else "")
    return [
        Figure("Went up, nobody came", f"{kinds['flag-escalated']}", "the level rose for want of an answer"),
        Figure("Kept quiet", f"{kinds['held-back']}", "would have called, and did not; the log says why"),
        Figure("Shelved", f"{kinds['flag-shelved']}", "set aside by somebody for a time"),
        Figure("Care notes", notes, "what was done, and whether the trace was better afterwards"),
    ]
