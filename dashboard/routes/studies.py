"""Routes of the studies: all that `quietward study --out` has written into a folder, and the example."""

import re
from pathlib import Path

import msgspec
from fastapi import FastAPI, Response
from msgspec import Struct, field

from quietward.contracts.fields import encode_json
from quietward.contracts.notice import NOTICE
from quietward.dashboard.web.responses import json_response

NAME = re.compile(r"[\w-]{1,64}")
WHAT_IF, REPORT, NUMBERS = "what-if.json", "report.html", "report.json"
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; sandbox"
"""A report comes from a folder of the operator's: it may bring styles and pictures, but no scripts."""


class Measured(Struct, frozen=True):
    """A number with its 95 % interval; None where it is not known."""

    value: float | None
    low: float | None
    high: float | None


class StudyVariant(Struct, frozen=True):
    """One variant of a study. rate: interruptions per nurse-hour. late: share of the needs not reached in time.

    on_front: no variant has both fewer interruptions and fewer late.
    """

    name: str
    kind: str
    numbers: dict[str, float]
    late: Measured
    meets: bool
    on_front: bool
    rate: Measured = field(name="interruptions_per_nurse_hour")


class StudyLimit(Struct, frozen=True):
    """What a study asks for."""

    interruptions_per_nurse_hour: float
    reached_share: float
    reached_within_min: float
    level: str


class _Study(Struct, frozen=True):
    limit: StudyLimit


class _Choice(Struct, frozen=True):
    why: str
    alike: list[str]


class StudyAnswer(Struct, frozen=True):
    """What the Study page says above its slider, out of a study's report.json. chosen: None where none can be."""

    headline: str
    chosen: str | None
    choice: _Choice
    study: _Study
    rows: list[StudyVariant]


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

    @server.get("/studies/{name}/answer.json")
    def answer(name: str) -> Response:
        response = file(name, NUMBERS, "application/json")
        if response.status_code != 200:
            return response
        try:
            found = msgspec.json.decode(bytes(response.body), type=StudyAnswer)
        except msgspec.DecodeError as error:
            return Response(f"study: {name!r}. Its {NUMBERS} cannot be read ({error}); run the study again", 404)
        return Response(encode_json({"notice": NOTICE, "answer": found}), media_type="application/json")

    @server.get(f"/studies/{{name}}/{REPORT}")
    def report(name: str) -> Response:
        response = file(name, REPORT, "text/html; charset=utf-8")
        response.headers["content-security-policy"] = REPORT_POLICY
        return response
