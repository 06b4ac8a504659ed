"""Observes a trial from outside: what came into the input streams, and when the outputs for it were written.

The detector is not asked: every commit publishes its position and the store's time. These messages and the input
streams are read once a second, so observing costs little, and its own delay is in no figure.
"""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import NamedTuple, cast

import numpy as np
import redis
from redis.client import PubSub

from quietward.contracts.addresses import Shard, Ward
from quietward.contracts.inputs import Block, inputs_of
from quietward.contracts.log import decode_event
from quietward.contracts.summary import decode_summary
from quietward.load.schedule import HISTORY_S, Numbers, Schedule
from quietward.store.client import Entry, Store

AT_ONCE = 2000
CONFIRMED_WITHIN_S = 5.0
NEVER = -1
EARLIER_S = 20
"""A fall begins for the detector at the last sample at the baseline, up to so long before the first low one."""


@dataclass
class Observations:
    """Seconds that arrived: bed, second, ms of arrival at ingest, us of the commit (NEVER: none was reported)."""

    bed: Numbers
    second: Numbers
    arrived_ms: Numbers
    written_us: Numbers


class RaisedFlags(NamedTuple):
    """at: for each falling bed, the second of its flag, and when that was written (ms).

    earlier: number of other beds whose flag came too early for the fall: a dip before was taken for its beginning.
    """

    at: dict[int, tuple[int, int]]
    earlier: int


@contextmanager
def hearing(url: str, ward: Ward) -> Iterator[PubSub]:
    """Yield a subscription to a ward's commits; unread messages wait in the socket's buffer."""
    channels = [shard.written for shard in ward.all_shards]
    with redis.Redis.from_url(url) as client, client.pubsub() as heard:
        heard.ssubscribe(*channels)
        for _ in channels:
            heard.get_message(timeout=CONFIRMED_WITHIN_S)
        yield heard


@dataclass
class Observer:
    """Observes the shards of a ward."""

    ward: Ward
    store: Store
    heard: PubSub
    schedule: Schedule
    commits: dict[int, list[tuple[int, int]]] = field(default_factory=dict)  # by shard: position, us
    deepest_ms: float = 0.0

    def __post_init__(self) -> None:
        self._after = {shard.number: "-" for shard in self.ward.all_shards}
        self._blocks: list[tuple[int, int, int, int, int]] = []  # shard, position, bed, second, arrived
        self._numbers = {name: number for number, name in enumerate(self.schedule.names)}
        self._shards = {shard.written.encode(): shard.number for shard in self.ward.all_shards}

    async def read_on(self) -> None:
        """Read the commits and the input that have arrived since the last call."""
        while (message := self.heard.get_message()) is not None:
            position, at_us = message["data"].split()
            commits = self.commits.setdefault(self._shards[message["channel"]], [])
            commits.append((_position(position), int(at_us)))
        for shard in self.ward.all_shards:
            while entries := await self._next_entries(shard):
                for entry_id, fields in entries:
                    position = _position(entry_id)
                    self._blocks += [
                        (shard.number, position, self._numbers[item.bed], item.seq - HISTORY_S, item.at)
                        for item in inputs_of(fields)
                        if isinstance(item, Block)
                    ]
                self._after[shard.number] = "(" + entries[-1][0].decode()
                await asyncio.sleep(0)

    async def _next_entries(self, shard: Shard) -> list[Entry]:
        return cast(
            "list[Entry]",
            await self.store.at(shard.input).xrange(shard.input, min=self._after[shard.number], count=AT_ONCE),
        )

    async def depth_ms(self) -> float:
        """Return by how much the outputs lag behind the inputs in the worst shard, and record the maximum."""
        deepest = 0.0
        for shard in self.ward.all_shards:
            newest = cast("list[Entry]", await self.store.at(shard.input).xrevrange(shard.input, count=1))
            written = await self.store.at(shard.position).get(shard.position)
            if newest and written is not None:
                deepest = max(deepest, _ms(newest[0][0]) - _ms(cast("bytes", written)))
        self.deepest_ms = max(self.deepest_ms, deepest)
        return deepest

    def observations(self) -> Observations:
        """Return all seconds that have arrived."""
        table = np.array(self._blocks, dtype=np.int64).reshape(-1, 5)
        written = np.full(len(table), NEVER)
        for number, commits in self.commits.items():
            own = table[:, 0] == number
            told = np.array(commits, dtype=np.int64)
            place = np.searchsorted(told[:, 0], table[own, 1])  # the first commit that has got so far
            written[own] = np.append(told[:, 1], NEVER)[place]
        return Observations(table[:, 2], table[:, 3], table[:, 4], written)

    async def raised(self) -> RaisedFlags:
        """Return which of the expected flags were raised."""
        raised, earlier = {}, set()
        for bed, falls_at in zip(self.schedule.falling.tolist(), self.schedule.falls_at.tolist(), strict=True):
            name = self.schedule.names[bed]
            key = self.ward.shard(self.ward.shard_of(name)).log(name)
            entries = cast("list[Entry]", await self.store.at(key).xrange(key))
            for entry_id, fields in entries:
                event = decode_event(fields[b"e"])
                # A block's second is the one in which its first sample lies.
                k = event.t // 1000 - self.schedule.start_ms // 1000 + 1
                if event.kind not in ("flag-raised", "flag-worsened") or k < falls_at or bed in raised:
                    continue
                if k >= falls_at + self.schedule.falls_for_s - EARLIER_S:
                    raised[bed] = k, _ms(entry_id)
                else:
                    earlier.add(bed)
        return RaisedFlags(raised, len(earlier - raised.keys()))

    async def bytes_of_a_second(self) -> float:
        """Return the store's memory per bed-second of the input streams, in bytes."""
        keys = [shard.input for shard in self.ward.all_shards]
        used = [await self.store.at(key).memory_usage(key, samples=0) for key in keys]
        return sum(one or 0 for one in used) / max(1, len(self._blocks))

    async def behind(self) -> int:
        """Return the number of beds whose summary is not that of the last second."""
        last = self.schedule.start_ms // 1000 + self.schedule.end_s - 2
        seconds: dict[str, int] = {}
        for shard in self.ward.all_shards:
            raw = cast("dict[bytes, bytes]", await self.store.at(shard.summary).hgetall(shard.summary))
            seconds |= {bed.decode(): decode_summary(one).t // 1000 for bed, one in raw.items()}
        return sum(seconds.get(name, 0) < last for name in self.schedule.names)


def _position(entry_id: bytes) -> int:
    """Return an id as one number in the same order: fewer than 100,000 entries come in a millisecond."""
    ms, _, number = entry_id.partition(b"-")
    return int(ms) * 100_000 + int(number)


def _ms(entry_id: bytes) -> int:
    return int(entry_id.partition(b"-")[0])
