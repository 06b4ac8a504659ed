"""Past one machine: several ingests and detectors on a Redis Cluster; one of each and a master are killed.

What is in the logs afterwards must equal what one ingest and one detector say on one server, undisturbed.
"""

import asyncio
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import msgspec
import numpy as np
import pytest
import redis

from quietward.contracts.addresses import Ward
from quietward.contracts.fields import HZ, encode_json
from quietward.contracts.log import decode_event
from quietward.contracts.samples import Samples
from quietward.contracts.settings import Settings
from quietward.contracts.summary import decode_summary
from quietward.simulator import bed as simulated
from quietward.simulator.outbox import Outbox
from quietward.simulator.scenario import load
from quietward.store.client import Redis, RedisError, Store, connected
from quietward.transport.mqtt import Publisher
from tests.conftest import MOSQUITTO, REDIS, WAIT_S, Parts, Server, broker_command, free_port, require, until, wait_for
from tests.integration.test_reshard import assert_as_without_it

pytestmark = pytest.mark.alone

SHARDS, SEATS, COPIES = 6, 4, 1
INGESTS, DETECTS = 2, 3
MASTERS = 3
NODE_TIMEOUT_MS = 2000
"""After so long without an answer a master counts as dead."""
PATIENT_MS = 60_000
"""For tests in which no master dies, on however busy a machine."""
SECONDS = 720
SPEED = 15
KILLS_AT = {"ingest": 180, "detect": 360, "master": 540}
"""Seconds of signal after which something is killed."""
TAKEN_OVER_WITHIN_S = 30
T0 = 1_790_000_000
BEGIN_S = 660
"""The labours are played from here on: soon flags are raised."""
SCENARIOS = ("cord-not-recovering", "late-with-falling-variability", "noisy-but-well")
BEDS = [f"bed-{n}" for n in range(1, 13)]


@dataclass
class Cluster:
    servers: list[Server]

    @property
    def urls(self) -> str:
        return ",".join(f"redis://127.0.0.1:{server.port}" for server in self.servers)


@pytest.fixture
def cluster(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Cluster]:
    """Three masters of redis-server on loopback, each with a replica. Its parameter is its node timeout, in ms."""
    program, cli = require(REDIS, "redis-server"), require(shutil.which("redis-cli"), "redis-tools")
    servers = []
    for n in range(2 * MASTERS):
        folder = tmp_path / f"redis-{n}"
        folder.mkdir()
        port = free_port()
        command = [
            program, "--bind", "127.0.0.1", "--port", str(port), "--dir", str(folder), "--save", "",
            "--cluster-enabled", "yes", "--cluster-node-timeout", str(request.param),
        ]  # fmt: skip
        servers.append(Server(command, port, folder / "log"))
    try:
        for server in servers:
            server.start()
        addresses = [f"127.0.0.1:{server.port}" for server in servers]
        said = subprocess.run(
            [cli, "--cluster", "create", *addresses, "--cluster-replicas", "1", "--cluster-yes"],
            capture_output=True, text=True, timeout=2 * WAIT_S, check=False,
        )  # fmt: skip
        assert said.returncode == 0, said.stdout + said.stderr
        assert wait_for(lambda: all(_is_up(server.port) for server in servers), 2 * WAIT_S), servers[0].log.read_text()
        yield Cluster(servers)
    finally:
        for server in servers:
            server.kill()


def _is_up(port: int) -> bool:
    """Return whether a server of a cluster serves its slots: it does not at once when the cluster has been made."""
    with redis.Redis(port=port) as client:
        info = cast("dict[str, str]", client.execute_command("CLUSTER INFO"))
    return info["cluster_state"] == "ok"


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[str]:
    port = free_port()
    server = Server(broker_command("real", port, tmp_path), port, tmp_path / "mosquitto.log")
    require(MOSQUITTO, "mosquitto")
    server.start()
    yield f"mqtt://127.0.0.1:{port}"
    server.kill()


def messages() -> list[list[tuple[str, bytes]]]:
    """Bed and payload of every second."""
    labours = [simulated.simulate(load(SCENARIOS[i % 3]), 7 + i, BEGIN_S + SECONDS) for i in range(len(BEDS))]
    found: list[list[tuple[str, bytes]]] = []
    for k in range(SECONDS):
        part = slice((BEGIN_S + k) * HZ, (BEGIN_S + k + 1) * HZ)
        found.append([])
        for bed, labour in zip(BEDS, labours, strict=True):
            fhr, ua = ([None if np.isnan(x) else float(x) for x in s[part]] for s in (labour.fhr, labour.ua))
            found[-1].append((bed, encode_json(Samples("s", k, (T0 + k) * 1000, 4, fhr, ua))))
    return found


