"""Workers of one kind divide numbered leases (shards, subscriber slots) among themselves and take over a dead one's.

Every worker renews its claim again and again, in one atomic script by the store's clock: it reports itself alive, gives
up what exceeds its fair share, and takes what nobody holds. A lease is no licence to write: a worker that was suspended
may not know yet that it was declared dead. What it must not do then is refused elsewhere (by a shard's fencing token,
by an MQTT session that another worker has taken over).
"""

import asyncio
import contextlib
import logging
import os
import secrets
import socket
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any, cast

import psutil

from quietward.contracts.addresses import Ward
from quietward.contracts.jitter import equal_jitter
from quietward.runtime import metrics
from quietward.runtime.process import RecancellingTaskGroup
from quietward.store.client import RedisError, Script, Store

log = logging.getLogger("quietward")

CLAIM = Script("""
-- keys: hash of workers -> ms of their last claim, hash of lease numbers -> worker
-- arguments: worker, count of leases, ms after which a worker is dead, '1' after an outage of the store (nobody is
-- declared dead then), workers that are known to be dead
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
-- What exceeds the most is given up; and one at a time for a worker that has less than the least.
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
-- keys: as above; arguments: worker, count of leases
redis.call('HDEL', KEYS[1], ARGV[1])
for n = 0, ARGV[2] - 1 do
  if redis.call('HGET', KEYS[2], n) == ARGV[1] then redis.call('HDEL', KEYS[2], n) end
end
""")


@dataclass(frozen=True)
class LeaseGroup:
    """`count` leases of a kind (`detect`, `ingest`), and how long a worker may be silent before it is declared dead."""

    kind: str
    count: int
    dead_after_s: float

    @property
    def claim_every_s(self) -> float:
        """Several claims may fail or be late before a worker is declared dead."""
        return self.dead_after_s / 4


async def run_leased(
    store: Store, ward: Ward, group: LeaseGroup, task: Callable[[int], Coroutine[Any, Any, None]]
) -> None:
    """Run `task(number)` for every lease that this process holds, until cancelled.

    A task that returns is started again with a later claim, if the lease is still ours. If one fails, all end.
    """
    async with RecancellingTaskGroup() as tasks:
        worker = _Worker(store, ward, group, task, tasks)
        try:
            await worker.claim_for_ever()
        finally:
            await worker.leave()


class _Worker:
    def __init__(
        self,
        store: Store,
        ward: Ward,
        group: LeaseGroup,
        task: Callable[[int], Coroutine[Any, Any, None]],
        tasks: RecancellingTaskGroup,
    ) -> None:
        self.store, self.group, self.task, self.tasks = store, group, task, tasks
        self.keys = [ward.workers(group.kind), ward.holders(group.kind)]
        self.name = f"{socket.gethostname()} {os.getpid()} {secrets.token_hex(2)}"
        self.running: dict[int, asyncio.Task[None]] = {}

    async def claim_for_ever(self) -> None:
        loop = asyncio.get_running_loop()
        claimed_at, store_was_away = loop.time(), False
        dead: list[str] | None = None
        while True:
            try:
                dead = await self._dead_on_this_host() if dead is None else dead
                held = await self._claim(dead, patient=store_was_away)
                claimed_at, store_was_away, dead = loop.time(), False, []
                self._run_only(set(held))
            except RedisError as error:
                log.warning("%s cannot claim its share: %s", self.group.kind, error)
                store_was_away = True
                if loop.time() - claimed_at > self.group.dead_after_s:
                    self._run_only(set())  # by now others may hold our leases
            await asyncio.sleep(equal_jitter(self.group.claim_every_s))

    async def _dead_on_this_host(self) -> list[str]:
        """Return workers of this host whose process has ended: a restarted one need not wait for its old lease."""
        names = cast("list[bytes]", await self.store.at(self.keys[0]).hkeys(self.keys[0]))
        return [name for name in (raw.decode() for raw in names) if _is_gone(name)]

    async def _claim(self, dead: list[str], *, patient: bool) -> list[int]:
        arguments = [self.name, self.group.count, round(self.group.dead_after_s * 1000), int(patient), *dead]
        return [int(n) for n in await CLAIM.run(self.store.at(self.keys[0]), self.keys, arguments)]

    def _run_only(self, held: set[int]) -> None:
        """Start the tasks of the leases we hold, and cancel all others."""
        before = set(self.running)
        for n, running in list(self.running.items()):
            if running.done():
                del self.running[n]
                metrics.HOLDS.labels(self.group.kind, n).set(0)
            elif n not in held:
                running.cancel()  # again with every claim: a cancellation can get lost, see RecancellingTaskGroup
        for n in sorted(held - set(self.running)):
            self.running[n] = self.tasks.create_task(self.task(n), name=f"{self.group.kind} {n}")
            metrics.HOLDS.labels(self.group.kind, n).set(1)
            metrics.TAKEN_OVER.labels(self.group.kind).inc()
        if held != before:
            log.info("%s holds %s of %d", self.group.kind, sorted(held), self.group.count)

    async def leave(self) -> None:
        """Give up all leases, so that others need not wait until we are declared dead."""
        with contextlib.suppress(RedisError, TimeoutError):
            async with asyncio.timeout(self.group.claim_every_s):
                await LEAVE.run(self.store.at(self.keys[0]), self.keys, [self.name, self.group.count])


def _is_gone(worker: str) -> bool:
    """Return True if a worker was a process of this host that has ended, or whose recycled pid is ours now."""
    host, pid, _ = worker.rsplit(" ", 2)
    if host != socket.gethostname():
        return False
    return int(pid) == os.getpid() or not psutil.pid_exists(int(pid))
