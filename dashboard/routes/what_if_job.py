"""The what-if job: recomputes the flags of the ward's last hours under other policies, in a process of its settings."""

import asyncio
import contextlib
import os
from dataclasses import dataclass, field
from pathlib import Path

from fastapi import FastAPI, Request, Response
from msgspec import Struct
from starlette.responses import PlainTextResponse

from quietward.contracts.settings import Settings
from quietward.dashboard.auth.authentication import Authenticator, user_of
from quietward.dashboard.auth.people import Role
from quietward.dashboard.web.responses import json_response
from quietward.runtime.embedded import die_when_parent_dies
from quietward.runtime.process import command_of

RUNNING_SHIFT = "running-shift"
"""Name of the study that the job writes."""
HOURS = ("1", "2", "4", "8")
NICENESS = 10
"""Of the job's process: ingest, detector and page take precedence."""


class JobStatus(Struct, frozen=True):
    """Status of the job. state: idle, working, done or failed; text: the same in words; study: the one it writes."""

    state: str
    text: str
    study: str = RUNNING_SHIFT


@dataclass
class WhatIfJob:
    """Runs `quietward what-if`, one run at a time."""

    settings: Settings
    status: JobStatus = field(default_factory=lambda: JobStatus("idle", ""))
    task: asyncio.Task[None] | None = None

    def begin(self, hours: str) -> JobStatus:
        """Start a run over the last hours, unless one is under way."""
        if self.status.state != "working":
            self.status = JobStatus("working", f"Calculating the last {hours} h …")
            self.task = asyncio.create_task(self._run(hours), name="what-if job")
        return self.status

    async def _run(self, hours: str) -> None:
        try:
            out = str(Path(self.settings.studies) / RUNNING_SHIFT)
            error = await run_what_if(self.settings, "--hours", hours, "--out", out)
        except OSError as exception:
            error = f"it could not be started: {exception.strerror}"
        self.status = JobStatus("failed", error) if error else JobStatus("done", f"The last {hours} h are worked out.")


async def run_what_if(settings: Settings, *arguments: str) -> str:
    """Run `quietward what-if` at low priority with this server's settings; return its error, empty if it succeeded.

    The process ends when this is cancelled, and when the server dies. Raises OSError when it cannot be started.
    """
    environment = os.environ | {
        "QUIETWARD_WARD": settings.ward, "QUIETWARD_STORE": settings.store, "QUIETWARD_SHARDS": str(settings.shards),
        "QUIETWARD_POLICY": settings.policy, "QUIETWARD_STUDIES": settings.studies, "QUIETWARD_STORE_PASSWORD_FILE": "",
        "QUIETWARD_TLS_CA": settings.tls_ca, "QUIETWARD_TLS_CERTIFICATE": settings.tls_certificate,
        "QUIETWARD_TLS_KEY": settings.tls_key,
    }  # fmt: skip
    process = await asyncio.create_subprocess_exec(
        *command_of("what-if", *arguments), env=environment, preexec_fn=die_when_parent_dies,
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        with contextlib.suppress(OSError):  # its niceness is higher already, or it has just ended
            os.setpriority(os.PRIO_PROCESS, process.pid, NICENESS)
        _, stderr = await process.communicate()
    except asyncio.CancelledError:
        process.kill()
        raise
    lines = stderr.decode(errors="replace").strip().splitlines()
    if not process.returncode:
        return ""
    return lines[-1] if lines else "the job ended without a message"


def add_routes(server: FastAPI, job: WhatIfJob, authenticator: Authenticator) -> None:
    """Register the routes that start the job and tell its status."""

    @server.get("/studies/running")
    async def status() -> Response:
        return json_response(job.status)

    @server.post("/studies/running")
    async def begin(request: Request, hours: str = "4") -> Response:
        if hours not in HOURS:
            return PlainTextResponse(f"hours: {hours!r}. Use one of {', '.join(HOURS)}", 422)
        user = user_of(request)
        if user.role is Role.VIEWER:
            return PlainTextResponse("a viewer may not do that; ask whoever is in charge", 403)
        await authenticator.audit(user, f"worked out the last {hours} h")
        return json_response(job.begin(hours))
