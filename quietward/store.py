"""Redis (or Valkey): one way to connect, and errors that say what to do."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import cast

import redis.asyncio as aioredis
from redis.asyncio.retry import Retry
from redis.backoff import NoBackoff
from redis.exceptions import AuthenticationError, NoPermissionError, RedisError
from redis.exceptions import ConnectionError as RedisConnectionError
from redis.exceptions import TimeoutError as RedisTimeoutError

from quietward.errors import Unreachable
from quietward.settings import without_password

Redis = aioredis.Redis
Entry = tuple[bytes, dict[bytes, bytes]]
TIMEOUT_S = 10
MOST_CONNECTIONS = 1024
"""Every shard's waiting read holds one."""

BLOCK_MS = 1000
"""How long a read of a stream waits; must stay below the timeout."""

__all__ = ["BLOCK_MS", "Entry", "Redis", "RedisError", "connected", "newest_id", "read_stream"]


@asynccontextmanager
async def connected(url: str) -> AsyncIterator[Redis]:
    """Yield a client whose store answers. Raises Unreachable at once when it does not.

    The client does not try again by itself: a repeated XADD would be a second entry, so callers decide.
    """
    client = aioredis.from_url(
        url,
        retry=Retry(NoBackoff(), 0),
        socket_timeout=TIMEOUT_S,
        socket_connect_timeout=5,
        health_check_interval=0,
        max_connections=MOST_CONNECTIONS,
    )
    try:
        await check(client, url)
        yield client
    finally:
        await client.aclose()


async def check(client: Redis, url: str) -> None:
    """Raise Unreachable, with the remedy, when the store does not answer."""
    shown = without_password(url)
    try:
        await client.ping()
    except (AuthenticationError, NoPermissionError) as error:
        raise Unreachable("store refuses us", shown, "Check user and password in QUIETWARD_STORE") from error
    except (RedisConnectionError, RedisTimeoutError, OSError) as error:
        raise Unreachable("store is not there", shown, f"Start it, or set QUIETWARD_STORE. It said: {error}") from error
    except RedisError as error:
        raise Unreachable("store does not work", shown, f"It said: {error}") from error


async def read_stream(
    client: Redis, key: str, after: str, at_most: int, block_ms: int | None = BLOCK_MS
) -> list[Entry]:
    """Return the entries of a stream after an id; wait up to `block_ms` for the first (None: do not wait)."""
    answer = await client.xread({key: after}, count=at_most, block=block_ms)
    streams = cast("list[tuple[bytes, list[Entry]]]", answer)
    return streams[0][1] if streams else []


async def newest_id(client: Redis, key: str) -> str:
    """Return the id of the newest entry of a stream: what comes after it is new. Raises RedisError."""
    newest = cast("list[Entry]", await client.xrevrange(key, count=1))
    return newest[0][0].decode() if newest else "0-0"
