"""The server's clock: the one place where it is read for times that are written down, and noticed when it is set."""

import logging
import time
from collections.abc import Callable

log = logging.getLogger("quietward")

STEP_FROM_MS = 5_000
"""A clock that goes on by so much more or less than time passes has been set; less is no silence that matters."""
TOLD_FOR_MS = 2_000
"""Longer than it takes until whatever is stamped next is written."""


def now_ms() -> int:
    """Return the server's time in ms since the epoch."""
    return time.time_ns() // 1_000_000


def steady_ms() -> int:
    """Return ms of a clock that nobody sets. It goes on while the machine sleeps, where the system has such a clock."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return (time.monotonic_ns() if boot is None else time.clock_gettime_ns(boot)) // 1_000_000


class WatchedClock:
    """The server's clock, and by how much it was set lately. set_by_ms: in all, since it is watched."""

    def __init__(self, wall: Callable[[], int] = now_ms, steady: Callable[[], int] = steady_ms) -> None:
        self._wall, self._steady = wall, steady
        self._last = wall(), steady()
        self._stepped_ms, self._told_until = 0, self._last[1]
        self.set_by_ms = 0

    def read(self) -> tuple[int, int]:
        """Return the time in ms, and by how much the clock was set (below 0: back) within TOLD_FOR_MS, 0 if it was not.

        It is told for a while so that whoever writes first can say so before anything that bears the new time.
        """
        wall, steady = self._wall(), self._steady()
        stepped_ms = (wall - self._last[0]) - (steady - self._last[1])
        self._last = wall, steady
        if steady >= self._told_until:
            self._stepped_ms = 0
        if abs(stepped_ms) >= STEP_FROM_MS:
            log.warning("the server's clock was set by %.0f s", stepped_ms / 1000)
            self._stepped_ms += stepped_ms
            self.set_by_ms += stepped_ms
            self._told_until = steady + TOLD_FOR_MS
        return wall, self._stepped_ms


class Kept:
    """Which entries of a stream are old enough to be trimmed: by the times in their ids, which the store's clock gives,
    but no sooner because that clock was set forward.
    """

    def __init__(self, keep_ms: int, steady: Callable[[], int] = steady_ms) -> None:
        self._keep_ms, self._steady = keep_ms, steady
        self._last: tuple[int, int] | None = None
        self._steps: list[tuple[int, int]] = []  # when the clock was set, by how much

    def oldest_ms(self) -> int:
        """Return the time before which nothing is kept; 0 before the first entry that was noted."""
        return 0 if self._last is None else self._last[0] - self._keep_ms - sum(by for _, by in self._steps)

    def note(self, entry_ms: int) -> None:
        """Note the time in the id of an entry that was just written."""
        steady = self._steady()
        if self._last is not None:
            stepped_ms = (entry_ms - self._last[0]) - (steady - self._last[1])
            if stepped_ms >= STEP_FROM_MS:
                self._steps.append((steady, stepped_ms))
        self._steps = [step for step in self._steps if steady - step[0] < self._keep_ms]
        self._last = entry_ms, steady
