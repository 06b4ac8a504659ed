"""Our pages: the shell and the views' hosts as Dash components, sign-in and not-found pages as HTML.

What moves in them is drawn by `assets/`.
"""

import json
import re
from typing import Any

from dash import dcc, html

from quietward.contracts.messages import CARE_WORDS
from quietward.contracts.notice import NOTICE
from quietward.dashboard.web.templates import render

PAGES = {"/": "ward", "/shift": "shift", "/study": "study", "/practice": "practice"}
"""The view at each path, apart from the pages of single beds."""
BED_PATH = re.compile(r"/bed/([a-z0-9-]{1,32})(/hours)?/?")


def bed_of(path: str) -> str | None:
    """Return the bed of a path /bed/<bed> or /bed/<bed>/hours, None for any other path."""
    match = BED_PATH.fullmatch(path)
    return match[1] if match else None


def view_of(path: str) -> str | None:
    """Return the name of the view at a path, None if there is no page."""
    if match := BED_PATH.fullmatch(path):
        return "hours" if match[2] else "bed"
    return PAGES.get(path.rstrip("/") or "/")


def shell() -> Any:
    """Return what is on every page: navigation, notice, the user, warnings, and the host of the page's view."""
    return html.Div(
        [
            dcc.Location(id="url", refresh="callback-nav"),
            html.Header(
                [
                    dcc.Link([html.Strong("quietward"), html.Span(id="ward-name")], href="/", className="home"),
                    html.Nav([dcc.Link(view.capitalize(), href=path) for path, view in PAGES.items()]),
                    html.P(NOTICE, className="notice"),
                    html.Div(id="options"),
                    html.Div(id="sound"),
                    html.Div(id="who", className="who"),
                    html.Div(id="clock"),
                ],
                className="top",
            ),
            html.P(id="clocks", className="clocks"),
            html.Div("Waiting for the server …", id="trouble", role="alert", className="trouble beginning"),
            html.Div(id="spoken", role="status", className="spoken"),
            html.Main(id="page"),
        ]
    )


def page_for(path: str) -> Any:
    """Return the host element of a path's view; the view itself is drawn in the browser."""
    view = view_of(path) or "ward"
    attributes: dict[str, Any] = {"data-view": view}
    if view in ("bed", "ward"):
        attributes["data-care"] = json.dumps(CARE_WORDS)
    if bed := bed_of(path):
        attributes["data-bed"] = bed
    return html.Div(id=f"{view}-view", className=f"live {view}", key=path, **attributes)


def sign_in(target: str, message: str = "") -> str:
    """Return the sign-in page. target: path to open afterwards. message: why the last attempt failed."""
    return render("sign_in.html", target=target, message=message, notice=NOTICE)


def not_found(path: str) -> str:
    """Return the page for a path without one. path: without its leading slash."""
    return render("not_found.html", path=path, notice=NOTICE)
