"""Middleware for every response: our pages' paths, and the headers that tell a browser what a page may do."""

from collections.abc import Iterable, Mapping

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from quietward.dashboard.web.pages import Registry
from quietward.language import catalogue


class PagePaths:
    """Serves Dash's index for the paths of our pages; all other paths that Dash does not know are a real 404."""

    def __init__(self, app: ASGIApp, registry: Registry) -> None:
        self.app, self.registry = app, registry

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request or WebSocket."""
        if scope["type"] == "http" and scope["method"] in ("GET", "HEAD") and self.registry.find(scope["path"]):
            scope = dict(scope, path="/", raw_path=b"/")
        await self.app(scope, receive, send)


class ReadersLanguage:
    """Lets everything that is written for a request be in its reader's language. setting: the ward's, empty: none."""

    def __init__(self, app: ASGIApp, setting: str) -> None:
        self.app, self.setting = app, setting

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request or WebSocket."""
        accepted = Headers(scope=scope).get("accept-language", "") if scope["type"] == "http" else ""
        token = catalogue.reader.set(catalogue.chosen(self.setting, accepted))
        try:
            await self.app(scope, receive, send)
        finally:
            catalogue.reader.reset(token)


def content_security_policy(script_hashes: Iterable[str], *, form_action: str = "'none'") -> str:
    """Return the value of the header. script_hashes: of the inline scripts that Dash writes."""
    return "; ".join(
        [
            "default-src 'none'",
            "script-src 'self' " + " ".join(script_hashes),
            "style-src 'self'",
            "style-src-elem 'self' 'unsafe-inline'",  # Dash's bundles bring style elements
            "style-src-attr 'none'",
            "img-src 'self' data:",
            "font-src 'self'",
            "connect-src 'self'",
            "base-uri 'none'",
            f"form-action {form_action}",
            "frame-ancestors 'none'",
            "object-src 'none'",
        ]
    )


class SecurityHeaders:
    """Adds the security headers to every response.

    policy: the content security policy of all paths but those in `policy_of_path`. A response that brings a policy of
    its own keeps it.
    """

    def __init__(self, app: ASGIApp, policy: str, policy_of_path: Mapping[str, str]) -> None:
        self.app, self.policy, self.policy_of_path = app, policy, policy_of_path

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request or WebSocket."""

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault(
                    "content-security-policy", self.policy_of_path.get(scope["path"], self.policy)
                )  # a study's report brings a stricter one
                if scope["path"].endswith(".mjs"):  # else a browser may mix modules of two versions
                    headers["cache-control"] = "no-cache"
                headers["x-content-type-options"] = "nosniff"
                headers["referrer-policy"] = "same-origin"  # with `no-referrer` a form's origin would be null
            await send(message)

        await self.app(scope, receive, send_with_headers if scope["type"] == "http" else send)
