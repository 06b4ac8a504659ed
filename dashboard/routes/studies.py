"""Routes of the studies: the one in the package, and all that `quietward study --out` has written into a folder."""

import re
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from fastapi import FastAPI, Response

from quietward.contracts.notice import NOTICE
from quietward.dashboard.web.responses import json_response

NAME = re.compile(r"[\w-]{1,64}")
WHAT_IF, REPORT = "what-if.json", "report.html"
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; sandbox"
"""A report comes from a folder of the operator's: it may bring styles and pictures, but no scripts."""


def find_studies(folder: Path) -> dict[str, Traversable]:
    """Return the folder of every study by name; a study in `folder` hides one of the same name in the package."""
    studies: dict[str, Traversable] = {}
    for parent in (files("quietward.dashboard") / "studies", folder):
        if parent.is_dir():
            studies |= {
                child.name: child
                for child in sorted(parent.iterdir(), key=lambda p: p.name)
                if NAME.fullmatch(child.name) and (child / WHAT_IF).is_file()
            }
    return studies


def add_routes(server: FastAPI, folder: Path) -> None:
    """Register the routes. folder: the operator's, which need not exist."""

    @server.get("/studies")
    def list_studies() -> Response:
        studies = find_studies(folder)
        with_report = [name for name, study in studies.items() if (study / REPORT).is_file()]
        return json_response({"notice": NOTICE, "studies": list(studies), "with_report": with_report})

    @server.get(f"/studies/{{name}}/{WHAT_IF}")
    def what_if(name: str) -> Response:
        return _file(folder, name, WHAT_IF, "application/json")

    @server.get(f"/studies/{{name}}/{REPORT}")
    def report(name: str) -> Response:
        response = _file(folder, name, REPORT, "text/html; charset=utf-8")
        response.headers["content-security-policy"] = REPORT_POLICY
        return response


def _file(folder: Path, name: str, file: str, media_type: str) -> Response:
    study = find_studies(folder).get(name)
    if study is None or not (study / file).is_file():
        return Response(f"study: {name!r}. There is no {file} of such a study in {folder}", 404)
    return Response((study / file).read_bytes(), media_type=media_type)
