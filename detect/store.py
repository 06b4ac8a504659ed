"""All that a shard's detector reads from and writes to Redis; the one atomic commit."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

from msgspec import structs

from quietward.contracts.addresses import LOG_KEPT, TREND_KEPT, Shard
from quietward.contracts.errors import LostOwnership
from quietward.contracts.fields import encode_json
from quietward.contracts.inputs import Asked, Input, Transfer, TransferAnswer, Unreadable, encode_inputs, inputs_of
from quietward.contracts.log import TREND_KIND, Event, decode_event
from quietward.contracts.summary import Summary, decode_summary
from quietward.store.client import (
    Entry,
    PipelinedConnection,
    Redis,
    Script,
    Store,
    entries_in_reply,
    read_stream,
    xread_command,
)

COMMIT = Script("""
-- keys: owner, position, summary, channel of commits, then logs and trends of beds
-- arguments: token, position, number of summaries, of keys that are kept for a time, {bed, summary},
-- {number of a key, s that it is kept; 0: for good}, {number of a key, limit, event}
if redis.call('GET', KEYS[1]) ~= ARGV[1] then return 0 end
local kept_from = 5 + 2 * tonumber(ARGV[3])
local events_from = kept_from + 2 * tonumber(ARGV[4])
for i = 5, kept_from - 1, 2 do redis.call('HSET', KEYS[3], ARGV[i], ARGV[i + 1]) end
for i = events_from, #ARGV, 3 do
  redis.call('XADD', KEYS[tonumber(ARGV[i])], 'MAXLEN', '~', ARGV[i + 1], '*', 'e', ARGV[i + 2])
end
for i = kept_from, events_from - 1, 2 do
  local key = KEYS[tonumber(ARGV[i])]
  if ARGV[i + 1] == '0' then redis.call('PERSIST', key) else redis.call('EXPIRE', key, ARGV[i + 1]) end
