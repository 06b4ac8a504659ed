"""The page's server: Dash for shell and pages, our own WebSocket for what moves."""

import asyncio
import contextlib
import logging
from collections.abc import Callable, Iterator, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import uvicorn
from dash import Dash, Input, Output
from fastapi import FastAPI, Request, Response, WebSocket, WebSocketDisconnect
from fastapi.responses import HTMLResponse
from msgspec import structs
from starlette.datastructures import MutableHeaders
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable
from quietward.contracts.notice import NOTICE
from quietward.contracts.settings import Settings
from quietward.dashboard.auth import gate as gates
from quietward.dashboard.auth.gate import NOT_SIGNED_IN, SIGN_IN, Gate, Guarded, visitor_of
from quietward.dashboard.auth.people import People, may
from quietward.dashboard.auth.sessions import Sessions
from quietward.dashboard.live.hub import Hub
from quietward.dashboard.print import handover_html as printed
from quietward.dashboard.print import strip_svg as paper_strip
from quietward.dashboard.routes import acts, example, studies
from quietward.dashboard.routes import downloads as papers
from quietward.dashboard.routes import history as last_hours
from quietward.dashboard.routes import what_if_job as working_out
from quietward.dashboard.routes.what_if_job import WorkingOut
from quietward.dashboard.web import pages
from quietward.dashboard.web.request_body import TooLarge, read_body
from quietward.dashboard.web.responses import json_answer
from quietward.runtime import metrics
from quietward.runtime.heartbeat import heartbeat
from quietward.runtime.process import RecancellingTaskGroup, bind
from quietward.runtime.retry import until_stored
from quietward.store.client import RedisError, connected
from quietward.store.topology import agree

log = logging.getLogger("quietward.serve")

LOOPBACK = {"127.0.0.1", "localhost", "::1"}
CHECKED_S = 5.0
"""Whether somebody is still signed in is asked so often while a socket is open."""


Routes = Callable[[FastAPI], None]
"""Adds routes to the server."""


