"""Which second of a bed's signal a block is: gaps are filled, repeated and late seconds are dropped and counted."""

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
    forget: bool


def place(state: State, block: Block, refused: dict[tuple[str, str], int]) -> list[Second]:
    """Return the seconds that `block` adds: the ones that are missing before it, and its own; none if it is old.

    Within a session the sequence number counts seconds; where the device's clock says that more time has passed,
    the clock is believed (a pause), where it says less, the number is (a clock set back).
    """
    n = state.lane_of[block.bed]
    clock = state.clock
    last, limits = int(clock.second[n]), state.rules.reading.signal
    by_clock = block.t // 1000
    if state.sessions[n] == block.session:
        ahead = block.seq - int(clock.seq[n])
        if ahead <= 0:
            why = "repeated" if ahead == 0 else "late"
            refused[block.bed, why] = refused.get((block.bed, why), 0) + 1
            clock.at[n] = max(int(clock.at[n]), block.at)
            return []
        passed = (block.t - int(clock.t[n]) + 500) // 1000
        second = last + (ahead if passed <= ahead + 1 else passed)
    else:
        second = max(last + 1, by_clock)
    forget = last < 0 or second - last > limits.forget_after_s
    first = second if forget else last + 1
    state.sessions[n] = block.session
    clock.second[n], clock.seq[n] = second, block.seq
    clock.t[n], clock.at[n], clock.online[n] = block.t, block.at, True
    filled = [Second(n, s, NOTHING, NOTHING, None, 0, False) for s in range(first, second)]
    return [*filled, Second(n, second, block.fhr, block.ua, block.mhr, block.stage or 0, forget)]
