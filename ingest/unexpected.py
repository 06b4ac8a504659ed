"""Devices whose names the ward does not expect: they wait in a bounded list until somebody takes them in."""

from collections.abc import Iterable
from itertools import islice
from typing import cast

from quietward.contracts.addresses import Ward
from quietward.runtime.clock import now_ms
from quietward.runtime.retry import until_stored
from quietward.store.client import Script, Store

MOST_WAITING = 50
"""Names that are listed. A new one then takes the place of one that has fallen silent, if there is one."""
SILENT_AFTER_MS, FORGOTTEN_AFTER_MS = 60_000, 24 * 3_600_000
ASKED_EVERY_MS = 1_000
ASKED_AT_ONCE = 100
"""Names that are noted at once: a device that goes on sending comes again."""
NOTE = Script("""
-- keys: hash of names that wait, set of names that were taken in
-- arguments: now, silent before, forgotten before (ms), how many wait at most, names that are heard now
local now, silent, forgotten = ARGV[1], tonumber(ARGV[2]), tonumber(ARGV[3])
local oldest, oldest_at = nil, nil
local held = redis.call('HGETALL', KEYS[1])
for i = 1, #held, 2 do
  local at = tonumber(string.match(held[i + 1], ' (%d+)$'))
  if at < forgotten then redis.call('HDEL', KEYS[1], held[i])
  elseif not oldest_at or at < oldest_at then oldest, oldest_at = held[i], at end
end
for i = 5, #ARGV do
  local name = ARGV[i]
  local before = redis.call('HGET', KEYS[1], name)
  local is_taken_in = redis.call('SISMEMBER', KEYS[2], name) == 1
  if before and not is_taken_in then
    redis.call('HSET', KEYS[1], name, string.match(before, '^(%d+)') .. ' ' .. now)
  elseif not is_taken_in then
    if redis.call('HLEN', KEYS[1]) >= tonumber(ARGV[4]) and oldest and oldest_at < silent then
      redis.call('HDEL', KEYS[1], oldest)
      oldest = nil
    end
    if redis.call('HLEN', KEYS[1]) < tonumber(ARGV[4]) then redis.call('HSET', KEYS[1], name, now .. ' ' .. now) end
  end
end
return redis.call('SMEMBERS', KEYS[2])
""")


class Unexpected:
    """Notes names that the ward does not expect, and learns which of them somebody has taken in."""

    def __init__(self, store: Store, ward: Ward) -> None:
        self.store, self.ward = store, ward
        self.taken_in: set[str] = set()
        self._heard: set[str] = set()
        self._is_read = False
        self._asked_at = -ASKED_EVERY_MS

    async def read(self) -> None:
        """Read once which names were taken in before this process began: none of their seconds may be refused."""
        if not self._is_read:
            await until_stored(self._read)

    async def _read(self) -> None:
        server = self.store.at(self.ward.taken_in)
        self._remember(cast("set[bytes]", await server.smembers(self.ward.taken_in)))
        self._is_read = True

    async def note(self, names: Iterable[str], steady_ms: int) -> None:
        """Note that these devices were heard, once a second with all of that second, and learn all who are taken in.

        steady_ms: of a clock that nobody sets.
        """
        self._heard |= set(islice(names, max(0, ASKED_AT_ONCE - len(self._heard))))
        if not self._heard or steady_ms < self._asked_at + ASKED_EVERY_MS:
            return
        self._asked_at = steady_ms
        heard, self._heard = sorted(self._heard), set()
        now = now_ms()

        async def ask() -> None:
            keys = [self.ward.unexpected, self.ward.taken_in]
            arguments = [now, now - SILENT_AFTER_MS, now - FORGOTTEN_AFTER_MS, MOST_WAITING, *heard]
            self._remember(await NOTE.run(self.store.at(self.ward.unexpected), keys, arguments))

        await until_stored(ask)

    def _remember(self, names: Iterable[bytes]) -> None:
        self.taken_in |= {name.decode() for name in names}