async def serve(settings: Settings, more: Sequence[Routes] = ()) -> None:
    """Run the page until cancelled. more: routes of parts that this one does not know.

    Raises Unreachable if the port is taken or the store is not there.
    """
    sock = bind(settings.host, settings.port)
    try:
        people = _people(settings)
        async with connected(settings.store) as store, RecancellingTaskGroup() as tasks:
            metrics.expose(settings, "serve")
            ward = Ward(settings.ward, settings.shards)
            await until_stored(lambda: agree(store, ward, shards=settings.shards))
            hub = Hub(ward, store)
            following = [
                tasks.create_task(hub.run(), name="hub"),
                tasks.create_task(heartbeat(store, ward.parts, "serve"), name="heartbeat"),
            ]
            gate = Gate(people, Sessions(store, ward))
            config = uvicorn.Config(
                create_app(hub, gate, settings, more),
                log_config=None, access_log=False,
                timeout_graceful_shutdown=1, ws_per_message_deflate=False, server_header=False,
            )  # fmt: skip
            server = _Server(config)
            try:
                log.info("page on http://%s:%d", settings.host, settings.port)
                serving = tasks.create_task(server.serve(sockets=[sock]), name="page")
                await asyncio.shield(serving)
            finally:
                server.should_exit = True  # a cancelled serve() would leave the port open
                for task in following:
                    task.cancel()
    finally:
        sock.close()


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave signals to the part that runs us."""
        yield


def _people(settings: Settings) -> People | None:
    """Return who may use the page, None where it is open. Raises BadSettings."""
    if settings.people:
        return People(Path(settings.people))
    if settings.host in LOOPBACK:
        return None
    remedy = "Name a file of people (QUIETWARD_PEOPLE), or listen on 127.0.0.1: an open page is for this machine alone"
    raise BadSettings("setting host", settings.host, remedy)


def create_app(hub: Hub, gate: Gate, settings: Settings, more: Sequence[Routes] = ()) -> ASGIApp:
    """Return the ASGI application. more: routes of parts that this one does not know."""
    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)

    @server.get("/health")
    async def health() -> dict[str, object]:
        return {"ward": hub.ward.name, "beds": len(hub.strips), "frames": hub.frame_number}

    @server.get("/log/{bed}")
    async def log_of(bed: str) -> Response:
        events = await hub.log(bed)
        return json_answer({"notice": NOTICE, "events": events})

    @server.post("/act")
    async def act(request: Request) -> Response:
        visitor = visitor_of(request)
        try:
            done = acts.read(await read_body(request, acts.LARGEST_BYTES), hub.beds, hub.sheet)
        except acts.BadAct as error:
            return Response(str(error), error.status)
        kind = str(done.__struct_config__.tag)
        if not may(visitor.role, done):
            await gate.note(visitor, f"{kind}: refused", done.bed)
            return Response(f"{kind}: {visitor.role.value} may not do that; ask whoever is in charge", 403)
        if visitor.name:
            done = structs.replace(done, by=visitor.name)  # whatever the page has said
        await hub.act(done)
        await gate.note(visitor, kind, done.bed, done.by)
        metrics.ACTS.labels(kind).inc()
        return Response(status_code=204)

    @server.exception_handler(RedisError)
    async def store_gone(_: Request, error: Exception) -> Response:
        return Response(f"the store does not answer: {error}", 503)

    @server.exception_handler(TooLarge)
    async def too_large(_: Request, error: Exception) -> Response:
        return Response(str(error), 413)

    gates.add_routes(server, gate)
    papers.add_routes(server, hub)
    last_hours.add_routes(server, hub)
    working_out.add_routes(server, WorkingOut(settings), gate)  # before the studies, whose names it lies among
    example_study = example.Example(settings)
    example.add_routes(server, example_study)
    studies.add_routes(server, example_study.folder, Path(settings.studies))
    for add_routes in more:
        add_routes(server)

    @server.websocket("/live")
    async def live(ws: WebSocket) -> None:
        await ws.accept()
        with metrics.PAGES.track_inprogress():
            await _send_frames(hub, gate, ws)

    dash = _dash(server)

    @server.get("/{path:path}", include_in_schema=False)  # before Dash's own, which answers 200 to anything
    async def nowhere(path: str) -> HTMLResponse:
        return HTMLResponse(pages.not_found(path), 404)

    guarded = Guarded(_OurPages(server), gate)
    return TrustedHostMiddleware(_Policy(guarded, _policy(dash)), allowed_hosts=trusted_hosts(settings.host))


def trusted_hosts(host: str) -> list[str]:
    """Return the names the page answers to: on this machine only its own, so that no page elsewhere can reach in."""
    return ["127.0.0.1", "localhost", "[::1]"] if host in LOOPBACK else ["*"]


def _dash(server: FastAPI) -> Any:
    assets = files("quietward.dashboard") / "assets"
    if not assets.is_dir():
        raise Unreachable("page's assets", str(assets), "The installation is broken; install again")
    dash: Any = Dash(
        __name__, server=False, backend="fastapi", assets_folder=str(assets), assets_path_ignore=["^modules$"],
        assets_ignore=f"^({printed.STYLE}|{paper_strip.STYLE}|sign-in.css)$",
        title="quietward", update_title="", include_pages_meta=False, suppress_callback_exceptions=True,
        add_log_handler=False, use_pages=False,
    )  # fmt: skip
    dash.index_string = dash.index_string.replace("<html>", '<html lang="en">')  # screen readers ask for it
    dash.backend.websocket_capability = False  # its own socket is not used, and must not be opened
    dash.init_app(server)
    dash.layout = pages.shell()

    @dash.callback(Output("page", "children"), Input("url", "pathname"))  # type: ignore[untyped-decorator]
    def page(path: str) -> Any:
        return pages.page_for(path)

    dash._setup_server()  # else the first request to a bed's page would lack our assets
    return dash


async def _send_frames(hub: Hub, gate: Gate, ws: WebSocket) -> None:
    async def listen() -> None:
        while (await ws.receive())["type"] != "websocket.disconnect":
            pass

    gone = asyncio.create_task(listen(), name="listen")
    try:
        seen = hub.frame_number  # before the snapshot goes: what comes while it is on its way is not skipped
        await ws.send_bytes(hub.snapshot())
        checked = asyncio.get_running_loop().time()
        while not gone.done():
            number, frame = await hub.next_frame(seen)
            now = asyncio.get_running_loop().time()
            if now - checked > CHECKED_S:
                checked = now
                if not await _is_still_in(gate, ws):
                    await ws.close(NOT_SIGNED_IN)
                    return
            skipped, seen = number - seen - 1, number
            await ws.send_bytes(hub.snapshot() if skipped else frame)  # a slow browser gets the whole again
    except (WebSocketDisconnect, RuntimeError):
        pass  # it has gone while we were sending
    finally:
        gone.cancel()


async def _is_still_in(gate: Gate, ws: WebSocket) -> bool:
    try:
        return await gate.visitor(ws.headers) is not None
    except RedisError:
        return True  # the page says that the store is away; who was signed in may see that


class _OurPages:
    """Serves Dash's index for our pages; everything else that Dash does not know is a real 404."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] in ("GET", "HEAD") and pages.view_of(scope["path"]):
            scope = dict(scope, path="/", raw_path=b"/")
        await self.app(scope, receive, send)


def _policy(dash: Any) -> str:
    return "; ".join(
        [
            "default-src 'none'",
            "script-src 'self' " + " ".join(dash.csp_hashes()),
            "style-src 'self'",
            "style-src-elem 'self' 'unsafe-inline'",  # Dash's bundles bring style elements
            "style-src-attr 'none'",
            "img-src 'self' data:",
            "font-src 'self'",
            "connect-src 'self'",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
            "object-src 'none'",
        ]
    )


class _Policy:
    """Adds the content security policy to every answer."""

    def __init__(self, app: ASGIApp, policy: str) -> None:
        self.app, self.policy = app, policy

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                policy = self.policy
                if scope["path"] == SIGN_IN:
                    policy = policy.replace("form-action 'none'", "form-action 'self'")
                headers.setdefault("content-security-policy", policy)  # a report brings a stricter one
                headers["x-content-type-options"] = "nosniff"
                headers["referrer-policy"] = "same-origin"  # a form's origin would be null with none
            await send(message)

        await self.app(scope, receive, with_headers if scope["type"] == "http" else send)
