"""Workers of one kind divide numbered leases (shards, subscriber slots) among themselves and take over a dead one's.

Every worker renews its claim again and again, in one atomic script by the store's clock: it reports itself alive, gives
up what exceeds its fair share, and takes what nobody holds. A lease is no licence to write: a worker that was suspended
may not know yet that it was declared dead. What it must not do then is refused elsewhere (by a shard's fencing token,
by an MQTT session that another worker has taken over).

Claims are made by a thread of their own, with a connection of its own: a step that takes long, or a machine that is
busy, must not cost a worker what it holds. But a worker whose loop has stood still for too long holds nothing: its
claims end, others take over, and at last its process ends itself, see `process.run`.
"""

import asyncio
import contextlib
import logging
import threading
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from functools import partial
from typing import Any, cast

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import Unreachable
from quietward.contracts.jitter import equal_jitter
from quietward.runtime import metrics
from quietward.runtime.liveness import is_gone, new_worker_name
from quietward.runtime.process import TURN_S, RecancellingTaskGroup, Turns
from quietward.store.client import RedisError, Script, Store, connected

log = logging.getLogger("quietward")

HUNG_AFTER_S = 10.0
"""A loop that has made no turn for so long claims nothing any more."""

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
  if tonumber(seen[i + 1]) > now then redis.call('HSET', KEYS[1], seen[i], now) end -- the clock was set back
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
    for n in range(group.count):  # those that nobody holds are counted, too
        metrics.HOLDS.labels(group.kind, n).set(0)
    async with RecancellingTaskGroup() as tasks:
        runner = _Runner(group, task, tasks)
        claims = _Claims(store, ward, group, runner)
        try:
            await claims.follow()
        finally:
            await claims.leave(store)


class _Runner:
    """Runs the tasks of the leases that are held, in the loop of the process."""

    def __init__(
        self,
        group: LeaseGroup,
        task: Callable[[int], Coroutine[Any, Any, None]],
        tasks: RecancellingTaskGroup,
    ) -> None:
        self.group, self.task, self.tasks = group, task, tasks
        self.running: dict[int, asyncio.Task[None]] = {}

    def run_only(self, held: set[int]) -> None:
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


class _Claims:
    """Claims leases in a thread of its own, as long as the loop of the process makes its turns."""

    def __init__(self, store: Store, ward: Ward, group: LeaseGroup, runner: _Runner) -> None:
        self.urls, self.tls, self.group, self.runner = store.urls, store.tls, group, runner
        self.keys = [ward.workers(group.kind), ward.holders(group.kind)]
        self.name = new_worker_name()
        self.loop = asyncio.get_running_loop()
        self.turns = Turns()
        self._end: Callable[[], object] = lambda: None
        self._is_ended = False
        self.thread = threading.Thread(target=self._claim_in_thread, daemon=True, name=f"leases of {group.kind}")

    async def follow(self) -> None:
        """Have leases claimed, and show that this loop makes its turns, until cancelled."""
        self.thread.start()
        while self.thread.is_alive():
            self.turns.note()
            await asyncio.sleep(TURN_S)
        raise RuntimeError("the thread that claims leases has ended")

    def _claim_in_thread(self) -> None:
        try:
            asyncio.run(self._claim_until_ended())
        except Exception:
            log.exception("claiming of %s failed", self.group.kind)

    async def _claim_until_ended(self) -> None:
        loop, ended = asyncio.get_running_loop(), asyncio.Event()
        self._end = partial(loop.call_soon_threadsafe, ended.set)
        claimed_at, store_was_away = time.monotonic(), False
        dead: list[str] | None = None
        while not self._is_ended:
            try:
                async with connected(self.urls, self.tls) as store:
                    while not self._is_ended:
                        if self._is_turning():
                            dead = await self._dead_on_this_host(store) if dead is None else dead
                            held = await self._claim(store, dead, patient=store_was_away)
                            claimed_at, store_was_away, dead = time.monotonic(), False, []
                            self._run_only(set(held))
                        await self._pause(ended)
            except (RedisError, Unreachable) as error:
                log.warning("%s cannot claim its share: %s", self.group.kind, error)
                store_was_away = True
                if time.monotonic() - claimed_at > self.group.dead_after_s:
                    self._run_only(set())  # by now others may hold our leases
                await self._pause(ended)

    async def _pause(self, ended: asyncio.Event) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(equal_jitter(self.group.claim_every_s)):
                await ended.wait()

    def _is_turning(self) -> bool:
        """Return whether the loop of the process makes its turns."""
        still_s = self.turns.look(self.group.claim_every_s)
        if still_s > HUNG_AFTER_S:
            log.error("%s has stood still for %.0f s, and claims nothing", self.group.kind, still_s)
        return still_s <= HUNG_AFTER_S

    def _run_only(self, held: set[int]) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended
            self.loop.call_soon_threadsafe(self.runner.run_only, held)

    async def _dead_on_this_host(self, store: Store) -> list[str]:
        """Return workers of this host whose process has ended: a restarted one need not wait for its old lease."""
        names = cast("list[bytes]", await store.at(self.keys[0]).hkeys(self.keys[0]))
        return [name for name in (raw.decode() for raw in names) if is_gone(name)]

    async def _claim(self, store: Store, dead: list[str], *, patient: bool) -> list[int]:
        arguments = [self.name, self.group.count, round(self.group.dead_after_s * 1000), int(patient), *dead]
        return [int(n) for n in await CLAIM.run(store.at(self.keys[0]), self.keys, arguments)]

    async def leave(self, store: Store) -> None:
        """Claim no more, and give up all leases, so that others need not wait until we are declared dead."""
        self._is_ended = True
        self._end()
        end = time.monotonic() + self.group.claim_every_s * 2
        while self.thread.is_alive() and time.monotonic() < end:  # a claim after we have left would hold them again
            await asyncio.sleep(0.01)
        with contextlib.suppress(RedisError, TimeoutError):
            async with asyncio.timeout(self.group.claim_every_s):
                await LEAVE.run(store.at(self.keys[0]), self.keys, [self.name, self.group.count])
