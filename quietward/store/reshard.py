"""Another number of shards for a ward whose parts are stopped: every input, log and summary goes where it belongs.

The change is noted in the ward's layout: from there on parts do not start. All is first written beside what is there,
under keys with `next`; a run that is cut off meanwhile is begun anew by the next one, or given up by one with the old
number. Then each shard is exchanged in one transaction; that is brought to its end by the next run. Checkpoints are
left out: detectors rebuild their states from the inputs, as after a change of rules. What has been set aside stays so:
an input in which detectors end would end some more of them.
"""

import heapq
from collections import defaultdict
from collections.abc import AsyncIterator
from typing import Any, cast

from quietward.contracts.addresses import Shard, Ward
from quietward.contracts.errors import BadSettings
from quietward.contracts.inputs import Input, Tick, Unreadable, encode_inputs, inputs_of
from quietward.contracts.summary import decode_summary
from quietward.store.client import Entry, Pipeline, Redis, Store, newest_id, read_stream
from quietward.store.topology import COPYING, EXCHANGING, PHASE, RESHARDING, check_stopped, refuse_while_reseating

READ_AT_ONCE = WRITTEN_AT_ONCE = 500
"""Entries of a stream at a time: one by one, a store that writes each to its disk would take half an hour for a day."""
EXCHANGED = ("input", "position", "checkpoint", "summary", "refusals", "aside")


async def reshard(store: Store, name: str, shards: int, now_ms: int) -> int:
    """Give a ward so many shards; return how many it had. now_ms: the time of day.

    Raises BadSettings when a part runs, or inputs have not been worked through, and RedisError.
    """
    layout = Ward(name).topology
    noted = cast("dict[bytes, bytes]", await store.at(layout).hgetall(layout))
    if b"shards" not in noted:
        raise BadSettings("setting ward", name, "The store holds no such ward; see --ward and --store")
    refuse_while_reseating(Ward(name), noted)  # which writes to the shards of now
    before = int(noted[b"shards"])
    old, new = Ward(name, before), Ward(name, shards)
    remedy = "Stop all parts, detect last, and try again; devices and broker keep what comes meanwhile"
    await check_stopped(store, old, now_ms, remedy)
    begun = int(noted.get(RESHARDING.encode(), b"0"))
    if begun and noted.get(PHASE.encode()) != COPYING.encode():  # a run before this one was cut off
        if begun != shards:
            remedy = f"A change to {begun} has begun and must be finished first: quietward reshard {begun}"
            raise BadSettings("shards", shards, remedy)
    else:
        if begun:
            await _give_up(store, old, Ward(name, begun))
        if shards == before:
            return before
        await _check_worked_through(store, old)
        await cast("Any", store.at(layout).hset(layout, mapping={RESHARDING: str(shards), PHASE: COPYING}))
        try:  # a part may have looked at the layout just before
            await _copy_unless_it_changes(store, old, new)
            await check_stopped(store, old, now_ms, remedy)
        except BadSettings:
            await _give_up(store, old, new)
            raise
        await store.at(layout).hset(layout, PHASE, EXCHANGING)
    for number in range(max(old.shards, new.shards)):
        await _exchange(store, new.shard(number))
    await store.at(layout).hset(layout, "shards", str(new.shards))
    await store.at(layout).hdel(layout, RESHARDING, PHASE)
    return before


async def _copy_unless_it_changes(store: Store, old: Ward, new: Ward) -> None:
    stands = await _check_worked_through(store, old)
    await _copy(store, old, new)
    for shard, before, now in zip(old.all_shards, stands, await _check_worked_through(store, old), strict=True):
        if before != now:
            raise BadSettings("shard", shard.number, "Something has come meanwhile: stop all parts, and try again")


async def _give_up(store: Store, old: Ward, new: Ward) -> None:
    """Take away what has been written beside the shards, then the note: parts may start again."""
    for number in range(max(old.shards, new.shards)):
        shard = new.shard(number)
        await store.at(shard.root).delete(_ready(shard))
        await _delete(store.at(shard.root), _next(shard))
    layout = old.topology
    await store.at(layout).hdel(layout, RESHARDING, PHASE)


async def _check_worked_through(store: Store, ward: Ward) -> list[str]:
    """Return the newest input of each shard. Raises BadSettings where it has not been worked through."""
    found = []
    for shard in ward.all_shards:
        position = cast("bytes | None", await store.at(shard.position).get(shard.position))
        newest = await newest_id(store.at(shard.input), shard.input)
        if newest not in ("0-0", (position or b"").decode()):
            remedy = "It has inputs that no detector has processed: run one for a moment, without ingest"
            raise BadSettings("shard", shard.number, remedy)
        found.append(newest)
    return found


def _next(shard: Shard) -> Shard:
    return Shard(f"{shard.root}:next", shard.number, shard.ward)


def _ready(shard: Shard) -> str:
    return f"{shard.root}:next-ready"


async def _copy(store: Store, old: Ward, new: Ward) -> None:
    """Write all of a ward's shards as they will be, beside what is there."""
    for shard in new.all_shards:
        staged = _next(shard)
        await _delete(store.at(shard.root), staged)
    aside = await _set_aside(store, old)
    newest: dict[int, tuple[int, int]] = {}
    waiting: dict[Redis, Pipeline] = {}
    async for ms, items in _inputs(store, old):
        for number, some in _split(items, new).items():
            last_ms, last = newest.get(number, (-1, -1))
            newest[number] = ms, last + 1 if ms == last_ms else 0
            key, entry_id = _next(new.shard(number)).input, "{}-{}".format(*newest[number])
            server = store.at(key)
            pipe = waiting.setdefault(server, server.pipeline(transaction=False))
            pipe.xadd(key, {"e": encode_inputs(some)}, id=entry_id)
            for place, item in enumerate(some if aside else ()):
                if (why := aside.get(encode_inputs(item))) is not None:
                    pipe.hset(_next(new.shard(number)).aside, f"{entry_id} {place}", why)
            if len(pipe) >= WRITTEN_AT_ONCE:
                await pipe.execute()
    for pipe in waiting.values():
        await pipe.execute()
    for number, (ms, last) in newest.items():
        key = _next(new.shard(number)).position
        await store.at(key).set(key, f"{ms}-{last}")
    for shard in old.all_shards:
        await _copy_beds(store, shard, new)
    for number in range(max(old.shards, new.shards)):
        ready = _ready(new.shard(number))
        await store.at(ready).set(ready, "1")


