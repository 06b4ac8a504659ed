"""Which second of a bed's signal a block is: early ones wait, gaps are filled, repeated and late ones are counted."""

from bisect import bisect_left
from collections import Counter
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

import msgspec
import numpy as np

from quietward.contracts.bounds import EARLIER_SESSIONS, SKIP_CREDIT_S
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block
from quietward.contracts.timeline import Standing
from quietward.detect.core.state.state import State

CLOCK_TREMBLES_MS = 2_000
"""Parts stamp their inputs one after the other: a step back up to this is no clock that was set."""

ON_TIME_MS = 2_500
"""A block with the next number is the next second, unless its clock says that so much has passed."""
MOST_WAITING = 7_200
"""Seconds of one bed that wait for an earlier one: more than pile up while another part takes over."""
TOLD_FOR_MS = 60_000
"""A device that does not behave is told of for so long after the last time."""
RIVAL_FROM = 10
"""New seconds of another session; fewer may come late when a device has started again."""


class Notice(Enum):
    """What is said in a bed's log of its devices."""

    DOUBTED = "its monitor's numbering or clock is wrong: seconds are taken in the order they arrive"
    RIVAL = "several devices send under this bed's name, or one that starts again and again"


NOTHING: list[float | None] = [None] * HZ


class Second(NamedTuple):
    """One second of one bed, ready for `advance`. forget: the bed's signal starts anew with it. fhr2: of a second twin,
    None where the device has no such channel.
    """

    n: int
    second: int
    fhr: list[float | None]
    ua: list[float | None]
    mhr: float | None
    stage: int
    weeks: int
    forget: bool
    fhr2: list[float | None] | None = None


@dataclass
class Report:
    """What placing seconds has brought beside them.

    refused: (bed, why) -> seconds that were not used, or not as they came; notices: bed index, and what is to be said.
    """

    refused: Counter[tuple[str, str]]
    notices: list[tuple[int, Notice]] = field(default_factory=list)

    def count(self, block: Block, why: str) -> None:
        """Count a second."""
        self.refused[block.bed, why] += 1


def place(state: State, block: Block, report: Report) -> list[Second]:
    """Return the seconds that may be worked through now that `block` has come, in order.

    A block that comes before its predecessors waits for them, until it has waited too long (`overdue`) or so many are
    missing that this is no mere disorder (`missing_from_s`): by the server's time and not by how many later ones have
    come, for after a break those come all at once. Repeated blocks, those that come later still, and those of a session
    that another one has superseded (unless that has fallen silent) are dropped and counted.
    """
    n = state.index_of[block.bed]
    clock = state.clock
    if clock.placed[n] < 0:
        return _accept(state, n, block, report)
    if block.seq == clock.seq[n] + 1 and block.session == state.sessions[n] and not state.waiting.get(n):
        if block.t - clock.t[n] < ON_TIME_MS:
            return _follow(state, n, block)  # most of them
        return _accept(state, n, block, report)
    if state.sessions[n] != block.session:
        return _of_another_session(state, n, block, report)
    ahead = block.seq - int(clock.seq[n])
    if ahead <= 0 and block.t > clock.t[n]:  # time goes on, the numbers do not: its device has begun to count anew
        return [*give_up_waiting(state, n, report), *_accept(state, n, block, report, renumbered=True)]
    waiting = state.waiting.setdefault(n, [])
    at = bisect_left(waiting, block.seq, key=_seq)
    if ahead <= 0 or (at < len(waiting) and waiting[at].seq == block.seq):
        return _refuse(block, "late" if ahead < 0 else "repeated", report)
    clock.at[n], clock.online[n] = max(int(clock.at[n]), block.at), True
    waiting.insert(at, block)
    seconds: list[Second] = []
    missing = state.rules.reading.signal.missing_from_s
    while waiting and (len(waiting) > MOST_WAITING or not 1 < waiting[0].seq - clock.seq[n] < missing):
        seconds += _take(state, n, waiting.pop(0), report)
    return seconds


def _follow(state: State, n: int, block: Block) -> list[Second]:
    """Return the second of a block that follows its predecessor without doubt: `_take`, in a third of its time."""
    clock, at = state.clock, block.at
    second = int(clock.placed[n]) + 1
    clock.placed[n], clock.seq[n], clock.t[n], clock.online[n] = second, block.seq, block.t, True
    if at > clock.at[n]:
        clock.at[n] = at
    if at > clock.placed_at[n]:
        clock.placed_at[n] = at
    if (lead_ms := second * 1000 - at) > clock.lead_ms[n]:
        clock.lead_ms[n] = lead_ms
    if clock.credit_s[n] < SKIP_CREDIT_S:
        clock.credit_s[n] += 1
    return [_second(n, second, block, False)]


def _seq(block: Block) -> int:
    return block.seq


def _of_another_session(state: State, n: int, block: Block, report: Report) -> list[Second]:
    """Take over to a block's session, or refuse it because its session was superseded: a repeat, or a second device."""
    clock, earlier = state.clock, state.earlier.setdefault(n, {})
    silent = block.at - int(clock.at[n]) > state.rules.reading.signal.silent_after_s * 1000
    if block.session in earlier and not silent:
        if block.seq > earlier[block.session]:
            earlier[block.session] = block.seq
            _count_rival(state, n, block, report)
        return _refuse(block, "superseded", report)
    if not silent:
        _count_rival(state, n, block, report)
    earlier.pop(block.session, None)
    earlier[state.sessions[n]] = int(clock.seq[n])
    if len(earlier) > EARLIER_SESSIONS:
        del earlier[next(iter(earlier))]
    # What still waits belongs to the old session.
    return [*give_up_waiting(state, n, report), *_accept(state, n, block, report)]


