"""Attention: from findings to one flag per bed that escalates until somebody comes.

A condition of the policy becomes active when it has held for `hold_s`, and is over when its release has held for
`release_s` (two thresholds: no flicker). What is unknown ends nothing, and begins nothing. While the signal is lost,
conditions that need it stay as they are: no false calm, and nothing new from numbers that have stopped moving. What
would begin but is suppressed, because too little of the signal is usable, or another condition explains it, or the
monitor is off on purpose, or somebody has shelved it, is reported as suppressed: nothing disappears.

The level of a bed is that of its worst counting condition: one that is active and not shelved (what asks for the team
counts even then). All counting conditions of a bed are one flag (alarm life cycle after IEC 62682 / ISA-18.2):

    none ──raised──▶ unacknowledged ──acknowledged, care──▶ acknowledged ──eased──▶ none
                      │ ▲  ▲ │                                   │
           escalated ─┘ │  │ └── shelved ──▶ none                │
           worsened ────┘  └── worsened, renewed, ───────────────┘
                               repeated, returned, unresolved

- An unacknowledged flag goes one level up after the policy's time, as far as its conditions may go, and never falls
  while what brought it there holds.
- An acknowledged flag keeps its level and waits. It alerts again when what holds gets worse (worsened), when another
  condition of the same rank begins that none of the acknowledged ones explains (renewed), when it still holds after
  the policy's time (repeated), and when the intervention has not helped in time: then it comes back one level up
  (returned). So it does when it has been answered twice, nothing was done, and it still holds (unresolved).
- What is only `noted` raises no flag: nobody is called, but the bed is not quiet and says why. So is a bed without a
  flag whose conditions are shelved, or have not been seen long enough. Noted for `look_by_s`, it asks for a look.
- Shelving ends the flag until its conditions' time on the shelf is over; what asks for the team cannot be shelved.
- Time counts, not what was pressed: a condition of `bedside` that goes on for `team_by_s` asks for the team, and one
  that has asked for a look for `bedside_by_s` for the bedside, whatever was acknowledged, shelved or paused meanwhile.
"""

from typing import NamedTuple

import numpy as np

from quietward.detect.core.alerting import conditions
from quietward.detect.core.alerting.flags import (
    ACKNOWLEDGED,
    CLEARED,
    ESCALATED,
    HIGHER,
    IS_NOTED,
    IS_QUIET,
    LOWERED,
    NOT_SUPPRESSED,
    OWN_LIMIT_OVER,
    PAUSE_OVER,
    RAISED,
    RENEWED,
    REPEATED,
    RETURNED,
    SHELF_OVER,
    SHELVED,
    SHELVED_FLAG,
    SUPPRESSED,
    UNRESOLVED,
    WORSENED,
    Attention,
    Change,
    Notice,
    Told,
    add_notice,
    counting_at,
    counts,
    is_there,
)
from quietward.detect.core.alerting.policy import BEDSIDE, LOOK, NOTED, TEAM, Numbers, Policy
from quietward.detect.core.alerting.rule_sets import compare
from quietward.detect.core.arrays import Bools, Floats, Ints
from quietward.detect.core.compiled import EntryPoint, compiled
from quietward.detect.core.measures.findings import FHR_USABLE_1MIN, FHR_USABLE_30MIN, OBSERVED_MIN
from quietward.detect.core.records import Rows, next_row

ANSWERS_TO_ONE_LEVEL = 2
"""Answered so often with nothing done, what still holds goes one level up instead of being repeated."""
BACK_AGAIN_SHARE = 0.5
"""A pause is over when the signal has been lost and so much of the last minute is usable again."""
JUDGED_MIN, JUDGED_UNANSWERED_MIN, LOOKED_BACK_MIN = 10.0, 24.0, 30.0
"""So much readable FHR within the last 30 min says whether what a flag was raised for, before the state was rebuilt, is
there or over: a baseline takes ten minutes (NICHD 2008). Where nobody has answered it takes so much that whatever calls
again has had the time to: conditions that look back for half an hour ask for 20 min of it, and hold for some more."""


def _decide_all(
    a: Attention,
    beds: Ints,
    second: Ints,
    measures: Floats,
    lost: Bools,
    numbers: Numbers,
    policy: Ints,
    told: Told,
) -> None:
    """Bring some beds up to `second`. beds, second, lost, policy (which one each has): shape (m,).

    measures: by row, shape (rows, m).
    """
    for place in range(len(beds)):
        decide(a, beds[place], second[place], measures, place, lost[place], numbers, policy[place], told)


