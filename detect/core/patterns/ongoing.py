"""The deceleration that is said to go on at a bed: when it began, and of what kind it seems to be so far.

What is said changes as little as can be. Nothing is said before a fall is long and deep enough to count as one; of its
kind nothing before its bottom lies a while back, and nothing that what is still to come decides. From then on it stays,
but for a fall that has become prolonged: so it changes once at the most. The name it has once it is over may differ, as
may whether it is one at all: what was said and is none is withdrawn, with the reason.
"""

from collections.abc import Sequence
from typing import NamedTuple

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import LONG_AGO, Ints, index
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import KindLimits, NotableLimits
from quietward.detect.core.patterns.decelerations import DecelerationRule, Kind, kind, return_decides
from quietward.detect.core.patterns.excursions import DOWN, Excursion, Excursions
from quietward.detect.core.patterns.history import History, find_contraction, going_on


class Ongoing(NamedTuple):
    """What is said of each bed."""

    onset: Ints = index(LONG_AGO)  # of the fall that has been said to go on; LONG_AGO: none has
    kind: Ints = index(int(Kind.NONE), "rule_sets")  # NONE: it is not known yet


@compiled
def follow(
    o: Ongoing,
    n: int,
    now: int,
    e: Excursions,
    h: History,
    x: Excursion,
    rules: Sequence[DecelerationRule],
    limits: KindLimits,
    notable: NotableLimits,
) -> None:
    """Say of the open fall of bed n what is known at the sample `now`. x: room to work in."""
    if not e.open[DOWN, n] or now - e.onset[DOWN, n] < notable.deceleration_s * HZ:
        return
    if o.onset[n] == LONG_AGO:
        if e.height[DOWN, n] < notable.deceleration_bpm:
            return
        o.onset[n] = e.onset[DOWN, n]
        for rule_set in range(len(rules)):
            o.kind[rule_set, n] = Kind.NONE
    x.n, x.onset, x.end, x.exact = n, e.onset[DOWN, n], now, False
    x.peak_at = x.reached_at = e.reached_at[DOWN, n]
    x.height = e.height[DOWN, n]
    contraction_end = find_contraction(h, x, going_on(e, n, now, limits), limits)
    has_settled = now - x.reached_at >= limits.settled_s * HZ
    for rule_set in range(len(rules)):
        found = kind(x, contraction_end, rules[rule_set], limits)
        is_new = o.kind[rule_set, n] == Kind.NONE and has_settled and not return_decides(x, found, rules[rule_set])
        is_known = found not in (Kind.NONE, Kind.UNDETERMINED)
        if found == Kind.PROLONGED or (is_new and is_known):
            o.kind[rule_set, n] = found


@compiled
def end(o: Ongoing, x: Excursion) -> None:
    """Note in a closed fall whether it had been said to go on; it does no longer."""
    x.said = o.onset[x.n] != LONG_AGO
    o.onset[x.n] = LONG_AGO