def _count_rival(state: State, n: int, block: Block, report: Report) -> None:
    """Count a new second of another session; several are no disorder after a restart, but a second device."""
    clock = state.clock
    clock.rivals[n] = clock.rivals[n] + 1 if block.at - clock.rival_at[n] <= TOLD_FOR_MS else 1
    clock.rival_at[n] = block.at
    if clock.rivals[n] == RIVAL_FROM:
        report.notices.append((n, Notice.RIVAL))


def notice_of(state: State, n: int) -> Notice | None:
    """Return what is wrong with the devices of bed n now: several under its name, or numbers or a clock run away."""
    clock = state.clock
    if clock.rivals[n] >= RIVAL_FROM and state.now - clock.rival_at[n] <= TOLD_FOR_MS:
        return Notice.RIVAL
    return Notice.DOUBTED if state.now - clock.doubted_at[n] <= TOLD_FOR_MS else None


def _refuse(block: Block, why: str, report: Report) -> list[Second]:
    """Count a second that is not used. It is no sign of life: a device that only repeats itself falls silent."""
    report.count(block, why)
    return []


def _accept(state: State, n: int, block: Block, report: Report, *, renumbered: bool = False) -> list[Second]:
    state.clock.at[n], state.clock.online[n] = max(int(state.clock.at[n]), block.at), True
    return _take(state, n, block, report, renumbered=renumbered)


def follow_clock(state: State, at: int, stepped_ms: int) -> None:
    """Take the server's time. When it was set, arrivals move with it: silence is counted from what was heard.

    stepped_ms: as ingest noticed it. Several ingests may tell of one step; only the first sees it ahead of `now`.
    """
    if at < state.now - CLOCK_TREMBLES_MS:
        _move_arrivals(state, at - state.now)
        state.now = at
    elif CLOCK_TREMBLES_MS < stepped_ms <= at - state.now + CLOCK_TREMBLES_MS:
        _move_arrivals(state, stepped_ms)
    state.now = max(state.now, at)


def _move_arrivals(state: State, by_ms: int) -> None:
    clock = state.clock
    for arrivals in (clock.at, clock.placed_at, clock.doubted_at, clock.rival_at):
        np.add(arrivals, by_ms, out=arrivals)
    clock.lead_ms[:] -= by_ms
    for waiting in state.waiting.values():
        waiting[:] = [msgspec.structs.replace(block, at=block.at + by_ms) for block in waiting]
    for occupancy in state.stays.values():
        occupancy.move_undo(by_ms)


def give_up_waiting(state: State, n: int, report: Report) -> list[Second]:
    """Return the seconds of all blocks of bed n that wait for an earlier one."""
    return [second for block in state.waiting.pop(n, []) for second in _take(state, n, block, report)]


def overdue(state: State, report: Report) -> dict[int, list[Second]]:
    """Return by bed the seconds of blocks that have waited for `wait_s`, of those before them and of those that follow
    without a gap. What they waited for is lost.
    """
    before = state.now - state.rules.reading.signal.wait_s * 1000
    by_bed = {}
    for n, waiting in state.waiting.items():
        due = max((i + 1 for i, block in enumerate(waiting) if block.at <= before), default=0)
        seconds = [second for block in waiting[:due] for second in _take(state, n, block, report)]
        del waiting[:due]
        while waiting and waiting[0].seq == state.clock.seq[n] + 1:
            seconds += _take(state, n, waiting.pop(0), report)
        if seconds:
            by_bed[n] = seconds
    return by_bed


def _take(state: State, n: int, block: Block, report: Report, *, renumbered: bool = False) -> list[Second]:
    """Return the seconds that are missing before `block`, and its own."""
    clock = state.clock
    last = int(clock.placed[n])
    columns = clock.placed, clock.seq, clock.t, clock.placed_at, clock.lead_ms, clock.credit_s
    stands = Standing(*(int(column[n]) for column in columns))
    anew = renumbered or state.sessions[n] != block.session
    stands, is_believed = stands.followed_by(block.seq, block.t, block.at, anew=anew)
    if not is_believed:
        report.count(block, "time")
        if block.at - clock.doubted_at[n] > TOLD_FOR_MS:
            report.notices.append((n, Notice.DOUBTED))
        clock.doubted_at[n] = block.at
    second = stands.second
    begins = last <= clock.others_until[n]  # a fresh bed, or a woman who has just come, has no past
    forget = not begins and second - last > state.rules.reading.signal.forget_after_s
    first = second if forget or begins else last + 1
    state.sessions[n] = block.session
    for column, value in zip(columns, stands, strict=True):
        column[n] = value
    filled = [Second(n, s, NOTHING, NOTHING, None, 0, 0, False) for s in range(first, second)]
    return [*filled, _second(n, second, block, forget)]


def _second(n: int, second: int, block: Block, forget: bool) -> Second:
    return Second(n, second, block.fhr, block.ua, block.mhr, block.stage or 0, block.weeks or 0, forget, block.fhr2)