decide_all = EntryPoint(_decide_all, state="a")


@compiled
def decide(
    a: Attention,
    n: int,
    second: int,
    measures: Floats,
    column: int,
    is_lost: bool,
    numbers: Numbers,
    policy: int,
    told: Told,
) -> None:
    """Bring bed n up to `second`, and tell what changed. Its measures stand in a column of `measures`."""
    _end_what_is_over(a, n, second, is_lost, measures[FHR_USABLE_1MIN, column], told.notices)
    for i in range(len(numbers.rank)):
        told.before[i] = a.suppressed[i, n]
        conditions.follow(a, i, n, second, measures, column, is_lost, numbers, policy)
    if a.carried[n] > 0 and _can_be_judged(measures, column, is_lost, a.acknowledged[n]):
        a.carried[n] = 0
    asked, before = max(_asked(a, n, numbers), a.carried[n]), a.level[n]
    turn = _turn(a, n, second, asked, measures, column, numbers, policy)
    speaks = asked > 0 and before > 0 and turn.what != LOWERED
    level = _level(a, n, asked, turn)
    a.from_conditions[n] = asked
    _add_suppressed(a, n, speaks, numbers, told)
    if level != before or speaks:
        change = next_row(told.changes)
        change.n, change.what, change.level = n, turn.what, level
        if before == 0:
            change.what = RAISED
            a.flag[n] += 1
        elif level == 0:
            change.what = CLEARED
        change.flag = a.flag[n]
        a.level_since[n] = second
        a.acknowledged[n] = a.acknowledged[n] and not speaks and level > 0
    a.level[n] = level
    if not a.acknowledged[n]:
        a.acknowledged_for[:, n] = False
    if speaks or level == 0:
        a.intervention_at[n] = -1
    if level == 0 or (speaks and turn.what != REPEATED):
        a.answers[n] = 0
    _note(a, n, numbers, told.notices)
    if level > 0 and not a.acknowledged[n]:
        a.silent_from[n] = second
    elif not is_lost and a.paused_until[n] < 0 and not _would_call(a, n):
        a.silent_from[n] = -1


@compiled
def _can_be_judged(measures: Floats, column: int, is_lost: bool, is_answered: bool) -> bool:
    """Return whether enough of the trace has been seen to say what it is."""
    looked_back_min = min(measures[OBSERVED_MIN, column], LOOKED_BACK_MIN)
    least_min = JUDGED_MIN if is_answered else JUDGED_UNANSWERED_MIN
    return bool(not is_lost and measures[FHR_USABLE_30MIN, column] * looked_back_min >= least_min)


class _Turn(NamedTuple):
    """What becomes of a flag. what: why it alerts, the first reason that holds; LOWERED: it does not.

    escalates: it goes one level up by waiting or by coming back; lowers: what was acknowledged asks for less.
    """

    what: int
    escalates: bool
    lowers: bool


@compiled
def _turn(
    a: Attention, n: int, second: int, asked: int, measures: Floats, column: int, numbers: Numbers, policy: int
) -> _Turn:
    """Return what becomes of the flag of bed n, whose conditions ask for the level `asked`."""
    level, is_acknowledged = a.level[n], a.acknowledged[n]
    renews = _renews(a, n, numbers)
    returns = _has_not_helped(a, n, second, measures, column, numbers, policy)
    if level == 0:
        return _Turn(WORSENED if asked > 0 else LOWERED, False, False)
    lowers = is_acknowledged and asked < a.from_conditions[n]
    if asked > level:
        return _Turn(WORSENED, False, lowers)
    if returns:
        return _Turn(RETURNED, True, lowers)
    if not is_acknowledged and _has_waited(a, n, second, numbers, policy):
        return _Turn(ESCALATED, True, lowers)
    if renews:
        return _Turn(RENEWED, False, lowers)
    if is_acknowledged and second - a.acknowledged_at[n] >= numbers.repeat_s[level, policy]:
        goes_up = a.answers[n] >= ANSWERS_TO_ONE_LEVEL and _may_go_up(a, n, numbers)
        return _Turn(UNRESOLVED if goes_up else REPEATED, goes_up, lowers)
    return _Turn(LOWERED, False, lowers)


