"""Studies on the page: one that comes along, and all that `quietward study --out` has written into a folder."""

import re
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from fastapi import FastAPI, Response

from quietward.contracts.notice import NOTICE
from quietward.dashboard.web.responses import json_answer

NAME = re.compile(r"[\w-]{1,64}")
WHAT_IF, REPORT = "what-if.json", "report.html"
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; sandbox"
"""A report is a file from a folder: it may look as it likes, and do nothing."""


def find(folder: Path) -> dict[str, Traversable]:
    """Return the folders of all studies by name; one of the operator's hides one of the same name that comes along."""
    found: dict[str, Traversable] = {}
    for place in (files("quietward.dashboard") / "studies", folder):
        if place.is_dir():
            found |= {
                one.name: one
                for one in sorted(place.iterdir(), key=lambda p: p.name)
                if NAME.fullmatch(one.name) and (one / WHAT_IF).is_file()
            }
    return found


def add_routes(server: FastAPI, folder: Path) -> None:
    """Add the routes to the server."""

    @server.get("/studies")
    def studies() -> Response:
        found = find(folder)
        with_report = [name for name, place in found.items() if (place / REPORT).is_file()]
        return json_answer({"notice": NOTICE, "studies": list(found), "with_report": with_report})

    @server.get(f"/studies/{{name}}/{WHAT_IF}")
    def what_if(name: str) -> Response:
        return _file(folder, name, WHAT_IF, "application/json")

    @server.get(f"/studies/{{name}}/{REPORT}")
    def report(name: str) -> Response:
        answer = _file(folder, name, REPORT, "text/html; charset=utf-8")
        answer.headers["content-security-policy"] = REPORT_POLICY
        return answer


def _file(folder: Path, name: str, file: str, media_type: str) -> Response:
    study = find(folder).get(name)
    if study is None or not (study / file).is_file():
        return Response(f"study: {name!r}. There is no {file} of such a study in {folder}", 404)
    return Response((study / file).read_bytes(), media_type=media_type)
