"""Routes of a user's account: /sign-in, /sign-out, /me; of who is in charge: the audit log, and what was refused."""

import asyncio
from urllib.parse import parse_qs

from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.responses import PlainTextResponse

from quietward.dashboard.auth import audit
from quietward.dashboard.auth.authentication import ANYBODY, Authenticator, User, user_of
from quietward.dashboard.auth.middleware import SIGN_IN, SIGN_OUT
from quietward.dashboard.auth.people import People, Role, password_matches
from quietward.dashboard.auth.sessions import SESSION_S
from quietward.dashboard.web import pages
from quietward.dashboard.web.request_body import read_body
from quietward.dashboard.web.responses import json_response
from quietward.runtime.refused import read_refused

MAX_FORM_BYTES = 2048
MAX_NAME_LENGTH = 64


def add_routes(server: FastAPI, authenticator: Authenticator) -> None:
    """Register /me, /audit.json and /refused.json, and where people sign in also /sign-in and /sign-out."""

    @server.get("/me")
    async def me(request: Request) -> Response:
        user = user_of(request)
        return json_response({"open": user is ANYBODY, "name": user.name, "role": user.role.value})

    @server.get("/audit.json")
    async def audit_log(request: Request) -> Response:
        if user_of(request).role is not Role.IN_CHARGE:
            return PlainTextResponse("Only the nurse in charge can read the audit log", 403)
        entries = await audit.read_newest(authenticator.sessions.store, authenticator.sessions.ward)
        return json_response({"deeds": entries})

    @server.get("/refused.json")
    async def refused(request: Request) -> Response:
        if user_of(request).role is not Role.IN_CHARGE:
            return PlainTextResponse("Only the nurse in charge can read what was refused", 403)
        return json_response({"refused": await read_refused(authenticator.sessions.store, authenticator.sessions.ward)})

    if authenticator.people is not None:
        _add_sign_in(server, authenticator, authenticator.people)


def _add_sign_in(server: FastAPI, authenticator: Authenticator, people: People) -> None:
    sessions = authenticator.sessions
    one_check = asyncio.Semaphore(1)  # a check is slow on purpose: many at once must not starve the ward

    @server.get(SIGN_IN)
    async def sign_in_page(request: Request) -> Response:
        return HTMLResponse(pages.sign_in(local_path(request.query_params.get("next", "/"))))

    @server.post(SIGN_IN)
    async def sign_in(request: Request) -> Response:
        form = parse_qs((await read_body(request, MAX_FORM_BYTES)).decode("utf-8", "replace"))
        name, password, target = (form.get(key, [""])[0] for key in ("name", "password", "next"))
        target, address = local_path(target), request.client.host if request.client else ""
        person = people.find(name)
        locked_s = await sessions.count_attempt(name, address, is_known=person is not None)
        if locked_s:
            message = f"Too many wrong passwords. Try again in {-(-locked_s // 60)} min."
            page = pages.sign_in(target, message, name[:MAX_NAME_LENGTH])
            return HTMLResponse(page, 429, {"retry-after": str(locked_s)})
        async with one_check:
            matches = await asyncio.to_thread(password_matches, person, password)
        if not matches or person is None:
            who = name[:MAX_NAME_LENGTH]  # as it was typed; whoever that was has no role
            await audit.append(sessions.store, sessions.ward, who, role="", what="could not sign in", refused=True)
            return HTMLResponse(pages.sign_in(target, "Name or password is wrong.", who), 401)
        await sessions.undo_attempt(name, address)
        await authenticator.audit(User(person.name, person.role), "signed in")
        response = RedirectResponse(target, 303)
        response.set_cookie(
            authenticator.cookie, await sessions.begin(person.name, person.credential_version), max_age=SESSION_S,
            httponly=True, samesite="strict", secure=request.url.scheme == "https",
        )  # fmt: skip
        return response

    @server.post(SIGN_OUT)
    async def sign_out(request: Request) -> Response:
        user = user_of(request)
        if user.session is not None:
            await sessions.end(user.session)
            await authenticator.audit(user, "signed out")
        response = Response(status_code=204)
        response.delete_cookie(authenticator.cookie, httponly=True, samesite="strict")
        return response


def local_path(path: str) -> str:
    """Return the path if it stays on this server, and "/" for anything that could lead elsewhere."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable() else "/"
