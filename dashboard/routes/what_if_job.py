"""Works out, in a process of its own, what the flags of the ward's last hours would have been under other numbers."""

import asyncio
import contextlib
import os
from dataclasses import dataclass, field
from pathlib import Path

from fastapi import FastAPI, Request, Response
from msgspec import Struct
from starlette.responses import PlainTextResponse

from quietward.contracts.settings import Settings
from quietward.dashboard.auth.gate import Gate, visitor_of
from quietward.dashboard.auth.people import Role
from quietward.dashboard.web.responses import json_answer
from quietward.runtime.embedded import die_when_parent_dies
from quietward.runtime.process import command_of

STUDY = "running-shift"
HOURS = ("1", "2", "4", "8")
CALMLY = 10
"""Niceness of that process: ingest, detector and page go first."""


class State(Struct, frozen=True):
    """How it stands. state: idle, working, done or failed; text: in words; study: what it is called on the page."""

    state: str
    text: str
    study: str = STUDY


@dataclass
class WorkingOut:
    """One at a time."""

    settings: Settings
    state: State = field(default_factory=lambda: State("idle", ""))
    task: asyncio.Task[None] | None = None

    def begin(self, hours: str) -> State:
        """Begin, unless it is under way."""
        if self.state.state != "working":
            self.state = State("working", f"The last {hours} h are being worked out …")
            self.task = asyncio.create_task(self._work(hours), name="working out")
        return self.state

    async def _work(self, hours: str) -> None:
        try:
            out = str(Path(self.settings.studies) / STUDY)
            failed = await run_what_if(self.settings, "--hours", hours, "--out", out)
        except OSError as error:
            failed = f"it could not be started: {error.strerror}"
        self.state = State("failed", failed) if failed else State("done", f"The last {hours} h are worked out.")


async def run_what_if(settings: Settings, *arguments: str) -> str:
    """Run `quietward what-if` at low priority, with this server's settings; return what went wrong, empty if nothing.

    Raises OSError when it cannot be started. Ends it when cancelled, and when this process dies.
    """
    environment = os.environ | {
        "QUIETWARD_WARD": settings.ward, "QUIETWARD_STORE": settings.store, "QUIETWARD_SHARDS": str(settings.shards),
        "QUIETWARD_POLICY": settings.policy, "QUIETWARD_STUDIES": settings.studies,
    }  # fmt: skip
    process = await asyncio.create_subprocess_exec(
        *command_of("what-if", *arguments), env=environment, preexec_fn=die_when_parent_dies,
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        with contextlib.suppress(OSError):  # it is calm enough already, or has just ended
            os.setpriority(os.PRIO_PROCESS, process.pid, CALMLY)
        _, said = await process.communicate()
    except asyncio.CancelledError:
        process.kill()
        raise
    lines = said.decode(errors="replace").strip().splitlines()
    if not process.returncode:
        return ""
    return lines[-1] if lines else "it ended without a word"


def add_routes(server: FastAPI, work: WorkingOut, gate: Gate) -> None:
    """Add the routes to the server."""

    @server.get("/studies/running")
    async def state() -> Response:
        return json_answer(work.state)

    @server.post("/studies/running")
    async def begin(request: Request, hours: str = "4") -> Response:
        if hours not in HOURS:
            return PlainTextResponse(f"hours: {hours!r}. Use one of {', '.join(HOURS)}", 422)
        visitor = visitor_of(request)
        if visitor.role is Role.VIEWER:
            return PlainTextResponse("a viewer may not do that; ask whoever is in charge", 403)
        await gate.note(visitor, f"worked out the last {hours} h")
        return json_answer(work.begin(hours))
