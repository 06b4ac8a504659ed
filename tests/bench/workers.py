"""How much faster two workers are than one: a backlog is worked off by one and by two detectors, then by ingests.

`python -m tests.bench.workers [--beds 1000] [--seconds 250]`, with mosquitto and redis-server of this machine. Nothing
else runs meanwhile. A backlog must last much longer than workers need to share it out. Two workers beside broker and
store need more than two cores to be twice as fast as one.
"""

import argparse
import asyncio
import tempfile
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import cast

import numpy as np

from quietward.contracts.addresses import Ward
from quietward.contracts.fields import HZ, encode_json
from quietward.contracts.inputs import Block, Input, encode_inputs
from quietward.contracts.samples import Samples
from quietward.contracts.settings import Settings
from quietward.runtime.embedded import free_port, store_command, wait_for_port
from quietward.simulator import bed as simulated
from quietward.simulator.scenario import load
from quietward.store.client import Store, connected
from quietward.transport.mqtt import Publisher
from tests.conftest import MOSQUITTO, REDIS, Parts, Server, broker_command, until
from tests.integration.test_metrics import scraped

SHARDS, SEATS = 8, 4
SCENARIOS = ("calm", "lively", "cord-now-and-then", "close-contractions")
T0 = 1_790_000_000
WITHIN_S = 120.0

Done = Callable[[list[int]], Awaitable[float]]
"""Asked how much is done; told of the ports at which the workers are counting."""
Second = tuple[list[float | None], list[float | None]]


def labours(seconds: int) -> list[list[Second]]:
    """FHR and UA of some labours, second by second."""

    def listed(signal: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> list[list[float | None]]:
        return [[None if np.isnan(x) else float(x) for x in second] for second in signal.reshape(-1, HZ)]

    found = [simulated.simulate(load(name), 1, seconds) for name in SCENARIOS]
    return [list(zip(listed(one.fhr), listed(one.ua), strict=True)) for one in found]


@asynccontextmanager
async def servers(folder: Path) -> AsyncIterator[tuple[str, Store, str]]:
    """A broker, a store, and its URL."""
    assert MOSQUITTO is not None, "install mosquitto"
    assert REDIS is not None, "install redis-server"
    broker_port, store_port = free_port(), free_port()
    broker = Server(broker_command("real", broker_port, folder), broker_port, folder / "broker.log")
    store = Server([REDIS, *store_command(store_port, folder)[1:]], store_port, folder / "store.log")
    try:
        broker.start()
        store.start()
        url = f"redis://127.0.0.1:{store_port}"
        async with connected(url) as client:
            yield f"mqtt://127.0.0.1:{broker_port}", client, url
    finally:
        broker.kill()
        store.kill()


async def detectors(count: int, beds: int, seconds: list[list[Second]], folder: Path) -> float:
    """Return how many bed-seconds a second `count` detectors take from a backlog in the input streams."""
    async with servers(folder) as (broker, store, url):
        ward = Ward("bench", SHARDS)
        reached: list[dict[bytes, int]] = [{b"": 0} for _ in range(SHARDS)]  # by position: bed-seconds up to it
        for k in range(len(seconds[0])):
            inputs: dict[int, list[Input]] = {}
            for n in range(beds):
                name, (fhr, ua) = f"bed-{n}", seconds[n % len(seconds)][k]
                t = (T0 + k) * 1000
                inputs.setdefault(ward.shard_of(name), []).append(Block(name, "s", k, t, t, fhr, ua))
            for number, items in inputs.items():
                so_far = next(reversed(reached[number].values()))
                at = cast("bytes", await store.xadd(ward.shard(number).input, {"e": encode_inputs(items)}))
                reached[number][at] = so_far + len(items)
        parts = Parts(Settings(ward=ward.name, broker=broker, store=url, shards=SHARDS, checkpoint_s=3600), folder)

        async def done(_: list[int]) -> float:
            positions = [await store.get(shard.position) for shard in ward.all_shards]
            return sum(reached[n][cast("bytes", position or b"")] for n, position in enumerate(positions))

        return await _rate(parts, store, ward, "detect", count, beds * len(seconds[0]), done)


async def ingests(count: int, beds: int, seconds: list[list[Second]], folder: Path) -> float:
    """Return how many messages a second `count` ingests take of what the broker has kept for them."""
    async with servers(folder) as (broker, store, url):
        ward = Ward("bench", SHARDS)
        parts = Parts(Settings(ward=ward.name, broker=broker, store=url, shards=SHARDS, seats=SEATS), folder)

        async def is_there() -> bool:
            return await store.exists(ward.shard(0).input) == 1

        parts.start("ingest")  # a broker keeps nothing for a session that it has never seen
        assert await until(is_there), parts.log("ingest")
        await asyncio.sleep(2)
        parts.end()
        async with Publisher(broker, "devices", ward.status_topic("gateway"), print) as out:
            for k in range(len(seconds[0])):
                for n in range(beds):
                    fhr, ua = seconds[n % len(seconds)][k]
                    payload = encode_json(Samples("s", k, (T0 + k) * 1000, 4, fhr, ua))
                    await out.publish(ward.samples_topic(f"bed-{n}"), payload)
            assert await out.settle(60) == 0

        async def done(ports: list[int]) -> float:
            return sum(scraped(port)["quietward_messages_total"][()] for port in ports)

        return await _rate(parts, store, ward, "ingest", count, beds * len(seconds[0]), done)


async def _rate(parts: Parts, store: Store, ward: Ward, kind: str, count: int, whole: int, done: Done) -> float:
    """Return how much is done a second from when all workers have their share to when all is done."""
    ports = [free_port() for _ in range(count)]

    async def is_shared_out() -> bool:
        held = cast("list[bytes]", await store.hvals(ward.holders(kind)))
        return len(set(held)) == count

    async def is_done() -> bool:
        return await done(ports) >= whole

    try:
        for port in ports:
            parts.start(kind, metrics_port=port)
        assert all(wait_for_port(port) for port in ports), parts.log(kind)
        assert await until(is_shared_out), parts.log(kind)
        began, before = time.monotonic(), await done(ports)
        assert await until(is_done, WITHIN_S), parts.log(kind)
        return (whole - before) / (time.monotonic() - began)
    finally:
        parts.end()


async def main() -> None:
    """Measure and say it."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--beds", type=int, default=1000)
    asked.add_argument("--seconds", type=int, default=250)
    options = asked.parse_args()
    seconds = labours(options.seconds)
    for name, measure in (("detectors", detectors), ("ingests", ingests)):
        rates = {}
        for count in (1, 2):
            with tempfile.TemporaryDirectory() as folder:
                rates[count] = await measure(count, options.beds, seconds, Path(folder))
            print(f"{count} {name}: {rates[count]:.0f} bed-seconds a second", flush=True)
        print(f"two {name} are {rates[2] / rates[1]:.2f} times as fast as one")


if __name__ == "__main__":
    asyncio.run(main())
