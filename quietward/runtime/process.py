"""A service as a process: it stops on a signal, ends when it hangs or who started it has ended, listens on a port."""

import asyncio
import contextlib
import faulthandler
import gc
import logging
import os
import signal
import socket
import sys
import sysconfig
import threading
import time
from collections.abc import Coroutine
from types import TracebackType
from typing import Any, Literal

from quietward.contracts.errors import Unreachable
from quietward.runtime import logs

log = logging.getLogger("quietward")

COLLECTS_EVERY = 20_000
"""New objects between two runs of the garbage collector: most live no longer than one message, and make no cycles."""
STOP_AGAIN_S = 1.0
TURN_S = 0.25
"""How often a loop that does not stand still makes a turn that is counted."""
LOOKS_EVERY_S = 1.0
ENDS_AFTER_S = 30.0
"""A process whose loop has made no turn for so long ends itself, so that whoever started it starts it again."""
ENDS_ANYWAY_AFTER_S = 45.0
"""One that keeps the interpreter's lock, as compiled code does, stops the thread that would end it; then it is ended
from outside Python after so long, with exit code 1. Longer than `ENDS_AFTER_S`, which says more, and than any part is
stopped by `tests.faults`: one that was stopped for so long as a whole ends when it goes on."""
HAS_STEADY_WAIT = bool(sysconfig.get_config_var("HAVE_SEM_CLOCKWAIT"))
"""Elsewhere that wait follows the time of day, and a clock that is set by a minute would end every part."""
ENDED_BY_WATCHDOG = 70
"""Exit code then: an internal software error, as sysexits.h has it."""


def command_of(*arguments: str) -> list[str]:
    """Return the command line of `quietward <arguments>`. -P: never import a file of the user's folder instead."""
    return [sys.executable, "-P", "-m", "quietward", *arguments]


def run(main: Coroutine[Any, Any, None], log_as: Literal["text", "json"] = "text") -> None:
    """Run a service until it ends or is told to stop by SIGINT or SIGTERM. log_as: how its log lines look."""
    logs.configure(log_as)
    die_with_parent()
    gc.freeze()  # modules stay for good; scanning them again and again makes pauses
    gc.set_threshold(COLLECTS_EVERY)
    factory = None
    if sys.platform != "win32":
        import uvloop

        factory = uvloop.new_event_loop
    with asyncio.Runner(loop_factory=factory) as runner:
        runner.run(_until_told_to_stop(main))


class Turns:
    """The turns that a loop makes, for another thread that looks from time to time whether it makes any.

    How long it has made none is counted in looks, not by a clock: a process that was stopped as a whole, and goes on,
    has not stood still.
    """

    def __init__(self) -> None:
        self._made, self._seen, self._still_s = 0, -1, 0.0

    def note(self) -> None:
        """The loop makes a turn."""
        self._made += 1

    def look(self, since_s: float) -> float:
        """Return for how long the loop has stood still, s. since_s: how long after the look before this one comes."""
        self._still_s = self._still_s + since_s if self._made == self._seen else 0.0
        self._seen = self._made
        return self._still_s


def _end_when_still(turns: Turns, is_over: threading.Event) -> None:
    """End this process once its loop has stood still for too long, and write where each of its threads is."""
    while not is_over.wait(LOOKS_EVERY_S):
        if (still_s := turns.look(LOOKS_EVERY_S)) > ENDS_AFTER_S:
            log.critical("stood still for %.0f s, and ends", still_s)
            faulthandler.dump_traceback()
            os._exit(ENDED_BY_WATCHDOG)


async def _until_told_to_stop(main: Coroutine[Any, Any, None]) -> None:
    task = asyncio.create_task(main, name="main")
    loop = asyncio.get_running_loop()
    turns, is_over = Turns(), threading.Event()

    def turn() -> None:
        turns.note()
        loop.call_later(TURN_S, turn)

    def end_unless_called_again() -> None:
        if is_over.is_set():
            return
        faulthandler.dump_traceback_later(ENDS_ANYWAY_AFTER_S, exit=True, file=2)
        loop.call_later(LOOKS_EVERY_S, end_unless_called_again)

    def stop() -> None:
        task.cancel()
        loop.call_later(STOP_AGAIN_S, insist)

    def insist() -> None:
        # asyncio.wait_for of Python 3.11, which libraries use, can swallow a cancellation; then a task group waits
        # for a child that goes on as if nothing had happened.
        for running in asyncio.all_tasks():
            running.cancel()
        loop.call_later(STOP_AGAIN_S, insist)

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop)
    turn()
    if HAS_STEADY_WAIT:
        end_unless_called_again()
    threading.Thread(target=_end_when_still, args=(turns, is_over), daemon=True, name="turn watch").start()
    try:
        await task
    except asyncio.CancelledError:
        log.info("stopped")
    finally:
        is_over.set()
        faulthandler.cancel_dump_traceback_later()


class RecancellingTaskGroup(asyncio.TaskGroup):
    """A task group that cancels its tasks again and again until they end: when one has failed, when the block under it
    is left by an error or a cancellation, when it is cancelled while it waits for them, or on `cancel_all`.

    See `_until_told_to_stop` about cancellations that get lost.
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

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            # Asyncio's group would pass on the first cancellation of this wait only.
            while error is None and self._alive:
                await asyncio.wait(self._alive)
        except asyncio.CancelledError as cancelled:
            kind, error, trace = type(cancelled), cancelled, cancelled.__traceback__
        if error is not None:
            self.cancel_all()
        await super().__aexit__(kind, error, trace)

    def _ended(self, task: asyncio.Task[Any]) -> None:
        self._alive.discard(task)
        if not task.cancelled() and task.exception() is not None:
            asyncio.get_running_loop().call_later(STOP_AGAIN_S, self.cancel_all)

    def cancel_all(self) -> None:
        """Cancel all tasks of the group, once a second until the last one has ended."""
        for running in self._alive:
            running.cancel()
        if self._alive:
            asyncio.get_running_loop().call_later(STOP_AGAIN_S, self.cancel_all)


def allow_files() -> None:
    """Let this process have as many files and connections open as the system allows; at first it is often 1,024."""
    if sys.platform == "win32":
        return
    import resource

    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    with contextlib.suppress(ValueError, OSError):  # macOS says that there is no limit, and takes less
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


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

    The demo hands over the reading end of a pipe (QUIETWARD_PARENT is its number). Nobody ever writes to it: a read
    returns only when the demo's end is closed.
    """
    number = os.environ.pop("QUIETWARD_PARENT", None)
    if number is None:
        return

    def wait(pipe: int) -> None:
        os.read(pipe, 1)
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(3)  # for a clean end
        os._exit(1)

    threading.Thread(target=wait, args=(int(number),), daemon=True, name="parent watch").start()
