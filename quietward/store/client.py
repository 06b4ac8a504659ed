"""Redis (or Valkey), one server or a Redis Cluster: one way to connect, and errors that say what to do."""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Awaitable, Sequence
from contextlib import asynccontextmanager
from hashlib import sha1
from typing import Any, Self, cast

import redis.asyncio as aioredis
from redis.asyncio.retry import Retry
from redis.backoff import NoBackoff
from redis.crc import REDIS_CLUSTER_HASH_SLOTS, key_slot
from redis.exceptions import AuthenticationError, NoPermissionError, NoScriptError, RedisError, ResponseError
from redis.exceptions import ConnectionError as RedisConnectionError
from redis.exceptions import TimeoutError as RedisTimeoutError

from quietward.contracts.errors import Refused, Unreachable
from quietward.contracts.jitter import equal_jitter
from quietward.contracts.settings import split_urls, without_password
from quietward.contracts.tls import SYSTEM, Tls, trouble

log = logging.getLogger("quietward.store")

Redis = aioredis.Redis
Pipeline = aioredis.client.Pipeline
Entry = tuple[bytes, dict[bytes, bytes]]
TIMEOUT_S = 10
MOST_CONNECTIONS = 1024
"""Every shard holds one for its blocking read."""

BLOCK_MS = 1000
"""How long a read of a stream blocks; must stay below the timeout."""

TOPOLOGY_EVERY_S = 1.0
"""Longest time between two queries of which server of a cluster holds which keys."""

__all__ = [
    "BLOCK_MS",
    "Entry",
    "NoPermissionError",
    "Pipeline",
    "PipelinedConnection",
    "PipelinedConnections",
    "Redis",
    "RedisError",
    "Script",
    "Store",
    "connected",
    "newest_id",
    "read_stream",
]


class Store(Redis):
    """The server at the URL; in a Redis Cluster it also knows the servers that hold the other keys.

    Every command goes to `at(key)`. That is a plain client: it never retries by itself (a repeated XADD would be a
    second entry), and one pipeline uses one connection, as WAIT requires. urls, tls: what it was connected by.
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.urls, self.tls = "", SYSTEM
        self._by_slot: list[Redis] | None = None
        self._servers: dict[tuple[str, int], Redis] = {}
        self._replicas: dict[Redis, int] = {}

    def at(self, key: str) -> Redis:
        """Return the client of the server that holds a key."""
        return self if self._by_slot is None else self._by_slot[key_slot(key.encode())]

    def min_replicas(self, server: Redis, wanted: int) -> int:
        """Return how many replicas a write can wait for: in a cluster no more than the server has alive.

        Waiting for more would stop all writes once the first master is lost.
        """
        return wanted if self._by_slot is None else min(wanted, self._replicas.get(server, 0))

    async def learn_topology(self) -> None:
        """Ask which server holds which keys, until one server answers. Raises RedisError when none does."""
        failed: RedisError | None = None
        for client in (self, *self._servers.values()):
            try:
                slots = await cast("Any", client).execute_command("CLUSTER", "SLOTS")
            except RedisError as error:
                failed = error
                continue
            holders: list[Redis] = [self] * REDIS_CLUSTER_HASH_SLOTS
            for first, last, master, *replicas in slots:
                host = (master[0] or b"").decode() or str(self.connection_pool.connection_kwargs["host"])
                server = self._server(host, int(master[1]))
                holders[first : last + 1] = [server] * (last + 1 - first)
                self._replicas[server] = len(replicas)
            self._by_slot = holders
            return
        if failed is not None:
            raise failed

    def _server(self, host: str, port: int) -> Redis:
        if (host, port) not in self._servers:
            like = self.connection_pool
            options = dict(like.connection_kwargs) | {"host": host, "port": port}
            pool = aioredis.ConnectionPool(like.connection_class, max_connections=MOST_CONNECTIONS, **options)
            self._servers[host, port] = Redis(connection_pool=pool)
        return self._servers[host, port]

    async def close_all(self) -> None:
        """Close all connections."""
        for server in self._servers.values():
            await server.aclose()
        await self.aclose()


@asynccontextmanager
async def connected(urls: str, tls: Tls = SYSTEM) -> AsyncIterator[Store]:
    """Yield a client whose store answers. Raises Unreachable at once when it does not.

    urls: of one server, or of several of a cluster, separated by commas: the first that answers names the others.
    tls: whom to trust at rediss:// URLs.
    """
    store = await _first_that_answers(split_urls(urls), tls)
    following: asyncio.Task[None] | None = None
    try:
        if await _is_cluster(store):
            await store.learn_topology()
            following = asyncio.create_task(_follow_topology(store), name="servers of the cluster")
        yield store
    finally:
        if following is not None:
            following.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await following
        await store.close_all()


class _TlsConnection(aioredis.SSLConnection):
    """A connection that believes whom `tls` does; the library would believe the system's CAs beside an own one."""

    def __init__(self, tls: Tls, **options: Any) -> None:
        super().__init__(**options)
        self.ssl_context.context = tls.context()


