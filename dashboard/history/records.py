"""Reads what is kept of a bed; the page and the command line use the same."""

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
    decode_inputs,
    decode_policy_info,
    decode_summary,
)
from quietward.dashboard.history.hours import Hours
from quietward.dashboard.history.record import Record
from quietward.dashboard.view.clocks import bed_now_ms
from quietward.dashboard.view.strips import Strip
from quietward.store.client import Entry, Store, read_stream

SECOND_STAGE = 2
KEPT_IN_MIND_MS = 36 * 3600 * 1000
"""A day can be shown; a flag that stands in it may have been raised before."""
AT_ONCE = 1000
"""Lines of a log that are read in one go."""
BLOCKS_SEARCHED = 300
"""Newest entries of the input that are searched for a second of the bed: at one entry a second, five minutes."""


async def read(store: Store, ward: Ward, bed: str) -> Record:
    """Return what is kept of a bed. Raises RedisError."""
    shard = ward.shard(ward.shard_of(bed))
    raw = await store.at(shard.root).hget(shard.summary, bed)
    log = await read_log(store, ward, bed)
    trend = cast("list[Entry]", await store.at(shard.root).xrange(shard.trend(bed), count=1))
    oldest = [decode_event(fields[b"e"]).t for _, fields in trend] + [event.t for event in log[:1]]
    return Record(
        bed=bed,
        summary=None if raw is None else decode_summary(raw),
        log=log,
        on_record_since=min(oldest, default=None),
        newest=await _newest_block(store, shard.input, bed),
        sheet=await read_sheet(store, ward),
    )


async def beds_of(store: Store, ward: Ward) -> list[str]:
    """Return the beds that a detector has ever looked at. Raises RedisError."""
    found: list[str] = []
    for shard in ward.all_shards:
        keys = cast("list[bytes]", await store.at(shard.summary).hkeys(shard.summary))
        found += [key.decode() for key in keys]
    return found


@dataclass
class Memory:
    """What has been read of a bed's log and trend, so that only what is new need be read again."""

    log: list[Event] = field(default_factory=list)
    minutes: list[int] = field(default_factory=list)
    newest: dict[str, str] = field(default_factory=dict)
    first: bytes = b""

    async def read_on(self, store: Store, ward: Ward, bed: str, now_ms: int, bed_now_ms: int) -> None:
        """Read what has been written since, and forget what is older than KEPT_IN_MIND_MS. Raises RedisError."""
        shard = ward.shard(ward.shard_of(bed))
        oldest = now_ms - KEPT_IN_MIND_MS
        entries = cast("list[Entry]", await store.at(shard.root).xrange(shard.log(bed), count=1))
        first = entries[0][0] if entries else b""
        if first != self.first:  # somebody has begun the log anew
            self.log, self.minutes, self.newest, self.first = [], [], {}, first
        self.log += await self._read_on(store, shard.log(bed), oldest)
        self.minutes += [event.t for event in await self._read_on(store, shard.trend(bed), oldest)]
        since = bed_now_ms - KEPT_IN_MIND_MS
        self.log = [event for event in self.log if event.t >= since]
        self.minutes = [t for t in self.minutes if t >= since]

    async def _read_on(self, store: Store, key: str, oldest: int) -> list[Event]:
        found: list[Event] = []
        after = self.newest.get(key, f"({oldest}-0")
        while entries := cast("list[Entry]", await store.at(key).xrange(key, min=after, count=AT_ONCE)):
            found += [decode_event(fields[b"e"]) for _, fields in entries]
            after = self.newest[key] = "(" + entries[-1][0].decode()
        return found


def now_of(summary: Summary | None, now_ms: int) -> int:
    """Return now by a bed's clock, also when nobody has looked at it for long."""
    return now_ms if summary is None else bed_now_ms(summary) + max(0, now_ms - summary.looked_at)


async def read_hours(store: Store, ward: Ward, bed: str, hours: float, now_ms: int) -> Hours:
    """Return the last hours of a bed: its signal, log and trend. Raises RedisError."""
    shard = ward.shard(ward.shard_of(bed))
    strip = Strip(kept_s=round(hours * 3600))
    weeks = second_stage_from_s = None
    after = f"{now_ms - round(hours * 3_600_000)}-0"  # by arrival: a device that runs faster than time sends more in it
    while entries := await read_stream(store.at(shard.input), shard.input, after, AT_ONCE, None):
        for _, fields in entries:
            for item in decode_inputs(fields[b"e"]):
                if isinstance(item, Block) and item.bed == bed:
                    strip.add(item)
                    weeks = item.weeks or weeks
                    if item.stage == SECOND_STAGE and second_stage_from_s is None:
                        second_stage_from_s = float(strip.last)
        after = entries[-1][0].decode()
        await asyncio.sleep(0)  # others are served in between
    fhr, ua = strip.signals()
    trend = await _read_all(store, shard.trend(bed))
    log = await read_log(store, ward, bed)
    raw = await store.at(shard.root).hget(shard.summary, bed)
    now_s = now_of(None if raw is None else decode_summary(raw), now_ms) / 1000
    return Hours(bed, max(0, strip.first), fhr, ua, log, trend, now_s, weeks, second_stage_from_s)


async def read_log(store: Store, ward: Ward, bed: str) -> list[Event]:
    """Return all lines of a bed's log, oldest first."""
    return await _read_all(store, ward.shard(ward.shard_of(bed)).log(bed))


async def _read_all(store: Store, key: str) -> list[Event]:
    found: list[Event] = []
    after = "-"
    while entries := cast("list[Entry]", await store.at(key).xrange(key, min=after, count=AT_ONCE)):
        found += [decode_event(fields[b"e"]) for _, fields in entries]
        after = "(" + entries[-1][0].decode()
    return found


async def read_newest(store: Store, key: str, at_most: int) -> list[Event]:
    """Return the newest events of a log or a trend, newest first."""
    entries = cast("list[Entry]", await store.at(key).xrevrange(key, count=at_most))
    return [decode_event(fields[b"e"]) for _, fields in entries]


async def read_sheet(store: Store, ward: Ward) -> PolicyInfo | None:
    """Return what the running policy allows, None while no detector has said it in words of this version."""
    raw = await store.at(ward.policy).get(ward.policy)
    try:
        return None if raw is None else decode_policy_info(raw)
    except msgspec.DecodeError:
        return None


async def _newest_block(store: Store, key: str, bed: str) -> Block | None:
    entries = cast("list[Entry]", await store.at(key).xrevrange(key, count=BLOCKS_SEARCHED))
    for _, fields in entries:
        blocks = [item for item in decode_inputs(fields[b"e"]) if isinstance(item, Block) and item.bed == bed]
        if blocks:
            return blocks[-1]
    return None
