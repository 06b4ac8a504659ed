"""Everything a shard's detector reads from and writes to Redis; the one atomic commit."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any, cast

from quietward.contracts.addresses import TREND_KEPT, Shard
from quietward.contracts.errors import LostOwnership
from quietward.contracts.messages import Event, Input, Summary, decode_event, decode_inputs, decode_summary, encode_json
from quietward.store.client import Entry, Line, Redis, Script, Store, entries_of, read_stream, stream_after

COMMIT = Script("""
-- keys: owner, position, summary, channel of commits, then logs and trends of beds
-- arguments: token, position, number of summaries, {bed, summary}, {number of a key, limit, event}
if redis.call('GET', KEYS[1]) ~= ARGV[1] then return 0 end
local n = tonumber(ARGV[3])
for i = 4, 3 + 2 * n, 2 do redis.call('HSET', KEYS[3], ARGV[i], ARGV[i + 1]) end
for i = 4 + 2 * n, #ARGV, 3 do
  local key = KEYS[tonumber(ARGV[i])]
  if ARGV[i + 1] == '0' then redis.call('XADD', key, '*', 'e', ARGV[i + 2])
  else redis.call('XADD', key, 'MAXLEN', '~', ARGV[i + 1], '*', 'e', ARGV[i + 2]) end
