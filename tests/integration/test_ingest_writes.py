"""What ingest writes stands in the streams once, also where a part of it is refused; on both stores."""

from typing import Any

import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.inputs import Block, Input, inputs_of
from quietward.contracts.settings import Settings
from quietward.ingest.service import Ingest
from quietward.store.client import PipelinedConnections, RedisError, Store

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
                await ingest.write(connections, inputs, [])
            assert list(inputs) == [1]
        await store.delete(WARD.shard(1).input)
        await ingest.write(connections, inputs, [])
    assert inputs == {}
    assert [await written(store, n) for n in range(3)] == [[second(n)] for n in range(3)]