@compiled
def _level(a: Attention, n: int, asked: int, turn: _Turn) -> int:
    """Return the level the flag of bed n has from now on, and remember what it has reached by itself.

    While unacknowledged, a level reached by waiting or by coming back stays; only what conditions brought can go
    with them. An acknowledged flag falls only with its conditions.
    """
    if asked == 0:
        a.escalated_level[n] = 0
        return 0
    if turn.escalates:
        a.escalated_level[n] = min(a.level[n] + 1, TEAM)
        return int(a.escalated_level[n])
    if turn.lowers:
        a.escalated_level[n] = 0
        return asked
    if turn.what == WORSENED:
        return asked
    return int(a.level[n] if a.acknowledged[n] else max(asked, a.escalated_level[n]))


@compiled
def _note(a: Attention, n: int, numbers: Numbers, notices: Rows[Notice]) -> None:
    """Let a bed without a flag name what keeps it from being quiet: the worst first, of these the policy's first."""
    noted = -1
    for i in range(len(numbers.rank)):
        is_first = noted < 0 or numbers.rank[i] > numbers.rank[noted]
        if a.level[n] == 0 and is_first and is_there(a, i, n) and not _is_said_by_another(a, i, n, numbers, False):
            noted = i
    if noted != a.noted[n] and noted >= 0:
        add_notice(notices, n, IS_NOTED, noted, NOT_SUPPRESSED)
    elif noted != a.noted[n] and a.level[n] == 0:
        add_notice(notices, n, IS_QUIET, -1, NOT_SUPPRESSED)
    a.noted[n] = noted


@compiled
def _is_said_by_another(a: Attention, i: int, n: int, numbers: Numbers, calls: bool) -> bool:
    """Return whether a condition that says the same as condition i, and more, is there; calls: and counts."""
    for other in range(len(numbers.rank)):
        if numbers.unless[i, other] and (counts(a, other, n) if calls else is_there(a, other, n)):
            return True
    return False


@compiled
def _asked(a: Attention, n: int, numbers: Numbers) -> int:
    """Return the level of the worst condition that counts."""
    asked = 0
    for i in range(len(numbers.rank)):
        if counts(a, i, n):
            asked = max(asked, a.rank[i, n])
    return asked


@compiled
def _would_call(a: Attention, n: int) -> bool:
    """Return whether something would call for bed n, were it not for what people have pressed."""
    if a.carried[n] > 0:
        return True
    for i in range(a.active.shape[0]):
        if a.active[i, n] and a.rank[i, n] > NOTED:
            return True
    return False


@compiled
def _add_suppressed(a: Attention, n: int, speaks: bool, numbers: Numbers, told: Told) -> None:
    """Report what has been suppressed since the evaluation before."""
    for i in range(len(numbers.rank)):
        if speaks and a.suppressed[i, n] == HIGHER:
            a.suppressed[i, n] = NOT_SUPPRESSED  # an unacknowledged flag speaks for all that counts
        would_call = a.suppressed[i, n] != NOT_SUPPRESSED and numbers.rank[i] > NOTED
        if would_call and a.suppressed[i, n] != told.before[i]:
            add_notice(told.notices, n, SUPPRESSED, i, a.suppressed[i, n])


@compiled
def _end_what_is_over(
    a: Attention, n: int, second: int, is_lost: bool, usable_share: float, notices: Rows[Notice]
) -> None:
    """End shelves, limits of one bed and pauses whose time is over, and a pause when the signal is back."""
    for i in range(a.shelved_until.shape[0]):
        if 0 <= a.shelved_until[i, n] <= second:
            a.shelved_until[i, n] = -1
            add_notice(notices, n, SHELF_OVER, i, NOT_SUPPRESSED)
    for i in range(a.own_limit_until.shape[0]):
        if 0 <= a.own_limit_until[i, n] <= second:
            a.own_limit_until[i, n] = -1
            add_notice(notices, n, OWN_LIMIT_OVER, i, NOT_SUPPRESSED)
        if a.own_limit_until[i, n] < 0:
            a.own_limit[i, n] = np.nan
    if a.paused_until[n] < 0:
        if not is_lost:
            a.paused_from[n] = -1
        return
    if is_lost:
        a.lost_in_pause[n] = True
    is_back = a.lost_in_pause[n] and not is_lost and usable_share >= BACK_AGAIN_SHARE
    if second >= a.paused_until[n] or is_back:
        a.paused_until[n] = -1
        add_notice(notices, n, PAUSE_OVER, -1, NOT_SUPPRESSED)


