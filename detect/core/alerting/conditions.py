"""When a condition of the policy begins at a bed, when it is over, and why one that has held does not begin."""

import numpy as np

from quietward.detect.core.alerting.flags import (
    COVERAGE,
    EXPLAINED,
    HIGHER,
    LOST,
    NOT_SUPPRESSED,
    OFF,
    SHELVED,
    Attention,
)
from quietward.detect.core.alerting.policy import BEDSIDE, LOOK, TEAM, ClauseTable, Numbers
from quietward.detect.core.arrays import Floats
from quietward.detect.core.compiled import compiled


@compiled
def follow(
    a: Attention,
    i: int,
    n: int,
    second: int,
    measures: Floats,
    column: int,
    is_lost: bool,
    numbers: Numbers,
    policy: int,
) -> None:
    """Let condition i of bed n begin and end."""
    holds = _all_hold(numbers.all, i, measures, column, policy, a.own_limit[i, n])
    was_active, was_held, was_lost = a.active[i, n], a.held_since[i, n] >= 0, a.suppressed[i, n] == LOST
    if not (holds or was_active or was_held or a.suppressed[i, n] != NOT_SUPPRESSED):
        return  # most of them, most of the time
    is_frozen = is_lost and not numbers.is_about_signal[i]
    is_over = (
        was_active and not holds and not is_frozen
        and _is_released(numbers, i, measures, column, policy, a.own_limit[i, n], a.acknowledged[n])
    )  # fmt: skip
    if not holds or is_frozen:
        a.held_since[i, n] = -1
    elif not was_held:
        a.held_since[i, n] = second
    if not is_over:
        a.clear_since[i, n] = -1
    elif a.clear_since[i, n] < 0:
        a.clear_since[i, n] = second
    why = LOST if is_frozen and not was_active and (was_held or was_lost) else NOT_SUPPRESSED
    if not was_active and a.held_since[i, n] >= 0 and second - a.held_since[i, n] >= numbers.hold_s[i, policy]:
        why = _why_not(a, i, n, measures, column, numbers, policy)
        a.active[i, n] = why == NOT_SUPPRESSED
    if is_over and second - a.clear_since[i, n] >= numbers.release_s[i, policy]:
        a.active[i, n], a.clear_since[i, n] = False, -1
    _set_rank(a, i, n, second, numbers, policy)
    if a.active[i, n] and a.shelved_until[i, n] >= 0 and a.rank[i, n] < TEAM:
        why = SHELVED
    elif a.active[i, n] and a.acknowledged[n] and a.suppressed[i, n] == HIGHER:
        why = HIGHER
    a.suppressed[i, n] = why


@compiled
def _set_rank(a: Attention, i: int, n: int, second: int, numbers: Numbers, policy: int) -> None:
    """Let what goes on and on ask for more, one level up: time counts, not presses."""
    if not a.active[i, n]:
        a.active_since[i, n] = -1
        return
    if a.active_since[i, n] < 0:
        a.active_since[i, n] = second
    lasts_s, a.rank[i, n] = second - a.active_since[i, n], numbers.rank[i]
    if numbers.rank[i] == BEDSIDE and lasts_s >= numbers.team_by_s[policy]:
        a.rank[i, n] = TEAM
    elif numbers.rank[i] <= LOOK:
        look_s = lasts_s if numbers.rank[i] == LOOK else lasts_s - numbers.look_by_s[i, policy]
        is_long = look_s >= numbers.bedside_by_s[policy] and numbers.max_level[i] >= BEDSIDE
        if look_s >= 0:
            a.rank[i, n] = BEDSIDE if is_long else LOOK


@compiled
def _why_not(a: Attention, i: int, n: int, measures: Floats, column: int, numbers: Numbers, policy: int) -> int:
    """Return why a condition that has held long enough does not begin."""
    if not _all_hold(numbers.needs, i, measures, column, policy, np.nan):
        return COVERAGE
    for other in range(len(numbers.rank)):
        if numbers.inhibited_by[i, other] and a.active[other, n]:
            return EXPLAINED
    if a.paused_until[n] >= 0 and numbers.ends_with_signal[i]:
        return OFF
    return NOT_SUPPRESSED


@compiled
def _all_hold(clauses: ClauseTable, i: int, measures: Floats, column: int, policy: int, own_limit: float) -> bool:
    """Return whether all clauses of condition i hold. own_limit: of the first one at this bed; NaN: the policy's."""
    for k in range(clauses.first[i], clauses.first[i + 1]):
        limit = clauses.limit[k, policy]
        if k == clauses.first[i] and not np.isnan(own_limit):
            limit = own_limit
        if not _holds(clauses, k, measures[clauses.row[k], column], limit):
            return False
    return True


@compiled
def one_holds(clauses: ClauseTable, i: int, measures: Floats, column: int, policy: int) -> bool:
    """Return whether one of the clauses of condition i holds."""
    for k in range(clauses.first[i], clauses.first[i + 1]):
        if _holds(clauses, k, measures[clauses.row[k], column], clauses.limit[k, policy]):
            return True
    return False


@compiled
def _holds(clauses: ClauseTable, k: int, value: float, limit: float) -> bool:
    """Return whether clause k holds; NaN never does."""
    if clauses.above[k]:
        return value > limit or (clauses.or_equal[k] and value == limit)
    return value < limit or (clauses.or_equal[k] and value == limit)


@compiled
def _is_released(
    numbers: Numbers, i: int, measures: Floats, column: int, policy: int, own_limit: float, is_acknowledged: bool
) -> bool:
    """Return whether a condition is over: one of the clauses of its release holds. What is unknown ends nothing.

    own_limit: of its first clause at this bed; the first limit of the release keeps its distance from it.
    """
    if not is_acknowledged and not _all_hold(numbers.release_needs, i, measures, column, policy, np.nan):
        return False
    first = numbers.all.first[i]
    if is_acknowledged and one_holds(numbers.release_acknowledged, i, measures, column, policy):
        return True
    for k in range(numbers.release.first[i], numbers.release.first[i + 1]):
        limit = numbers.release.limit[k, policy]
        if k == numbers.release.first[i] and not np.isnan(own_limit):
            limit += own_limit - numbers.all.limit[first, policy]
        if _holds(numbers.release, k, measures[numbers.release.row[k], column], limit):
            return True
    return False