end
redis.call('SET', KEYS[2], ARGV[2])
local now = redis.call('TIME')
redis.call('SPUBLISH', KEYS[4], ARGV[2] .. ' ' .. now[1] .. string.format('%06d', now[2]))
return 1
""")
SAVE = Script("""
-- keys: owner, the checkpoint that is whole now, the one it replaces; arguments: token, position
if redis.call('GET', KEYS[1]) ~= ARGV[1] then return 0 end
redis.call('HSET', KEYS[2], 'position', ARGV[2])
redis.call('PERSIST', KEYS[2])
redis.call('RENAME', KEYS[2], KEYS[3])
return 1
""")
FIRST = "0-0"
PIECE = 256 * 1024
"""Bytes of a checkpoint that are written at once: so long the store, and whoever waits for it, has no time for more."""
BETWEEN_PIECES_S = 0.01
UNFINISHED_KEPT_S = 600
AT_MOST = 500
"""Entries of one read; an entry holds what ingest drained in one go."""


@dataclass(frozen=True)
class Resume:
    """Where a detector goes on: state as it was at `saved` (empty: none), outputs written up to `written`."""

    state: bytes
    saved: str
    written: str


class ShardStore:
    """One shard, owned by whoever took it over last."""

    def __init__(self, store: Store, shard: Shard) -> None:
        self.store, self.shard = store, shard
        self.token = ""
        self._line: Line | None = None
        self._ahead = ""  # the position after which a read is under way

    @property
    def redis(self) -> Redis:
        """The client of the server that holds the shard at present."""
        return self.store.at(self.shard.root)

    async def take_over(self) -> Resume:
        """Become the owner (an earlier one's commits are refused from now on) and return where to go on."""
        self.token = str(await self.redis.incr(self.shard.owner))
        saved = cast("dict[bytes, bytes]", await self.redis.hgetall(self.shard.checkpoint))
        written = await self.redis.get(self.shard.position)
        return Resume(
            b"".join(saved.get(b"%d" % i, b"") for i in range(len(saved) - 1)),
            saved.get(b"position", FIRST.encode()).decode(),
            FIRST if written is None else cast("bytes", written).decode(),
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
        """Add the seconds that came in vain to the counts of refusals. Beside the commit: a count, not a finding."""
        async with self.redis.pipeline(transaction=False) as pipe:
            for (bed, why), seconds in refused.items():
                pipe.hincrby(self.shard.refusals, f"{bed} {why}", seconds)
            await pipe.execute()

    async def read(self, after: str) -> list[tuple[str, list[Input]]]:
        """Return the next entries of the input stream that are there already."""
        entries = await read_stream(self.redis, self.shard.input, after, AT_MOST, block_ms=None)
        return [_decoded(entry) for entry in entries]

    async def wait(self, after: str) -> list[tuple[str, list[Input]]]:
        """Return the next entries of the input stream, none if none come for a while. A commit has asked already."""
        if self._ahead not in ("", after):
            await self.hang_up()  # the answer under way is to another question
        async with self._on_line() as line:
            if self._ahead != after:
                await line.send(stream_after(self.shard.input, after, AT_MOST))
            self._ahead = ""
            return [_decoded(entry) for entry in entries_of(await line.answer())]

    @asynccontextmanager
    async def _on_line(self) -> AsyncIterator[Line]:
        try:
            if self._line is None:
                self._line = Line(self.redis)
                await self._line.send(("SCRIPT", "LOAD", COMMIT.text))
                await self._line.answer()
            yield self._line
        except BaseException:
            await self.hang_up()
            raise

    async def hang_up(self) -> None:
        """End the connection that is held."""
        line, self._line, self._ahead = self._line, None, ""
        if line is not None:
            await line.close()

    async def summaries(self) -> dict[str, Summary]:
        """Return the summaries that are written, by bed."""
        found = cast("dict[bytes, bytes]", await self.redis.hgetall(self.shard.summary))
        return {bed.decode(): decode_summary(raw) for bed, raw in found.items()}

    async def last_events(self, bed: str) -> list[Event]:
        """Return a bed's newest events of log and trend."""
        found: list[Event] = []
        for key in (self.shard.log(bed), self.shard.trend(bed)):
            entries = cast("list[Entry]", await self.redis.xrevrange(key, count=200))
            found += [decode_event(fields[b"e"]) for _, fields in entries]
        return found

    async def commit(self, position: str, events: list[Event], summaries: list[Summary]) -> None:
        """Write outputs and position: all of it, or nothing. The next read goes out with it.

        Raises LostOwnership when another detector has taken over, and RedisError.
        """
        s = self.shard
        streams = [s.trend(event.bed) if event.kind == "minute" else s.log(event.bed) for event in events]
        numbers = {key: 5 + i for i, key in enumerate(dict.fromkeys(streams))}
        keys = [s.owner, s.position, s.summary, s.written, *numbers]
        arguments: list[Any] = [self.token, position, len(summaries)]
        for summary in summaries:
            arguments += [summary.bed, encode_json(summary)]
        for key, event in zip(streams, events, strict=True):
            arguments += [numbers[key], TREND_KEPT if event.kind == "minute" else 0, encode_json(event)]
        if self._ahead:  # nobody has read what was asked for
            await self.hang_up()
        async with self._on_line() as line:
            await line.send(COMMIT.command(keys, arguments), stream_after(s.input, position, AT_MOST))
            self._ahead = position
            if not await line.answer():
                raise self._lost()

    async def save(self, position: str, state: bytes) -> None:
        """Write a checkpoint, piece by piece beside the commits; when it is whole it replaces the one before.

        position: of outputs that are written, and the state is as it was there. Raises LostOwnership, RedisError.
        """
        token = self.token  # that of now: whoever takes over meanwhile, be it this detector again, supersedes it
        key, pieces = self.shard.saving(token), memoryview(state)
        await self.redis.delete(key)
        for i, first in enumerate(range(0, len(pieces), PIECE)):
            await cast("Any", self.redis.hset(key, str(i), pieces[first : first + PIECE]))
            if i == 0:
                await self.redis.expire(key, UNFINISHED_KEPT_S)
            await asyncio.sleep(BETWEEN_PIECES_S)
        if not await SAVE.run(self.redis, [self.shard.owner, key, self.shard.checkpoint], [token, position]):
            raise self._lost()


def _decoded(entry: Entry) -> tuple[str, list[Input]]:
    return entry[0].decode(), decode_inputs(entry[1][b"e"])
