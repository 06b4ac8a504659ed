"""What every long-running part does alike: stop on a signal, try again with growing delays, show that it is alive."""

import asyncio
import gc
import logging
import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import Unreachable
from quietward.contracts.settings import Settings
from quietward.runtime import metrics
from quietward.store.client import RedisError, Store, connected

log = logging.getLogger("quietward")

FIRST_DELAY_S, LONGEST_DELAY_S = 0.2, 5.0
STORE_DELAY_S = 1.0
"""No longer than this between tries to write what is in hand: parts that wait for one store must go on together."""
COLLECTS_EVERY = 20_000
"""New objects between two looks of the garbage collector: most live no longer than one message, and make no cycles."""
HEARTBEAT_S = 1.0
STOP_AGAIN_S = 1.0


def now_ms() -> int:
    """Return the server's time in ms since the epoch."""
    return time.time_ns() // 1_000_000


def command_of(*arguments: str) -> list[str]:
    """Return the command line of `quietward <arguments>`. -P: a file of the user's folder is never taken for ours."""
    return [sys.executable, "-P", "-m", "quietward", *arguments]


def run(main: Coroutine[Any, Any, None]) -> None:
    """Run a part until it ends or is told to stop by SIGINT or SIGTERM."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", stream=sys.stderr)
    die_with_parent()
    gc.freeze()  # what is loaded by now stays: looking through it again and again makes pauses
    gc.set_threshold(COLLECTS_EVERY)
    factory = None
    if sys.platform != "win32":
        import uvloop

        factory = uvloop.new_event_loop
    with asyncio.Runner(loop_factory=factory) as runner:
        runner.run(_until_told(main))


async def _until_told(main: Coroutine[Any, Any, None]) -> None:
    task = asyncio.create_task(main, name="main")
    loop = asyncio.get_running_loop()

    def stop() -> None:
        task.cancel()
        loop.call_later(STOP_AGAIN_S, insist)

    def insist() -> None:
        # asyncio.wait_for of Python 3.11, which libraries use, can swallow a cancellation; then a task group waits
        # for a child that never heard of it.
        for unheard in asyncio.all_tasks():
            unheard.cancel()
        loop.call_later(STOP_AGAIN_S, insist)

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop)
    try:
        await task
    except asyncio.CancelledError:
        log.info("stopped")


class Tasks(asyncio.TaskGroup):
    """A task group that ends when one of its tasks has failed, though others swallow their cancellation.

    See `_until_told` about cancellations that get lost.
    """

    def __init__(self) -> None:
        super().__init__()
        self._alive: set[asyncio.Task[Any]] = set()

    def create_task(self, coro: Any, **named: Any) -> asyncio.Task[Any]:
        """Start a task of the group."""
        task = super().create_task(coro, **named)
        self._alive.add(task)
        task.add_done_callback(self._ended)
        return task

    def _ended(self, task: asyncio.Task[Any]) -> None:
        self._alive.discard(task)
        if not task.cancelled() and task.exception() is not None:
            asyncio.get_running_loop().call_later(STOP_AGAIN_S, self.end)

    def end(self) -> None:
        """Cancel all tasks of the group, until the last one has heard of it."""
        for unheard in self._alive:
            unheard.cancel()
        if self._alive:
            asyncio.get_running_loop().call_later(STOP_AGAIN_S, self.end)


def bind(host: str, port: int) -> socket.socket:
    """Return a listening socket. Raises Unreachable if that is not possible."""
    sock = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((host, port))
        sock.listen(128)
    except (OSError, socket.gaierror) as error:
        sock.close()
        remedy = f"Choose another with --port or QUIETWARD_PORT ({error.strerror})"
        raise Unreachable("page's address", f"{host}:{port}", remedy) from error
    sock.setblocking(False)
    return sock


def die_with_parent() -> None:
    """End this process when the demo that started it has died, however it died.

    The demo hands over the reading end of a pipe (QUIETWARD_PARENT is its number); nobody ever writes to it, so
    that reading returns only when the demo's end is closed.
    """
    number = os.environ.pop("QUIETWARD_PARENT", None)
    if number is None:
        return

    def wait(pipe: int) -> None:
        os.read(pipe, 1)
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(3)  # for a clean end; then for any end
        os._exit(1)

    threading.Thread(target=wait, args=(int(number),), daemon=True, name="parent watch").start()


class Backoff:
    """Growing delays between tries; `worked()` starts again from the shortest."""

    def __init__(self, longest_s: float = LONGEST_DELAY_S) -> None:
        self.delay_s, self.longest_s = FIRST_DELAY_S, longest_s

    def worked(self) -> None:
        """Remember that things work again."""
        self.delay_s = FIRST_DELAY_S

    async def wait(self, why: object) -> None:
        """Say why, and wait."""
        metrics.WAITS.inc()
        log.warning("%s; next try in %.1f s", why, self.delay_s)
        await asyncio.sleep(self.delay_s)
        self.delay_s = min(self.longest_s, self.delay_s * 2)


async def until_stored(write: Callable[[], Awaitable[None]]) -> None:
    """Call `write` until the store has taken it."""
    backoff = Backoff(STORE_DELAY_S)
    while True:
        try:
            return await write()
        except RedisError as error:
            await backoff.wait(f"store: {error}")


async def heartbeat(store: Store, key: str, part: str) -> None:
    """Write this part's heartbeat once a second, as long as it runs."""
    while True:
        try:
            await store.at(key).hset(key, part, str(now_ms()))
            metrics.HEARTBEATS.labels(part).inc()
        except RedisError as error:
            log.warning("heartbeat of %s: %s", part, error)
        await asyncio.sleep(HEARTBEAT_S)


async def heartbeat_age_s(settings: Settings, part: str) -> float | None:
    """Return how old a part's last heartbeat is, None if there is none. Raises Unreachable."""
    async with connected(settings.store) as store:
        key = Ward(settings.ward).parts
        at = await store.at(key).hget(key, part)
        return None if at is None else (now_ms() - int(at)) / 1000
