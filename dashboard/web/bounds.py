"""What a client may ask of the page's server at most, before anybody knows who it is: bytes of a body, and time."""

from collections.abc import MutableMapping
from typing import Any

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.auto import AutoHTTPProtocol

from quietward.dashboard.web.request_body import TooLarge

MOST_BYTES = 1_000_000
"""Of a body; whatever a page of ours sends is far smaller."""

WITHIN_S = 10.0
"""A request has come whole after twice this, or its connection is closed."""


class BoundedBody:
    """Answers larger bodies with 413, and reads no more of them."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        said = Headers(scope=scope).get("content-length", "")
        if len(said) > len(str(MOST_BYTES)) or (said.isdecimal() and int(said) > MOST_BYTES):
            await PlainTextResponse(f"A body of more than {MOST_BYTES} bytes is not taken", 413)(scope, receive, send)
            return
        left = MOST_BYTES

        async def receive_less() -> Message:
            nonlocal left
            message = await receive()
            left -= len(message.get("body", b""))
            if left < 0:
                raise TooLarge("bytes", f"over {MOST_BYTES}", "Send less at once")
            return message

        async def send_why(message: MutableMapping[str, Any]) -> None:
            if left < 0 and message["type"] == "http.response.start":
                message = {**message, "status": 413}  # Dash makes a 500 of any error
            await send(message)

        await self.app(scope, receive_less, send_why)


class ImpatientProtocol(AutoHTTPProtocol):  # type: ignore[misc, valid-type]  # chosen when it is imported
    """uvicorn's, which waits for the rest of a request for ever: a thousand half-sent ones would shut everybody out."""

    def connection_made(self, transport: Any) -> None:
        """Begin to look at the connection now and then."""
        super().connection_made(transport)
        self.loop.call_later(WITHIN_S, self._look, None)

    def _look(self, before: object) -> None:
        """Close the connection if it still waits for the same request as at the last look."""
        if self.transport.is_closing() or self.transport.get_protocol() is not self:  # a WebSocket by now
            return
        now = self._waits_for()
        if now is not None and now == before:
            self.transport.close()
            return
        self.loop.call_later(WITHIN_S, self._look, now)

    def _waits_for(self) -> tuple[int, str] | None:
        """Return which request has not come whole, None if one is being answered."""
        cycle = self.cycle
        if cycle is None or cycle.response_complete:
            return id(cycle), "head"
        return (id(cycle), "body") if cycle.more_body else None
