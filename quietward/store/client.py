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
from redis.exceptions import AuthenticationError, NoPermissionError, NoScriptError, RedisError
from redis.exceptions import ConnectionError as RedisConnectionError
from redis.exceptions import TimeoutError as RedisTimeoutError

from quietward.contracts.errors import Unreachable
from quietward.contracts.jitter import equal_jitter
from quietward.contracts.settings import without_password

log = logging.getLogger("quietward.store")

Redis = aioredis.Redis
Entry = tuple[bytes, dict[bytes, bytes]]
TIMEOUT_S = 10
MOST_CONNECTIONS = 1024
"""Every shard's waiting read holds one."""

BLOCK_MS = 1000
"""How long a read of a stream waits; must stay below the timeout."""

LOOKS_AROUND_S = 1.0
"""How often it is asked which server of a cluster holds what."""

__all__ = [
    "BLOCK_MS",
    "Entry",
    "Line",
    "Lines",
    "Redis",
    "RedisError",
    "Script",
    "Store",
    "connected",
    "newest_id",
    "read_stream",
]


class Store(Redis):
    """The server that was named; in a Redis Cluster it knows the servers that hold the other keys, too.

    Everything that goes to a key goes to `at(key)`. That is a plain client: nothing is tried again behind our back (a
    repeated XADD would be a second entry), and what goes through one pipeline goes over one connection, as WAIT needs.
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self._by_slot: list[Redis] | None = None
        self._servers: dict[tuple[str, int], Redis] = {}
        self._replicas: dict[Redis, int] = {}

    def at(self, key: str) -> Redis:
        """Return the client of the server that holds a key."""
        return self if self._by_slot is None else self._by_slot[key_slot(key.encode())]

    def copies(self, server: Redis, wanted: int) -> int:
        """Return how many copies can be asked of a server: in a cluster no more than it has replicas that are alive.

        Whoever asked for more would stand still after the first master that is lost.
        """
        return wanted if self._by_slot is None else min(wanted, self._replicas.get(server, 0))

    async def look_around(self) -> None:
        """Learn which server holds what, from any that answers. Raises RedisError when none does."""
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
            options = dict(self.connection_pool.connection_kwargs) | {"host": host, "port": port}
            pool = aioredis.ConnectionPool(max_connections=MOST_CONNECTIONS, **options)
            self._servers[host, port] = Redis(connection_pool=pool)
        return self._servers[host, port]

    async def end(self) -> None:
        """Close all connections."""
        for server in self._servers.values():
            await server.aclose()
        await self.aclose()


@asynccontextmanager
async def connected(urls: str) -> AsyncIterator[Store]:
    """Yield a client whose store answers. Raises Unreachable at once when it does not.

    urls: of one server; of a cluster better several, by commas: the first that answers tells of the others.
    """
    store = await _first_that_answers(urls.split(","))
    looking: asyncio.Task[None] | None = None
    try:
        if await _is_cluster(store):
            await store.look_around()
            looking = asyncio.create_task(_keep_looking(store), name="servers of the cluster")
        yield store
    finally:
        if looking is not None:
            looking.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await looking
        await store.end()


def _named(url: str) -> Store:
    """Return a client for a URL that does not connect yet."""
    client: object = Store.from_url(
        url,
        retry=Retry(NoBackoff(), 0),
        socket_timeout=TIMEOUT_S,
        socket_connect_timeout=5,
        health_check_interval=0,
        max_connections=MOST_CONNECTIONS,
    )
    return cast("Store", client)


async def _first_that_answers(urls: Sequence[str]) -> Store:
    for i, url in enumerate(urls):
        store = _named(url)
        try:
            await check(store, url)
        except BaseException as error:
            await store.end()
            if isinstance(error, Unreachable) and i + 1 < len(urls):
                continue
            raise
        return store
    raise AssertionError("there is always one URL")


async def _is_cluster(store: Store) -> bool:
    info = await store.info("cluster")
    return bool(info.get("cluster_enabled"))


async def _keep_looking(store: Store) -> None:
    while True:
        await asyncio.sleep(equal_jitter(LOOKS_AROUND_S))
        try:
            await store.look_around()
        except RedisError as error:
            log.warning("no server of the cluster answers: %s", error)


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


class Script:
    """A Lua script that every server learns when it first meets it."""

    def __init__(self, text: str) -> None:
        self.text, self.digest = text, sha1(text.encode(), usedforsecurity=False).hexdigest()

    def command(self, keys: Sequence[str], arguments: Sequence[Any]) -> Sequence[Any]:
        """Return the command that runs it where it is known."""
        return "EVALSHA", self.digest, len(keys), *keys, *arguments

    async def run(self, client: Redis, keys: Sequence[str], arguments: Sequence[Any]) -> Any:
        """Return what the script says. Raises RedisError."""
        try:
            return await client.evalsha(self.digest, len(keys), *keys, *arguments)
        except NoScriptError:
            return await client.eval(self.text, len(keys), *keys, *arguments)


class Line:
    """A connection of one's own: commands go out together, and their answers are read one by one, in order.

    A client asks and waits for one command after the other, at twice the cost. After any error close the line: what is
    still under way on it would be taken for the answer to something else.
    """

    def __init__(self, client: Redis) -> None:
        pool: Any = client.connection_pool
        # Its timeout makes a task of every write; ours does not.
        self._connection = pool.connection_class(**pool.connection_kwargs | {"socket_timeout": None})

    async def send(self, *commands: Sequence[Any]) -> None:
        """Send commands. Raises RedisError."""
        packed = self._connection.pack_commands(commands)
        await self._in_time(self._connection.send_packed_command(packed, check_health=False))

    async def answer(self) -> Any:
        """Return the next answer. Raises RedisError, also where the answer is an error."""
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


class Lines:
    """Lines to all servers that one task writes to. Use as `async with`."""

    def __init__(self) -> None:
        self._by_server: dict[Redis, Line] = {}

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        for line in self._by_server.values():
            await line.close()
        self._by_server.clear()

    async def ask(self, server: Redis, *commands: Sequence[Any]) -> list[Any]:
        """Send commands together and return their answers. Raises RedisError when one of them fails."""
        line = self._by_server.get(server)
        if line is None:
            line = self._by_server[server] = Line(server)
        try:
            await line.send(*commands)
            return [await line.answer() for _ in commands]
        except BaseException:
            del self._by_server[server]
            await line.close()
            raise


def stream_after(key: str, after: str, at_most: int) -> Sequence[Any]:
    """Return the command that reads a stream after an id, and waits for the first entry up to BLOCK_MS."""
    return "XREAD", "COUNT", at_most, "BLOCK", BLOCK_MS, "STREAMS", key, after


def entries_of(answer: Any) -> list[Entry]:
    """Return the entries in the answer to `stream_after`."""
    if not answer:
        return []
    found = next(iter(answer.values())) if isinstance(answer, dict) else answer[0][1]  # RESP 3, RESP 2
    return [(entry_id, dict(zip(fields[::2], fields[1::2], strict=True))) for entry_id, fields in found]


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
