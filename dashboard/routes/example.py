"""An example for the Study page of a ward that has no study yet: the first shift of one that comes along.

It is computed once for each page server, when the Study page first asks for it, by the code that runs here: an example
in the repository would be half a megabyte that grows stale with every change of the detector.
"""

import asyncio
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

from fastapi import FastAPI, Response

from quietward.contracts.settings import Settings
from quietward.dashboard.routes.what_if_job import JobStatus, run_what_if
from quietward.dashboard.web.responses import json_response

STUDY = "default-policy"


@dataclass
class ExampleStudy:
    """The example, in a folder that is deleted with the server."""

    settings: Settings
    status: JobStatus = field(default_factory=lambda: JobStatus("idle", "", STUDY))
    task: asyncio.Task[None] | None = None
    directory: TemporaryDirectory[str] = field(default_factory=lambda: TemporaryDirectory(prefix="quietward-example-"))

    @property
    def folder(self) -> Path:
        """A folder of studies: this one, once it is there."""
        return Path(self.directory.name)

    def begin(self) -> JobStatus:
        """Start the computation, unless it is done or under way."""
        if self.status.state in ("idle", "failed"):
            text = (
                "There is no study of this ward yet. An example is being calculated, from one simulated night shift; "
                "it takes about a minute …"
            )
            self.status = JobStatus("working", text, STUDY)
            self.task = asyncio.create_task(self._work(), name="example study")
        return self.status

    async def _work(self) -> None:
        try:
            error = await run_what_if(self.settings, "--study", STUDY, "--out", str(self.folder / STUDY))
        except OSError as exception:
            error = f"it could not be started: {exception.strerror}"
        self.status = JobStatus("failed", error, STUDY) if error else JobStatus("done", "", STUDY)


def add_routes(server: FastAPI, example: ExampleStudy) -> None:
    """Register the routes that start the computation and tell its status."""

    @server.get("/studies/example")
    async def status() -> Response:
        return json_response(example.status)

    @server.post("/studies/example")
    async def begin() -> Response:
        return json_response(example.begin())
