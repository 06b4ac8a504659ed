"""Reads the body of a request, up to a limit."""

from fastapi import Request

from quietward.contracts.errors import QuietwardError


class TooLarge(QuietwardError):
    """The body of a request is larger than is accepted."""


async def read_body(request: Request, max_bytes: int) -> bytes:
    """Return the body. Raises TooLarge as soon as it exceeds `max_bytes`, and reads no further."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > max_bytes:
            raise TooLarge("bytes", f"over {max_bytes}", "Send less at once, in fewer words")
    return body
