"""Which second of a bed's signal a block is: early ones wait, gaps are filled, repeated and late ones are counted."""

from typing import NamedTuple

from detect.core.state import State
from quietward.messages import HZ, Block

NOTHING: list[float | None] = [None] * HZ


class Second(NamedTuple):
    """One second of one lane, ready for `advance`. forget: the lane's signal starts anew with it."""

    lane: int
    second: int
    fhr: list[float | None]
    ua: list[float | None]
    mhr: float | None
    stage: int
    weeks: int
    forget: bool


def place(state: State, block: Block, refused: dict[tuple[str, str], int]) -> list[Second]:
    """Return the seconds that may be worked through now that `block` has come, in order.

    A block that comes before its predecessors waits for them, until so many later ones have come (`wait_s`) that they
    must be taken for lost. Repeated blocks, and those that come later still, are dropped and counted.
    """
    n = state.lane_of[block.bed]
    clock = state.clock
    clock.at[n], clock.online[n] = max(int(clock.at[n]), block.at), True
    if clock.second[n] < 0:
        return _take(state, n, block)
    if state.sessions[n] != block.session:  # what still waits belongs to the old session
        return [*give_up_waiting(state, n), *_take(state, n, block)]
    waiting = state.waiting.setdefault(n, [])
    ahead = block.seq - int(clock.seq[n])
    if ahead <= 0 or any(w.seq == block.seq for w in waiting):
        why = "late" if ahead < 0 else "repeated"
        refused[block.bed, why] = refused.get((block.bed, why), 0) + 1
        return []
    waiting.append(block)
    waiting.sort(key=lambda w: w.seq)
    seconds: list[Second] = []
    while waiting and (
        waiting[0].seq == clock.seq[n] + 1 or waiting[-1].seq - clock.seq[n] > state.rules.reading.signal.wait_s
    ):
        seconds += _take(state, n, waiting.pop(0))
    return seconds


def give_up_waiting(state: State, n: int) -> list[Second]:
    """Return the seconds of all blocks of lane n that wait for an earlier one."""
    return [second for block in state.waiting.pop(n, []) for second in _take(state, n, block)]


def waited_too_long(state: State) -> list[int]:
    """Return the lanes whose oldest waiting block has waited for `wait_s`."""
    before = state.now - state.rules.reading.signal.wait_s * 1000
    return [n for n, waiting in state.waiting.items() if waiting and min(w.at for w in waiting) <= before]


def _take(state: State, n: int, block: Block) -> list[Second]:
    """Return the seconds that are missing before `block`, and its own.

    Within a session the sequence number counts seconds; where the device's clock says that more time has passed,
    the clock is believed (a pause), where it says less, the number is (a clock set back).
    """
    clock = state.clock
    last = int(clock.second[n])
    if state.sessions[n] == block.session:
        ahead = block.seq - int(clock.seq[n])
        passed = (block.t - int(clock.t[n]) + 500) // 1000
        second = last + (ahead if passed <= ahead + 1 else passed)
    else:
        second = max(last + 1, block.t // 1000)
    forget = last < 0 or second - last > state.rules.reading.signal.forget_after_s
    first = second if forget else last + 1
    state.sessions[n] = block.session
    clock.second[n], clock.seq[n], clock.t[n] = second, block.seq, block.t
    filled = [Second(n, s, NOTHING, NOTHING, None, 0, 0, False) for s in range(first, second)]
    return [*filled, Second(n, second, block.fhr, block.ua, block.mhr, block.stage or 0, block.weeks or 0, forget)]
