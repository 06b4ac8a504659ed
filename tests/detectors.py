"""Detectors that a test runs: until an input, or until they are killed where it hurts; and what they have said.

The kills are real (SIGKILL of a real process) and come at points of the detector's own (`quietward.runtime.hooks`):
before and after each step, commit, message to another bed and piece of a checkpoint.
"""

import asyncio
import multiprocessing
import os
import signal
import sys
import threading
from contextlib import chdir
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import Any, NamedTuple

from quietward.contracts.addresses import Shard, Ward
from quietward.contracts.log import decode_event
from quietward.detect import rule_file, service
from quietward.detect import store as detect_store
from quietward.detect.service import Detector
from quietward.detect.store import ShardStore
from quietward.runtime.process import run as run_service
from quietward.store.client import Store, connected
from tests.conftest import WAIT_S, Server, stop

POINTS = ("stepped", "sent", "committed", "sending", "sent to another bed", "saving", "saved")
FORKS = multiprocessing.get_context("forkserver")
FORKS.set_forkserver_preload(["tests.prepared"])
ROOT = Path(__file__).parents[1]


class Death(NamedTuple):
    """Where a detector dies, and how often it comes past before; only while a file is there, if one is named."""

    point: str = ""
    after: int = 0
    only_while: Path | None = None


def start(server: Server, shard: Shard, death: Death, log: Path) -> ForkServerProcess:
    """Start the detector of a shard in a process of its own, which ends with this one."""
    url = f"redis://127.0.0.1:{server.port}/0"
    process = FORKS.Process(target=_be, args=(url, shard, death, log), daemon=True)
    begin(process)
    return process


def begin(process: ForkServerProcess) -> None:
    """Start a process from the root, where the forkserver, which the first of them starts, finds what it prepares."""
    with chdir(ROOT):
        process.start()


def assert_prepared() -> None:
    """To be called in a child: the forkserver says nothing where it could not import what it should."""
    assert "tests.prepared" in sys.modules


def was_killed(process: ForkServerProcess) -> bool:
    """Whether a detector that has ended died as it was told."""
    return process.exitcode == -signal.SIGKILL


def _be(url: str, shard: Shard, death: Death, log: Path) -> None:
    assert_prepared()
    with log.open("ab") as file:
        os.dup2(file.fileno(), 1)
        os.dup2(file.fileno(), 2)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    service.ASKED_AGAIN_S = 0.1
    detect_store.READ_AT_MOST = 3  # many commits, many places to die
    detect_store.PIECE_BYTES, detect_store.BETWEEN_PIECES_S = 40_000, 0.0  # so that many die with half a checkpoint
    left = death.after

    def at(reached: str) -> None:
        nonlocal left
        if reached == death.point and (death.only_while is None or death.only_while.exists()):
            left -= 1
            if left < 0:
                os.kill(os.getpid(), signal.SIGKILL)

    class Sending(ShardStore):
        async def commit(self, *what: Any) -> None:
            sending = asyncio.ensure_future(super().commit(*what))
            sending.add_done_callback(lambda task: task.cancelled() or task.exception())
            await asyncio.sleep(0.001)  # it is on its way, and may have been carried out
            at("sent")
            await sending

    async def serve() -> None:
        async with connected(url) as store:
            await Detector(Sending(store, shard), rule_file.load(), 0.05, at).run_for_ever()

    run_service(serve())


def _end_with_parent() -> None:
    """A detector must not outlive the test, however that ended."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)


async def until(detector: Detector, store: Store, position: str, last: str) -> None:
    """Let a detector of this process run until it has written `last`."""
    task = asyncio.create_task(detector.run_for_ever())
    async with asyncio.timeout(3 * WAIT_S):
        written: Any = None
        while written != last.encode():
            await asyncio.sleep(0.05)
            written = await store.get(position)
    await stop(task)


async def outputs(store: Store, ward: Ward) -> dict[str, Any]:
    """Everything detectors have said: logs and trends of every stay, which of them are kept for good, summaries."""
    said: dict[str, Any] = {"summaries": {}}
    for shard in ward.all_shards:
        keys: Any = [key for what in ("log", "trend") for key in await store.keys(f"{shard.root}:{what}:*")]
        for key in sorted(map(bytes.decode, keys)):
            entries: Any = await store.xrange(key)
            said[key.replace(ward.name, "")] = [decode_event(fields[b"e"]) for _, fields in entries]
            said[key.replace(ward.name, "kept ")] = await store.ttl(key) < 0
        summaries: Any = await store.hgetall(shard.summary)
        said["summaries"] |= summaries
    return said
