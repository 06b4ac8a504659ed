"""A copy of the store's file, as docs/security.md says how to take it, brings a ward back on another server."""

import asyncio
import contextlib
import shutil
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from msgspec import structs

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import Unreachable
from quietward.contracts.log import Event, decode_event
from quietward.contracts.settings import Settings
from quietward.contracts.summary import decode_summary
from quietward.contracts.tls import SYSTEM
from quietward.recordings.files import write_recording
from quietward.runtime.embedded import mosquitto_settings, store_command
from quietward.store.ask import ask
from quietward.store.client import Store, connected
from tests.conftest import MOSQUITTO, REDIS, Parts, Server, free_port, require, until, well
from tests.traces import flat, put, ramp, ripple

SPEED = 90.0
BED = "bed-1"


def redis_server(folder: Path, *more: str) -> Server:
    folder.mkdir(exist_ok=True)
    port = free_port()
    line = [require(REDIS, "redis-server"), *store_command(port, folder, durable=True)[1:], *more]
    return Server(line, port, folder.parent / f"{folder.name}.log")


async def _copy_append_only(store: Store, old: Path, new: Path) -> Server:
    """Of a server that runs: no rewriting meanwhile, then the folder as it is; a last command that was cut is left."""
    await store.config_set("auto-aof-rewrite-percentage", 0)
    persistence: Any = await store.info("persistence")
    assert not persistence["aof_rewrite_in_progress"]
    shutil.copytree(old / "appendonlydir", new / "appendonlydir")
    await store.config_set("auto-aof-rewrite-percentage", 100)
    return redis_server(new)


async def _copy_snapshot(store: Store, old: Path, new: Path) -> Server:
    """A snapshot is read only where there is no append-only file: it is switched on afterwards."""
    saved = await store.lastsave()
    await store.bgsave()

    async def is_saved() -> bool:
        persistence: Any = await store.info("persistence")
        newest: Any = await store.lastsave()
        is_newer: bool = newest >= saved
        return is_newer and not persistence["rdb_bgsave_in_progress"]

    assert await until(is_saved)
    shutil.copy(old / "dump.rdb", new / "dump.rdb")
    return redis_server(new, "--appendonly", "no")


Copy = Callable[[Store, Path, Path], Awaitable[Server]]


@asynccontextmanager
async def restored(server: Server) -> AsyncIterator[Store]:
    server.start()
    try:

        async def has_loaded() -> bool:
            with contextlib.suppress(Unreachable):
                return bool(await asyncio.to_thread(ask, url, SYSTEM, "PING") == b"PONG")
            return False

        url = f"redis://127.0.0.1:{server.port}/0"
        assert await until(has_loaded), server.log.read_text()
        async with connected(url) as store:
            if "dump.rdb" in {path.name for path in server.log.with_suffix("").iterdir()}:
                await store.config_set("appendonly", "yes")
            yield store
    finally:
        server.kill()


async def log_of(store: Store, ward: Ward) -> list[Event]:
    found: Any = await store.xrange(ward.shard(0).log(BED))
    return [decode_event(fields[b"e"]) for _, fields in found]


def number(event: Event) -> int:
    return int(event.id.rpartition("-")[2])


@pytest.mark.parametrize("copy", [_copy_append_only, _copy_snapshot], ids=["append-only file", "snapshot"])
async def test_a_ward_comes_back_from_a_copy_and_says_nothing_twice(copy: Copy, tmp_path: Path) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    new.mkdir()
    broker_port = free_port()
    broker_line = [require(MOSQUITTO, "mosquitto"), "-c", str(mosquitto_settings(broker_port, tmp_path, durable=True))]
    broker, first = Server(broker_line, broker_port, tmp_path / "broker.log"), redis_server(old)
    trace = put(flat(140, 3600 * 2) + ripple(3600 * 2, 12), 900, -ramp(70, 30, 3600 * 2 - 960, 30))
    write_recording(tmp_path / "falls.csv", trace, np.full(len(trace), 10.0))
    settings = Settings(broker=f"mqtt://127.0.0.1:{broker_port}", store=f"redis://127.0.0.1:{first.port}/0")
    ward, parts = Ward(settings.ward), Parts(settings, tmp_path)
    for server in (broker, first):
        server.start()
    try:
        for part in ("ingest", "detect"):
            parts.start(part, environment={"QUIETWARD_RATE": "100", "QUIETWARD_CHECKPOINT_S": "2"})
        async with connected(settings.store) as store:
            for part in ("ingest", "detect"):
                assert await until(lambda part=part: well(store, ward, part), 90), parts.log(part)  # type: ignore[misc]
            devices = Parts(settings, tmp_path)
            devices.start("replay", str(tmp_path / "falls.csv"), "--bed", BED, "--speed", str(SPEED))

            async def calls_the_team() -> bool:
                raw = await store.hget(ward.shard(0).summary, BED)
                return raw is not None and decode_summary(raw).level == "team"

            assert await until(calls_the_team, 120), parts.log("detect")
            second = await copy(store, old, new)
        first.kill()
        parts.end()

        async with restored(second) as store:
            raw = await store.hget(ward.shard(0).summary, BED)
            assert raw is not None
            then, said = decode_summary(raw), await log_of(store, ward)
            assert then.level == "team"
            assert then.flag is not None
            again = Parts(structs.replace(settings, store=f"redis://127.0.0.1:{second.port}/0"), tmp_path)
            try:
                for part in ("ingest", "detect"):
                    again.start(part, environment={"QUIETWARD_RATE": "100"})

                async def goes_on() -> bool:
                    raw = await store.hget(ward.shard(0).summary, BED)
                    return raw is not None and decode_summary(raw).t > then.t + 60_000

                assert await until(goes_on, 90), again.log("detect")
                raw = await store.hget(ward.shard(0).summary, BED)
                assert raw is not None
                now, log = decode_summary(raw), await log_of(store, ward)
            finally:
                again.end()
                devices.end()
        assert (now.level, now.flag) == (then.level, then.flag), "the same flag is still up"
        assert log[: len(said)] == said, "what was said stays as it was"
        trend_and_log = [number(event) for event in log]
        assert trend_and_log == sorted(set(trend_and_log)), "no line stands twice"
        raised = [event.detail["flag"] for event in log if event.kind == "flag-raised"]
        assert len(raised) == len(set(raised)), "no flag is raised twice"
        assert then.flag in raised
    finally:
        parts.end()
        for server in (broker, first):
            server.kill()
