"""What ingest writes stands in the streams once, also where a part of it is refused; on both stores."""

import asyncio
from typing import Any

import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.inputs import Block, Input, Tick, inputs_of
from quietward.contracts.settings import Settings
from quietward.ingest import service
from quietward.ingest.service import Ingest
from quietward.runtime.refused import read_refused
from quietward.store.client import PipelinedConnections, RedisError, Store

pytestmark = pytest.mark.one_kind

WARD = Ward("writes", 3)


def second(n: int) -> Block:
    return Block(f"bed-{n}", "s", 1, 1, 1, [140.0] * 4, [10.0] * 4)


async def written(store: Store, number: int) -> list[Any]:
    entries: Any = await store.xrange(WARD.shard(number).input)
    return [item for _, fields in entries for item in inputs_of(fields)]


async def test_what_a_server_has_taken_is_not_written_again_when_it_refuses_another_shards(store: Store) -> None:
    ingest = Ingest(WARD, store, Settings(shards=3))
    inputs: dict[int, list[Input]] = {n: [second(n)] for n in range(3)}
    await store.set(WARD.shard(1).input, "in the way")
    async with PipelinedConnections() as connections:
        for _ in range(2):
            with pytest.raises(RedisError, match="WRONGTYPE"):
                await ingest.write(connections, inputs, [], {})
            assert list(inputs) == [1]
        await store.delete(WARD.shard(1).input)
        await ingest.write(connections, inputs, [], {})
    assert inputs == {}
    assert [await written(store, n) for n in range(3)] == [[second(n)] for n in range(3)]


async def test_what_waits_for_a_replica_is_written_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The next try writes next to nothing: a replica that has it has all that came before it."""
    monkeypatch.setattr(service, "REPLICATED_WITHIN_MS", 10)
    ingest = Ingest(WARD, store, Settings(shards=3, copies=1))
    inputs: dict[int, list[Input]] = {n: [second(n)] for n in range(2)}
    taken: dict[int, Any] = {}
    async with PipelinedConnections() as connections:
        for _ in range(4):
            with pytest.raises(RedisError, match="only 0 of 1 replicas"):
                await ingest.write(connections, inputs, [], taken)
        assert sorted(inputs) == [0, 1], "nothing may be acknowledged"
        monkeypatch.setattr(store, "min_replicas", lambda *_: 0)
        await ingest.write(connections, inputs, [], taken)
    assert inputs == {}
    for n in range(2):
        first, *others = await written(store, n)
        assert first == second(n)
        assert len(others) == 4
        assert all(isinstance(item, Tick) and not item.stepped_ms for item in others)


async def test_what_waits_for_a_replica_is_written_to_whoever_answers_next(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a failover the server that answers may be a replica that never had it."""
    monkeypatch.setattr(service, "REPLICATED_WITHIN_MS", 10)
    ingest = Ingest(WARD, store, Settings(shards=3, copies=1))
    inputs: dict[int, list[Input]] = {0: [second(0)]}
    taken: dict[int, Any] = {}
    async with PipelinedConnections() as connections:
        with pytest.raises(RedisError, match="only 0 of 1 replicas"):
            await ingest.write(connections, inputs, [], taken)
        await store.delete(WARD.shard(0).input)
        await store.client_kill_filter(_type="normal", skipme=True)
        for said in ("Connection", "only 0 of 1 replicas"):
            with pytest.raises(RedisError, match=said):
                await ingest.write(connections, inputs, [], taken)
        assert await written(store, 0) == [second(0)]


async def test_what_was_dropped_is_counted_by_bed_once_the_store_takes_something_again(store: Store) -> None:
    """Messages at QoS 0, while the store takes nothing: `quietward refused` shows the count."""
    ingest = Ingest(WARD, store, Settings(shards=3))
    ingest.beds = {"bed-1"}
    for topic in (*[WARD.samples_topic("bed-1")] * 3, WARD.samples_topic("invented"), "nowhere"):
        ingest._note_dropped(topic)
    await store.set(WARD.refusals, "in the way")
    tick: dict[int, list[Input]] = {0: [Tick(1)]}
    async with PipelinedConnections() as connections:
        with pytest.raises(RedisError, match="WRONGTYPE"):
            await ingest.write(connections, tick, [], {})
        await store.delete(WARD.refusals)
        for _ in range(2):
            await ingest.write(connections, {}, [], {})
    found = {(one.bed, one.reason): one.count for one in await read_refused(store, WARD)}
    assert found == {("bed-1", "rate"): 3, ("?", "rate"): 2}


async def test_what_was_dropped_is_counted_once_though_all_write_at_the_same_time(store: Store) -> None:
    ingest = Ingest(WARD, store, Settings(shards=3))
    ingest.beds = {"bed-1"}
    ingest._note_dropped(WARD.samples_topic("bed-1"))
    await asyncio.gather(*(ingest._write_refused([]) for _ in range(3)))
    assert [(one.bed, one.count) for one in await read_refused(store, WARD)] == [("bed-1", 1)]
