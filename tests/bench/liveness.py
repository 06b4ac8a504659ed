"""What health checks cost, and how often shards change hands on a busy machine: `python -m tests.bench.liveness`.

With mosquitto and redis-server of this machine, on loopback. First `quietward alive detect --here` is called as a
container engine does, and /health is asked of the page; then detectors share out shards beside loops that only fill the
processor, and what they take over beyond the first share is counted: each time a shard stands still for a moment.
"""

import argparse
import asyncio
import os
import resource
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path
from typing import cast

import psutil

from quietward.contracts.addresses import Ward
from quietward.contracts.settings import Settings
from quietward.runtime.embedded import wait_for_port
from quietward.store.client import Store
from tests.bench.workers import servers
from tests.conftest import WAIT_S, Parts, ending_with_us, free_port, until, well
from tests.integration.test_metrics import scraped

CALLS = 20
SHARDS, DETECTORS, BUSY_LOOPS = 12, 3, 2
MINUTES = 3.0
LONG_S = 4 * WAIT_S
BEDS = 12


def alive_cost_s(parts: Parts) -> tuple[float, float]:
    """Return the processor and the wall time of a call of `quietward alive`, in s."""
    environment = os.environ | {"QUIETWARD_WARD": parts.settings.ward, "QUIETWARD_STORE": parts.settings.store}
    before, began = _of_children_s(), time.monotonic()
    for _ in range(CALLS):
        done = subprocess.run(
            [sys.executable, "-m", "quietward", "alive", "detect", "--here"],
            env=environment, capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode:
            raise RuntimeError(done.stdout + done.stderr)
    return (_of_children_s() - before) / CALLS, (time.monotonic() - began) / CALLS


def _of_children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def health_cost_s(server: psutil.Process, port: int) -> tuple[float, float]:
    """Return the page's processor time beyond what it takes anyway, and the wall time, of asking for /health, in s."""
    idle, took = (0.0, 0.0), (0.0, 0.0)
    for calls in (0, CALLS):
        before, began = server.cpu_times(), time.monotonic()
        for _ in range(calls):
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=WAIT_S) as answer:
                answer.read()
        wall_s = time.monotonic() - began
        time.sleep(max(0.0, 10.0 - wall_s))
        used = server.cpu_times()
        idle, took = took, (used.user + used.system - before.user - before.system, wall_s)
    return max(0.0, took[0] - idle[0]) / CALLS, took[1] / CALLS


async def hand_overs(parts: Parts, store: Store, ward: Ward, minutes: float) -> tuple[int, int]:
    """Return how often shards changed hands beyond the first share while the processor was full.

    And of how many looks, one a second, a detector had a trouble to tell.
    """
    ports = [free_port() for _ in range(DETECTORS)]
    for port in ports:
        parts.start("detect", metrics_port=port)
    assert all(wait_for_port(port, LONG_S) for port in ports), parts.log("detect")

    async def is_shared_out() -> bool:
        held = cast("list[bytes]", await store.hvals(ward.holders("detect")))
        return len(held) == SHARDS and all(held.count(one) == SHARDS // DETECTORS for one in set(held))

    assert await until(is_shared_out, LONG_S), parts.log("detect")
    first = _taken_over(ports)
    busy = [_busy_loop() for _ in range(BUSY_LOOPS)]
    troubled, end = 0, time.monotonic() + minutes * 60
    try:
        while time.monotonic() < end:
            await asyncio.sleep(1)
            troubled += not await well(store, ward, "detect")
    finally:
        for one in busy:
            one.kill()
            one.wait()
    return _taken_over(ports) - first, troubled


def _busy_loop() -> "subprocess.Popen[bytes]":
    return subprocess.Popen(ending_with_us([sys.executable, "-c", "while True: pass"]))


def _taken_over(ports: list[int]) -> int:
    return round(sum(scraped(port)["quietward_taken_over_total"]["detect",] for port in ports))


async def main() -> None:
    """Measure and say it."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--minutes", type=float, default=MINUTES, help="of shards beside busy loops")
    minutes = asked.parse_args().minutes
    with tempfile.TemporaryDirectory() as folder:
        async with servers(Path(folder)) as (broker, store, url):
            settings = Settings(ward="bench", broker=broker, store=url, shards=SHARDS, port=free_port())
            ward, parts = Ward(settings.ward, SHARDS), Parts(settings, Path(folder))
            try:
                parts.start("ingest")
                first, page = parts.start("detect"), parts.start("serve")
                parts.start("simulate", "--beds", str(BEDS))
                assert await until(lambda: well(store, ward, "detect"), LONG_S), parts.log("detect")
                assert wait_for_port(settings.port, LONG_S), parts.log("serve")
                cpu_s, wall_s = await asyncio.to_thread(alive_cost_s, parts)
                print(f"quietward alive: {cpu_s:.3f} s of processor, {wall_s:.2f} s, load {os.getloadavg()[0]:.1f}")
                cpu_s, wall_s = await asyncio.to_thread(health_cost_s, psutil.Process(page.pid), settings.port)
                print(f"/health: {cpu_s:.4f} s of processor, {wall_s:.3f} s, load {os.getloadavg()[0]:.1f}", flush=True)
                first.terminate()
                await asyncio.to_thread(first.wait, WAIT_S)
                times, troubled = await hand_overs(parts, store, ward, minutes)
                print(
                    f"{SHARDS} shards of {DETECTORS} detectors, {BEDS} beds, {BUSY_LOOPS} busy loops, {minutes:g} min: "
                    f"{times} hand-overs, detectors told of troubles at {troubled} looks; load {os.getloadavg()[0]:.1f}"
                )
            finally:
                parts.end()


if __name__ == "__main__":
    asyncio.run(main())
