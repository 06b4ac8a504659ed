"""Studies on the page: all that `quietward study --out` has written into a folder, and the example."""

import re
from pathlib import Path

from fastapi import FastAPI, Response

from quietward.contracts.notice import NOTICE
from quietward.dashboard.web.responses import json_answer

NAME = re.compile(r"[\w-]{1,64}")
WHAT_IF, REPORT = "what-if.json", "report.html"
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; sandbox"
"""A report is a file from a folder: it may look as it likes, and do nothing."""


def find(*folders: Path) -> dict[str, Path]:
    """Return the folders of all studies by name; of two of one name that of the later folder."""
    return {
        one.name: one
        for folder in folders
        if folder.is_dir()
        for one in sorted(folder.iterdir())
        if NAME.fullmatch(one.name) and (one / WHAT_IF).is_file()
    }


def add_routes(server: FastAPI, *folders: Path) -> None:
    """Add the routes to the server."""

    def file(name: str, file: str, media_type: str) -> Response:
        study = find(*folders).get(name)
        if study is None or not (study / file).is_file():
            return Response(f"study: {name!r}. There is no {file} of such a study in {folders[-1]}", 404)
        return Response((study / file).read_bytes(), media_type=media_type)

    @server.get("/studies")
    def studies() -> Response:
        found = find(*folders)
        with_report = [name for name, place in found.items() if (place / REPORT).is_file()]
        return json_answer({"notice": NOTICE, "studies": list(found), "with_report": with_report})

    @server.get(f"/studies/{{name}}/{WHAT_IF}")
    def what_if(name: str) -> Response:
        return file(name, WHAT_IF, "application/json")

    @server.get(f"/studies/{{name}}/{REPORT}")
    def report(name: str) -> Response:
        answer = file(name, REPORT, "text/html; charset=utf-8")
        answer.headers["content-security-policy"] = REPORT_POLICY
        return answer
