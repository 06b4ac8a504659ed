"""The page's server: Dash for the shell and the pages, a WebSocket of our own for everything that moves."""

import asyncio
import contextlib
import logging
from collections.abc import Iterator, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import uvicorn
from dash import Dash, Input, Output
from dash.exceptions import DependencyException
from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.types import ASGIApp

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable
from quietward.contracts.settings import LOOPBACK, Settings
from quietward.dashboard.auth.authentication import Authenticator
from quietward.dashboard.auth.middleware import SIGN_IN, AuthMiddleware
from quietward.dashboard.auth.people import People
from quietward.dashboard.auth.sessions import Sessions
from quietward.dashboard.live.hub import Hub
from quietward.dashboard.print import handover_html, strip_svg
from quietward.dashboard.routes import account, downloads, example, history, live, stays, studies, what_if_job
from quietward.dashboard.routes.what_if_job import WhatIfJob
from quietward.dashboard.web.bounds import BoundedBody, ImpatientProtocol
from quietward.dashboard.web.middleware import PagePaths, ReadersLanguage, SecurityHeaders, content_security_policy
from quietward.dashboard.web.pages import PAGES, Extension, Registry, not_found
from quietward.dashboard.web.request_body import TooLarge
from quietward.dashboard.web.templates import error_in_words
from quietward.language import catalogue
from quietward.language.catalogue import reader
from quietward.runtime import metrics
from quietward.runtime.liveness import report
from quietward.runtime.process import RecancellingTaskGroup, allow_files, bind
from quietward.runtime.retry import until_stored
from quietward.store.client import RedisError, connected
from quietward.store.topology import check_topology

log = logging.getLogger("quietward.serve")

MOST_SENT_BYTES, MOST_SENT = 4096, 4
"""What a page may send over its socket, and how many messages wait there: our own pages send nothing."""


