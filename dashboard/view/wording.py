"""Pure: numbers and names of a summary in the words the pages and papers share."""

from quietward.contracts.messages import CARE_WORDS, HandTimed, Summary, TraceSummary

STEADY = 0.1
"""Intervals that differ by less than this share from those before are called steady."""


def number(value: float | None) -> str:
    """Return a number as it is shown; a dash for none."""
    return "–" if value is None else f"{value:.0f}"


def length(seconds: float) -> str:
    """Return how long something took."""
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"


def plain(name: str) -> str:
    """Return the name of a condition or of a measure as words."""
    return name.replace("-", " ").replace("_", " ")


def care(what: str, text: str) -> str:
    """Return what was done; `other` is what was written, and what was written beside a named thing stands behind it."""
    named = CARE_WORDS.get(what, what)
    if what == "other":
        return text or named
    return named if text in ("", named) else f"{named} ({text})"


def held_back(text: str) -> str:
    """Return "name-of-a-condition: why" with the name as words."""
    name, colon, why = text.partition(":")
    return f"{plain(name)}{colon}{why}" if colon else text


def timing(interval_s: float | None, duration_s: float | None) -> str:
    """Return how often contractions begin and how long they last; a dash where that cannot be said."""
    if interval_s is None:
        return "–"
    lasting = "" if duration_s is None else f", {duration_s:.0f} s"
    return f"every {interval_s / 60:.1f} min{lasting}"


def rate(s: Summary) -> str:
    """Return how many contractions there are, the rest between them, and whether they are too many."""
    c = s.contractions
    too_many = f", tachysystole by {' and '.join(c.tachysystole)}" if c.tachysystole else ""
    rest = "" if c.rest_s is None else f", {c.rest_s:.0f} s between"
    return "–" if c.per_10min is None else f"{c.per_10min:.1f} in 10 min{rest}{too_many}"


def hand(h: HandTimed) -> str:
    """Return in one line what contractions timed by hand say."""
    counted = f"hand-timed, {h.count} in 30 min"
    if h.interval_s is None:
        return f"{counted}; the interval is known from the second one on"
    lasting = "" if h.duration_s is None else f", {h.duration_s:.0f} s long"
    every = f"every {h.interval_s / 60:.1f} min from start to start{lasting}"
    return "; ".join(filter(None, [every, _trend(h.change), counted]))


def _trend(change: float | None) -> str:
    if change is None:
        return ""
    if abs(change - 1) < STEADY:
        return "steady"
    return f"{'closer together' if change < 1 else 'further apart'} than half an hour before ({change:.0%})"


MEASURES = (
    ("decelerations", "decelerations", ""),
    ("deepest_bpm", "deepest", "bpm"),
    ("area_bpm_min", "area", "bpm min"),
    ("baseline_bpm", "baseline", "bpm"),
    ("variability_bpm", "variability", "bpm"),
    ("contractions", "contractions", ""),
)
"""What is compared of the stretches before and after something was done: field, word, unit."""


def compared(before: TraceSummary, after: TraceSummary | None) -> list[tuple[str, str, str, str]]:
    """Return word, value before, value after and unit of every measure; after is empty until it is time."""
    return [
        (word, number(getattr(before, name)), "" if after is None else number(getattr(after, name)), unit)
        for name, word, unit in MEASURES
    ]
