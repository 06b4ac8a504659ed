"""Reads what a page has sent, up to a limit."""

from fastapi import Request

from quietward.contracts.errors import QuietwardError


class TooLarge(QuietwardError):
    """More was sent than is taken."""


async def read_body(request: Request, largest_bytes: int) -> bytes:
    """Return the body. Raises TooLarge as soon as there is more, and reads no further."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > largest_bytes:
            raise TooLarge("bytes", f"over {largest_bytes}", "Send less at once, in fewer words")
    return body
