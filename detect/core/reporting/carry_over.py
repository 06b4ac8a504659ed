"""What is carried over to a state that was rebuilt without a checkpoint: what was said of a bed, and by its people.

Other rules or another version may see the same trace differently, and what came long ago is not worked through again.
Whatever a bed was last said to ask for still stands, under the flag that people know, until the next evaluation says
in the log that it has become more, less, or is over. Nothing changes in silence.
"""

from collections.abc import Sequence

from quietward.contracts.flag_names import flag_number, is_of_second
from quietward.contracts.log import Event
from quietward.contracts.stays import Stay
from quietward.contracts.summary import FetusSummary, Level, SignalState, Summary
from quietward.detect.core.alerting.policy import LEVELS
from quietward.detect.core.state.state import SECOND, Occupancy, State


def carry_over(state: State, bed: str, newest: list[Event], summary: Summary | None) -> None:
    """Let bed go on from its last summary and the newest events of its log."""
    n = state.index_of[bed]
    is_moving = summary is not None and summary.moving_to != "" and state.is_empty(n)  # what is shown is not here
    if is_moving:
        pass
    elif summary is not None and summary.stay is not None and summary.stay_id != state.stay_id(n):
        _carry_stay(state, n, summary, summary.stay)
    numbers = [int(event.id.rpartition("-")[2]) for event in newest]
    flags = [str(event.detail["flag"]) for event in newest if "flag" in event.detail]
    if summary is not None:
        numbers.append(summary.events)
        flags += [one.flag for one in of_each(summary) if one.flag]
        if not summary.is_empty and not is_moving:
            if state.clock.second[n] < 0 and summary.t > 0 and summary.session:
                _place(state, n, summary)
            for place, one in zip(places(state, n, summary), of_each(summary), strict=True):
                carry_level(state, place, one)
            carry_words(state, n, summary)
    state.clock.event[n] = max(numbers, default=0)
    for fetus in (n, state.place_of_second.get(n)):
        if fetus is not None:
            known = int(state.attention.flag[fetus]) if state.stay_id(n) else 0  # numbered on from woman to woman
            own = [flag_number(flag) for flag in flags if is_of_second(flag) == (fetus != n)]
            state.attention.flag[fetus] = max(own, default=known)


def of_each(summary: Summary) -> Sequence[Summary | FetusSummary]:
    """Return what a summary says of each fetus in its bed."""
    return summary.fetuses or [summary]


def places(state: State, n: int, summary: Summary) -> list[int]:
    """Return the places of the fetuses in bed n of which a summary tells, a second of twins among them."""
    if not summary.fetuses:
        return [n]
    state.admit([state.beds[n] + SECOND])
    clock, second = state.clock, state.place_of_second[n]
    if clock.second[second] < 0:
        clock.second[second] = clock.second[n] if clock.second[n] >= 0 else summary.t // 1000
        clock.lost[second] = summary.fetuses[1].signal is SignalState.LOST
    return [n, second]


def _carry_stay(state: State, n: int, summary: Summary, stay: Stay) -> None:
    """Let who was last in the bed be in it: when she came, or left, is no longer in the stream."""
    state.stays[state.beds[n]] = Occupancy(stay, list(summary.former))
    state.remember_arrival(n)
    if stay.is_empty:
        state.begin_anew(n)


def _place(state: State, n: int, summary: Summary) -> None:
    """Let a bed of which nothing was worked through again stand where it stood: it has been silent since."""
    clock = state.clock
    clock.second[n], clock.t[n], clock.at[n] = summary.t // 1000, summary.t, summary.at
    clock.lost[n] = summary.signal is SignalState.LOST
    state.sessions[n] = summary.session


def carry_level(state: State, n: int, summary: Summary | FetusSummary) -> None:
    """Let the fetus at place n ask for what it last asked for: the next evaluation speaks of every difference."""
    a = state.attention
    level = LEVELS.index(summary.level) if summary.level in LEVELS and summary.flag else 0
    before = int(a.level[n])
    a.level[n] = a.escalated_level[n] = level
    a.from_conditions[n] = level  # an answer to it covers what begins after it, up to the same level
    if level > before:
        words = state.words_of(n)
        a.carried[n], words.carried, words.after_gap = level, summary.reason, False
    a.acknowledged[n] = False
    if summary.level is Level.QUIET:
        a.noted[n] = -1  # so that what is noted now is told
    if level == 0:
        return
    now = max(int(state.clock.second[n]), 0)
    a.level_since[n] = now if summary.level_since is None else summary.level_since // 1000
    if summary.acknowledged_by:
        a.acknowledged[n], a.acknowledged_at[n] = True, now
        a.acknowledged_for[:, n] = a.active[:, n]
        state.words_of(n).acknowledged_by = summary.acknowledged_by


def carry_words(state: State, n: int, summary: Summary) -> None:
    """Keep what people have said: shelves, limits of one bed, pauses, care."""
    a, words, place = state.attention, state.words_of(n), state.rules.policy.place
    fetuses = places(state, n, summary)
    for fetus, one in zip(fetuses, of_each(summary), strict=True):
        for shelf in one.shelved:
            if (i := place(shelf.condition)) is not None:
                a.shelved_until[i, fetus] = shelf.until // 1000
                state.words_of(fetus).shelved[i] = (shelf.by, shelf.why)
    for limited in summary.limited:
        if (i := place(limited.condition)) is not None:
            a.own_limit[i, fetuses], a.own_limit_until[i, fetuses] = limited.limit, limited.until // 1000
            words.limited[i] = (limited.by, limited.why)
    if summary.paused is not None:
        a.paused_until[fetuses] = summary.paused.until // 1000
        words.paused = (summary.paused.by, summary.paused.why)
    words.cared = list(summary.cared)
