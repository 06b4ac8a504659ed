"""Pure: how often a learner went wrong in an answer, by kind of mistake, out of how often she could have."""

from typing import Annotated

from msgspec import Meta, Struct

from quietward.practice.answer import Answer
from quietward.practice.scoring import scoring
from quietward.practice.strip import CALLS, PracticeStrip

DECELERATIONS = ("early", "late", "variable", "prolonged")
MISSED = {"acceleration": "accelerations missed", "deceleration": "decelerations missed"} | {
    kind: f"{kind} decelerations missed" for kind in DECELERATIONS
}
MISNAMED = {kind: f"{kind} decelerations given another kind" for kind in DECELERATIONS}
FALSE = {what: f"{what}s marked where there are none" for what in ("acceleration", "deceleration")}
BASELINE, TOO_LOW, TOO_HIGH, CLASS = "baseline wrong", "too little help called", "too much help called", "class wrong"
KINDS = (*MISSED.values(), *MISNAMED.values(), *FALSE.values(), BASELINE, TOO_LOW, TOO_HIGH, CLASS)
"""Of mistakes, in the order in which they are shown."""


MOST = 1_000_000
"""Of anything that is counted in an answer: results are kept in a file that people may edit."""


class Mistake(Struct, frozen=True):
    """wrong: how often a mistake of this kind was made; of: how often it could have been, at least 1."""

    kind: str
    wrong: Annotated[int, Meta(ge=0, le=MOST)]
    of: Annotated[int, Meta(ge=1, le=MOST)]


def count(strip: PracticeStrip, asked: list[bool], answer: Answer, with_you: dict[int, int]) -> list[Mistake]:
    """Return the mistakes of an answer. asked, by true event: it counts; with_you: its mark, of those that were found.

    A kind of which there was no occasion is left out.
    """
    wrong, of = dict.fromkeys(KINDS, 0), dict.fromkeys(KINDS, 0)

    def occasion(kind: str, is_wrong: bool) -> None:
        wrong[kind] += is_wrong
        of[kind] += 1

    for i, event in enumerate(strip.events):
        if not asked[i]:
            continue
        mark = with_you.get(i)
        occasion(MISSED[event.kind or event.what], mark is None)
        if event.kind and mark is not None:
            occasion(MISNAMED[event.kind], answer.marks[mark].kind != event.kind)
    matched = set(with_you.values())
    for j, one in enumerate(answer.marks):
        occasion(FALSE[one.what], j not in matched)
    if strip.baseline_bpm is not None:
        off = None if answer.baseline_bpm is None else abs(answer.baseline_bpm - strip.baseline_bpm)
        occasion(BASELINE, off is None or off > scoring().baseline_right_bpm)
    if strip.level is not None:
        above = 0 if answer.next is None else CALLS.index(answer.next) - CALLS.index(strip.level)
        occasion(TOO_LOW, answer.next is None or above < 0)  # whoever says nothing calls nobody
        occasion(TOO_HIGH, above > 0)
    if strip.rule_class is not None:
        occasion(CLASS, answer.rule_class != strip.rule_class)
    return [Mistake(kind, wrong[kind], of[kind]) for kind in KINDS if of[kind]]
