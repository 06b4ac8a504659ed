"""Pure: a learner's marks compared with the truth and with the detector's result, with a score and explanations."""

from typing import Annotated, Literal

from msgspec import Meta, Struct

from quietward.contracts.errors import QuietwardError, possible
from quietward.contracts.messages import Level
from quietward.dashboard.view import explain
from quietward.detect import rule_file
from quietward.detect.core.state.rules import Rules
from quietward.practice.scoring import scoring
from quietward.practice.strip import DetectorResult, PracticeStrip, StripContraction, StripEvent, is_visible

MOST_MARKS = 200

StripSecond = Annotated[float, Meta(ge=0, le=3600)]


class LearnerMark(Struct, frozen=True, forbid_unknown_fields=True):
    """What a learner has marked; seconds from the strip's beginning. kind: of a deceleration."""

    what: Literal["acceleration", "deceleration"]
    from_s: StripSecond
    until_s: StripSecond
    kind: Literal["", "early", "late", "variable", "prolonged"] = ""


class Answer(Struct, frozen=True, forbid_unknown_fields=True):
    """A learner's answer. next: the attention level she would give it; note: what she would do, in her own words.

    rules: name of the rule set that `rule_class` is by.
    """

    baseline_bpm: float | None
    marks: Annotated[list[LearnerMark], Meta(max_length=MOST_MARKS)]
    rules: str
    rule_class: Literal[1, 2, 3] | None
    next: Level | None
    note: Annotated[str, Meta(max_length=500)] = ""


class EventRow(Struct, frozen=True):
    """One true event: its kind, who saw it, and why it is of that kind. asked: it counts; why_not: why it does not."""

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


class ScorePart(Struct, frozen=True):
    """One part of the score, in words."""

    name: str
    points: float
    most: int
    you: str
    truth: str
    detector: str


class Comparison(Struct, frozen=True):
    """All that a learner is told. extra, extra_of_detector: events that match no true one (false positives)."""

    scenario: str
    purpose: str
    good_watcher: str
    score: int
    parts: list[ScorePart]
    lines: list[EventRow]
    extra: list[StripEvent]
    detector_events: list[StripEvent]
    extra_of_detector: list[StripEvent]
    rule_class: int | None
    detector_class: int | None
    detector_reasons: list[str]
    concern: float | None
    note: str


class BadAnswer(QuietwardError):
    """A part of an answer cannot be."""


def check(answer: Answer, rules: Rules) -> None:
    """Raise BadAnswer for a rule set that there is not, or a baseline that no FHR can have."""
    names = [one.name for one in rules.rule_sets]
    if answer.rules not in names:
        raise BadAnswer("answer: rules", answer.rules, possible(names, answer.rules))
    lowest, highest = rules.reading.signal.fhr_lowest_bpm, rules.reading.signal.fhr_highest_bpm
    if answer.baseline_bpm is not None and not lowest <= answer.baseline_bpm <= highest:
        raise BadAnswer("answer: baseline_bpm", answer.baseline_bpm, f"Give {lowest:g} to {highest:g} bpm")


def compare(strip: PracticeStrip, result: DetectorResult, answer: Answer, rules: Rules) -> Comparison:
    """Return the comparison of an answer, explained by the rule set it names."""
    yours = [StripEvent(m.what, m.kind, m.from_s, (m.from_s + m.until_s) / 2, m.until_s, 0.0) for m in answer.marks]
    with_you, with_detector = pairs(strip.events, yours), pairs(strip.events, result.events)
    asked = [not _why_not(strip, e) for e in strip.events]
    lines = [
        EventRow(
            e.what, e.kind, e.from_s, e.until_s, e.size_bpm,
            _seen_as(e, yours, with_you.get(i)), _seen_as(e, result.events, with_detector.get(i)),
            asked[i], _why_not(strip, e), _why(e, strip.contractions, rules, answer.rules),
        )
        for i, e in enumerate(strip.events)
    ]  # fmt: skip
    you, detector = (yours, with_you), (result.events, with_detector)
    parts = [
        _baseline(strip, result, answer),
        _events("acceleration", strip, asked, you, detector),
        _events("deceleration", strip, asked, you, detector),
        _kinds(strip, asked, you, detector),
        _next(strip, result, answer),
    ]
    return Comparison(
        scenario=strip.scenario,
        purpose=strip.purpose,
        good_watcher=strip.good_watcher,
        score=round(sum(part.points for part in parts)),
        parts=parts,
        lines=lines,
        extra=[m for j, m in enumerate(yours) if j not in with_you.values()],
        detector_events=result.events,
        extra_of_detector=[m for j, m in enumerate(result.events) if j not in with_detector.values()],
        rule_class=answer.rule_class,
        detector_class=result.rule_class,
        detector_reasons=result.reasons,
        concern=result.concern,
        note=answer.note,
    )


