"""A learner's answer, as the page sends it."""

from typing import Annotated, Literal

from msgspec import Meta, Struct

from quietward.contracts.errors import QuietwardError, possible
from quietward.contracts.summary import Level
from quietward.detect.core.state.rules import Rules
from quietward.practice.strip import CALLS

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

    rules: name of the rule set that `rule_class` is by. learner: a label of her own choice; empty: nothing is kept.
    set: name of the set that the strip belongs to, empty where it belongs to none.
    """

    baseline_bpm: float | None
    marks: Annotated[list[LearnerMark], Meta(max_length=MOST_MARKS)]
    rules: str
    rule_class: Literal[1, 2, 3] | None
    next: Level | None
    note: Annotated[str, Meta(max_length=500)] = ""
    learner: Annotated[str, Meta(max_length=64)] = ""
    set: Annotated[str, Meta(max_length=64)] = ""


class BadAnswer(QuietwardError):
    """A part of an answer cannot be."""


def check(answer: Answer, rules: Rules) -> None:
    """Raise BadAnswer for a rule set that there is not, a level that calls nobody, or a baseline that no FHR has."""
    names = [one.name for one in rules.rule_sets]
    if answer.rules not in names:
        raise BadAnswer("answer: rules", answer.rules, possible(names, answer.rules))
    if answer.next is Level.NOTED:
        raise BadAnswer("answer: next", answer.next.value, possible(CALLS, ""))
    lowest, highest = rules.reading.signal.fhr_lowest_bpm, rules.reading.signal.fhr_highest_bpm
    if answer.baseline_bpm is not None and not lowest <= answer.baseline_bpm <= highest:
        raise BadAnswer("answer: baseline_bpm", answer.baseline_bpm, f"Give {lowest:g} to {highest:g} bpm")
