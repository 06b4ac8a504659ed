"""Pure: a learner's marks beside what is true and beside what the detector said, with a score and explanations."""

from typing import Annotated, Literal

from msgspec import Meta, Struct

from quietward.contracts.errors import QuietwardError
from quietward.contracts.messages import Level
from quietward.dashboard.view import explain
from quietward.detect import rule_file
from quietward.detect.core.state.rules import Rules
from quietward.practice.scoring import scoring
from quietward.practice.strip import Contraction, Found, Said, Strip, seen

MOST_MARKS = 200

Second = Annotated[float, Meta(ge=0, le=3600)]


class Mark(Struct, frozen=True, forbid_unknown_fields=True):
    """What a learner has marked; seconds from the strip's beginning. kind: of a deceleration."""

    what: Literal["acceleration", "deceleration"]
    from_s: Second
    until_s: Second
    kind: Literal["", "early", "late", "variable", "prolonged"] = ""


class Answer(Struct, frozen=True, forbid_unknown_fields=True):
    """A learner's answer. next: the attention level she would give it; note: what she would do, in her own words.

    rules: name of the rule set that `rule_class` is by.
    """

    baseline_bpm: float | None
    marks: Annotated[list[Mark], Meta(max_length=MOST_MARKS)]
    rules: str
    rule_class: Literal[1, 2, 3] | None
    next: Level | None
    note: Annotated[str, Meta(max_length=500)] = ""


class Line(Struct, frozen=True):
    """One event: what it is, who saw it, and why it is what it is. asked: it counts; `why_not` says why it does not."""

    what: str
    kind: str
    from_s: float
    until_s: float
    size_bpm: float
    you: str
    detector: str
    asked: bool
    why_not: str
    why: list[str]


class Part(Struct, frozen=True):
    """A part of the score in words."""

    name: str
    points: float
    most: int
    you: str
    truth: str
    detector: str


class Compared(Struct, frozen=True):
    """All that a learner is told. extra: marks of hers, and finds of the detector's, with nothing true behind them."""

    scenario: str
    purpose: str
    good_watcher: str
    score: int
    parts: list[Part]
    lines: list[Line]
    extra: list[Found]
    detector_events: list[Found]
    extra_of_detector: list[Found]
    rule_class: int | None
    detector_class: int
    detector_reasons: list[str]
    concern: float
    note: str


class BadAnswer(QuietwardError):
    """A part of an answer cannot be."""


def check(answer: Answer, rules: Rules) -> None:
    """Raise BadAnswer for a rule set that there is not, or a baseline that no FHR can have."""
    names = [one.name for one in rules.rule_sets]
    if answer.rules not in names:
        raise BadAnswer("answer: rules", answer.rules, f"Use one of {', '.join(names)}")
    lowest, highest = rules.reading.signal.fhr_lowest_bpm, rules.reading.signal.fhr_highest_bpm
    if answer.baseline_bpm is not None and not lowest <= answer.baseline_bpm <= highest:
        raise BadAnswer("answer: baseline_bpm", answer.baseline_bpm, f"Give {lowest:g} to {highest:g} bpm")


def compare(strip: Strip, said: Said, answer: Answer, rules: Rules) -> Compared:
    """Return the comparison of an answer, explained by the rule set it names."""
    yours = [Found(m.what, m.kind, m.from_s, (m.from_s + m.until_s) / 2, m.until_s, 0.0) for m in answer.marks]
    with_you, with_detector = pairs(strip.events, yours), pairs(strip.events, said.events)
    asked = [not _why_not(strip, e) for e in strip.events]
    lines = [
        Line(
            e.what, e.kind, e.from_s, e.until_s, e.size_bpm,
            _seen_as(e, yours, with_you.get(i)), _seen_as(e, said.events, with_detector.get(i)),
            asked[i], _why_not(strip, e), _why(e, strip.contractions, rules, answer.rules),
        )
        for i, e in enumerate(strip.events)
    ]  # fmt: skip
    you, detector = (yours, with_you), (said.events, with_detector)
    parts = [
        _baseline(strip, said, answer),
        _events("acceleration", strip, asked, you, detector),
        _events("deceleration", strip, asked, you, detector),
        _kinds(strip, asked, you, detector),
        _next(strip, said, answer),
    ]
    return Compared(
        scenario=strip.scenario,
        purpose=strip.purpose,
        good_watcher=strip.good_watcher,
        score=round(sum(part.points for part in parts)),
        parts=parts,
        lines=lines,
        extra=[m for j, m in enumerate(yours) if j not in with_you.values()],
        detector_events=said.events,
        extra_of_detector=[m for j, m in enumerate(said.events) if j not in with_detector.values()],
        rule_class=answer.rule_class,
        detector_class=said.rule_class,
        detector_reasons=said.reasons,
        concern=said.concern,
        note=answer.note,
    )


