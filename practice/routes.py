"""The Practice pages and what they ask the server for. Nothing a learner is to find is sent before she has answered."""

from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import numpy as np
from fastapi import FastAPI, Request, Response
from fastapi.staticfiles import StaticFiles

from quietward.contracts.errors import BadRecording, MissingExtra, QuietwardError
from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.contracts.tables import parse_json
from quietward.dashboard.auth.authentication import user_of
from quietward.dashboard.auth.people import Role
from quietward.dashboard.view.signal_buffer import NO_VALUE
from quietward.dashboard.web.pages import Extension, Page
from quietward.dashboard.web.request_body import read_body
from quietward.dashboard.web.responses import json_response
from quietward.dashboard.web.templates import error_in_words
from quietward.detect import rule_file
from quietward.detect.core.state.rules import Rules
from quietward.practice import class_routes, simulated
from quietward.practice.answer import Answer, BadAnswer, check
from quietward.practice.class_routes import BadNewSet, NotInCharge
from quietward.practice.compare import Comparison, compare
from quietward.practice.desk import LARGEST_BYTES, Desk, TooMany
from quietward.practice.marks import BadMarks
from quietward.practice.progress import progress
from quietward.practice.results import NotKept, Result
from quietward.practice.sets import BadSet, Classroom
from quietward.practice.strip import BadStrip
from quietward.recordings.recording import Signal
from quietward.runtime.clock import now_ms
from quietward.simulator import scenario

PAGE_PATH = "/practice/page"

STATUS: dict[type[QuietwardError], int] = {
    BadStrip: 404, BadSet: 404, BadRecording: 404, BadMarks: 404, MissingExtra: 404, BadAnswer: 422, BadNewSet: 422,
    NotInCharge: 403, NotKept: 503, TooMany: 503,
}  # fmt: skip
"""What each error is as an answer; its words are what the page shows."""


def extension(folder: Path) -> Extension:
    """Return the Practice pages, as the dashboard takes them. folder: of sets and results. Raises BadRules."""
    rules = rule_file.load()
    classes = {one.name: one.classes for one in rules.rule_sets}
    bounds = (rules.reading.signal.fhr_lowest_bpm, rules.reading.signal.fhr_highest_bpm)
    data = {"classes": classes, "bounds": bounds}
    style = f"{PAGE_PATH}/practice.css"
    pages = (
        Page("/practice", "practice", "Practice", f"{PAGE_PATH}/view.mjs", style, data),
        Page("/practice/progress", "learner", "", f"{PAGE_PATH}/progress.mjs", style),
    )
    return Extension(pages, lambda server: add_routes(server, folder))


def add_routes(server: FastAPI, folder: Path) -> None:
    """Add the routes to the server."""
    rules = rule_file.load()
    desk = Desk(folder)
    server.router.on_shutdown.append(desk.close)
    server.mount(PAGE_PATH, StaticFiles(directory=str(files("quietward.practice") / "page")))

    def as_response(status: int) -> Callable[[Request, Exception], Response]:
        return lambda _, error: Response(error_in_words(error), status)

    for kind, status in STATUS.items():
        server.add_exception_handler(kind, as_response(status))

    @server.get("/practice/scenarios")
    async def scenarios() -> Response:
        of_one_fetus = [name for name in scenario.names() if not scenario.load(name).second_twin]
        names = [{"name": name, "digest": simulated.code_of(name, 0).rpartition("-")[0]} for name in of_one_fetus]
        return json_response({"notice": NOTICE, "largest_seed": simulated.LARGEST_SEED, "scenarios": names})

    @server.get("/practice/strips/{code}")
    async def signals(code: str) -> Response:
        made = await desk.work(desk.classroom.make, code)
        for one in rules.rule_sets:
            desk.prepare(desk.classroom.ask_detector, code, one.name)
        seconds = len(made.fhr) // HZ
        return json_response(
            {"notice": NOTICE, "seconds": seconds, "fhr": _as_integers(made.fhr, 4), "ua": _as_integers(made.ua, 2)}
        )

    @server.post("/practice/strips/{code}/answer")
    async def answer(code: str, request: Request) -> Response:
        given = parse_json(await read_body(request, LARGEST_BYTES), Answer, "answer", BadAnswer)
        check(given, rules)
        compared, name = await desk.work(_compare, desk.classroom, code, given, rules)
        learner, trouble = given.learner.strip(), ""
        if learner:
            account = user_of(request).name
            result = Result(now_ms(), given.set, name, learner, account, compared.score, compared.mistakes)
            try:
                await desk.work(desk.results.append, result)
            except NotKept as error:
                trouble = error_in_words(error)
        return json_response(
            {"notice": NOTICE, "compared": compared, "kept": bool(learner) and not trouble, "trouble": trouble}
        )

    @server.get("/practice/learner")
    async def learner(request: Request, label: str = "") -> Response:
        """A label shows what was answered under one's own account; to whoever is in charge, all of it."""
        user = user_of(request)
        is_in_charge = user.role is Role.IN_CHARGE
        answers = [
            one
            for one in await desk.work(desk.results.read)
            if one.learner == label.strip() and (is_in_charge or one.account == user.name)
        ]
        return json_response({"notice": NOTICE, "progress": progress(label.strip(), answers)})

    class_routes.add_routes(server, desk)


def _compare(classroom: Classroom, code: str, answer: Answer, rules: Rules) -> tuple[Comparison, str]:
    """Return the comparison, and what results call the strip. Raises BadAnswer if it is not of the set it names."""
    _, strip = classroom.find(code)
    if answer.set and strip not in classroom.read(answer.set).strips:
        raise BadAnswer("answer: set", answer.set, "This strip is not in it; open the set's link again")
    return compare(classroom.make(code), classroom.ask_detector(code, answer.rules), answer, rules), strip.name


def _as_integers(signal: Signal, per_unit: int) -> list[int]:
    """Return a signal as integers, as in the live frames: FHR in quarters of a bpm, UA in halves; NONE for NaN."""
    integers: list[int] = (
        np.where(np.isnan(signal), NO_VALUE, np.round(np.nan_to_num(signal) * per_unit)).astype(int).tolist()
    )
    return integers
