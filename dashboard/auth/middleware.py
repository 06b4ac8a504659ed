"""Stands before all routes: requests of other sites are rejected, and requests without a signed-in user."""

from urllib.parse import quote, urlsplit

from fastapi import Response
from fastapi.responses import RedirectResponse
from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from quietward.dashboard.auth.authentication import Authenticator
from quietward.dashboard.web.pages import Registry
from quietward.store.client import RedisError

SIGN_IN, SIGN_OUT = "/sign-in", "/sign-out"
PUBLIC = ("/assets/", "/_dash-component-suites/", "/health", SIGN_IN)
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
NOT_SIGNED_IN = 4401
"""Close code of a WebSocket, from the range that applications may use (RFC 6455, section 7.4.2)."""
POLICY_VIOLATION, TRY_AGAIN_LATER = 1008, 1013
"""Close codes of the IANA registry for WebSockets."""


def is_own_origin(origin: str | None, host: str | None) -> bool:
    """Return True if a request comes from one of our own pages; clients that are no browser send no origin."""
    try:
        return origin is None or urlsplit(origin).netloc == host
    except ValueError:  # half an IPv6 address
        return False


class AuthMiddleware:
    """Passes on requests and WebSockets of signed-in users, with `state.user` set, and of our own origin only."""

    def __init__(self, app: ASGIApp, authenticator: Authenticator, registry: Registry) -> None:
        self.app, self.authenticator, self.registry = app, authenticator, registry

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request or WebSocket."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        has_effects = scope["type"] == "websocket" or scope["method"] not in SAFE_METHODS
        is_foreign = has_effects and not is_own_origin(headers.get("origin"), headers.get("host"))
        if _is_cross_site(headers) or is_foreign:
            refusal = Response("Cross-site request rejected", 403)
            await self._refuse(scope, receive, send, POLICY_VIOLATION, refusal)
            return
        try:
            user = await self.authenticator.user(headers)
        except RedisError as error:
            refusal = Response(f"the store does not answer: {error}", 503)
            await self._refuse(scope, receive, send, TRY_AGAIN_LATER, refusal)
            return
        if user is None and not scope["path"].startswith(PUBLIC):
            await self._refuse(scope, receive, send, NOT_SIGNED_IN, self._sign_in_first(scope))
            return
        scope.setdefault("state", {})["user"] = user
        await self.app(scope, receive, send)

    def _sign_in_first(self, scope: Scope) -> Response:
        """Return a redirect to the sign-in page for pages, and status 401 for everything else."""
        if scope["type"] == "http" and scope["method"] in SAFE_METHODS and self.registry.find(scope["path"]):
            query = scope.get("query_string", b"").decode("latin-1")
            target = scope["path"] + (f"?{query}" if query else "")
            return RedirectResponse(f"{SIGN_IN}?next={quote(target, safe='')}", 303)
        return PlainTextResponse("sign in first", 401)

    async def _refuse(self, scope: Scope, receive: Receive, send: Send, close_code: int, refusal: Response) -> None:
        if scope["type"] == "http":
            await refusal(scope, receive, send)
            return
        await receive()
        await send({"type": "websocket.accept"})  # without it a browser does not learn the close code
        await send({"type": "websocket.close", "code": close_code})


def _is_cross_site(headers: Headers) -> bool:
    """Return True if a page of another site loads something of ours; following a link to us is allowed."""
    return headers.get("sec-fetch-site") in ("cross-site", "same-site") and headers.get("sec-fetch-mode") != "navigate"