@asynccontextmanager
async def devices(settings: Settings, ward: Ward) -> AsyncIterator[tuple[Publisher, Outbox]]:
    """A connection over which everything is sent until the broker has taken it."""
    outbox = Outbox()
    async with Publisher(settings.broker, f"devices-of-{ward.name}", ward.status_topic("gateway"), print) as out:
        yield out, outbox
        assert await until(lambda: _is_empty(outbox))


async def _is_empty(outbox: Outbox) -> bool:
    return not outbox


async def play(settings: Settings, ward: Ward, store: Store, turns: list[list[tuple[str, bytes]]], speed: float) -> Any:
    """Send all seconds; yields the number of the one that is sent next. 0: as fast as it goes."""
    async with devices(settings, ward) as (out, outbox):
        began = time.monotonic()
        for k, turn in enumerate(turns):
            yield k
            for bed, payload in turn:
                await outbox.send(out, outbox.add(ward.samples_topic(bed), payload))
            if k == 0:
                assert await until(lambda: _all_begun(ward, store, out, turns[0]))
                began = time.monotonic()
            elif speed:
                await asyncio.sleep(max(0.0, began + k / speed - time.monotonic()))


async def _all_begun(ward: Ward, store: Store, out: Publisher, turn: list[tuple[str, bytes]]) -> bool:
    """Where a bed begins is decided by its first second: it is sent again until the ingest has begun to listen."""
    if len(await summaries(store, ward)) == len(BEDS):
        return True
    for bed, payload in turn:
        await out.publish(ward.samples_topic(bed), payload)
    await asyncio.sleep(0.5)
    return False


async def summaries(store: Store, ward: Ward) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for shard in ward.all_shards:
        raw = cast("dict[bytes, bytes]", await store.at(shard.summary).hgetall(shard.summary))
        found |= {bed.decode(): decode_summary(one) for bed, one in raw.items()}
    return found


async def said(store: Store, ward: Ward) -> dict[str, Any]:
    """Everything that was said of the beds, without the server's times."""
    found: dict[str, Any] = {
        f"summary of {bed}": msgspec.structs.replace(summary, at=0, looked_at=0)
        for bed, summary in (await summaries(store, ward)).items()
    }
    for bed in BEDS:
        shard = ward.shard(ward.shard_of(bed))
        for key in (shard.log(bed), shard.trend(bed)):
            entries: Any = await store.at(key).xrange(key)
            found[f"{key.split(':')[3]} of {bed}"] = [decode_event(fields[b"e"]) for _, fields in entries]
    return found


async def refusals(store: Store, ward: Ward) -> dict[str, int]:
    found: dict[str, int] = {}
    for shard in ward.all_shards:
        raw = cast("dict[bytes, bytes]", await store.at(shard.refusals).hgetall(shard.refusals))
        for name, count in raw.items():
            why = name.decode().split()[1]
            found[why] = found.get(why, 0) + int(count)
    return found