async def _set_aside(store: Store, ward: Ward) -> dict[bytes, bytes]:
    """Return the inputs that are not worked through, as they are encoded, and why: their places will be others."""
    found: dict[bytes, bytes] = {}
    for shard in ward.all_shards:
        server = store.at(shard.root)
        noted = cast("dict[bytes, bytes]", await cast("Any", server.hgetall(shard.aside)))
        for place, why in noted.items():
            entry_id, _, number = place.decode().partition(" ")
            entries = cast("list[Entry]", await server.xrange(shard.input, entry_id, entry_id))
            for item in inputs_of(entries[0][1])[int(number) : int(number) + 1] if entries else ():
                found[encode_inputs(item)] = why
    return found


async def _inputs(store: Store, ward: Ward) -> AsyncIterator[tuple[int, list[Input]]]:
    """Yield the inputs of all shards in the order of their arrival, with the ms of their entries; ticks once."""

    async def of(shard: Shard) -> AsyncIterator[tuple[tuple[int, int], int, list[Input]]]:
        after = "0-0"
        while entries := await read_stream(store.at(shard.input), shard.input, after, READ_AT_ONCE, block_ms=None):
            for entry_id, fields in entries:
                after = entry_id.decode()
                ms, _, number = after.partition("-")
                items = [
                    item
                    for item in inputs_of(fields)
                    if not isinstance(item, Unreadable) and not (isinstance(item, Tick) and shard.number)
                ]
                yield (int(ms), int(number)), shard.number, items

    streams = [of(shard) for shard in ward.all_shards]
    heads = [(await anext(stream, None), stream) for stream in streams]
    waiting = [(head[0], head[1], head[2]) for head, _ in heads if head is not None]
    heapq.heapify(waiting)
    while waiting:
        (ms, _), number, items = heapq.heappop(waiting)
        if items:
            yield ms, items
        if (following := await anext(streams[number], None)) is not None:
            heapq.heappush(waiting, following)


def _split(items: list[Input], ward: Ward) -> dict[int, list[Input]]:
    """Return inputs by the shard that they belong to; a tick belongs to all."""
    found: dict[int, list[Input]] = defaultdict(list)
    for item in items:
        numbers = range(ward.shards) if isinstance(item, Tick) else (ward.shard_of(item.bed),)
        for number in numbers:
            found[number].append(item)
    return found


async def _copy_beds(store: Store, shard: Shard, new: Ward) -> None:
    server = store.at(shard.root)
    summaries = cast("dict[bytes, bytes]", await cast("Any", server.hgetall(shard.summary)))
    for raw_bed, summary in summaries.items():
        bed = raw_bed.decode()
        staged = _next(new.shard(new.shard_of(bed)))
        target = store.at(staged.root)
        await cast("Any", target.hset(staged.summary, bed, summary))
        streams = zip(_streams(shard, bed, summary), _streams(staged, bed, summary), strict=True)
        for source, destination in streams:
            dumped, left_ms = await server.dump(source), await server.pttl(source)
            if dumped is not None:
                await target.restore(destination, max(0, left_ms), dumped, replace=True)
    refusals = cast("dict[bytes, bytes]", await cast("Any", server.hgetall(shard.refusals)))
    for what, count in refusals.items():
        bed = what.decode().partition(" ")[0]
        staged = _next(new.shard(new.shard_of(bed)))
        await cast("Any", store.at(staged.root).hincrby(staged.refusals, what.decode(), int(count)))


async def _exchange(store: Store, shard: Shard) -> None:
    """Put what was written beside a shard in its place, in one transaction; nothing where that has been done."""
    server, staged = store.at(shard.root), _next(shard)
    if not await server.exists(_ready(shard)):
        return
    present, coming = await _keys(server, shard), await _keys(server, staged)
    async with server.pipeline(transaction=True) as pipe:
        for key in present:
            pipe.delete(key)
        for key in coming:
            pipe.rename(key, shard.root + key.removeprefix(staged.root))
        pipe.incr(shard.owner)  # whoever owned it before may not write
        pipe.delete(_ready(shard))
        await pipe.execute()


def _streams(shard: Shard, bed: str, raw: bytes) -> list[str]:
    """Return the keys of logs and trends of a bed: of the present stay, and of those that can still be read."""
    summary = decode_summary(raw)
    stays = dict.fromkeys([0, summary.stay_id, *(stay.id for stay in summary.former)])
    return [key for stay in stays for key in (shard.log(bed, stay), shard.trend(bed, stay))]


async def _keys(server: Redis, shard: Shard) -> list[str]:
    """Return the keys of a shard that there are, but for its owner."""
    summaries = cast("dict[bytes, bytes]", await cast("Any", server.hgetall(shard.summary)))
    possible = [f"{shard.root}:{name}" for name in EXCHANGED]
    possible += [key for bed, summary in summaries.items() for key in _streams(shard, bed.decode(), summary)]
    return [key for key in possible if await server.exists(key)]


async def _delete(server: Redis, shard: Shard) -> None:
    for key in await _keys(server, shard):
        await server.delete(key)
