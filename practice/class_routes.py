"""What the Practice page asks the server for a class: its sets, and what learners have answered."""

from collections import Counter

from fastapi import FastAPI, Request, Response
from msgspec import Struct

from quietward.contracts.errors import QuietwardError
from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.contracts.tables import parse_json
from quietward.dashboard.auth.authentication import user_of
from quietward.dashboard.auth.people import Role
from quietward.dashboard.web.request_body import read_body
from quietward.dashboard.web.responses import file_response, json_response
from quietward.dashboard.web.templates import error_in_words
from quietward.practice.desk import LARGEST_BYTES, Desk
from quietward.practice.progress import of_class
from quietward.practice.results import Results, as_csv
from quietward.practice.sets import BadSet, Classroom, NewSet, PracticeSet
from quietward.practice.strip import BadStrip


class NotInCharge(QuietwardError):
    """Somebody else asks for what a class has answered."""


class BadNewSet(QuietwardError):
    """What was sent is no set."""


class SetRow(Struct, frozen=True):
    """A set as it is listed. trouble: why it cannot be used, empty if it can."""

    name: str
    title: str
    strips: int
    answers: int
    trouble: str


class StripRow(Struct, frozen=True):
    """A strip of a set, for its teacher. truth: who says what is true; trouble: why it cannot be used."""

    name: str
    truth: str
    minutes: int
    events: int
    trouble: str


def add_routes(server: FastAPI, desk: Desk) -> None:
    """Register the routes; all but a single set are for whoever is in charge."""

    @server.get("/practice/sets")
    async def list_sets(request: Request) -> Response:
        only_in_charge(request)
        sets = await desk.work(_list_sets, desk.classroom, desk.results)
        return json_response({"notice": NOTICE, "folder": str(desk.classroom.folder), "sets": sets})

    @server.post("/practice/sets")
    async def make_set(request: Request) -> Response:
        only_in_charge(request)
        new = parse_json(await read_body(request, LARGEST_BYTES), NewSet, "set", BadNewSet)
        await desk.work(desk.classroom.write, new)
        return json_response({"notice": NOTICE, "name": new.name})

    @server.get("/practice/sets/{name}")
    async def one_set(name: str) -> Response:
        practice_set = await desk.work(desk.classroom.read, name)
        codes = [one.code for one in practice_set.strips]
        return json_response({"notice": NOTICE, "name": name, "title": practice_set.title, "strips": codes})

    @server.get("/practice/sets/{name}/overview")
    async def overview(name: str, request: Request) -> Response:
        only_in_charge(request)
        practice_set = await desk.work(desk.classroom.read, name)
        strips = [await desk.work(_describe, practice_set, place) for place in range(len(practice_set.strips))]
        own = [one for one in await desk.work(desk.results.read) if one.set == name]
        return json_response({"notice": NOTICE, "strips": strips, "learners": of_class(own)})

    @server.get("/practice/sets/{name}/results.csv")
    async def export(name: str, request: Request) -> Response:
        only_in_charge(request)
        await desk.work(desk.classroom.read, name)
        own = [one for one in await desk.work(desk.results.read) if one.set == name]
        return file_response(as_csv(own).encode(), "text/csv; charset=utf-8", f"practice-{name}.csv")


def only_in_charge(request: Request) -> None:
    """Raise NotInCharge unless the user is."""
    role = user_of(request).role
    if role is not Role.IN_CHARGE:
        raise NotInCharge("sets and results of a class", role.value, "Ask whoever is in charge")


def _list_sets(classroom: Classroom, results: Results) -> list[SetRow]:
    answers = Counter(one.set for one in results.read())
    rows = []
    for name in classroom.names():
        try:
            practice_set = classroom.read(name)
            rows.append(SetRow(name, practice_set.title, len(practice_set.strips), answers[name], ""))
        except (BadSet, BadStrip) as error:
            rows.append(SetRow(name, name, 0, answers[name], error_in_words(error)))
    return rows


def _describe(practice_set: PracticeSet, place: int) -> StripRow:
    strip = practice_set.strips[place]
    try:
        made = practice_set.make(strip)
    except QuietwardError as error:
        return StripRow(strip.name, "", 0, 0, error_in_words(error))
    name = made.scenario if strip.path is None else strip.name
    return StripRow(name, made.truth, round(len(made.fhr) / HZ / 60), len(made.events), "")