async def finished(store: Store, ward: Ward) -> bool:
    found = (await summaries(store, ward)).values()
    return len(found) == len(BEDS) and all(one.t // 1000 >= T0 + SECONDS - 1 for one in found)


async def holders(store: Store, ward: Ward, kind: str) -> dict[int, int]:
    """Process that holds each number."""
    key = ward.holders(kind)
    raw = cast("dict[bytes, bytes]", await store.at(key).hgetall(key))
    return {int(n): int(worker.decode().split()[1]) for n, worker in raw.items()}


async def shared_out(store: Store, ward: Ward) -> bool:
    try:
        seats, shards = await holders(store, ward, "ingest"), await holders(store, ward, "detect")
    except RedisError:
        return False  # a cluster that has just come up, or lost a master, is down for a moment
    return (
        sorted(list(seats.values()).count(pid) for pid in set(seats.values())) == [SEATS // INGESTS] * INGESTS
        and sorted(list(shards.values()).count(pid) for pid in set(shards.values())) == [SHARDS // DETECTS] * DETECTS
    )


async def taken_over_s(store: Store, ward: Ward, kind: str, count: int, dead: int) -> float:
    """Return how long it takes until everything is held, and nothing by a dead process."""
    began = time.monotonic()

    async def is_over() -> bool:
        held = await holders(store, ward, kind)
        return len(held) == count and dead not in held.values()

    assert await until(is_over, TAKEN_OVER_WITHIN_S), f"{kind}: {await holders(store, ward, kind)}, {dead} is dead"
    return time.monotonic() - began


async def master_moved_s(store: Store, ward: Ward, dead: int) -> float:
    """Return how long it takes until every shard can be written again."""
    began = time.monotonic()

    async def is_over() -> bool:
        try:
            for shard in ward.all_shards:
                client = store.at(shard.root)
                if client.connection_pool.connection_kwargs["port"] == dead:
                    return False
                await client.hincrby(f"{shard.root}:probe", "n", 1)
        except RedisError:
            return False
        return True

    assert await until(is_over, TAKEN_OVER_WITHIN_S)
    return time.monotonic() - began


@pytest.mark.parametrize("cluster", [NODE_TIMEOUT_MS], indirect=True)
async def test_killed_parts_and_a_killed_master_change_nothing(
    cluster: Cluster, mosquitto: str, tmp_path: Path, record_property: Any
) -> None:
    turns = messages()
    settings = Settings(
        ward="wide", broker=mosquitto, store=cluster.urls, shards=SHARDS, seats=SEATS, copies=COPIES, checkpoint_s=5
    )
    ward = Ward(settings.ward, SHARDS)
    parts = Parts(settings, tmp_path)
    took: dict[str, float] = {}
    try:
        async with connected(cluster.urls) as store:
            ports = {store.at(shard.root).connection_pool.connection_kwargs["port"] for shard in ward.all_shards}
            assert len(ports) == MASTERS, "the shards of this ward do not lie on all masters"
            processes = {part.pid: part for part in [parts.start("ingest") for _ in range(INGESTS)]}
            processes |= {part.pid: part for part in [parts.start("detect") for _ in range(DETECTS)]}
            assert await until(lambda: shared_out(store, ward)), parts.log("ingest") + parts.log("detect")
            watching: list[asyncio.Task[Any]] = []

            async def kill(what: str) -> None:
                if what == "master":
                    port = min(ports)
                    next(s for s in cluster.servers if s.port == port).kill()
                    took[what] = await master_moved_s(store, ward, port)
                    return
                pid = (await holders(store, ward, what))[0]
                processes[pid].send_signal(signal.SIGKILL)
                processes[pid].wait()
                took[what] = await taken_over_s(store, ward, what, SEATS if what == "ingest" else SHARDS, pid)

            async for k in play(settings, ward, store, turns, SPEED):
                watching += [asyncio.create_task(kill(what)) for what, at in KILLS_AT.items() if at == k]
            await asyncio.gather(*watching)
            assert await until(lambda: finished(store, ward), 2 * WAIT_S), parts.log("detect") + parts.log("ingest")
            found, refused = await said(store, ward), await refusals(store, ward)
    finally:
        parts.end()
    assert set(took) == set(KILLS_AT)
    expected = await undisturbed(mosquitto, turns, tmp_path)
    events = [event for name, of_bed in expected.items() if not name.startswith("summary") for event in of_bed]
    assert sum(event.kind == "flag-raised" for event in events) > 3, "the test needs flags"
    for name, of_bed in expected.items():
        assert found[name] == of_bed, (name, refused)  # `late` are repeats, too, of seconds before the newest
    text = (
        f"{SECONDS} s of {len(BEDS)} beds at {SPEED} times real time: taken over after "
        f"{', '.join(f'{seconds:.1f} s ({what})' for what, seconds in took.items())}; {len(events)} events and "
        f"{len(BEDS)} summaries equal, refused {refused}"
    )
    record_property("cluster", text)
    print(text, file=sys.stderr)


@pytest.mark.parametrize("cluster", [PATIENT_MS], indirect=True)
@pytest.mark.parametrize(("before", "after"), [(3, 2), (2, 5)])
async def test_another_number_of_shards_changes_nothing(
    cluster: Cluster, before: int, after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with connected(cluster.urls) as store:
        masters: list[Redis] = list(store._servers.values())
        assert len(masters) == MASTERS
        held_by = {store.at(shard.root) for shard in Ward("moved", max(before, after)).all_shards}
        assert len(held_by) > 1, "the shards lie on one master"
        await assert_as_without_it(store, masters, before, after, monkeypatch)


async def undisturbed(broker: str, turns: list[list[tuple[str, bytes]]], tmp_path: Path) -> dict[str, Any]:
    """Return what one ingest and one detector say on one server."""
    folder = tmp_path / "one"
    folder.mkdir()
    port = free_port()
    server = Server([require(REDIS, "redis-server"), "--port", str(port), "--save", "", "--dir", str(folder)], port,
                    folder / "log")  # fmt: skip
    server.start()
    settings = Settings(ward="narrow", broker=broker, store=f"redis://127.0.0.1:{port}")
    ward, parts = Ward(settings.ward), Parts(settings, folder)
    try:
        async with connected(settings.store) as store:
            parts.start("ingest")
            parts.start("detect")
            async for _ in play(settings, ward, store, turns, 0):
                pass
            assert await until(lambda: finished(store, ward), 2 * WAIT_S), parts.log("detect")
            return await said(store, ward)
    finally:
        parts.end()
        server.kill()
