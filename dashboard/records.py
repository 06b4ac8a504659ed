"""Reads what is kept of a bed; the page and the command line use the same."""

import asyncio
from typing import cast

import msgspec

from dashboard.clocks import bed_now_ms
from dashboard.handover import Record
from dashboard.hours import Hours
from dashboard.shift import Kept
from dashboard.strips import Strip
from quietward.addresses import Ward
from quietward.messages import (
    Block,
    Event,
    PolicySheet,
    Summary,
    decode_event,
    decode_inputs,
    decode_policy_sheet,
    decode_summary,
)
from quietward.store import Entry, Store, read_stream

SECOND_STAGE = 2
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


async def read_kept(store: Store, ward: Ward, bed: str, summary: Summary | None, now_ms: int) -> Kept:
    """Return log and trend of a bed. Raises RedisError."""
    log = await read_log(store, ward, bed)
    trend = await _read_all(store, ward.shard(ward.shard_of(bed)).trend(bed))
    return Kept(bed, now_ms if summary is None else bed_now_ms(summary), log, [event.t for event in trend])


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
    return Hours(bed, max(0, strip.first), fhr, ua, log, trend, weeks, second_stage_from_s)


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


async def read_sheet(store: Store, ward: Ward) -> PolicySheet | None:
    """Return what the running policy allows, None while no detector has said it in words of this version."""
    raw = await store.at(ward.policy).get(ward.policy)
    try:
        return None if raw is None else decode_policy_sheet(raw)
    except msgspec.DecodeError:
        return None


async def _newest_block(store: Store, key: str, bed: str) -> Block | None:
    entries = cast("list[Entry]", await store.at(key).xrevrange(key, count=BLOCKS_SEARCHED))
    for _, fields in entries:
        blocks = [item for item in decode_inputs(fields[b"e"]) if isinstance(item, Block) and item.bed == bed]
        if blocks:
            return blocks[-1]
    return None
