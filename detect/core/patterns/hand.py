"""Contractions timed by hand, beside the recorded uterine activity and never in its place."""

import math
from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ, WINDOW_S
from quietward.contracts.summary import HandTimed
from quietward.detect.core.arrays import Ints, index
from quietward.detect.core.parameters import HandLimits
from quietward.detect.core.patterns.history import History

KEPT = 48
NONE = -1
SHORTEST_S = 5
"""An end so soon after the beginning was a double click. No contraction is that short."""


class Hand(NamedTuple):
    """The last contractions timed by hand, rings of shape (KEPT, beds); seconds are the bed's own."""

    timed: Ints = index(0)  # how many since the bed began
    onset: Ints = index(NONE, KEPT)
    end: Ints = index(NONE, KEPT)
    running: Ints = index(NONE)  # second the one that is going on began


def tap(h: Hand, n: int, edge: str, second: int, limits: HandLimits) -> str:
    """Take a tap; return why it could not be taken, or nothing."""
    if h.running[n] >= 0 and second - h.running[n] > limits.longest_s:
        h.running[n] = NONE  # its end was forgotten
        if edge == "end":
            return f"It began more than {limits.longest_s / 60:.0f} min ago and was dropped"
    match edge:
        case "start" if h.running[n] >= 0:
            return f"A contraction began {second - h.running[n]} s ago: end it first"
        case "start":
            h.running[n] = second
        case "end" if h.running[n] < 0:
            return "No contraction is being timed"
        case "end" if second - h.running[n] < SHORTEST_S:
            return f"The contraction began {second - h.running[n]} s ago; still timing. Undo if it was not one"
        case "end":
            slot = h.timed[n] % KEPT
            h.onset[slot, n], h.end[slot, n] = h.running[n], second
            h.timed[n] += 1
            h.running[n] = NONE
        case _ if h.running[n] >= 0:
            h.running[n] = NONE
        case _ if h.timed[n] > 0 and h.end[(h.timed[n] - 1) % KEPT, n] != NONE:
            h.timed[n] -= 1
            slot = h.timed[n] % KEPT
            h.running[n] = h.onset[slot, n]
            h.onset[slot, n] = h.end[slot, n] = NONE
        case _:
            return "There is nothing to undo"
    return ""


def newest(h: Hand, n: int) -> tuple[int, int]:
    """Return onset and end of bed n's newest finished one."""
    slot = (h.timed[n] - 1) % KEPT
    return int(h.onset[slot, n]), int(h.end[slot, n])


def of(h: Hand, recorded: History, n: int, second: int, limits: HandLimits) -> HandTimed | None:
    """Return the timing of the last half hour, None when nothing was timed in it.

    second: the present one. While nothing arrives it is later than the newest one of the signal.
    """
    if h.timed[n] == 0 and h.running[n] < 0:
        return None
    is_running = bool(h.running[n] >= 0) and second - int(h.running[n]) <= limits.longest_s
    onsets, durations = _within(h, n, second - WINDOW_S, second)
    starts = [*onsets, int(h.running[n])] if is_running else onsets
    if not starts:
        return None
    interval_s = _mean_step(starts)
    earlier_s = _mean_step(_within(h, n, second - 2 * WINDOW_S, second - WINDOW_S)[0])
    return HandTimed(
        count=len(starts),
        interval_s=interval_s,
        duration_s=sum(durations) / len(durations) if durations else None,
        since_onset_s=float(second - starts[-1]),
        is_running=is_running,
        change=None if interval_s is None or earlier_s is None else interval_s / earlier_s,
        differs=_difference(starts, recorded, n, second, limits),
    )


def _within(h: Hand, n: int, after: int, until: int) -> tuple[list[int], list[int]]:
    chosen = np.flatnonzero((h.onset[:, n] > after) & (h.onset[:, n] <= until) & (h.end[:, n] != NONE))
    pairs = sorted((int(h.onset[i, n]), int(h.end[i, n])) for i in chosen)
    return [onset for onset, _ in pairs], [end - onset for onset, end in pairs]


def _mean_step(starts: list[int]) -> float | None:
    return (starts[-1] - starts[0]) / (len(starts) - 1) if len(starts) >= 2 else None


def _difference(starts: list[int], recorded: History, n: int, second: int, limits: HandLimits) -> str:
    """Compare with what the toco has recorded since shortly before the first one timed by hand."""
    by_hand = len(starts)
    since = starts[0] - int(limits.before_s)
    by_toco = int((recorded.contraction_onset[:, n] >= since * HZ).sum())
    more = max(by_hand, by_toco)
    if more < limits.least or abs(by_hand - by_toco) <= max(1, math.floor(more * limits.differs_share)):
        return ""
    return f"in {(second - since) / 60:.0f} min {by_hand} timed by hand, {by_toco} recorded"