def pairs(true: list[Found], found: list[Found]) -> dict[int, int]:
    """Return which of `found` is which true event: one to one, those that overlap most first."""
    least = scoring().overlap_share
    ways = []
    for i, t in enumerate(true):
        for j, f in enumerate(found):
            both_s = min(t.until_s, f.until_s) - max(t.from_s, f.from_s)
            if f.what == t.what and both_s >= least * min(t.until_s - t.from_s, f.until_s - f.from_s) and both_s > 0:
                ways.append((-both_s, i, j))
    taken: dict[int, int] = {}
    for _, i, j in sorted(ways):
        if i not in taken and j not in taken.values():
            taken[i] = j
    return taken


def _why_not(strip: Strip, event: Found) -> str:
    numbers = scoring()
    least_bpm = numbers.asked_deceleration_bpm if event.what == "deceleration" else numbers.asked_acceleration_bpm
    if event.size_bpm < least_bpm:
        return "too small to ask for"
    if not seen(strip, event):
        return "the sensors hardly showed it"
    return ""


def _seen_as(event: Found, found: list[Found], place: int | None) -> str:
    if place is None:
        return "missed"
    kind = found[place].kind
    if not event.kind or kind == event.kind:
        return "found"
    return f"found, called {kind}" if kind else "found, no kind said"


def _why(event: Found, contractions: list[Contraction], rules: Rules, rule_set: str) -> list[str]:
    if event.what == "acceleration":
        return explain.acceleration(event.from_s, event.until_s, event.size_bpm)
    late_within_s = rules.reading.kind.late_within_s
    near = [c for c in contractions if c.onset_s <= event.extreme_s and event.from_s <= c.end_s + late_within_s]
    last = max(near, key=lambda c: c.onset_s, default=None)
    own = None if last is None else (last.onset_s, last.peak_s)
    fall_s = event.extreme_s - event.from_s
    fall = explain.Fall(event.from_s, event.extreme_s, event.until_s, fall_s, event.size_bpm)
    return explain.deceleration(fall, own, {rule_set: event.kind}, rule_file.rule_set_infos(rules))


Side = tuple[list[Found], dict[int, int]]
"""What somebody found, and which of it is which true event."""


def _events(what: str, strip: Strip, asked: list[bool], you: Side, detector: Side) -> Part:
    true = {i for i, e in enumerate(strip.events) if e.what == what and asked[i]}
    most = getattr(scoring().points, f"{what}s")

    def counted(side: Side) -> tuple[float, str]:
        found, pairs_of = side
        right = len(true & pairs_of.keys())
        small = {j for i, j in pairs_of.items() if i not in true}  # true, but not asked for: neither way
        extra = sum(f.what == what for j, f in enumerate(found) if j not in small) - right
        both = len(true) + right + extra
        return (2 * right / both if both else 1.0), f"{right} found, {len(true) - right} missed, {extra} not there"

    share, words = counted(you)
    return Part(f"{what.capitalize()}s", share * most, most, words, f"{len(true)} to find", counted(detector)[1])


def _kinds(strip: Strip, asked: list[bool], you: Side, detector: Side) -> Part:
    true = [i for i, e in enumerate(strip.events) if e.what == "deceleration" and asked[i]]
    most = scoring().points.kinds

    def right(side: Side) -> tuple[int, int]:
        found, pairs_of = side
        matched = [(i, pairs_of[i]) for i in true if i in pairs_of]
        return sum(found[j].kind == strip.events[i].kind for i, j in matched), len(matched)

    ours, matched = right(you)
    kinds = ", ".join(sorted({strip.events[i].kind for i in true})) or "none"
    share = (ours / matched if matched else 0.0) if true else 1.0
    theirs = right(detector)
    return Part(
        "Kinds of deceleration", share * most, most, f"{ours} of {matched} right", kinds, f"{theirs[0]} of {theirs[1]}"
    )


def _baseline(strip: Strip, said: Said, answer: Answer) -> Part:
    numbers = scoring()
    most = numbers.points.baseline
    share, you = 0.0, "–"
    if answer.baseline_bpm is not None:
        off = abs(answer.baseline_bpm - strip.baseline_bpm)
        near_share = numbers.baseline_near_share if off <= numbers.baseline_near_bpm else 0.0
        share = 1.0 if off <= numbers.baseline_right_bpm else near_share
        you = f"{answer.baseline_bpm:.0f} bpm"
    theirs = "–" if said.baseline_bpm is None else f"{said.baseline_bpm:.0f} bpm"
    return Part("Baseline", share * most, most, you, f"{strip.baseline_bpm:.0f} bpm", theirs)


def _next(strip: Strip, said: Said, answer: Answer) -> Part:
    """Whoever goes one level too high is careful, and gets a share; too low gets nothing."""
    most = scoring().points.next
    levels = list(Level)
    share = 0.0
    if answer.next is not None:
        above = levels.index(answer.next) - levels.index(strip.level)
        share = {0: 1.0, 1: scoring().one_too_high_share}.get(above, 0.0)
    you = "–" if answer.next is None else answer.next.value
    return Part("Who is needed at its end", share * most, most, you, strip.level.value, said.level.value)
