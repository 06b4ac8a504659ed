"""Every worker says once a second whether its last second was worked through; health checks and the page read it."""

import asyncio
import contextlib
import logging
import os
import secrets
import socket
import time
from collections.abc import Callable
from functools import partial
from typing import cast

import psutil

from quietward.contracts.addresses import Ward
from quietward.contracts.liveness import WorkerReport, encode_report, reports_of
from quietward.runtime import metrics
from quietward.runtime.clock import now_ms
from quietward.runtime.retry import at_once_again
from quietward.store.client import RedisError, Store

log = logging.getLogger("quietward")

REPORT_EVERY_S = 1.0
FORGET_EVERY = 15
FORGOTTEN_AFTER_MS = 60_000
"""A worker that has been silent for so long is no longer told of, once another of its part runs."""
LATE_S = 5.0
"""What has not been done for so long is a trouble."""
SHOWN_OF_ERROR = 200
"""Characters of an error that a trouble tells."""


def new_worker_name() -> str:
    """Return a name that no other worker has: host, process id, a random part."""
    return f"{socket.gethostname()} {os.getpid()} {secrets.token_hex(2)}"


def is_gone(worker: str) -> bool:
    """Return True if a worker was a process of this host that has ended, or whose recycled pid is ours now."""
    host, pid, _ = worker.rsplit(" ", 2)
    if host != socket.gethostname():
        return False
    return int(pid) == os.getpid() or not psutil.pid_exists(int(pid))


class StoppedSince:
    """Since when something that should come round again and again has not."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._at = self._clock()

    def note(self) -> None:
        """It has come round."""
        self._at = self._clock()

    @property
    def s(self) -> float:
        """Seconds since it last came round."""
        return self._clock() - self._at

    def trouble(self, what: str, after_s: float = LATE_S) -> list[str]:
        """Return `what`, with the time, once it has not come round for `after_s`."""
        return [f"{what} for {self.s:.0f} s"] if self.s > after_s else []


class FailedInARow:
    """What is tried again and again, and fails: once may be a connection that broke, twice is a trouble."""

    def __init__(self) -> None:
        self._times, self._error = 0, ""

    def note(self, error: Exception | None = None) -> None:
        """It has failed with an error, or been done."""
        self._times, self._error = (0, "") if error is None else (self._times + 1, str(error)[:SHOWN_OF_ERROR])

    @property
    def error(self) -> str:
        """What it failed with last, empty before the second time in a row."""
        return self._error if self._times > 1 else ""


async def report(
    store: Store,
    ward: Ward,
    part: str,
    troubles: Callable[[], list[str]] = list,
    refused: Callable[[str], None] = lambda _: None,
) -> None:
    """Report once a second as a worker of `part`, with its troubles, until cancelled.

    refused: called after every try with what the store said when it did not take the report, empty when it did.
    """
    worker, turn, ahead = new_worker_name(), 0, dict[str, int]()
    try:
        while True:
            try:
                if turn % FORGET_EVERY == 0:
                    ahead = await _forget(store, ward, part, ahead, at_start=turn == 0)
                turn += 1
                troubles_now = troubles()
                metrics.TROUBLES.labels(part).set(len(troubles_now))
                line = encode_report(WorkerReport(part, worker, now_ms(), troubles_now))
                await at_once_again(partial(_write, store, ward, f"{part} {worker}", line))
                metrics.HEARTBEATS.labels(part).inc()
                refused("")
            except RedisError as error:
                log.warning("report of %s: %s", part, error)
                refused(str(error))
            await asyncio.sleep(REPORT_EVERY_S)
    finally:
        with contextlib.suppress(RedisError, TimeoutError):
            async with asyncio.timeout(REPORT_EVERY_S):
                await store.at(ward.heartbeats).hdel(ward.heartbeats, f"{part} {worker}")


async def _write(store: Store, ward: Ward, worker: str, line: bytes) -> None:
    await store.at(ward.heartbeats).hset(ward.heartbeats, worker, line)


async def _forget(store: Store, ward: Ward, part: str, ahead: dict[str, int], *, at_start: bool) -> dict[str, int]:
    """Remove reports of this part whose workers are no more: at the start those of this host that have ended.

    ahead: when those have reported that were ahead of our clock at the last look; return those of now. Who has not
    reported since is no more: the clock was set back, or is another host's, and age says nothing.
    """
    stored = cast("dict[bytes, bytes]", await store.at(ward.heartbeats).hgetall(ward.heartbeats))
    now = now_ms()
    ours = [one for one in reports_of(stored) if one.part == part]
    gone = [
        f"{one.part} {one.worker}"
        for one in ours
        if one.at < now - FORGOTTEN_AFTER_MS
        or ahead.get(one.worker) == one.at > now
        or (at_start and is_gone(one.worker))
    ]
    if gone:
        await store.at(ward.heartbeats).hdel(ward.heartbeats, *gone)
    return {one.worker: one.at for one in ours if one.at > now}