def pairs(true: list[StripEvent], found: list[StripEvent]) -> dict[int, int]:
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


def _why_not(strip: PracticeStrip, event: StripEvent) -> str:
    numbers = scoring()
    least_bpm = numbers.asked_deceleration_bpm if event.what == "deceleration" else numbers.asked_acceleration_bpm
    if event.size_bpm < least_bpm:
        return "too small to ask for"
    if not is_visible(strip, event):
        return "the sensors hardly showed it"
    return ""


def _seen_as(event: StripEvent, found: list[StripEvent], place: int | None) -> str:
    if place is None:
        return "missed"
    kind = found[place].kind
    if not event.kind or kind == event.kind:
        return "found"
    return f"found, called {kind}" if kind else "found, no kind said"


def _why(event: StripEvent, contractions: list[StripContraction], rules: Rules, rule_set: str) -> list[str]:
    if event.what == "acceleration":
        return explain.acceleration(event.from_s, event.until_s, event.size_bpm)
    late_within_s = rules.reading.kind.late_within_s
    near = [c for c in contractions if c.onset_s <= event.extreme_s and event.from_s <= c.end_s + late_within_s]
    last = max(near, key=lambda c: c.onset_s, default=None)
    own = None if last is None else (last.onset_s, last.peak_s)
    fall_s = event.extreme_s - event.from_s
    fall = explain.Fall(event.from_s, event.extreme_s, event.until_s, fall_s, event.size_bpm)
    return explain.deceleration(fall, own, {rule_set: event.kind}, rule_file.rule_set_infos(rules))


Side = tuple[list[StripEvent], dict[int, int]]
"""What somebody found, and which of it is which true event."""


def _events(what: str, strip: PracticeStrip, asked: list[bool], you: Side, detector: Side) -> ScorePart:
    true = {i for i, e in enumerate(strip.events) if e.what == what and asked[i]}
    most = getattr(scoring().points, f"{what}s")

    def counted(side: Side) -> tuple[float, str]:
        found, pairs_of = side
        right = len(true & pairs_of.keys())
        small = {j for i, j in pairs_of.items() if i not in true}  # true, but not asked for: neither way
        extra = sum(f.what == what for j, f in enumerate(found) if j not in small) - right
        both = len(true) + right + extra
        return (2 * right / both if both else 1.0), f"{right} found, {len(true) - right} missed, {extra} false"

    share, words = counted(you)
    return ScorePart(f"{what.capitalize()}s", share * most, most, words, f"{len(true)} to find", counted(detector)[1])


def _kinds(strip: PracticeStrip, asked: list[bool], you: Side, detector: Side) -> ScorePart:
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
    return ScorePart(
        "Kinds of deceleration", share * most, most, f"{ours} of {matched} right", kinds, f"{theirs[0]} of {theirs[1]}"
    )


def _baseline(strip: PracticeStrip, result: DetectorResult, answer: Answer) -> ScorePart:
    numbers = scoring()
    most = numbers.points.baseline
    share, you = 0.0, "–"
    if answer.baseline_bpm is not None:
        off = abs(answer.baseline_bpm - strip.baseline_bpm)
        near_share = numbers.baseline_near_share if off <= numbers.baseline_near_bpm else 0.0
        share = 1.0 if off <= numbers.baseline_right_bpm else near_share
        you = f"{answer.baseline_bpm:.0f} bpm"
    theirs = "–" if result.baseline_bpm is None else f"{result.baseline_bpm:.0f} bpm"
    return ScorePart("Baseline", share * most, most, you, f"{strip.baseline_bpm:.0f} bpm", theirs)


def _next(strip: PracticeStrip, result: DetectorResult, answer: Answer) -> ScorePart:
    """Whoever goes one level too high is careful, and gets a share; too low gets nothing."""
    most = scoring().points.next
    levels = list(Level)
    share = 0.0
    if answer.next is not None:
        above = levels.index(answer.next) - levels.index(strip.level)
        share = {0: 1.0, 1: scoring().one_too_high_share}.get(above, 0.0)
    you = "–" if answer.next is None else answer.next.value
    return ScorePart("Who is needed at its end", share * most, most, you, strip.level.value, result.level.value)
