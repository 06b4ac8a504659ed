"""Pure: hand-over sheets as a page to print: of a bed, and of the whole ward."""

from markupsafe import Markup

from quietward.contracts.notice import NOTICE
from quietward.dashboard.print.handover import HandOver
from quietward.dashboard.print.ward_sheet import WardSheet
from quietward.dashboard.web.templates import render

STYLE = "handover.css"
RULED_LINES = 2
"""Empty lines for the clinician's recommendation."""


def page(sheets: list[HandOver], style: str | None = None) -> str:
    """Return an HTML document with each sheet on a page of its own.

    style: CSS text to put into the document, so that it needs no server; None refers to the server's style sheet.
    """
    return render(
        "handover.html",
        sheets=sheets,
        notice=NOTICE,
        ruled_lines=RULED_LINES,
        style=None if style is None else Markup(style),  # noqa: S704  (our own file, and CSS knows no escapes)
        style_sheet=STYLE,
    )


def ward_page(sheet: WardSheet) -> str:
    """Return an HTML document with a line for every bed of a ward: one page of A4 for up to 24 beds."""
    return render("ward_sheet.html", sheet=sheet, notice=NOTICE, style_sheet=STYLE)
