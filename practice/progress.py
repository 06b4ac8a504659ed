"""Pure: how a learner gets on, by kind of mistake, and what a class has most trouble with."""

from collections import defaultdict
from collections.abc import Sequence

from msgspec import Struct

from quietward.practice.mistakes import KINDS
from quietward.practice.results import Result

RECENT = 5
"""Answers that are told beside all of them: enough to even out one bad day."""


class MistakeProgress(Struct, frozen=True):
    """A kind of mistake over a learner's answers.

    shares: one for each answer, 0 to 1, None where there was no occasion. wrong, of: in all answers; recent_wrong,
    recent_of: in the last RECENT with an occasion.
    """

    kind: str
    shares: list[float | None]
    wrong: int
    of: int
    recent_wrong: int
    recent_of: int


class Progress(Struct, frozen=True):
    """A learner's answers, oldest first. at: time of each in ms since the epoch. kinds: those with an occasion.

    recent: how many answers are told beside all of them.
    """

    learner: str
    at: list[int]
    scores: list[int]
    kinds: list[MistakeProgress]
    recent: int = RECENT


class LearnerRow(Struct, frozen=True):
    """One learner of a class. strips: different ones of the set; trouble: her most frequent mistake, or empty."""

    learner: str
    answers: int
    strips: int
    mean_score: float
    trouble: str


def progress(learner: str, results: Sequence[Result]) -> Progress:
    """Return the progress that a learner's results show."""
    kinds = []
    for kind in KINDS:
        counts = [next(((m.wrong, m.of) for m in one.mistakes if m.kind == kind), None) for one in results]
        met = [count for count in counts if count]
        if met:
            shares = [count and count[0] / count[1] for count in counts]
            recent = met[-RECENT:]
            kinds.append(MistakeProgress(kind, shares, *_sums(met), *_sums(recent)))
    return Progress(learner, [one.t for one in results], [one.score for one in results], kinds)


def of_class(results: Sequence[Result]) -> list[LearnerRow]:
    """Return a row for each learner of a set's results, by label."""
    by_learner: dict[str, list[Result]] = defaultdict(list)
    for one in results:
        by_learner[one.learner].append(one)
    return [_row(learner, own) for learner, own in sorted(by_learner.items())]


def _row(learner: str, own: list[Result]) -> LearnerRow:
    kinds = progress(learner, own).kinds
    worst = max(kinds, key=lambda one: (one.wrong / one.of, one.wrong), default=None)
    trouble = f"{worst.kind}: {worst.wrong} of {worst.of}" if worst and worst.wrong else ""
    mean = sum(one.score for one in own) / len(own)
    return LearnerRow(learner, len(own), len({one.strip for one in own}), mean, trouble)


def _sums(counts: list[tuple[int, int]]) -> tuple[int, int]:
    return sum(wrong for wrong, _ in counts), sum(of for _, of in counts)