end
redis.call('SET', KEYS[2], ARGV[2])
local now = redis.call('TIME')
redis.call('SPUBLISH', KEYS[4], ARGV[2] .. ' ' .. now[1] .. string.format('%06d', now[2]))
return 1
""")
SAVE = Script("""
-- keys: owner, the checkpoint that is now complete, the one it replaces; arguments: token, position
if redis.call('GET', KEYS[1]) ~= ARGV[1] then return 0 end
redis.call('HSET', KEYS[2], 'position', ARGV[2])
redis.call('PERSIST', KEYS[2])
redis.call('RENAME', KEYS[2], KEYS[3])
return 1
""")
STREAM_START = "0-0"
PIECE_BYTES = 256 * 1024
"""Of a checkpoint, written by one command: the store serves nobody else meanwhile."""
BETWEEN_PIECES_S = 0.01
UNFINISHED_KEPT_S = 600
MOST_TAKEN_ALONG = 5_000
"""The newest lines of her log that go with a woman who is moved: of three days, and more than there ever are in one."""
READ_AT_MOST = 500
"""Entries of one read; an entry holds what ingest has drained in one go."""


Place = tuple[str, int]
"""Where an input stands: id of its entry, number in it."""
StreamEntry = tuple[str, list[Input | Unreadable]]


class Encoded(NamedTuple):
    """What a commit writes: events, and summaries of beds, as they are stored."""

    events: list[tuple[Event, bytes]]
    summaries: list[tuple[str, bytes]]


def encoded(events: list[Event], summaries: list[Summary]) -> Encoded:
    """Return outputs as they are stored. Raises whatever cannot be encoded."""
    return Encoded(
        [(event, encode_json(event)) for event in events], [(one.bed, encode_json(one)) for one in summaries]
    )


@dataclass(frozen=True)
class Resume:
    """Where a detector resumes: state as it was at `saved` (empty: none), outputs written up to `written`."""

    state: bytes
    saved: str
    written: str


class ShardStore:
    """One shard, owned by whoever took it over last."""

    def __init__(self, store: Store, shard: Shard) -> None:
        self.store, self.shard = store, shard
        self.token = ""
        self._connection: PipelinedConnection | None = None
        self._reading_after = ""  # the position after which a read has been requested and not yet answered

    @property
    def redis(self) -> Redis:
        """The client of the server that holds the shard at present."""
        return self.store.at(self.shard.root)

    async def take_over(self) -> Resume:
        """Become the owner (commits of an earlier one are refused from now on) and return where to resume."""
        self.token = str(await self.redis.incr(self.shard.owner))
        return await self.resume()

    async def resume(self) -> Resume:
        """Return what is stored of a state."""
        saved = cast("dict[bytes, bytes]", await self.redis.hgetall(self.shard.checkpoint))
        written = await self.redis.get(self.shard.position)
        return Resume(
            b"".join(saved.get(b"%d" % i, b"") for i in range(len(saved) - 1)),
            saved.get(b"position", STREAM_START.encode()).decode(),
            STREAM_START if written is None else cast("bytes", written).decode(),
        )

    async def check_ownership(self) -> None:
        """Raise LostOwnership if another detector has taken over since we were the owner."""
        owner = await self.redis.get(self.shard.owner) if self.token else None
        if owner is not None and cast("bytes", owner).decode() != self.token:
            raise self._lost()

    def _lost(self) -> LostOwnership:
        remedy = "Another detector has taken it over; this one stops"
        return LostOwnership(f"shard {self.shard.number}", self.token, remedy)

    async def count_refused(self, refused: dict[tuple[str, str], int]) -> None:
        """Add unused seconds to the counts of refusals. Outside the commit: it is a count, not a finding."""
        async with self.redis.pipeline(transaction=False) as pipe:
            for (bed, why), seconds in refused.items():
                pipe.hincrby(self.shard.refusals, f"{bed} {why}", seconds)
            await pipe.execute()

    async def set_aside(self) -> dict[Place, str]:
        """Return the inputs that are not worked through, and why: those that the stream still holds, others go."""
        noted = cast("dict[bytes, bytes]", await self.redis.hgetall(self.shard.aside))
        oldest = cast("list[Entry]", await self.redis.xrange(self.shard.input, count=1))
        first = entry_key(oldest[0][0].decode()) if oldest else (0, 0)
        reasons, gone = {}, []
        for raw, why in noted.items():
            entry_id, _, number = raw.decode().partition(" ")
            if entry_key(entry_id) < first:
                gone.append(raw)
            else:
                reasons[entry_id, int(number)] = why.decode()
        if gone:
            await self.redis.hdel(self.shard.aside, *gone)
        return reasons

    async def put_aside(self, places: Mapping[Place, str]) -> None:
        """Note inputs that are not worked through, for whoever rebuilds the state. Raises RedisError."""
        await self.set_aside()  # what has gone from the stream is forgotten
        noted = {f"{entry_id} {number}": why for (entry_id, number), why in places.items()}
        await cast("Any", self.redis.hset(self.shard.aside, mapping=cast("Any", noted)))

    async def read(self, after: str) -> list[StreamEntry]:
        """Return the next entries of the input stream that are there already."""
        entries = await read_stream(self.redis, self.shard.input, after, READ_AT_MOST, block_ms=None)
        return [_decoded(entry) for entry in entries]

    async def wait(self, after: str) -> list[StreamEntry]:
        """Return the next entries of the input stream, [] if none come for a while. A commit has requested them."""
        if self._reading_after not in ("", after):
            await self.disconnect()  # the reply on its way belongs to another read
        async with self._connected() as connection:
            if self._reading_after != after:
                await connection.send(xread_command(self.shard.input, after, READ_AT_MOST))
            self._reading_after = ""
            return [_decoded(entry) for entry in entries_in_reply(await connection.read_reply())]

    @asynccontextmanager
    async def _connected(self) -> AsyncIterator[PipelinedConnection]:
        try:
            if self._connection is None:
                self._connection = PipelinedConnection(self.redis)
                await self._connection.send(("SCRIPT", "LOAD", COMMIT.text))
                await self._connection.read_reply()
            yield self._connection
        except BaseException:
            await self.disconnect()
            raise

    async def disconnect(self) -> None:
        """Close the connection if there is one."""
        connection, self._connection, self._reading_after = self._connection, None, ""
        if connection is not None:
            await connection.close()

    async def summaries(self) -> dict[str, Summary]:
        """Return the summaries that are written, by bed."""
        summaries = cast("dict[bytes, bytes]", await self.redis.hgetall(self.shard.summary))
        return {bed.decode(): decode_summary(raw) for bed, raw in summaries.items()}

    async def last_events(self, bed: str, stay: int) -> list[Event]:
        """Return the newest events of log and trend of one stay at a bed."""
        events: list[Event] = []
        for key in (self.shard.log(bed, stay), self.shard.trend(bed, stay)):
            entries = cast("list[Entry]", await self.redis.xrevrange(key, count=200))
            events += [decode_event(fields[b"e"]) for _, fields in entries]
        return events

    async def send(self, message: Asked | TransferAnswer) -> None:
        """Write what another bed is asked, or answered, into the input of its shard. Raises RedisError.

        What a woman's log and trend say goes with her; a bed that she has left adds nothing to them any more.
        """
        if isinstance(message, Transfer):
            log, trend = [
                [decode_event(fields[b"e"]) for _, fields in reversed(cast("list[Entry]", newest))]
                for key in (self.shard.log(message.of, message.stay.id), self.shard.trend(message.of, message.stay.id))
                if (newest := await self.redis.xrevrange(key, count=MOST_TAKEN_ALONG)) is not None
            ]
            message = structs.replace(message, log=log, trend=trend)
        target = self.shard.ward.home_of(message.bed).input
        await self.store.at(target).xadd(target, {"e": encode_inputs([message])})

    async def commit(self, position: str, outputs: Encoded, kept_s: Mapping[tuple[str, int], int] = {}) -> None:
        """Write outputs and position: all of it, or nothing. The next read is requested along with it.

        kept_s: (bed, stay) -> how long its log and trend are kept from now on, in s; 0: for good.
        Raises LostOwnership when another detector has taken over, and RedisError.
        """
        s = self.shard
        streams = [
            s.trend(event.bed, event.stay) if event.kind == TREND_KIND else s.log(event.bed, event.stay)
            for event, _ in outputs.events
        ]
        kept = {
            key: seconds for (bed, stay), seconds in kept_s.items() for key in (s.log(bed, stay), s.trend(bed, stay))
        }
        numbers = {key: 5 + i for i, key in enumerate(dict.fromkeys([*streams, *kept]))}
        keys = [s.owner, s.position, s.summary, s.written, *numbers]
        arguments: list[Any] = [self.token, position, len(outputs.summaries), len(kept)]
        for summary in outputs.summaries:
            arguments += summary
        for key, seconds in kept.items():
            arguments += [numbers[key], seconds]
        for key, (event, raw) in zip(streams, outputs.events, strict=True):
            arguments += [numbers[key], TREND_KEPT if event.kind == TREND_KIND else LOG_KEPT, raw]
        if self._reading_after:  # its reply has not been read
            await self.disconnect()
        async with self._connected() as connection:
            await connection.send(COMMIT.command(keys, arguments), xread_command(s.input, position, READ_AT_MOST))
            self._reading_after = position
            if not await connection.read_reply():
                raise self._lost()

    async def save(self, position: str, state: bytes) -> None:
        """Write a checkpoint piece by piece, between commits; once complete it replaces the previous one.

        state: as it was at position, up to which outputs are written. Raises LostOwnership, RedisError.
        """
        token = self.token  # the present one: a take-over meanwhile, even by this detector, makes it invalid
        key, pieces = self.shard.saving(token), memoryview(state)
        await self.redis.delete(key)
        for i, first in enumerate(range(0, len(pieces), PIECE_BYTES)):
            await cast("Any", self.redis.hset(key, str(i), pieces[first : first + PIECE_BYTES]))
            if i == 0:
                await self.redis.expire(key, UNFINISHED_KEPT_S)
            await asyncio.sleep(BETWEEN_PIECES_S)
        if not await SAVE.run(self.redis, [self.shard.owner, key, self.shard.checkpoint], [token, position]):
            raise self._lost()


def _decoded(entry: Entry) -> StreamEntry:
    return entry[0].decode(), inputs_of(entry[1])


def entry_key(entry_id: str) -> tuple[int, int]:
    """Return the id of a stream's entry as two numbers that sort as the entries do: ms, number."""
    ms, _, number = entry_id.partition("-")
    return int(ms), int(number)
