"""Reads from the store what it holds of a bed; used by the page and by the command line."""

import asyncio
from dataclasses import dataclass, field
from typing import NamedTuple, cast

import msgspec

from quietward.contracts.addresses import Ward
from quietward.contracts.inputs import Block, Transfer, inputs_of
from quietward.contracts.log import Event, decode_event
from quietward.contracts.policy_info import PolicyInfo, decode_policy_info
from quietward.contracts.samples import UnexpectedDevice
from quietward.contracts.stays import Arrival, Stay
from quietward.contracts.summary import Summary, decode_summary
from quietward.contracts.timeline import Standing
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.history.bed_record import BedRecord
from quietward.dashboard.history.forgetting import read_forgotten, readable
from quietward.dashboard.view.clocks import bed_now_ms
from quietward.dashboard.view.signal_buffer import SignalBuffer
from quietward.store.client import Entry, Store, read_stream

SECOND_STAGE = 2
CACHED_MS = 36 * 3600 * 1000
"""A day can be shown, and a flag that is still up at its beginning may have been raised earlier."""
LONGEST_S = 24 * 3600
"""Of a stay's signal so much is read, the newest."""
MARGIN_MS = 5_000
"""Who presses and what arrives are stamped by different servers, and stand in the stream a little later."""
BATCH = 1000
"""Stream entries that are read at once."""
BLOCK_SEARCH_ENTRIES = 300
"""Newest input entries that are searched for a second of the bed: five minutes at one entry a second."""


async def read_record(store: Store, ward: Ward, bed: str) -> BedRecord:
    """Return what the store holds of the present stay at a bed, its signal apart. Raises RedisError."""
    shard = ward.shard(ward.shard_of(bed))
    summary = await read_summary(store, ward, bed)
    stay = 0 if summary is None else summary.stay_id
    log = await read_log(store, ward, bed, stay)
    oldest_trend = cast("list[Entry]", await store.at(shard.root).xrange(shard.trend(bed, stay), count=1))
    oldest = [decode_event(fields[b"e"]).t for _, fields in oldest_trend] + [event.t for event in log[:1]]
    newest = await _read_newest_block(store, shard.input, bed)
    return BedRecord(
        bed=bed,
        summary=summary,
        log=log,
        on_record_since=min(oldest, default=None),
        newest=newest if newest is not None and newest.at > stay else None,
        policy=await read_policy(store, ward),
    )


async def read_summary(store: Store, ward: Ward, bed: str) -> Summary | None:
    """Return the summary of a bed, None if no detector has ever written one. Raises RedisError."""
    shard = ward.shard(ward.shard_of(bed))
    raw = await store.at(shard.root).hget(shard.summary, bed)
    return None if raw is None else readable(decode_summary(raw), await read_forgotten(store, ward))


async def beds_of(store: Store, ward: Ward) -> list[str]:
    """Return the beds that a detector has evaluated at any time. Raises RedisError."""
    beds: list[str] = []
    for shard in ward.all_shards:
        keys = cast("list[bytes]", await store.at(shard.summary).hkeys(shard.summary))
        beds += [key.decode() for key in keys]
    return beds


@dataclass
class LogCache:
    """The log and the times of the trend of one stay, so that each update reads only what is new.

    log: oldest first. trend_times: ms by the bed's clock, oldest first. positions: where to read on, by key.
    first_id: of the log's oldest entry; it changes when the log has been deleted and begun again.
    """

    log: list[Event] = field(default_factory=list)
    trend_times: list[int] = field(default_factory=list)
    positions: dict[str, str] = field(default_factory=dict)
    first_id: bytes = b""

    async def update(self, store: Store, ward: Ward, bed: str, stay: int, now_ms: int, bed_now_ms: int) -> None:
        """Read what is new of a stay and drop what is older than CACHED_MS. Raises RedisError."""
        shard = ward.shard(ward.shard_of(bed))
        log_key, trend_key = shard.log(bed, stay), shard.trend(bed, stay)
        oldest_ms = now_ms - CACHED_MS
        first = cast("list[Entry]", await store.at(shard.root).xrange(log_key, count=1))
        first_id = first[0][0] if first else b""
        if first_id != self.first_id:
            self.log, self.trend_times, self.positions, self.first_id = [], [], {}, first_id
        self.log += await self._read_new(store, log_key, oldest_ms)
        self.trend_times += [event.t for event in await self._read_new(store, trend_key, oldest_ms)]
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
    """Return signals, log and trend of the present stay at a bed, of its last hours. Raises RedisError."""
    summary = await read_summary(store, ward, bed)
    kept_s, from_ms = round(hours * 3600), now_ms - round(hours * 3_600_000)  # by arrival: a device may run fast
    if summary is None or summary.stay is None:
        signal = await _read_signal(store, ward, bed, kept_s, from_ms)
        return await _history(store, ward, bed, 0, signal, bed_clock_ms(summary, now_ms), None)
    nothing = summary.is_empty
    signal = await _read_signal(store, ward, bed, kept_s, now_ms if nothing else from_ms, summary.stay)
    bed_now = bed_clock_ms(summary, now_ms)
    return await _history(store, ward, bed, summary.stay_id, signal, bed_now, summary.stay.arrival)


async def read_stay(store: Store, ward: Ward, bed: str, stay: Stay, now_ms: int) -> BedHistory:
    """Return all that is still stored of one stay at a bed, the present one or a former one. Raises RedisError."""
    summary = await read_summary(store, ward, bed)
    until_ms = bed_clock_ms(summary, now_ms) if stay.ended is None else stay.ended
    came = stay.came_from[0].stay if stay.came_from else stay.id
    lasted_s = until_ms // 1000 - stay.first_s + 1 if came else LONGEST_S
    kept_s = max(1, min(LONGEST_S, lasted_s))
    signal = await _read_signal(store, ward, bed, kept_s, max(0, came - MARGIN_MS), stay)
    return await _history(store, ward, bed, stay.id, signal, until_ms, stay.arrival)


