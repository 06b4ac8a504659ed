"""Requests that are too large or never come whole cost their sender's connection, and nobody else anything."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
import uvicorn
import websockets
from starlette.types import Receive, Scope, Send

from quietward.dashboard.web import bounds
from quietward.dashboard.web.bounds import MOST_BYTES, BoundedBody, ImpatientProtocol
from tests.conftest import WAIT_S, free_port

WITHIN_S = 0.2


async def app(scope: Scope, receive: Receive, send: Send) -> None:
    """Answers when the body is there, after a while; a WebSocket gets back what it sends."""
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.accept"})
        while (message := await receive())["type"] == "websocket.receive":
            await send({"type": "websocket.send", "text": message["text"]})
        return
    while (await receive()).get("more_body"):
        pass
    await asyncio.sleep(5 * WITHIN_S)
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
    await send({"type": "http.response.body", "body": b"ok"})


@asynccontextmanager
async def serving() -> AsyncIterator[int]:
    port = free_port()
    server = uvicorn.Server(uvicorn.Config(app, port=port, http=ImpatientProtocol, lifespan="off", log_level="error"))
    running = asyncio.create_task(server._serve())
    while not server.started:
        await asyncio.sleep(0.01)
    yield port
    server.should_exit = True
    await running


WHOLE = b"GET / HTTP/1.1\r\nHost: x\r\n\r\n"


@pytest.mark.parametrize(
    ("sent", "answers"),
    [
        (b"", 0),
        (b"GET / HTTP/1.1\r\nHost: x\r\n", 0),
        (WHOLE + WHOLE[:20], 1),
        (b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n\r\nhalf", 0),
    ],
)
async def test_what_never_comes_whole_is_not_waited_for(
    sent: bytes, answers: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bounds, "WITHIN_S", WITHIN_S)
    async with serving() as port, asyncio.timeout(WAIT_S):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(sent)
        assert (await reader.read()).count(b" 200 OK") == answers, "read to the end of the connection"
        writer.close()


async def test_an_answer_that_takes_long_is_waited_for_and_a_socket_stays_open(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bounds, "WITHIN_S", WITHIN_S)
    async with serving() as port, asyncio.timeout(WAIT_S), websockets.connect(f"ws://127.0.0.1:{port}/") as ws:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(WHOLE)
        assert b" 200 OK" in await reader.readuntil(b"ok")
        writer.close()
        await asyncio.sleep(5 * WITHIN_S)
        await ws.send("still there?")
        assert await ws.recv() == "still there?"


async def ask(said: bytes | None, *chunks: bytes) -> tuple[int, int]:
    """Send a body in pieces to a server that reads it all; return the status, and how many bytes were read of it."""
    statuses: list[int] = []
    given = [{"type": "http.request", "body": chunk, "more_body": True} for chunk in chunks]
    size = 0

    async def read_all(scope: Scope, receive: Receive, send: Send) -> None:
        nonlocal size
        status = 200
        try:
            while (message := await receive()).get("more_body"):
                size += len(message["body"])
        except Exception:  # noqa: BLE001 - as Dash does
            status = 500
        await send({"type": "http.response.start", "status": status, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    async def receive() -> Any:
        return given.pop(0) if given else {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        if message["type"] == "http.response.start":
            statuses.append(message["status"])

    headers = [] if said is None else [(b"content-length", said)]
    await BoundedBody(read_all)({"type": "http", "method": "POST", "headers": headers}, receive, send)
    return statuses[0], size


async def test_a_body_has_a_limit() -> None:
    most = b"x" * MOST_BYTES
    assert await ask(None, b"x", b"y") == (200, 2)
    assert await ask(str(MOST_BYTES).encode(), most) == (200, MOST_BYTES)
    assert await ask(str(MOST_BYTES + 1).encode(), b"x") == (413, 0)
    assert await ask(b"9" * 5000, b"x") == (413, 0)
    assert await ask(None, most, b"x", b"y" * MOST_BYTES) == (413, MOST_BYTES)
