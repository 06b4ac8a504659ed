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
from quietward.dashboard.routes.what_if_job import State, run_what_if
from quietward.dashboard.web.responses import json_answer

STUDY = "default-policy"


@dataclass
class Example:
    """The example, in a folder that ends with the server."""

    settings: Settings
    state: State = field(default_factory=lambda: State("idle", "", STUDY))
    task: asyncio.Task[None] | None = None
    directory: TemporaryDirectory[str] = field(default_factory=lambda: TemporaryDirectory(prefix="quietward-example-"))

    @property
    def folder(self) -> Path:
        """A folder of studies: this one, once it is there."""
        return Path(self.directory.name)

    def begin(self) -> State:
        """Begin, unless it is there or under way."""
        if self.state.state in ("idle", "failed"):
            text = (
                "There is no study of this ward yet. An example is being worked out, from one simulated night shift; "
                "it takes about a minute …"
            )
            self.state = State("working", text, STUDY)
            self.task = asyncio.create_task(self._work(), name="example study")
        return self.state

    async def _work(self) -> None:
        try:
            failed = await run_what_if(self.settings, "--study", STUDY, "--out", str(self.folder / STUDY))
        except OSError as error:
            failed = f"it could not be started: {error.strerror}"
        self.state = State("failed", failed, STUDY) if failed else State("done", "", STUDY)


def add_routes(server: FastAPI, example: Example) -> None:
    """Add the routes to the server."""

    @server.get("/studies/example")
    async def state() -> Response:
        return json_answer(example.state)

    @server.post("/studies/example")
    async def begin() -> Response:
        return json_answer(example.begin())
