"""The Practice page and what it asks the server for. Nothing a learner is to find is sent before she has answered."""

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from importlib.resources import files
from typing import TypeVar

import msgspec
import numpy as np
from fastapi import FastAPI, Request, Response
from fastapi.staticfiles import StaticFiles

from quietward.contracts.errors import QuietwardError
from quietward.contracts.messages import HZ
from quietward.contracts.notice import NOTICE
from quietward.dashboard.view.signal_buffer import NO_VALUE
from quietward.dashboard.web.pages import Extension, Page
from quietward.dashboard.web.request_body import read_body
from quietward.dashboard.web.responses import json_response
from quietward.detect import rule_file
from quietward.detect.core.state.rules import Rules
from quietward.practice import simulated, strip
from quietward.practice.answer import Answer, BadAnswer, check
from quietward.practice.compare import Comparison, compare
from quietward.simulator import scenario
from quietward.simulator.bed import Signal

LARGEST_BYTES = 65_536
MOST_WAITING = 12
"""Questions that wait for the one worker; each may take seconds."""
PAGE_PATH = "/practice/page"
T = TypeVar("T")
decode_answer = msgspec.json.Decoder(Answer).decode


class TooMany(QuietwardError):
    """More ask than can be answered soon."""


def extension() -> Extension:
    """Return the Practice page, as the dashboard takes it. Raises BadRules."""
    rules = rule_file.load()
    classes = {one.name: one.classes for one in rules.rule_sets}
    bounds = (rules.reading.signal.fhr_lowest_bpm, rules.reading.signal.fhr_highest_bpm)
    page = Page(
        "/practice",
        "practice",
        "Practice",
        f"{PAGE_PATH}/view.mjs",
        f"{PAGE_PATH}/practice.css",
        {"classes": classes, "bounds": bounds},
    )
    return Extension((page,), add_routes)


def add_routes(server: FastAPI) -> None:
    """Add the routes to the server."""
    rules = rule_file.load()
    server.mount(PAGE_PATH, StaticFiles(directory=str(files("quietward.practice") / "page")))
    worker = ThreadPoolExecutor(1, "practice")  # one at a time: the ward's own pages go first
    server.router.on_shutdown.append(lambda: worker.shutdown(wait=False, cancel_futures=True))
    waiting = 0

    async def work(what: Callable[..., T], *given: object) -> T:
        nonlocal waiting
        if waiting >= MOST_WAITING:
            raise TooMany("practice", f"{waiting} ask at once", "Try again in a moment")
        waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(worker, what, *given)
        finally:
            waiting -= 1

    @server.exception_handler(TooMany)
    async def too_many(_: Request, error: Exception) -> Response:
        return Response(str(error), 503)

    @server.exception_handler(strip.BadStrip)
    async def no_such_strip(_: Request, error: Exception) -> Response:
        return Response(str(error), 404)

    @server.get("/practice/scenarios")
    async def scenarios() -> Response:
        names = [{"name": name, "digest": simulated.code_of(name, 0).rpartition("-")[0]} for name in scenario.names()]
        return json_response({"notice": NOTICE, "largest_seed": simulated.LARGEST_SEED, "scenarios": names})

    @server.get("/practice/strips/{code}")
    async def signals(code: str) -> Response:
        made = await work(simulated.make, code)
        if not waiting:  # takes seconds, and will be asked for
            worker.submit(simulated.ask_detector, code, rules.rule_sets[0].name)
        seconds = len(made.fhr) // HZ
        return json_response(
            {"notice": NOTICE, "seconds": seconds, "fhr": _as_integers(made.fhr, 4), "ua": _as_integers(made.ua, 2)}
        )

    @server.post("/practice/strips/{code}/answer")
    async def answer(code: str, request: Request) -> Response:
        try:
            given = decode_answer(await read_body(request, LARGEST_BYTES))
            check(given, rules)
        except BadAnswer as error:
            return Response(str(error), 422)
        except (msgspec.DecodeError, UnicodeDecodeError) as error:
            return Response(f"answer: {error}", 422)
        return json_response({"notice": NOTICE, "compared": await work(_compare, code, given, rules)})


def _compare(code: str, answer: Answer, rules: Rules) -> Comparison:
    return compare(simulated.make(code), simulated.ask_detector(code, answer.rules), answer, rules)


def _as_integers(signal: Signal, per_unit: int) -> list[int]:
    """Return a signal as integers, as in the live frames: FHR in quarters of a bpm, UA in halves; NONE for NaN."""
    found: list[int] = (
        np.where(np.isnan(signal), NO_VALUE, np.round(np.nan_to_num(signal) * per_unit)).astype(int).tolist()
    )
    return found
