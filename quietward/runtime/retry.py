"""Trying again: delays that grow, with jitter, so that many who lost one server do not all come back at once."""

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable

from quietward.contracts.jitter import equal_jitter
from quietward.runtime import metrics
from quietward.store.client import RedisError

log = logging.getLogger("quietward")

FIRST_DELAY_S, LONGEST_DELAY_S = 0.2, 5.0
STORE_DELAY_S = 1.0
"""No longer than this between tries to write what is in hand: services that wait for one store go on together."""


class Backoff:
    """Delays between tries, each between half of a limit and all of it; the limit doubles up to `longest_s`."""

    def __init__(self, longest_s: float = LONGEST_DELAY_S, source: random.Random | None = None) -> None:
        self.limit_s, self.longest_s, self._random = FIRST_DELAY_S, longest_s, source

    def worked(self) -> None:
        """Begin again with the shortest delay."""
        self.limit_s = FIRST_DELAY_S

    def next_delay_s(self) -> float:
        """Return how long to wait now, and double the limit for the next time."""
        delay_s = equal_jitter(self.limit_s, self._random)
        self.limit_s = min(self.longest_s, self.limit_s * 2)
        return delay_s

    async def wait(self, why: object) -> None:
        """Say why, and wait."""
        delay_s = self.next_delay_s()
        metrics.WAITS.inc()
        log.warning("%s; next try in %.1f s", why, delay_s)
        await asyncio.sleep(delay_s)


async def at_once_again(step: Callable[[], Awaitable[None]]) -> None:
    """Take a step, and once more when it fails: a connection that broke with an earlier server says so at its next use.

    Raises RedisError.
    """
    try:
        await step()
    except RedisError:
        await step()


async def until_stored(write: Callable[[], Awaitable[None]]) -> None:
    """Call `write` until the store accepts it."""
    backoff = Backoff(STORE_DELAY_S)
    while True:
        try:
            return await write()
        except RedisError as error:
            await backoff.wait(f"store: {error}")
