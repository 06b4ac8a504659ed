"""Which second of a bed's signal a block is: early ones wait, gaps are filled, repeated and late ones are counted."""

from typing import NamedTuple

from quietward.contracts.messages import HZ, Block
from quietward.contracts.timeline import second_after, second_anew
from quietward.detect.core.state.state import State

CLOCK_TREMBLES_MS = 2_000
"""Parts stamp their inputs one after the other: a step back up to this is no clock that was set."""

NOTHING: list[float | None] = [None] * HZ


class Second(NamedTuple):
    """One second of one bed, ready for `advance`. forget: the bed's signal starts anew with it."""

    n: int
    second: int
    fhr: list[float | None]
    ua: list[float | None]
    mhr: float | None
    stage: int
    weeks: int
    forget: bool


def place(state: State, block: Block, refused: dict[tuple[str, str], int]) -> list[Second]:
    """Return the seconds that may be worked through now that `block` has come, in order.

    A block that comes before its predecessors waits for them, until it has waited too long (`overdue`) or so many are
    missing that this is no mere disorder (`missing_from_s`): by the server's time and not by how many later ones have
    come, for after a break those come all at once. Repeated blocks, those that come later still, and those of a session
    that another one has superseded (unless that has fallen silent) are dropped and counted.
    """
    n = state.index_of[block.bed]
    clock = state.clock
    if clock.second[n] < 0:
        return _accept(state, n, block)
    if block.seq == clock.seq[n] + 1 and block.session == state.sessions[n] and not state.waiting.get(n):
        return _accept(state, n, block)  # most of them
    silent = block.at - int(clock.at[n]) > state.rules.reading.signal.silent_after_s * 1000
    if state.sessions[n] != block.session:
        if state.earlier.get(n) == block.session and not silent:  # it was superseded: a repeat, or a second device
            return _refuse(block, "superseded", refused)
        state.earlier[n] = state.sessions[n]
        # What still waits belongs to the old session.
        return [*give_up_waiting(state, n), *_accept(state, n, block)]
    ahead = block.seq - int(clock.seq[n])
    if ahead <= 0 and block.t > clock.t[n]:  # time goes on, the numbers do not: its device has begun to count anew
        return [*give_up_waiting(state, n), *_accept(state, n, block, renumbered=True)]
    waiting = state.waiting.setdefault(n, [])
    ahead = block.seq - int(clock.seq[n])
    if ahead <= 0 or any(w.seq == block.seq for w in waiting):
        return _refuse(block, "late" if ahead < 0 else "repeated", refused)
    clock.at[n], clock.online[n] = max(int(clock.at[n]), block.at), True
    waiting.append(block)
    waiting.sort(key=lambda w: w.seq)
    seconds: list[Second] = []
    while waiting and not 1 < waiting[0].seq - clock.seq[n] < state.rules.reading.signal.missing_from_s:
        seconds += _take(state, n, waiting.pop(0))
    return seconds


def _refuse(block: Block, why: str, refused: dict[tuple[str, str], int]) -> list[Second]:
    """Count a second that is not used. It is no sign of life: a device that only repeats itself falls silent."""
    refused[block.bed, why] = refused.get((block.bed, why), 0) + 1
    return []


def _accept(state: State, n: int, block: Block, *, renumbered: bool = False) -> list[Second]:
    state.clock.at[n], state.clock.online[n] = max(int(state.clock.at[n]), block.at), True
    return _take(state, n, block, renumbered=renumbered)


def follow_clock(state: State, at: int) -> None:
    """Take the server's time. When it was set back, arrivals move with it: silence is counted from what was heard."""
    if at < state.now - CLOCK_TREMBLES_MS:
        state.clock.at[:] -= state.now - at
        state.now = at
    state.now = max(state.now, at)


def give_up_waiting(state: State, n: int) -> list[Second]:
    """Return the seconds of all blocks of bed n that wait for an earlier one."""
    return [second for block in state.waiting.pop(n, []) for second in _take(state, n, block)]


def overdue(state: State) -> dict[int, list[Second]]:
    """Return by bed the seconds of blocks that have waited for `wait_s`, of those before them and of those that follow
    without a gap. What they waited for is lost.
    """
    before = state.now - state.rules.reading.signal.wait_s * 1000
    found = {}
    for n, waiting in state.waiting.items():
        seconds: list[Second] = []
        while waiting and (waiting[0].seq == state.clock.seq[n] + 1 or any(w.at <= before for w in waiting)):
            seconds += _take(state, n, waiting.pop(0))
        if seconds:
            found[n] = seconds
    return found


def _take(state: State, n: int, block: Block, *, renumbered: bool = False) -> list[Second]:
    """Return the seconds that are missing before `block`, and its own."""
    clock = state.clock
    last = int(clock.second[n])
    if state.sessions[n] == block.session and not renumbered:
        second = second_after(last, int(clock.seq[n]), int(clock.t[n]), block.seq, block.t)
    else:
        second = second_anew(last, block.t)
    forget = last >= 0 and second - last > state.rules.reading.signal.forget_after_s  # a fresh bed has no past
    first = second if forget or last < 0 else last + 1
    state.sessions[n] = block.session
    clock.second[n], clock.seq[n], clock.t[n] = second, block.seq, block.t
    filled = [Second(n, s, NOTHING, NOTHING, None, 0, 0, False) for s in range(first, second)]
    return [*filled, Second(n, second, block.fhr, block.ua, block.mhr, block.stage or 0, block.weeks or 0, forget)]