async def serve(settings: Settings, extensions: Sequence[Extension] = ()) -> None:
    """Run the page until cancelled. extensions: pages of packages that this one must not import.

    Raises Unreachable if the port is taken or the store cannot be reached, BadSettings if the page would be open to
    other machines.
    """
    if settings.language not in ("", *catalogue.names()):
        remedy = f"There are: {', '.join(catalogue.names())}"
        raise BadSettings("setting language", settings.language, remedy)
    allow_files()
    sock = bind(settings.host, settings.port)
    try:
        people = _load_people(settings)
        async with connected(settings.store, settings.tls) as store, RecancellingTaskGroup() as tasks:
            metrics.expose(settings, "serve")
            ward = Ward(settings.ward, settings.shards)
            await until_stored(lambda: check_topology(store, ward, shards=settings.shards))
            hub = Hub(ward, store, settings.demo_speed)
            background = [
                tasks.create_task(hub.run(), name="hub"),
                tasks.create_task(report(store, ward, "serve", hub.troubles, hub.note_refusal), name="report"),
            ]
            authenticator = Authenticator(people, Sessions(store, ward))
            config = uvicorn.Config(
                create_app(hub, authenticator, settings, extensions),
                log_config=None, access_log=False,
                proxy_headers=bool(settings.proxies), forwarded_allow_ips=settings.proxies,
                http=ImpatientProtocol, lifespan="off", timeout_graceful_shutdown=1, ws_per_message_deflate=False,
                ws_max_size=MOST_SENT_BYTES, ws_max_queue=MOST_SENT, server_header=False,
            )  # fmt: skip
            server = _Server(config)
            log.info("page on http://%s:%d", settings.host, settings.port)
            serving = tasks.create_task(server.serve(sockets=[sock]), name="page")
            try:
                await asyncio.shield(serving)
            finally:
                server.should_exit = True  # a cancelled serve() would leave the port open, and log where it was
                await asyncio.wait([serving])
                for task in background:
                    task.cancel()
    finally:
        sock.close()


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave signals to the process that runs us."""
        yield


def _load_people(settings: Settings) -> People | None:
    """Return who may use the page, None if it is open. Raises BadSettings."""
    if settings.people:
        return People(Path(settings.people))
    if settings.host in LOOPBACK and not settings.names:
        return None
    remedy = "Name a file of people (QUIETWARD_PEOPLE), or listen on 127.0.0.1: an open page is for this machine alone"
    if settings.host in LOOPBACK:
        raise BadSettings("setting names", settings.names, f"{remedy}, without a proxy")
    raise BadSettings("setting host", settings.host, remedy)


def create_app(
    hub: Hub, authenticator: Authenticator, settings: Settings, extensions: Sequence[Extension] = ()
) -> ASGIApp:
    """Return the ASGI application. extensions: pages of packages that this one must not import."""
    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    registry = Registry((*PAGES, *(page for extension in extensions for page in extension.pages)))

    @server.exception_handler(RedisError)
    async def store_unavailable(_: Request, error: Exception) -> Response:
        return Response(f"the store does not answer: {error}", 503)

    @server.exception_handler(TooLarge)
    async def too_large(_: Request, error: Exception) -> Response:
        return Response(error_in_words(error), 413)

    @server.exception_handler(DependencyException)
    async def no_such_script(_: Request, __: Exception) -> Response:
        return Response("no such script", 404)

    live.add_routes(server, hub, authenticator)
    account.add_routes(server, authenticator)
    downloads.add_routes(server, hub)
    history.add_routes(server, hub)
    stays.add_routes(server, hub)
    what_if_job.add_routes(server, WhatIfJob(settings), authenticator)  # before /studies/{name}, which would match too
    example_study = example.ExampleStudy(settings)
    example.add_routes(server, example_study)
    studies.add_routes(server, example_study.folder, Path(settings.studies))
    for extension in extensions:
        extension.add_routes(server)

    dash = _add_dash(server, registry)

    @server.get("/{path:path}", include_in_schema=False)  # before Dash's own, which answers 200 to anything
    async def no_such_page(path: str) -> HTMLResponse:
        return HTMLResponse(not_found(path), 404)

    script_hashes = dash.csp_hashes()
    sign_in_policy = content_security_policy(script_hashes, form_action="'self'")
    app: ASGIApp = AuthMiddleware(PagePaths(server, registry), authenticator, registry)
    app = BoundedBody(ReadersLanguage(app, settings.language))
    app = SecurityHeaders(app, content_security_policy(script_hashes), {SIGN_IN: sign_in_policy})
    return TrustedHostMiddleware(app, allowed_hosts=trusted_hosts(settings))


def trusted_hosts(settings: Settings) -> list[str]:
    """Return the host names the page answers to.

    On the loopback these are its own and those of its proxy only: no page elsewhere can reach it through a name of
    its own (DNS rebinding).
    """
    if settings.host in LOOPBACK or settings.names:
        return ["127.0.0.1", "localhost", "[::1]", *filter(None, settings.names.split(","))]
    return ["*"]


class _Shell(Dash):
    """Dash, whose index says which language it is in: screen readers need it."""

    def interpolate_index(self, **parts: Any) -> str:  # type: ignore[override]
        """Return the page that a browser loads first."""
        page: str = super().interpolate_index(**parts)  # type: ignore[no-untyped-call]
        return page.replace("<html>", f'<html lang="{reader.get().name}">', 1)


def _add_dash(server: FastAPI, registry: Registry) -> Any:
    """Mount Dash, which serves shell, pages and assets. Raises Unreachable if the assets are missing."""
    assets = files("quietward.dashboard") / "assets"
    if not assets.is_dir():
        raise Unreachable("page's assets", str(assets), "The installation is broken; install again")
    # Dash includes every script it finds; those in folders are imported by live.mjs, and must not be loaded twice.
    dash: Any = _Shell(
        __name__, server=False, backend="fastapi", assets_folder=str(assets), assets_path_ignore=["."],
        assets_ignore=f"^({handover_html.STYLE}|{strip_svg.STYLE}|sign-in.css)$",
        title="quietward", update_title="", include_pages_meta=False, suppress_callback_exceptions=True,
        add_log_handler=False, use_pages=False,
    )  # fmt: skip
    dash.backend.websocket_capability = False  # Dash's own socket is not used, and must not be opened
    dash.init_app(server)
    dash.layout = registry.shell  # anew for each reader

    @dash.callback(Output("page", "children"), Input("url", "pathname"))  # type: ignore[untyped-decorator]
    def page(path: str) -> Any:
        return registry.page_for(path)

    dash._setup_server()  # else the first request to a bed's page would lack our assets
    return dash