def _client(url: str, tls: Tls) -> Store:
    """Return a client for a URL that does not connect yet."""
    scheme, _, rest = url.partition("://")
    more: dict[str, Any] = {"connection_class": _TlsConnection, "tls": tls} if scheme == "rediss" else {}
    client: object = Store.from_url(
        f"redis://{rest}",
        retry=Retry(NoBackoff(), 0),
        socket_timeout=TIMEOUT_S,
        socket_connect_timeout=5,
        health_check_interval=0,
        max_connections=MOST_CONNECTIONS,
        driver_info=None,  # two commands for every connection, which say nothing that anybody asks
        **more,
    )
    return cast("Store", client)


async def _first_that_answers(urls: Sequence[str], tls: Tls) -> Store:
    for i, url in enumerate(urls):
        store = _client(url, tls)
        try:
            await check(store, url, tls)
        except BaseException as error:
            await store.close_all()
            if isinstance(error, Unreachable) and i + 1 < len(urls):
                continue
            raise
        store.urls, store.tls = ",".join(urls), tls
        return store
    raise AssertionError("there is always one URL")


async def _is_cluster(store: Store) -> bool:
    try:
        info = await store.info("cluster")
    except RedisError as error:  # it has ended in between
        raise Unreachable("store does not work", "its kind", f"It said: {error}") from error
    return bool(info.get("cluster_enabled"))


async def _follow_topology(store: Store) -> None:
    while True:
        await asyncio.sleep(equal_jitter(TOPOLOGY_EVERY_S))
        try:
            await store.learn_topology()
        except RedisError as error:
            log.warning("no server of the cluster answers: %s", error)


async def check(client: Redis, url: str, tls: Tls) -> None:
    """Raise Unreachable, with the remedy, when the store does not answer."""
    shown = without_password(url)
    try:
        await client.ping()
    except (AuthenticationError, NoPermissionError) as error:
        raise Refused("store refuses us", shown, "Check user and password in QUIETWARD_STORE") from error
    except (RedisConnectionError, RedisTimeoutError, OSError) as error:
        if url.startswith("rediss:") and (cause := trouble(error, tls, "redis")):
            raise Unreachable(f"store {cause[0]}", shown, cause[1]) from error
        hint = "redis:// if it does not speak TLS" if url.startswith("rediss:") else "rediss:// if it wants TLS"
        remedy = f"Start it, or set QUIETWARD_STORE ({hint}). It said: {error}"
        raise Unreachable("store is not there", shown, remedy) from error
    except RedisError as error:
        raise Unreachable("store does not work", shown, f"It said: {error}") from error


class Script:
    """A Lua script, loaded into a server the first time it is run there."""

    def __init__(self, text: str) -> None:
        self.text, self.digest = text, sha1(text.encode(), usedforsecurity=False).hexdigest()

    def command(self, keys: Sequence[str], arguments: Sequence[Any]) -> Sequence[Any]:
        """Return the command that runs it on a server where it is loaded."""
        return "EVALSHA", self.digest, len(keys), *keys, *arguments

    async def run(self, client: Redis, keys: Sequence[str], arguments: Sequence[Any]) -> Any:
        """Run it and return its result. Raises RedisError."""
        try:
            return await client.evalsha(self.digest, len(keys), *keys, *arguments)
        except NoScriptError:
            return await client.eval(self.text, len(keys), *keys, *arguments)