@compiled
def _renews(a: Attention, n: int, numbers: Numbers) -> bool:
    """Return whether a condition has begun that no acknowledgement covers, and that nothing counting explains."""
    if not a.acknowledged[n]:
        return False
    renews = False
    for i in range(len(numbers.rank)):
        if not counts(a, i, n):
            a.acknowledged_for[i, n] = False
            continue
        if a.acknowledged_for[i, n]:
            continue
        a.acknowledged_for[i, n] = True
        if _is_said_by_another(a, i, n, numbers, True):
            continue
        if a.rank[i, n] < a.from_conditions[n]:
            a.suppressed[i, n] = HIGHER
        else:
            renews = True
    return renews


@compiled
def _may_go_up(a: Attention, n: int, numbers: Numbers) -> bool:
    """Return whether one of the conditions of a flag may take it one level up."""
    for i in range(len(numbers.rank)):
        if counts(a, i, n) and a.level[n] < numbers.max_level[i]:
            return True
    return False


@compiled
def _has_waited(a: Attention, n: int, second: int, numbers: Numbers, policy: int) -> bool:
    """Return whether the flag has waited long enough at its level for one of its conditions to take it one up."""
    waited, level = second - a.level_since[n], a.level[n]
    if a.carried[n] == level == BEDSIDE and waited >= numbers.bedside_after_s[policy]:
        return True
    for i in range(len(numbers.rank)):
        if not counts(a, i, n) or level >= numbers.max_level[i]:
            continue
        if level == LOOK and waited >= numbers.look_after_s[i, policy]:
            return True
        if level == BEDSIDE and waited >= numbers.bedside_after_s[policy]:
            return True
    return False


@compiled
def _has_not_helped(
    a: Attention, n: int, second: int, measures: Floats, column: int, numbers: Numbers, policy: int
) -> bool:
    """Return whether an intervention had its time to help, and a condition it was recorded for holds as before."""
    if a.intervention_at[n] < 0 or second - a.intervention_at[n] < numbers.helps_within_s[policy]:
        return False
    a.intervention_at[n] = -1
    for i in range(len(numbers.rank)):
        if not a.intervention_active[i, n] or not counts(a, i, n):
            continue
        if a.already_improving[i, n] or not conditions.one_holds(numbers.helped, i, measures, column, policy):
            return True
    return False


def acknowledge(a: Attention, n: int, flag: int, second: int) -> Change | None:
    """Acknowledge flag number `flag` of bed n; None if there is nothing (any more) to acknowledge."""
    if a.level[n] == 0 or a.flag[n] != flag or a.acknowledged[n]:
        return None
    a.acknowledged[n], a.acknowledged_at[n] = True, second
    a.answers[n] += 1
    is_aside = (a.shelved_until[:, n] >= 0) & (a.suppressed[:, n] == SHELVED)
    a.acknowledged_for[:, n] = a.active[:, n] & (a.rank[:, n] > NOTED) & ~is_aside
    return Change(n, ACKNOWLEDGED, int(a.level[n]), flag)


def care(a: Attention, n: int, second: int, measures: dict[str, float], policy: Policy) -> None:
    """Something was done for the flag of bed n: from the first thing on its time to help runs."""
    a.answers[n] = 0
    if a.level[n] == 0 or a.intervention_at[n] >= 0:
        return
    a.intervention_active[:, n] = counting_at(a, n)
    a.already_improving[:, n] = [
        any(compare(measures[name], operator, limit) for name, operator, limit in c.helped) for c in policy.condition
    ]
    a.intervention_at[n] = second


def shelve(a: Attention, n: int, flag: int, until: int) -> Change | None:
    """Set aside what flag number `flag` stands for; None if that is not (any more) there, as where a pause has just
    ended it, asks for the team, or cannot be judged yet.
    """
    if a.level[n] == 0 or a.flag[n] != flag or a.level[n] == TEAM or a.carried[n] > 0:
        return None
    shelved = counting_at(a, n)
    if not shelved.any():
        return None
    a.shelved_until[shelved, n], a.suppressed[shelved, n] = until, SHELVED
    a.noted[n] = max(np.flatnonzero(shelved), key=lambda i: a.rank[i, n])  # set aside is not quiet
    a.level[n] = a.from_conditions[n] = a.escalated_level[n] = 0
    a.acknowledged[n], a.intervention_at[n], a.answers[n] = False, -1, 0
    return Change(n, SHELVED_FLAG, 0, flag)


def pause(a: Attention, n: int, until: int, policy: Policy) -> None:
    """Take the monitor of bed n off on purpose: what asks for the signal itself is suppressed until then."""
    a.paused_until[n], a.lost_in_pause[n] = until, False
    for i, condition in enumerate(policy.condition):
        if condition.ends_with_signal:
            a.active[i, n], a.active_since[i, n], a.clear_since[i, n] = False, -1, -1
