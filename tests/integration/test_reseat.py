"""Another number of sessions at the broker: what waits in those of before is not lost, and none of them stays."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from msgspec import structs

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable
from quietward.contracts.inputs import Tick, encode_inputs
from quietward.contracts.settings import Settings
from quietward.ingest import reseat as reseating
from quietward.ingest.reseat import reseat
from quietward.ingest.service import Ingest, serve
from quietward.runtime.clock import now_ms
from quietward.store.client import RedisError, Store
from quietward.store.reshard import reshard
from quietward.store.topology import FIRST_SESSIONS, check_topology, has_plain_sessions, sessions_of
from quietward.transport.mqtt import MqttError, Subscriber
from tests.conftest import stop, until, well
from tests.integration.test_flow import seconds_stored
from tests.integration.test_hostile_device import neighbour, send

pytestmark = pytest.mark.parametrize("kind", ["real"], indirect=True, scope="session")


@asynccontextmanager
async def running(settings: Settings, ward: Ward, store: Store) -> AsyncIterator[None]:
    """An ingest with these settings."""
    task = asyncio.create_task(serve(settings))
    try:
        assert await until(lambda: well(store, ward, "ingest"))
        yield
    finally:
        await stop(task)


async def all_stored(store: Store, ward: Ward, count: int) -> bool:
    return await seconds_stored(store, ward) == list(range(count))


async def is_there(settings: Settings, name: str) -> bool:
    """True while the broker keeps a session; without it there is one for a moment, with nothing in it."""
    async with Subscriber(settings.broker, name) as subscriber:
        return subscriber._session_present


@pytest.mark.parametrize(("before", "after"), [(1, 2), (2, 4), (4, 2), (4, 1)])
async def test_nothing_that_waits_is_lost(
    settings: Settings, ward: Ward, store: Store, before: int, after: int
) -> None:
    old, new = structs.replace(settings, seats=before), structs.replace(settings, seats=after)
    async with neighbour(settings, ward) as out:

        async def arrives() -> bool:  # what is sent before the sessions are there is for nobody
            await send(out, ward, "bed-1", range(10))
            return await all_stored(store, ward, 10)

        async with running(old, ward, store):
            assert await until(arrives)
        had = await sessions_of(store, ward)
        await send(out, ward, "bed-1", range(10, 60))
        meanwhile = asyncio.create_task(send(out, ward, "bed-1", range(60, 200)))
        assert await reseat(store, old, after, now_ms()) == before
        assert set(await seconds_stored(store, ward)) >= set(range(60))
        await meanwhile
        async with running(new, ward, store):
            await send(out, ward, "bed-1", range(200, 210))
            assert await until(lambda: all_stored(store, ward, 210)), await seconds_stored(store, ward)
    left = Ingest(ward, store, old, sessions=had)
    assert not any([await is_there(settings, left.name(slot)) for slot in range(before)]), "it would fill for ever"
    with pytest.raises(BadSettings, match=f"quietward reseat {before}"):
        await check_topology(store, ward, seats=before)


async def test_names_that_can_be_guessed_are_changed(settings: Settings, ward: Ward, store: Store) -> None:
    await store.hset(ward.topology, mapping={"shards": 1, "seats": 1})
    plain = Ingest(ward, store, settings, sessions=FIRST_SESSIONS)
    async with Subscriber(settings.broker, plain.name(0), *plain.topics(0)):
        pass  # as version 0.1 has left it
    async with neighbour(settings, ward) as out:
        await send(out, ward, "bed-1", range(10))
    assert await reseat(store, settings, 1, now_ms()) == 1
    assert await all_stored(store, ward, 10)
    assert not await has_plain_sessions(store, ward)
    assert not await is_there(settings, plain.name(0))


async def test_it_refuses_while_an_ingest_runs_and_ends_what_was_cut_off(
    settings: Settings, ward: Ward, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(BadSettings, match="No ingest of it has run yet"):
        await reseat(store, settings, 2, now_ms())
    async with neighbour(settings, ward) as out:

        async def arrives() -> bool:
            await send(out, ward, "bed-1", range(2))
            return await all_stored(store, ward, 2)

        async with running(settings, ward, store):
            assert await until(arrives)
            with pytest.raises(BadSettings, match="parts that run: 'ingest'"):
                await reseat(store, settings, 2, now_ms())
        await send(out, ward, "bed-1", range(10))

        async def dies(*_: object) -> None:
            raise RedisError("the store has gone")

        with monkeypatch.context() as patched:
            patched.setattr(reseating, "end_reseating", dies)
            with pytest.raises(RedisError):
                await reseat(store, settings, 2, now_ms())
        await send(out, ward, "bed-1", range(10, 20))
        with pytest.raises(ExceptionGroup) as found:
            await serve(settings)
        assert found.group_contains(BadSettings, match="quietward reseat 2")
        with pytest.raises(BadSettings, match="must be finished first"):
            await reseat(store, settings, 3, now_ms())
        await reseat(store, settings, 2, now_ms())
        async with running(structs.replace(settings, seats=2), ward, store):
            assert await until(lambda: all_stored(store, ward, 20)), await seconds_stored(store, ward)


async def test_a_change_of_sessions_and_one_of_shards_wait_for_each_other(
    settings: Settings, ward: Ward, store: Store
) -> None:
    """What waits at the broker was written to the shards of before, which the next run of the other deletes."""
    await store.hset(ward.topology, mapping={"shards": 1, "seats": 1, "resharding": 4})
    with pytest.raises(BadSettings, match="quietward reshard 4"):
        await reseat(store, settings, 2, now_ms())
    await store.hdel(ward.topology, "resharding")
    await store.hset(ward.topology, "reseating", "2 word")
    with pytest.raises(BadSettings, match="quietward reseat 2"):
        await reshard(store, ward.name, 4, now_ms())


async def test_it_drops_nothing_that_the_ward_keeps(settings: Settings, ward: Ward, store: Store) -> None:
    """Ingest may keep three days; whoever changes its sessions does so from a shell that knows of one."""
    old_ms, shard = now_ms() - 3 * 86_400_000, ward.shard(0)
    for n in range(500):
        await store.xadd(shard.input, {"e": encode_inputs([Tick(old_ms + n)])}, id=f"{old_ms + n}-0")
    async with neighbour(settings, ward) as out:
        await store.hset(ward.topology, mapping={"shards": 1, "seats": 1})
        plain = Ingest(ward, store, settings, sessions=FIRST_SESSIONS)
        async with Subscriber(settings.broker, plain.name(0), *plain.topics(0)):
            pass
        await send(out, ward, "bed-1", range(10))
        await reseat(store, structs.replace(settings, keep_hours=1.0), 1, now_ms())
    assert await all_stored(store, ward, 10)
    kept: Any = await store.xrange(shard.input, "-", f"{old_ms + 500}-0")
    assert len(kept) == 500


async def test_a_broker_that_refuses_is_told_with_the_remedy(
    settings: Settings, ward: Ward, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    await store.hset(ward.topology, mapping={"shards": 1, "seats": 1})

    async def refuses(_: Subscriber) -> Subscriber:
        raise MqttError("not authorised")

    with monkeypatch.context() as patched:
        patched.setattr(Subscriber, "__aenter__", refuses)
        with pytest.raises(Unreachable, match=r"nothing is lost\. It said: not authorised"):
            await reseat(store, settings, 2, now_ms())
    assert await reseat(store, settings, 2, now_ms()) == 1
