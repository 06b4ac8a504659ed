"""Pure: a learner's answer compared with the truth and with the detector's result, with a score and explanations."""

from dataclasses import dataclass

from msgspec import Struct

from quietward.dashboard.view import explain
from quietward.detect import rule_file
from quietward.detect.core.state.rules import Rules
from quietward.practice import mistakes
from quietward.practice.answer import Answer
from quietward.practice.mistakes import Mistake
from quietward.practice.scoring import scoring
from quietward.practice.strip import (
    CALLS,
    DetectorResult,
    PracticeStrip,
    StripContraction,
    StripEvent,
    Truth,
    is_visible,
)


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
    """One part of the score, in words. most: 0 where nobody knows what is true of it."""

    name: str
    points: float
    most: int
    you: str
    truth: str
    detector: str


class Comparison(Struct, frozen=True):
    """All that a learner is told. extra, extra_of_detector: events that match no true one (false positives).

    truth: who says what is true; true_class: None where nobody does.
    """

    scenario: str
    purpose: str
    good_watcher: str
    truth: Truth
    score: int
    parts: list[ScorePart]
    lines: list[EventRow]
    extra: list[StripEvent]
    detector_events: list[StripEvent]
    extra_of_detector: list[StripEvent]
    rule_class: int | None
    true_class: int | None
    detector_class: int | None
    detector_reasons: list[str]
    concern: float | None
    note: str
    mistakes: list[Mistake]


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
    parts = _with_points(
        [
            _baseline(strip, result, answer),
            _events("acceleration", strip, asked, you, detector),
            _events("deceleration", strip, asked, you, detector),
            _kinds(strip, asked, you, detector),
            _next(strip, result, answer),
            _class(strip, result, answer),
        ]
    )
    return Comparison(
        scenario=strip.scenario,
        purpose=strip.purpose,
        good_watcher=strip.good_watcher,
        truth=strip.truth,
        score=round(100 * sum(part.points for part in parts) / max(1, sum(part.most for part in parts))),
        parts=parts,
        lines=lines,
        extra=[m for j, m in enumerate(yours) if j not in with_you.values()],
        detector_events=result.events,
        extra_of_detector=[m for j, m in enumerate(result.events) if j not in with_detector.values()],
        rule_class=answer.rule_class,
        true_class=strip.rule_class,
        detector_class=result.rule_class,
        detector_reasons=result.reasons,
        concern=result.concern,
        note=answer.note,
        mistakes=mistakes.count(strip, asked, answer, with_you),
    )


def _with_points(judged: list["_Judged"]) -> list[ScorePart]:
    """Return what each part counts: where there is nothing to find, the share that the rest has earned.

    So saying nothing earns nothing, and whoever is right in the rest loses nothing by having rightly marked nothing.
    """
    rest = [one for one in judged if one.share is not None]
    most = sum(one.most for one in rest)
    earned = sum(one.most * (one.share or 0.0) for one in rest) / most if most else 0.0
    return [
        ScorePart(one.name, one.most * (earned if one.share is None else one.share), one.most, *one.words)
        for one in judged
    ]


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
    """Return why an event is not asked for. What somebody has marked always is: she saw it."""
    if strip.truth != "simulation":
        return ""
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


@dataclass(frozen=True)
class _Judged:
    """A part before its points. share: 0 to 1 of them, None: there was nothing to find, and nothing was marked.

    words: what the learner, the truth and the detector say.
    """

    name: str
    most: int
    share: float | None
    words: tuple[str, str, str]


def _events(what: str, strip: PracticeStrip, asked: list[bool], you: Side, detector: Side) -> _Judged:
    true = {i for i, e in enumerate(strip.events) if e.what == what and asked[i]}

    def counted(side: Side) -> tuple[float | None, str]:
        found, pairs_of = side
        right = len(true & pairs_of.keys())
        small = {j for i, j in pairs_of.items() if i not in true}  # true, but not asked for: neither way
        extra = sum(f.what == what for j, f in enumerate(found) if j not in small) - right
        both = len(true) + right + extra
        return (2 * right / both if both else None), f"{right} found, {len(true) - right} missed, {extra} false"

    share, words = counted(you)
    most = getattr(scoring().points, f"{what}s")
    return _Judged(f"{what.capitalize()}s", most, share, (words, f"{len(true)} to find", counted(detector)[1]))


def _kinds(strip: PracticeStrip, asked: list[bool], you: Side, detector: Side) -> _Judged:
    true = [i for i, e in enumerate(strip.events) if e.what == "deceleration" and e.kind and asked[i]]

    def right(side: Side) -> tuple[int, int]:
        found, pairs_of = side
        matched = [(i, pairs_of[i]) for i in true if i in pairs_of]
        return sum(found[j].kind == strip.events[i].kind for i, j in matched), len(matched)

    ours, matched = right(you)
    theirs = right(detector)
    kinds = ", ".join(sorted({strip.events[i].kind for i in true})) or "none"
    share = (ours / matched if matched else 0.0) if true else None
    words = (f"{ours} of {matched} right", kinds, f"{theirs[0]} of {theirs[1]}")
    return _Judged("Kinds of deceleration", scoring().points.kinds, share, words)


def _baseline(strip: PracticeStrip, result: DetectorResult, answer: Answer) -> _Judged:
    numbers = scoring()
    share = 0.0
    if strip.baseline_bpm is not None and answer.baseline_bpm is not None:
        off = abs(answer.baseline_bpm - strip.baseline_bpm)
        near_share = numbers.baseline_near_share if off <= numbers.baseline_near_bpm else 0.0
        share = 1.0 if off <= numbers.baseline_right_bpm else near_share
    words = (_bpm(answer.baseline_bpm), _bpm(strip.baseline_bpm), _bpm(result.baseline_bpm))
    return _Judged("Baseline", 0 if strip.baseline_bpm is None else numbers.points.baseline, share, words)


def _bpm(bpm: float | None) -> str:
    return "–" if bpm is None else f"{bpm:.0f} bpm"


def _next(strip: PracticeStrip, result: DetectorResult, answer: Answer) -> _Judged:
    """Whoever goes one level too high is careful, and gets a share; too low gets nothing."""
    share = 0.0
    if strip.level is not None and answer.next is not None:
        above = CALLS.index(answer.next) - CALLS.index(strip.level)
        share = {0: 1.0, 1: scoring().one_too_high_share}.get(above, 0.0)
    most = 0 if strip.level is None else scoring().points.next
    you, truth = ("–" if level is None else level.value for level in (answer.next, strip.level))
    return _Judged("Who is needed at its end", most, share, (you, truth, result.level.value))


def _class(strip: PracticeStrip, result: DetectorResult, answer: Answer) -> _Judged:
    """The words are ranks, 1 to 3: their names are those of the learner's rule set, which the page has."""
    share = float(strip.rule_class is not None and answer.rule_class == strip.rule_class)
    you, truth, theirs = ("" if x is None else str(x) for x in (answer.rule_class, strip.rule_class, result.rule_class))
    return _Judged("Class", 0 if strip.rule_class is None else scoring().points.rule_class, share, (you, truth, theirs))
