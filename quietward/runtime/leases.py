"""Workers of one kind share numbered things (shards, seats) among themselves, and take over what a dead one held.

Every worker claims again and again, in one atomic script by the store's clock: it is alive, it gives up what is more
than its fair share, it takes what nobody holds. Holding a number is no licence to write: a worker that stood still may
not know yet that it was taken for dead. What it must not do then is refused elsewhere (a shard's fencing token, an MQTT
session that another one has taken over).
"""

import asyncio
import contextlib
import logging
import os
import secrets
import socket
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import cast

import psutil

from quietward.contracts.addresses import Ward
from quietward.contracts.jitter import equal_jitter
from quietward.runtime import metrics
from quietward.runtime.process import RecancellingTaskGroup
from quietward.store.client import RedisError, Script, Store

log = logging.getLogger("quietward")

CLAIM = Script("""
-- keys: hash of workers -> ms of their last claim, hash of numbers -> worker
-- arguments: worker, how many numbers there are, ms after which a worker is dead, '1' when the store was away, workers
-- that are known to be dead
local time = redis.call('TIME')
local now = time[1] * 1000 + math.floor(time[2] / 1000)
local me, count, dead_after, patient = ARGV[1], tonumber(ARGV[2]), tonumber(ARGV[3]), ARGV[4] == '1'
redis.call('HSET', KEYS[1], me, now)
for i = 5, #ARGV do redis.call('HDEL', KEYS[1], ARGV[i]) end
local held, live = {}, 0
local seen = redis.call('HGETALL', KEYS[1])
for i = 1, #seen, 2 do
  local is_dead = now - seen[i + 1] > dead_after
  if is_dead and patient then redis.call('HSET', KEYS[1], seen[i], now) end
  if is_dead and not patient then redis.call('HDEL', KEYS[1], seen[i])
  else held[seen[i]] = 0; live = live + 1 end
end
local mine, free = {}, {}
for n = 0, count - 1 do
  local holder = redis.call('HGET', KEYS[2], n)
  if holder and held[holder] then held[holder] = held[holder] + 1 else table.insert(free, n) end
  if holder == me then table.insert(mine, n) end
end
local least, most, another_is_short = math.floor(count / live), math.ceil(count / live), false
for worker, numbers in pairs(held) do
  if worker ~= me and numbers < least then another_is_short = true end
end
-- All above the most goes back, and one at a time for a worker that has less than the least.
local keep = math.min(#mine, most)
if keep == #mine and keep > least and another_is_short and #free == 0 then keep = keep - 1 end
while #mine > keep do redis.call('HDEL', KEYS[2], table.remove(mine)) end
local may_hold = another_is_short and least or most
for _, n in ipairs(free) do
  if #mine < may_hold then redis.call('HSET', KEYS[2], n, me); table.insert(mine, n) end
end
return mine
""")

LEAVE = Script("""
-- keys: as above; arguments: worker, how many numbers there are
redis.call('HDEL', KEYS[1], ARGV[1])
for n = 0, ARGV[2] - 1 do
  if redis.call('HGET', KEYS[2], n) == ARGV[1] then redis.call('HDEL', KEYS[2], n) end
end
""")


@dataclass(frozen=True)
class Share:
    """What is shared: `count` numbered things of a kind (`detect`, `ingest`), and how soon a silent worker is dead."""

    kind: str
    count: int
    dead_after_s: float

    @property
    def claims_every_s(self) -> float:
        """Several claims may fail or be late before a worker is taken for dead."""
        return self.dead_after_s / 4


async def work(store: Store, ward: Ward, share: Share, one: Callable[[int], Awaitable[None]]) -> None:
    """Run `one(number)` for every number that is ours, until cancelled.

    When it ends by itself it is started again with a later claim, if the number is still ours. When it fails, all ends.
    """
    async with RecancellingTaskGroup() as tasks:
        worker = _Worker(store, ward, share, one, tasks)
        try:
            await worker.claim_for_ever()
        finally:
            await worker.leave()


class _Worker:
    def __init__(
        self,
        store: Store,
        ward: Ward,
        share: Share,
        one: Callable[[int], Awaitable[None]],
        tasks: RecancellingTaskGroup,
    ) -> None:
        self.store, self.share, self.one, self.tasks = store, share, one, tasks
        self.keys = [ward.workers(share.kind), ward.held(share.kind)]
        self.name = f"{socket.gethostname()} {os.getpid()} {secrets.token_hex(2)}"
        self.running: dict[int, asyncio.Task[None]] = {}

    async def claim_for_ever(self) -> None:
        loop = asyncio.get_running_loop()
        claimed_at, store_was_away = loop.time(), False
        dead: list[str] | None = None
        while True:
            try:
                dead = await self._died_here() if dead is None else dead
                mine = await self._claim(dead, patient=store_was_away)
                claimed_at, store_was_away, dead = loop.time(), False, []
                self._run(set(mine))
            except RedisError as error:
                log.warning("%s cannot claim its share: %s", self.share.kind, error)
                store_was_away = True
                if loop.time() - claimed_at > self.share.dead_after_s:
                    self._run(set())  # by now others may hold what was ours
            await asyncio.sleep(equal_jitter(self.share.claims_every_s))

    async def _died_here(self) -> list[str]:
        """Return workers of this host whose process is gone: who is started again need not wait for its own lease."""
        names = cast("list[bytes]", await self.store.at(self.keys[0]).hkeys(self.keys[0]))
        return [name for name in (raw.decode() for raw in names) if _is_gone(name)]

    async def _claim(self, dead: list[str], *, patient: bool) -> list[int]:
        arguments = [self.name, self.share.count, round(self.share.dead_after_s * 1000), int(patient), *dead]
        return [int(n) for n in await CLAIM.run(self.store.at(self.keys[0]), self.keys, arguments)]

    def _run(self, mine: set[int]) -> None:
        """Run what is ours and nothing else."""
        before = set(self.running)
        for n, task in list(self.running.items()):
            if task.done():
                del self.running[n]
                metrics.HOLDS.labels(self.share.kind, n).set(0)
            elif n not in mine:
                task.cancel()  # with every claim again: a cancellation can get lost, see RecancellingTaskGroup
        for n in sorted(mine - set(self.running)):
            self.running[n] = self.tasks.create_task(self.one(n), name=f"{self.share.kind} {n}")
            metrics.HOLDS.labels(self.share.kind, n).set(1)
            metrics.TAKEN_OVER.labels(self.share.kind).inc()
        if mine != before:
            log.info("%s holds %s of %d", self.share.kind, sorted(mine), self.share.count)

    async def leave(self) -> None:
        """Say goodbye, so that others need not wait until we are taken for dead."""
        with contextlib.suppress(RedisError, TimeoutError):
            async with asyncio.timeout(self.share.claims_every_s):
                await LEAVE.run(self.store.at(self.keys[0]), self.keys, [self.name, self.share.count])


def _is_gone(worker: str) -> bool:
    """Return True if a worker was a process of this host that has ended (or had our own number: it was not we)."""
    host, pid, _ = worker.rsplit(" ", 2)
    if host != socket.gethostname():
        return False
    return int(pid) == os.getpid() or not psutil.pid_exists(int(pid))
