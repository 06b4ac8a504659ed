"""Pure: numbers and names of a summary in the words that pages and printed sheets share."""

import re

from quietward.contracts.commands import CARE_WORDS
from quietward.contracts.summary import TWIN_WORDS, HandTimed, OngoingDeceleration, Summary, TraceSummary

STEADY_WITHIN = 0.1
"""Intervals are called steady if their ratio to the earlier ones differs from 1 by less than this."""

LONGEST = 90
"""Characters of a bed's line with all that is added to it, as many as the detector's own has: a row's two lines."""
WHOLE = 1000
"""Characters of a line of which nothing is left out."""
BETWEEN = " · "
"""The facts of a line stand apart by this."""
SHORTEST = 12
"""Characters: what would be cut to fewer is left out."""
FROM_BEFORE = ("from before a restart", "from before a gap")
"""What may stand before a bed's first fact, as the detector writes it: it says nothing without that fact."""
REST = re.compile(r"(?P<rest>, (above \d|below \d|\d|few contractions|FHR mostly lost|newer data)| with \d)")
"""Where a fact may end if there is no room for all of it: what is left is as true, and has words in every language."""
WHY = re.compile(r"(?P<silent>.*\bno data for [^,]*), .*", re.IGNORECASE)
"""That a bed's monitor is silent, and why."""


def number(value: float | None) -> str:
    """Return a whole number; a dash for None."""
    return "–" if value is None else f"{value:.0f}"


def counted(n: int, what: str) -> str:
    """Return how many there are of something, in the singular for one."""
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def shortened(text: str, longest: int) -> str:
    """Return a text of at most so many characters, with an ellipsis where it was longer."""
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"


def fitting(line: str, room: int) -> str:
    """Return at most so many characters of a bed's line: its first fact, and of the others each that still fits.

    Of a first fact that does not fit, that it is from before is left out, then details; else there is no line.
    """
    first, *others = facts_of(line)
    fitted = next((text for text in _shorter(first) if len(text) <= room), "")
    for fact in others if fitted else []:
        if len(fitted) + len(BETWEEN) + len(fact) <= room:
            fitted += BETWEEN + fact
        elif fact.startswith(TWIN_WORDS):
            break  # what follows is hers, too
    return fitted


def facts_of(line: str) -> list[str]:
    """Return the facts of a bed's line, the most important first; that one is from before stands with it."""
    facts: list[str] = []
    for fact in line.split(BETWEEN):
        if facts and facts[-1].endswith(FROM_BEFORE):
            facts[-1] += BETWEEN + fact
        else:
            facts.append(fact)
    return facts


def shortest(line: str) -> str:
    """Return the least that a bed's line may be shortened to."""
    return _shorter(facts_of(line)[0])[-1]


def _shorter(fact: str) -> list[str]:
    """Return a fact and what it may be shortened to, the longest first."""
    bare = fact
    for before in FROM_BEFORE:
        bare = bare.replace(before + BETWEEN, "")
    return [fact, bare, *(bare[: rest.start()] for rest in reversed([*REST.finditer(bare)]))]


def length(seconds: float) -> str:
    """Return a length of time in seconds or, from 90 s on, in minutes."""
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"


def arrow(change: float | None, step: float) -> str:
    """Return an arrow with a change behind it, "→" for less than a step, nothing where it is not known."""
    if change is None:
        return ""
    whole = round(change)
    return "→" if abs(whole) < step else f"{'↑' if whole > 0 else '↓'}{abs(whole)}"


def plain(name: str) -> str:
    """Return the name of a condition or measure as plain words."""
    return name.replace("-", " ").replace("_", " ")


def in_sentence(text: str) -> str:
    """Return a text that begins a line as it stands within a sentence."""
    return text[:1].lower() + text[1:]


def without_why(signal_reason: str) -> str:
    """Return what a bed's signal has; of a silent monitor without why it is that."""
    silent = WHY.fullmatch(signal_reason)
    return silent["silent"] if silent else signal_reason


def care(what: str, text: str) -> str:
    """Return the care that was given, with the free text behind it in brackets; for `other` only the free text."""
    name = CARE_WORDS.get(what, what)
    if what == "other":
        return text or name
    return name if text in ("", name) else f"{name} ({text})"


def suppressed(text: str) -> str:
    """Return "name-of-a-condition: reason" with the name as plain words."""
    name, colon, reason = text.partition(":")
    return f"{plain(name)}{colon}{reason}" if colon else text


def timing(interval_s: float | None, duration_s: float | None) -> str:
    """Return interval and duration of contractions; a dash if the interval is unknown."""
    if interval_s is None:
        return "–"
    duration = "" if duration_s is None else f"{duration_s:.0f} s"
    return ", ".join(filter(None, [f"every {interval_s / 60:.1f} min", duration]))


def ongoing_deceleration(one: OngoingDeceleration) -> str:
    """Return how long and deep it is, and what it seems to be so far where the rule sets agree."""
    kinds = set(one.kinds.values())
    kind = f"{kinds.pop()} so far" if len(kinds) == 1 else ""
    return ", ".join(filter(None, [f"{one.length_s:.0f} s", f"{one.depth_bpm:.0f} bpm deep", kind]))


def contraction_rate(s: Summary) -> str:
    """Return contractions in 10 min, the rest between them, and the rule sets that call it tachysystole."""
    c = s.contractions
    if c.per_10min is None:
        return "–"
    rest = "" if c.rest_s is None else f"{c.rest_s:.0f} s between"
    tachysystole = [f"tachysystole by {rules}" for rules in c.tachysystole]
    return ", ".join(filter(None, [f"{c.per_10min:.1f} in 10 min", rest, *tachysystole]))


def manual_timing(timed: HandTimed) -> str:
    """Return interval, duration, trend and number of the contractions that were timed by hand, in one line."""
    count = f"hand-timed, {timed.count} in 30 min"
    if timed.interval_s is None:
        return f"{count}; the interval is known from the second one on"
    duration = "" if timed.duration_s is None else f"{timed.duration_s:.0f} s long"
    every = f"every {timed.interval_s / 60:.1f} min from start to start"
    interval = ", ".join(filter(None, [every, duration]))
    return "; ".join(filter(None, [interval, _trend(timed.change), count]))


def _trend(change: float | None) -> str:
    if change is None:
        return ""
    if abs(change - 1) < STEADY_WITHIN:
        return "steady"
    return f"{'closer together' if change < 1 else 'further apart'} than half an hour before ({change:.0%})"


COMPARED_MEASURES = (
    ("decelerations", "decelerations", ""),
    ("deepest_bpm", "deepest", "bpm"),
    ("area_bpm_min", "area", "bpm min"),
    ("baseline_bpm", "baseline", "bpm"),
    ("variability_bpm", "variability", "bpm"),
    ("contractions", "contractions", ""),
)
"""Measures that are compared before and after care: field, word, unit."""


def before_and_after(before: TraceSummary, after: TraceSummary | None) -> list[tuple[str, str, str, str]]:
    """Return word, value before, value after and unit of each measure. after: None until its time has passed."""
    return [
        (word, number(getattr(before, name)), "" if after is None else number(getattr(after, name)), unit)
        for name, word, unit in COMPARED_MEASURES
    ]
