"""All pages of the dashboard in one list, and the shell around them. What moves in them is drawn by JavaScript."""

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from dash import dcc, html
from fastapi import FastAPI

from quietward.contracts.commands import CARE_WORDS
from quietward.contracts.fields import encode_json
from quietward.contracts.log import LOG_WORDS
from quietward.contracts.notice import NOTICE
from quietward.contracts.strip import STRIP
from quietward.dashboard.web.templates import render
from quietward.language.catalogue import reader


@dataclass(frozen=True)
class Page:
    """One page. path: `{bed}` in it is the name of a bed. title: in the menu; empty if other pages link to it instead.

    module: address of the JavaScript module whose default export draws it. style: address of a style sheet of its own.
    data: passed to the module, as JSON.
    """

    path: str
    view: str
    title: str
    module: str
    style: str = ""
    data: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Extension:
    """Pages of a package that the dashboard must not import, and the routes they use."""

    pages: tuple[Page, ...]
    add_routes: Callable[[FastAPI], None]


CARE = {"care": CARE_WORDS}
PAGES = (
    Page("/", "ward", "Ward", "/assets/ward/view.mjs", data=CARE),
    Page("/shift", "shift", "Shift", "/assets/shift/view.mjs"),
    Page("/study", "study", "Study", "/assets/study/view.mjs"),
    Page("/bed/{bed}", "bed", "", "/assets/bed/view.mjs", data=CARE),
    Page("/bed/{bed}/hours", "hours", "", "/assets/hours/view.mjs"),
)
"""The dashboard's own pages, in the order of the menu. Nothing else lists them: a page is an entry and a folder."""
BED = "(?P<bed>[a-z0-9-]{1,32})"


@dataclass(frozen=True)
class Registry:
    """All pages: the dashboard's own, and those of its extensions."""

    pages: tuple[Page, ...] = PAGES

    def find(self, path: str) -> tuple[Page, str] | None:
        """Return the page at a path and its bed (empty if it is about none), None if there is no page."""
        for page in self.pages:
            pattern = re.escape(page.path).replace(re.escape("{bed}"), BED)
            if match := re.fullmatch(pattern, path.rstrip("/") or "/"):
                return page, match.groupdict().get("bed", "")
        return None

    def shell(self) -> Any:
        """Return what is on every page: menu, notice, user, warnings, and the host of the page with its data."""
        language = reader.get()
        links = [dcc.Link(language.said(page.title), href=page.path) for page in self.pages if page.title]
        data: dict[str, Any] = {
            "data-pages": json.dumps([asdict(page) for page in self.pages]),
            "data-strip": encode_json(STRIP).decode(),
            "data-words": json.dumps(language.words, ensure_ascii=False),
            "data-log-words": json.dumps(LOG_WORDS),
        }
        hidden: dict[str, Any] = {"aria-hidden": "true"}  # from readers of screens: it is always there
        return html.Div(
            [
                dcc.Location(id="url", refresh="callback-nav"),
                html.Header(
                    [
                        dcc.Link([html.Strong("quietward"), html.Span(id="ward-name")], href="/", className="home"),
                        html.Nav(links),
                        html.P(language.said(NOTICE), className="notice"),
                        html.Div(id="options"),
                        html.Div(id="sound"),
                        html.Div(id="who", className="who"),
                        html.Div(id="clock"),
                    ],
                    className="top",
                ),
                html.Aside(id="clocks", className="clocks"),
                html.Div(
                    language.text("Waiting for the server …"), id="trouble", role="alert", className="trouble beginning"
                ),
                html.Div(
                    language.text("This page has stopped. What is shown below is old. Load it again."),
                    id="stopped",
                    className="trouble",
                    **hidden,
                ),
                html.Div(id="spoken", role="status", className="spoken"),
                html.Main(id="page", **data),
            ]
        )

    def page_for(self, path: str) -> Any:
        """Return the element that the page of a path is drawn in; the ward's if there is no page."""
        page, bed = self.find(path) or (self.pages[0], "")
        attributes: dict[str, Any] = {"data-view": page.view, "data-bed": bed, "data-path": path}
        return html.Div(id=f"{page.view}-view", className=f"live {page.view}", key=path, **attributes)


def sign_in(target: str, message: str = "", name: str = "") -> str:
    """Return the sign-in page. target: path to open afterwards. message: why the last attempt, by `name`, failed."""
    return render("sign_in.html", target=target, message=message, name=name, notice=NOTICE)


def not_found(path: str) -> str:
    """Return the page for a path without one. path: without its leading slash."""
    return render("not_found.html", path=path, notice=NOTICE)