class PipelinedConnection:
    """A connection on which commands are sent together, and their replies are read one by one, in order.

    A client sends a command and waits for its reply before the next one, at twice the cost. Close the connection after
    any error: replies still on their way would be taken for those of later commands.
    """

    def __init__(self, client: Redis) -> None:
        pool: Any = client.connection_pool
        # The library's own timeout makes a task of every write; `_in_time` does not.
        self._connection = pool.connection_class(**pool.connection_kwargs | {"socket_timeout": None})

    async def send(self, *commands: Sequence[Any]) -> None:
        """Send commands. Raises RedisError."""
        packed = self._connection.pack_commands(commands)
        await self._in_time(self._connection.send_packed_command(packed, check_health=False))

    async def read_reply(self) -> Any:
        """Return the next reply. Raises RedisError, also where the reply is an error."""
        return await self._in_time(self._connection.read_response())

    async def _in_time(self, step: Awaitable[Any]) -> Any:
        try:
            async with asyncio.timeout(TIMEOUT_S):
                return await step
        except TimeoutError as error:
            raise RedisTimeoutError(f"the store has not answered within {TIMEOUT_S} s") from error

    async def close(self) -> None:
        """End the connection."""
        await self._connection.disconnect(nowait=True)


class PipelinedConnections:
    """One connection to each server that one task writes to. Use as `async with`."""

    def __init__(self) -> None:
        self._by_server: dict[Redis, PipelinedConnection] = {}

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        for connection in self._by_server.values():
            await connection.close()
        self._by_server.clear()

    def to(self, server: Redis) -> PipelinedConnection | None:
        """Return the connection to a server that stands at present."""
        return self._by_server.get(server)

    async def execute(self, server: Redis, *commands: Sequence[Any]) -> list[Any]:
        """Send commands together and return their replies; a command that is refused has its error for a reply.

        Raises RedisError when the connection fails.
        """
        connection = self._by_server.get(server)
        if connection is None:
            connection = self._by_server[server] = PipelinedConnection(server)
        try:
            await connection.send(*commands)
            replies = [await _reply_or_error(connection) for _ in commands]
        except BaseException:
            await self._close(server)
            raise
        if any(isinstance(reply, ResponseError) for reply in replies):
            await self._close(server)  # a server that may no longer be written to: look anew who it is
        return replies

    async def _close(self, server: Redis) -> None:
        await self._by_server.pop(server).close()


async def _reply_or_error(connection: PipelinedConnection) -> Any:
    try:
        return await connection.read_reply()
    except ResponseError as error:
        return error


def xread_command(key: str, after: str, at_most: int) -> Sequence[Any]:
    """Return the command that reads a stream after an id, and blocks for up to BLOCK_MS until the first entry."""
    return "XREAD", "COUNT", at_most, "BLOCK", BLOCK_MS, "STREAMS", key, after


def entries_in_reply(reply: Any) -> list[Entry]:
    """Return the entries in the reply to `xread_command`."""
    if not reply:
        return []
    entries = next(iter(reply.values())) if isinstance(reply, dict) else reply[0][1]  # RESP 3, RESP 2
    return [(entry_id, dict(zip(fields[::2], fields[1::2], strict=True))) for entry_id, fields in entries]


async def read_stream(
    client: Redis, key: str, after: str, at_most: int, block_ms: int | None = BLOCK_MS
) -> list[Entry]:
    """Return the entries of a stream after an id; block up to `block_ms` for the first (None: do not block)."""
    reply = await client.xread({key: after}, count=at_most, block=block_ms)
    streams = cast("list[tuple[bytes, list[Entry]]]", reply)
    return streams[0][1] if streams else []


async def newest_id(client: Redis, key: str) -> str:
    """Return the id of the newest entry of a stream, 0-0 if it is empty. Raises RedisError."""
    newest = cast("list[Entry]", await client.xrevrange(key, count=1))
    return newest[0][0].decode() if newest else "0-0"
