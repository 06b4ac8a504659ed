"""The shell and the pages, as Dash components. What moves in them is drawn by `assets/`."""

import json
import re
from html import escape
from typing import Any

from dash import dcc, html

from quietward.contracts.messages import CARE_WORDS
from quietward.contracts.notice import NOTICE

PAGES = {"/": "ward", "/shift": "shift", "/study": "study", "/practice": "practice"}
"""Path to view of every page but the beds' own."""
BED_PATH = re.compile(r"/bed/([a-z0-9-]{1,32})(/hours)?/?")


def bed_of(path: str) -> str | None:
    """Return the bed of a path /bed/<bed> or /bed/<bed>/hours, None for any other path."""
    found = BED_PATH.fullmatch(path)
    return found[1] if found else None


def view_of(path: str) -> str | None:
    """Return the name of the view at a path, None where there is none."""
    if found := BED_PATH.fullmatch(path):
        return "hours" if found[2] else "bed"
    return PAGES.get(path.rstrip("/") or "/")


def shell() -> Any:
    """Return what is on every page: name, notice, who uses it, and the place for the page."""
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
    """Return the page of a path."""
    view = view_of(path) or "ward"
    attributes: dict[str, Any] = {"data-view": view}
    if view in ("bed", "ward"):
        attributes["data-care"] = json.dumps(CARE_WORDS)
    if bed := bed_of(path):
        attributes["data-bed"] = bed
    return html.Div(id=f"{view}-view", className=f"live {view}", key=path, **attributes)


def sign_in(to: str, trouble: str = "") -> str:
    """Return the page on which somebody signs in. to: where she goes afterwards."""
    told = f'<p class="wrong" role="alert">{escape(trouble)}</p>' if trouble else ""
    return (
        "<!doctype html><html lang='en'><head><meta charset='utf-8'><title>quietward: sign in</title>"
        "<meta name='viewport' content='width=device-width'><link rel='icon' href='data:,'>"
        "<link rel='stylesheet' href='/assets/sign-in.css'></head><body><main><h1>quietward</h1>"
        f"<p class='notice'>{escape(NOTICE)}</p>{told}<form method='post' action='/sign-in'>"
        f"<input type='hidden' name='next' value='{escape(to)}'>"
        "<label>Name<input name='name' autocomplete='username' required maxlength='64' autofocus></label>"
        "<label>Password<input name='password' type='password' autocomplete='current-password' required></label>"
        "<button>Sign in</button></form></main></body></html>"
    )


def not_found(path: str) -> str:
    """Return the page for a path that is none."""
    return (
        "<!doctype html><html lang='en'><title>quietward: no such page</title>"
        f"<h1>There is no page /{escape(path)}</h1><p><a href='/'>To the ward</a></p><p>{NOTICE}</p>"
    )
