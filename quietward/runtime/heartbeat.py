"""Heartbeats of services, in the store: written by whoever runs, read by health checks."""

import asyncio
import logging
from collections.abc import Callable

from quietward.contracts.addresses import Ward
from quietward.contracts.settings import Settings
from quietward.runtime import metrics
from quietward.runtime.clock import now_ms
from quietward.store.client import RedisError, Store, connected

log = logging.getLogger("quietward")

HEARTBEAT_S = 1.0


async def heartbeat(store: Store, key: str, part: str, is_well: Callable[[], bool] = lambda: True) -> None:
    """Write a service's heartbeat once a second while it is well, until cancelled."""
    while True:
        try:
            if is_well():
                await store.at(key).hset(key, part, str(now_ms()))
                metrics.HEARTBEATS.labels(part).inc()
        except RedisError as error:
            log.warning("heartbeat of %s: %s", part, error)
        await asyncio.sleep(HEARTBEAT_S)


async def heartbeat_age_s(settings: Settings, part: str) -> float | None:
    """Return the age of a service's last heartbeat, None if there is none. Raises Unreachable."""
    async with connected(settings.store) as store:
        key = Ward(settings.ward).heartbeats
        at = await store.at(key).hget(key, part)
        return None if at is None else (now_ms() - int(at)) / 1000
