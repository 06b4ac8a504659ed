"""Waiting until a time, exact to about 0.2 ms.

The timers of event loops count in milliseconds: every message of a device would be late by one, at the median, and
that would stand in the figures as the delay of what is measured.
"""

import asyncio
import ctypes
import os
import sys
import time
from typing import Self

NS_OF_MS = 1_000_000
NS_OF_S = 1_000_000_000
ABSOLUTE = 1
"""TFD_TIMER_ABSTIME, see timerfd_create(2)."""


class _Setting(ctypes.Structure):
    """itimerspec: then every so often, first at."""

    _fields_ = (
        ("every_s", ctypes.c_long), ("every_ns", ctypes.c_long), ("at_s", ctypes.c_long), ("at_ns", ctypes.c_long),
    )  # fmt: skip


class Timer:
    """A timer of the kernel that the loop watches; elsewhere than on Linux as exact as the loop. For `async with`."""

    def __init__(self) -> None:
        self._file = -1
        self._rung = asyncio.Event()

    async def __aenter__(self) -> Self:
        if sys.platform == "linux":
            self._libc = ctypes.CDLL(None, use_errno=True)
            self._file = self._libc.timerfd_create(time.CLOCK_REALTIME, os.O_NONBLOCK | os.O_CLOEXEC)
            if self._file < 0:
                raise OSError(ctypes.get_errno(), "no timer of the kernel")
            asyncio.get_running_loop().add_reader(self._file, self._ring)
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._file >= 0:
            asyncio.get_running_loop().remove_reader(self._file)
            os.close(self._file)

    def _ring(self) -> None:
        os.read(self._file, 8)
        self._rung.set()

    async def until(self, at_ms: int) -> None:
        """Wait until a time since the epoch; not at all, not even for others, when it has come."""
        at_ns = at_ms * NS_OF_MS
        early_ns = at_ns - time.time_ns()
        if early_ns <= 0:
            return
        if self._file < 0:
            await asyncio.sleep(early_ns / NS_OF_S)
            return
        self._rung.clear()
        setting = _Setting(0, 0, *divmod(at_ns, NS_OF_S))
        self._libc.timerfd_settime(self._file, ABSOLUTE, ctypes.byref(setting), None)
        await self._rung.wait()
