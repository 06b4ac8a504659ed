"""Routes of the studies: all that `quietward study --out` has written into a folder, and the example."""

import re
from pathlib import Path

from fastapi import FastAPI, Response

from quietward.contracts.notice import NOTICE
from quietward.dashboard.web.responses import json_response

NAME = re.compile(r"[\w-]{1,64}")
WHAT_IF, REPORT = "what-if.json", "report.html"
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; sandbox"
"""A report comes from a folder of the operator's: it may bring styles and pictures, but no scripts."""


def find_studies(*folders: Path) -> dict[str, Path]:
    """Return the folder of every study by name; a study in a later folder hides one of the same name."""
    return {
        child.name: child
        for folder in folders
        if folder.is_dir()
        for child in sorted(folder.iterdir())
        if NAME.fullmatch(child.name) and (child / WHAT_IF).is_file()
    }


def add_routes(server: FastAPI, *folders: Path) -> None:
    """Register the routes. folders: of studies; they need not exist."""

    def file(name: str, file: str, media_type: str) -> Response:
        study = find_studies(*folders).get(name)
        if study is None or not (study / file).is_file():
            return Response(f"study: {name!r}. There is no {file} of such a study in {folders[-1]}", 404)
        return Response((study / file).read_bytes(), media_type=media_type)

    @server.get("/studies")
    def list_studies() -> Response:
        studies = find_studies(*folders)
        with_report = [name for name, study in studies.items() if (study / REPORT).is_file()]
        return json_response({"notice": NOTICE, "studies": list(studies), "with_report": with_report})

    @server.get(f"/studies/{{name}}/{WHAT_IF}")
    def what_if(name: str) -> Response:
        return file(name, WHAT_IF, "application/json")

    @server.get(f"/studies/{{name}}/{REPORT}")
    def report(name: str) -> Response:
        response = file(name, REPORT, "text/html; charset=utf-8")
        response.headers["content-security-policy"] = REPORT_POLICY
        return response
