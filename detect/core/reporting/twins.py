"""Two fetuses in one bed: what is said of the bed."""

from msgspec import structs

from quietward.contracts.summary import TWIN_WORDS, FetusSummary, Level, RuleClass, SignalState
from quietward.detect.core.measures.findings import Values
from quietward.detect.core.parameters import TwinLimits
from quietward.detect.core.reporting.reasons import BETWEEN, LONGEST

SAME_RATE = "both twins' rates are the same: one may be counted twice"
_LEVELS = tuple(Level)
_SIGNALS = (SignalState.GOOD, SignalState.POOR, SignalState.LOST)


def doubted(
    first: FetusSummary, second: FetusSummary, of_second: Values, limits: TwinLimits
) -> tuple[FetusSummary, FetusSummary]:
    """Return what is said of both; where their rates are the same neither is known to be whose it seems."""
    if not of_second["same_as_twin_1min"] >= limits.doubtful_share:
        return first, second
    both = (first, second)
    a, b = (
        f if f.signal is SignalState.LOST else structs.replace(f, signal=SignalState.POOR, signal_reason=SAME_RATE)
        for f in both
    )
    return a, b


def worse_of(first: FetusSummary, second: FetusSummary) -> FetusSummary:
    """Return what is said of the bed: level, signal, and concern, each of whichever is worse.

    Its flag is the highest that nobody has answered: what waits is not behind what somebody has seen to.
    """
    both = (first, second)
    worst = max(both, key=lambda f: (_LEVELS.index(f.level), _waits(f)))
    called = max(filter(_waits, both), key=lambda f: _LEVELS.index(f.level), default=worst)
    worried = max(both, key=lambda f: -1.0 if f.concern is None else f.concern)
    heard = max(both, key=lambda f: _SIGNALS.index(f.signal))
    who = TWIN_WORDS[heard is second] if heard.signal_reason and heard.signal_reason != SAME_RATE else ""
    return structs.replace(
        called,
        level=worst.level,
        reason=called.reason if called is worst else _reason_of_both(called, worst),
        signal=heard.signal,
        signal_reason=who + heard.signal_reason,
        concern=worried.concern,
        concern_parts=worried.concern_parts,
    )


def _waits(fetus: FetusSummary) -> bool:
    return fetus.flag is not None and fetus.acknowledged_by is None


def _reason_of_both(called: FetusSummary, worst: FetusSummary) -> str:
    """Return the first fact of each, what nobody has answered before what is worse, and as many more as fit."""
    a, b = called.reason.split(BETWEEN), worst.reason.split(BETWEEN)
    while len(line := BETWEEN.join([*a, *b])) > LONGEST and max(len(a), len(b)) > 1:
        (a if len(a) > len(b) else b).pop()
    return line


def worse_classes(first: list[RuleClass], second: list[RuleClass]) -> list[RuleClass]:
    """Return the class of the worse fetus under each rule set. Criteria, and what could not be evaluated, say whose."""
    return [
        RuleClass(
            a.rules,
            *max((a.rank, a.name), (b.rank, b.name), key=lambda of: _order(of[0])),
            criteria=_said_of_each(a.criteria, b.criteria),
            missing=_said_of_each(a.missing, b.missing),
        )
        for a, b in zip(first, second, strict=True)
    ]


def _order(rank: int) -> int:
    """Return how bad a class is: one that cannot be said (0) is worse than normal (1), and better than the others."""
    return {1: 0, 0: 1}.get(rank, rank)


def _said_of_each(first: list[str], second: list[str]) -> list[str]:
    return [f"{who}{text}" for who, said in zip(TWIN_WORDS, (first, second), strict=True) for text in said]
