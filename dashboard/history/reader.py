"""Reads from the store what it holds of a bed; used by the page and by the command line."""

import asyncio
from dataclasses import dataclass, field
from typing import cast

import msgspec

from quietward.contracts.addresses import Ward
from quietward.contracts.messages import (
    Block,
    Event,
    PolicyInfo,
    Summary,
    decode_event,
    decode_policy_info,
    decode_summary,
    inputs_of,
)
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.history.bed_record import BedRecord
from quietward.dashboard.view.clocks import bed_now_ms
from quietward.dashboard.view.hour_ago import TREND_POINTS
from quietward.dashboard.view.signal_buffer import SignalBuffer
from quietward.store.client import Entry, Store, read_stream

SECOND_STAGE = 2
CACHED_MS = 36 * 3600 * 1000
"""A day can be shown, and a flag that is still up at its beginning may have been raised earlier."""
BATCH = 1000
"""Stream entries that are read at once."""
BLOCK_SEARCH_ENTRIES = 300
"""Newest input entries that are searched for a second of the bed: five minutes at one entry a second."""


async def read_record(store: Store, ward: Ward, bed: str) -> BedRecord:
    """Return what the store holds of a bed, its signal apart. Raises RedisError."""
    shard = ward.shard(ward.shard_of(bed))
    raw = await store.at(shard.root).hget(shard.summary, bed)
    log = await read_log(store, ward, bed)
    oldest_trend = cast("list[Entry]", await store.at(shard.root).xrange(shard.trend(bed), count=1))
    oldest = [decode_event(fields[b"e"]).t for _, fields in oldest_trend] + [event.t for event in log[:1]]
    return BedRecord(
        bed=bed,
        summary=None if raw is None else decode_summary(raw),
        log=log,
        on_record_since=min(oldest, default=None),
        newest=await _read_newest_block(store, shard.input, bed),
        policy=await read_policy(store, ward),
        trend=await read_newest(store, shard.trend(bed), TREND_POINTS),
    )


async def beds_of(store: Store, ward: Ward) -> list[str]:
    """Return the beds that a detector has evaluated at any time. Raises RedisError."""
    beds: list[str] = []
    for shard in ward.all_shards:
        keys = cast("list[bytes]", await store.at(shard.summary).hkeys(shard.summary))
        beds += [key.decode() for key in keys]
    return beds


@dataclass
class LogCache:
    """A bed's log and the times of its trend, so that each update reads only what is new.

    log: oldest first. trend_times: ms by the bed's clock, oldest first. positions: where to read on, by key.
    first_id: of the log's oldest entry; it changes when the log has been deleted and begun again.
    """

    log: list[Event] = field(default_factory=list)
    trend_times: list[int] = field(default_factory=list)
    positions: dict[str, str] = field(default_factory=dict)
    first_id: bytes = b""

    async def update(self, store: Store, ward: Ward, bed: str, now_ms: int, bed_now_ms: int) -> None:
        """Read what is new and drop what is older than CACHED_MS. Raises RedisError."""
        shard = ward.shard(ward.shard_of(bed))
        oldest_ms = now_ms - CACHED_MS
        first = cast("list[Entry]", await store.at(shard.root).xrange(shard.log(bed), count=1))
        first_id = first[0][0] if first else b""
        if first_id != self.first_id:
            self.log, self.trend_times, self.positions, self.first_id = [], [], {}, first_id
        self.log += await self._read_new(store, shard.log(bed), oldest_ms)
        self.trend_times += [event.t for event in await self._read_new(store, shard.trend(bed), oldest_ms)]
        since = bed_now_ms - CACHED_MS
        self.log = [event for event in self.log if event.t >= since]
        self.trend_times = [t for t in self.trend_times if t >= since]

    async def _read_new(self, store: Store, key: str, oldest_ms: int) -> list[Event]:
        events, self.positions[key] = await _read_from(store, key, self.positions.get(key, f"({oldest_ms}-0"))
        return events


def bed_clock_ms(summary: Summary | None, now_ms: int) -> int:
    """Return the present time by a bed's clock, also if no detector has evaluated the bed for long."""
    return now_ms if summary is None else bed_now_ms(summary) + max(0, now_ms - summary.looked_at)


async def read_history(store: Store, ward: Ward, bed: str, hours: float, now_ms: int) -> BedHistory:
    """Return signals, log and trend of a bed's last hours. Raises RedisError."""
    shard = ward.shard(ward.shard_of(bed))
    buffer = SignalBuffer(kept_s=round(hours * 3600))
    weeks = second_stage_from_s = None
    after = f"{now_ms - round(hours * 3_600_000)}-0"  # by arrival: a device that runs faster than time sends more
    while entries := await read_stream(store.at(shard.input), shard.input, after, BATCH, None):
        for _, fields in entries:
            for item in inputs_of(fields):
                if isinstance(item, Block) and item.bed == bed:
                    buffer.add(item)
                    weeks = item.weeks or weeks
                    if item.stage == SECOND_STAGE and second_stage_from_s is None:
                        second_stage_from_s = float(buffer.last)
        after = entries[-1][0].decode()
        await asyncio.sleep(0)  # other requests are served in between
    fhr, ua = buffer.arrays()
    trend, _ = await _read_from(store, shard.trend(bed))
    log = await read_log(store, ward, bed)
    raw = await store.at(shard.root).hget(shard.summary, bed)
    now_s = bed_clock_ms(None if raw is None else decode_summary(raw), now_ms) / 1000
    policy = await read_policy(store, ward)
    return BedHistory(bed, max(0, buffer.first), fhr, ua, log, trend, now_s, weeks, second_stage_from_s, policy)


async def read_log(store: Store, ward: Ward, bed: str) -> list[Event]:
    """Return the whole log of a bed, oldest first. Raises RedisError."""
    events, _ = await _read_from(store, ward.shard(ward.shard_of(bed)).log(bed))
    return events


async def _read_from(store: Store, key: str, position: str = "-") -> tuple[list[Event], str]:
    """Return all events from a position of a stream on, oldest first, and the position behind them."""
    events: list[Event] = []
    while entries := cast("list[Entry]", await store.at(key).xrange(key, min=position, count=BATCH)):
        events += [decode_event(fields[b"e"]) for _, fields in entries]
        position = "(" + entries[-1][0].decode()
    return events, position


async def read_newest(store: Store, key: str, at_most: int) -> list[Event]:
    """Return the newest events of a log or a trend, newest first. Raises RedisError."""
    entries = cast("list[Entry]", await store.at(key).xrevrange(key, count=at_most))
    return [decode_event(fields[b"e"]) for _, fields in entries]


async def read_policy(store: Store, ward: Ward) -> PolicyInfo | None:
    """Return what the running policy allows, None if no detector of this version runs. Raises RedisError."""
    raw = await store.at(ward.policy).get(ward.policy)
    try:
        return None if raw is None else decode_policy_info(raw)
    except msgspec.DecodeError:
        return None


async def _read_newest_block(store: Store, key: str, bed: str) -> Block | None:
    entries = cast("list[Entry]", await store.at(key).xrevrange(key, count=BLOCK_SEARCH_ENTRIES))
    for _, fields in entries:
        blocks = [item for item in inputs_of(fields) if isinstance(item, Block) and item.bed == bed]
        if blocks:
            return blocks[-1]
    return None
