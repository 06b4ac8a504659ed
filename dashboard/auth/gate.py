"""Who comes in: sessions and roles, and where a request may come from. Everything else stands behind it."""

import asyncio
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, quote, urlsplit

from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from quietward.dashboard.auth import audit
from quietward.dashboard.auth.people import People, Role, is_right
from quietward.dashboard.auth.sessions import LASTS_S, Session, Sessions
from quietward.dashboard.web import pages
from quietward.dashboard.web.request_body import read_body
from quietward.dashboard.web.responses import json_answer
from quietward.store.client import RedisError

COOKIE = "quietward"
SIGN_IN, SIGN_OUT = "/sign-in", "/sign-out"
PUBLIC = ("/assets/", "/_dash-component-suites/", "/health", SIGN_IN)
NOT_SIGNED_IN = 4401
"""Why a socket is closed, in the range that is free for applications (RFC 6455, section 7.4.2)."""
LARGEST_FORM_BYTES = 2048
SAFE = ("GET", "HEAD", "OPTIONS")


@dataclass(frozen=True)
class Visitor:
    """Somebody who uses the page. name: empty where the page is open, and everybody writes her own."""

    name: str
    role: Role
    session: Session | None = None


OPEN = Visitor("", Role.IN_CHARGE)


@dataclass
class Gate:
    """Knows who is signed in. people: None leaves the page open."""

    people: People | None
    sessions: Sessions

    async def visitor(self, headers: Headers) -> Visitor | None:
        """Return who sends this, None when nobody is signed in there. Raises RedisError."""
        if self.people is None:
            return OPEN
        cookie = _cookie(headers.get("cookie", ""))
        session = None if cookie is None else await self.sessions.read(cookie)
        person = None if session is None else self.people.find(session.name)
        if person is None or session is None or session.mark != person.mark:
            return None
        return Visitor(person.name, person.role, session)

    async def note(self, visitor: Visitor, what: str, bed: str = "", by: str = "") -> None:
        """Write down what somebody did. Raises RedisError."""
        role = "" if visitor is OPEN else visitor.role.value
        await audit.write(self.sessions.store, self.sessions.ward, visitor.name or by, role, what, bed)


def visitor_of(request: Request) -> Visitor:
    """Return who sends a request that has come through the gate."""
    visitor: Visitor = request.state.visitor
    return visitor


def own_origin(origin: str | None, host: str | None) -> bool:
    """Say whether a request comes from a page of ours; what is no browser says no origin."""
    return origin is None or urlsplit(origin).netloc == host


class Guarded:
    """Lets through who is signed in, and only what our own pages send."""

    def __init__(self, app: ASGIApp, gate: Gate) -> None:
        self.app, self.gate = app, gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request or socket."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        acts = scope["type"] == "websocket" or scope["method"] not in SAFE
        if _from_elsewhere(headers) or (acts and not own_origin(headers.get("origin"), headers.get("host"))):
            await self._refuse(scope, receive, send, 1008, Response("acts are taken from this page only", 403))
            return
        try:
            visitor = await self.gate.visitor(headers)
        except RedisError as error:
            gone = Response(f"the store does not answer: {error}", 503)
            await self._refuse(scope, receive, send, 1013, gone)  # try again later
            return
        if visitor is None and not scope["path"].startswith(PUBLIC):
            await self._refuse(scope, receive, send, NOT_SIGNED_IN, _to_sign_in(scope))
            return
        scope.setdefault("state", {})["visitor"] = visitor
        await self.app(scope, receive, send)

    async def _refuse(self, scope: Scope, receive: Receive, send: Send, code: int, answer: Response) -> None:
        if scope["type"] == "http":
            await answer(scope, receive, send)
            return
        await receive()
        await send({"type": "websocket.accept"})  # else a browser is not told why it was closed
        await send({"type": "websocket.close", "code": code})


def _from_elsewhere(headers: Headers) -> bool:
    """Say whether another site's page asks for something of ours to use; following a link to us is no such thing."""
    return headers.get("sec-fetch-site") in ("cross-site", "same-site") and headers.get("sec-fetch-mode") != "navigate"


def _to_sign_in(scope: Scope) -> Response:
    if scope["type"] == "http" and scope["method"] in SAFE and pages.view_of(scope["path"]) is not None:
        query = scope.get("query_string", b"").decode("latin-1")
        asked = scope["path"] + (f"?{query}" if query else "")
        return RedirectResponse(f"{SIGN_IN}?next={quote(asked, safe='')}", 303)
    return PlainTextResponse("sign in first", 401)


def add_routes(server: FastAPI, gate: Gate) -> None:
    """Add signing in and out, and who one is."""

    @server.get("/me")
    async def me(request: Request) -> Response:
        visitor = visitor_of(request)
        return json_answer({"open": visitor is OPEN, "name": visitor.name, "role": visitor.role.value})

    @server.get("/audit.json")
    async def deeds(request: Request) -> Response:
        if visitor_of(request).role is not Role.IN_CHARGE:
            return PlainTextResponse("who did what is read by whoever is in charge", 403)
        found = await audit.newest(gate.sessions.store, gate.sessions.ward)
        return json_answer({"deeds": found})

    if gate.people is None:
        return
    people = gate.people
    checking = asyncio.Semaphore(1)  # a check is dear by intent: many at once must not starve the ward

    @server.get(SIGN_IN)
    async def ask(request: Request) -> Response:
        return HTMLResponse(pages.sign_in(_local(request.query_params.get("next", "/"))))

    @server.post(SIGN_IN)
    async def sign_in(request: Request) -> Response:
        form = parse_qs((await read_body(request, LARGEST_FORM_BYTES)).decode("utf-8", "replace"))
        name, password, to = (form.get(key, [""])[0] for key in ("name", "password", "next"))
        to, address = _local(to), request.client.host if request.client else ""
        waits_s = await gate.sessions.try_one(name, address)
        if waits_s:
            told = f"Too many wrong passwords. Try again in {-(-waits_s // 60)} min."
            return HTMLResponse(pages.sign_in(to, told), 429, {"retry-after": str(waits_s)})
        who = people.find(name)
        async with checking:
            right = await asyncio.to_thread(is_right, who, password)
        if not right or who is None:
            await gate.note(Visitor(name[:64], Role.VIEWER), "could not sign in")
            return HTMLResponse(pages.sign_in(to, "Name or password is wrong."), 401)
        await gate.sessions.was_right(name, address)
        await gate.note(Visitor(who.name, who.role), "signed in")
        answer = RedirectResponse(to, 303)
        answer.set_cookie(
            COOKIE, await gate.sessions.begin(who.name, who.mark), max_age=LASTS_S, httponly=True, samesite="strict",
            secure=request.url.scheme == "https",
        )  # fmt: skip
        return answer

    @server.post(SIGN_OUT)
    async def sign_out(request: Request) -> Response:
        visitor = visitor_of(request)
        if visitor.session is not None:
            await gate.sessions.end(visitor.session)
            await gate.note(visitor, "signed out")
        answer = Response(status_code=204)
        answer.delete_cookie(COOKIE, httponly=True, samesite="strict")
        return answer


def _cookie(header: str) -> str | None:
    try:
        found = SimpleCookie(header).get(COOKIE)
    except CookieError:
        return None
    return None if found is None else found.value


def _local(path: str) -> str:
    """Return a path of this server; anything that could lead elsewhere becomes the ward."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable() else "/"