class _Signal(NamedTuple):
    buffer: SignalBuffer
    weeks: int | None
    second_stage_from_s: float | None


class _AtOneBed(NamedTuple):
    """What a stay has of one bed's signal: from a time on, by the server's clock, or from the move that brought her
    there, to another time, and at most to a second by her clock.
    """

    bed: str
    from_ms: int
    move: str = ""
    until_ms: int | None = None
    last_s: int | None = None


def _parts(bed: str, from_ms: int, stay: Stay | None) -> list[_AtOneBed]:
    """Return where the signal of a stay comes from, in order: she may have been in other beds."""
    if stay is None:
        return [_AtOneBed(bed, from_ms)]
    parts, move, since = [], "", from_ms
    for before in stay.came_from:
        if before.moved_at >= from_ms:
            parts.append(_AtOneBed(before.bed, since, move, before.moved_at + MARGIN_MS, before.last_s))
        move, since = before.move, before.moved_at - MARGIN_MS
    until_ms = stay.ended_at + MARGIN_MS if stay.ended is not None else None
    return [*parts, _AtOneBed(bed, since, move, until_ms, stay.last_s)]


async def _read_signal(
    store: Store, ward: Ward, bed: str, kept_s: int, from_ms: int, stay: Stay | None = None
) -> _Signal:
    """Return what came of a bed from `from_ms` by the server's clock on, and is of a stay if one is given."""
    found = _Signal(SignalBuffer(kept_s=kept_s), None, None)
    first_s = 0 if stay is None else stay.first_s
    for part in _parts(bed, from_ms, stay):
        found = await _read_part(store, ward, part, first_s, found)
    found.buffer.cut(first_s, None if stay is None else stay.last_s)
    return found


async def _read_part(store: Store, ward: Ward, part: _AtOneBed, first_s: int, found: _Signal) -> _Signal:
    """Add what came of one bed."""
    shard, (buffer, weeks, second_stage_from_s) = ward.home_of(part.bed), found
    after, is_over, is_hers = f"{part.from_ms}-0", False, not part.move
    while not is_over and (entries := await read_stream(store.at(shard.input), shard.input, after, BATCH, None)):
        for entry_id, fields in entries:
            for item in inputs_of(fields):
                if isinstance(item, Transfer) and item.id == part.move and not is_hers:
                    buffer.session, buffer.stands, is_hers = item.session, Standing(*item.stands), True
                if not isinstance(item, Block) or item.bed != part.bed or not is_hers:
                    continue
                if part.last_s is not None and buffer.last >= part.last_s:
                    continue
                buffer.add(item)
                if buffer.last >= first_s:
                    weeks = item.weeks or weeks
                    if item.stage == SECOND_STAGE and second_stage_from_s is None:
                        second_stage_from_s = float(buffer.last)
            is_over |= part.until_ms is not None and int(entry_id.partition(b"-")[0]) > part.until_ms
        after = entries[-1][0].decode()
        await asyncio.sleep(0)  # other requests are served in between
    return _Signal(buffer, weeks, second_stage_from_s)


async def _history(
    store: Store, ward: Ward, bed: str, stay: int, signal: _Signal, now_ms: int, arrival: Arrival | None
) -> BedHistory:
    """now_ms: by the bed's clock, or the end of a stay."""
    fhr, ua = signal.buffer.arrays()
    first_s = max(0, signal.buffer.first)
    trend, _ = await _read_from(store, ward.shard(ward.shard_of(bed)).trend(bed, stay))
    log = await read_log(store, ward, bed, stay)
    weeks, second_stage_from_s = signal.weeks, signal.second_stage_from_s
    if arrival is not None:  # until her device says something else
        weeks = weeks or arrival.weeks
        second_stage_from_s = _said_from_s(log, first_s) if arrival.stage == SECOND_STAGE else second_stage_from_s
    policy = await read_policy(store, ward)
    return BedHistory(
        bed, first_s, fhr, ua, log, trend, now_ms / 1000, weeks, second_stage_from_s, policy, signal.buffer.second_fhr()
    )


def _said_from_s(log: list[Event], first_s: int) -> float:
    """Return from when on staff have said that it is the second stage: since she came, or since that was corrected."""
    corrected = [e.t // 1000 for e in log if e.kind == "corrected" and e.detail.get("stage") == SECOND_STAGE]
    return float(max(corrected[-1], first_s) if corrected else first_s)


async def read_log(store: Store, ward: Ward, bed: str, stay: int = 0) -> list[Event]:
    """Return the whole log of a stay at a bed, oldest first. Raises RedisError."""
    events, _ = await _read_from(store, ward.shard(ward.shard_of(bed)).log(bed, stay))
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


async def read_unexpected(store: Store, ward: Ward) -> list[UnexpectedDevice]:
    """Return the devices that wait to be taken in, by name. Raises RedisError."""
    held = cast("dict[bytes, bytes]", await store.at(ward.unexpected).hgetall(ward.unexpected))
    return sorted(
        (UnexpectedDevice(name.decode(), *map(int, times.split())) for name, times in held.items()),
        key=lambda device: device.name,
    )


async def _read_newest_block(store: Store, key: str, bed: str) -> Block | None:
    entries = cast("list[Entry]", await store.at(key).xrevrange(key, count=BLOCK_SEARCH_ENTRIES))
    for _, fields in entries:
        blocks = [item for item in inputs_of(fields) if isinstance(item, Block) and item.bed == bed]
        if blocks:
            return blocks[-1]
    return None
