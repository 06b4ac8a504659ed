"""Two fetuses in one bed: what is said of the bed."""

from msgspec import structs

from quietward.contracts.summary import TWIN_WORDS, FetusSummary, Level, RuleClass, SignalState
from quietward.detect.core.measures.findings import Values
from quietward.detect.core.parameters import TwinLimits

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
    """Return what is said of the bed: level and what belongs to it, signal, and concern, each of whichever is worse."""
    both = (first, second)
    called = max(both, key=lambda f: (_LEVELS.index(f.level), f.flag is not None and f.acknowledged_by is None))
    worried = max(both, key=lambda f: -1.0 if f.concern is None else f.concern)
    heard = max(both, key=lambda f: _SIGNALS.index(f.signal))
    who = TWIN_WORDS[heard is second] if heard.signal_reason and heard.signal_reason != SAME_RATE else ""
    return structs.replace(
        called,
        signal=heard.signal,
        signal_reason=who + heard.signal_reason,
        concern=worried.concern,
        concern_parts=worried.concern_parts,
    )


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
