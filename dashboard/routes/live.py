"""Routes of the live page: its frames over a WebSocket, a bed's log, and commands to the detector."""

import asyncio

from fastapi import FastAPI, Request, Response, WebSocket, WebSocketDisconnect
from msgspec import structs

from quietward.contracts.commands import Forget, Move, TakeIn
from quietward.contracts.notice import NOTICE
from quietward.dashboard.auth.authentication import Authenticator, user_of
from quietward.dashboard.auth.middleware import NOT_SIGNED_IN
from quietward.dashboard.auth.people import why_not
from quietward.dashboard.history.forgetting import forget, why_not_yet
from quietward.dashboard.live.hub import Hub
from quietward.dashboard.routes import commands
from quietward.dashboard.web.request_body import read_body
from quietward.dashboard.web.responses import json_response
from quietward.dashboard.web.templates import error_in_words
from quietward.runtime import metrics
from quietward.runtime.clock import now_ms
from quietward.store.client import RedisError

AUTH_CHECK_S = 5.0
"""An open WebSocket is checked this often: whoever signs out, or is removed, gets no more frames."""


def add_routes(server: FastAPI, hub: Hub, authenticator: Authenticator) -> None:
    """Register /health, /clock, /log/{bed}, /act and the WebSocket /live."""

    @server.get("/health")
    async def health() -> dict[str, object]:
        """Say of how many beds a signal has come, about how many of them a detector has said anything, and whether
        every worker has worked its last second through. Answers 200 in any case: this page can still be shown.
        """
        beds, watched = len(hub.signals), len(hub.summaries)
        troubles = [*hub.troubles(), *hub.troubles_of_ward(now_ms())]
        return {
            "ward": hub.ward.name, "beds": beds, "watched": watched, "frames": hub.frame_number,
            "well": not troubles, "troubles": troubles,
        }  # fmt: skip

    @server.get("/clock")
    async def clock() -> Response:
        """Say what time it is by this server, for a page that compares its screen's clock."""
        return json_response({"now": now_ms()})

    @server.get("/log/{bed}")
    async def log_of(bed: str) -> Response:
        return json_response({"notice": NOTICE, "events": await hub.log(bed)})

    @server.post("/act")
    async def send_command(request: Request) -> Response:
        user = user_of(request)
        try:
            body = await read_body(request, commands.MAX_BYTES)
            command = commands.parse(body, hub.beds, hub.policy, {device.name for device in hub.unexpected})
        except commands.BadCommand as error:
            return Response(error_in_words(error), error.status)
        kind = str(command.__struct_config__.tag)
        to = command.to if isinstance(command, Move) else ""
        if refusal := why_not(user.role, command):
            await authenticator.audit(user, f"{kind}: refused", command.bed, to=to, refused=True)
            return Response(refusal, 403)
        if user.name:
            command = structs.replace(command, by=user.name)  # takes precedence over the name typed on the page
        if isinstance(command, TakeIn):
            await hub.take_in(command.bed)
        elif isinstance(command, Forget):
            undo_s = 0 if hub.policy is None else hub.policy.undo_stay_s
            if why := why_not_yet(hub.summaries.get(command.bed), command.stay, undo_s, now_ms()):
                return Response(why, 409)
            await forget(hub.store, hub.ward, command.bed, command.stay)
        else:
            await hub.send(command)
        await authenticator.audit(user, kind, command.bed, command.by, to=to)
        metrics.ACTS.labels(kind).inc()
        return Response(status_code=204)

    @server.websocket("/live")
    async def live(ws: WebSocket) -> None:
        await ws.accept()
        with metrics.PAGES.track_inprogress():
            await _send_frames(hub, authenticator, ws)


async def _send_frames(hub: Hub, authenticator: Authenticator, ws: WebSocket) -> None:
    """Send frames until the browser, or the server that stops, has closed the connection."""

    async def until_disconnected() -> None:
        while (await ws.receive())["type"] != "websocket.disconnect":
            pass

    listening = asyncio.create_task(until_disconnected(), name="listen")
    sending = asyncio.create_task(_send_while_signed_in(hub, authenticator, ws), name="send")
    try:
        await asyncio.wait([listening, sending], return_when=asyncio.FIRST_COMPLETED)
        if sending.done():
            sending.result()
    except (WebSocketDisconnect, RuntimeError):
        pass  # the browser disconnected while we were sending
    finally:
        listening.cancel()
        sending.cancel()


async def _send_while_signed_in(hub: Hub, authenticator: Authenticator, ws: WebSocket) -> None:
    now = asyncio.get_running_loop().time
    sent = hub.frame_number  # before the snapshot, so that no frame made while it is sent gets skipped
    await ws.send_bytes(hub.snapshot())
    checked_at = now()
    while True:
        number, frame = await hub.next_frame(sent)
        if now() - checked_at > AUTH_CHECK_S:
            checked_at = now()
            if not await _is_still_signed_in(authenticator, ws):
                await ws.close(NOT_SIGNED_IN)
                return
        skipped, sent = number - sent - 1, number
        await ws.send_bytes(hub.snapshot() if skipped else frame)  # a slow browser gets everything again


async def _is_still_signed_in(authenticator: Authenticator, ws: WebSocket) -> bool:
    try:
        return await authenticator.user(ws.headers) is not None
    except RedisError:
        return True  # the page shows that the store is away; whoever was signed in may see that
