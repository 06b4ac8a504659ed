"""Pure: a hand-over sheet as a page that can be printed."""

from html import escape

from quietward.contracts.notice import NOTICE
from quietward.dashboard.print.handover import HandOver, Row, Table

STYLE = "handover.css"
RULED_LINES = 6
NO_ICON = '<link rel="icon" href="data:,">'  # else a browser asks for one that is not there


def page(sheets: list[HandOver], style: str | None = None) -> str:
    """Return sheets as HTML, each on a page of its own.

    style: the style sheet's text, for a file that must do without the server's.
    """
    title = f"Hand-over of {escape(', '.join(sheet.bed for sheet in sheets)) or 'no bed'}"
    looks = f'<link rel="stylesheet" href="/assets/{STYLE}">' if style is None else f"<style>{style}</style>"
    head = f'<meta charset="utf-8"><title>{title}</title>{NO_ICON}{looks}'
    body = "".join(_article(sheet) for sheet in sheets) or f'<p class="notice">{escape(NOTICE)}</p>'
    return f'<!doctype html><html lang="en"><head>{head}</head><body>{body}</body></html>'


def _article(sheet: HandOver) -> str:
    return "".join(
        [
            f"<article><header><h1>Hand-over of {escape(sheet.bed)}</h1>",
            f"<p>{escape(sheet.ward)}, written {sheet.written} by the server's clock. ",
            f"All other times are by the bed's clock; zone {sheet.zone}.</p>",
            f'<p class="notice">{escape(NOTICE)}</p></header>',
            _section("Situation", sheet.bed, _rows(sheet.situation)),
            _section("Background", sheet.bed, _rows(sheet.background)),
            _section("Assessment", sheet.bed, _rows(sheet.assessment) + _table(sheet.flags) + _table(sheet.notes)),
            _section("Recommendation", sheet.bed, _ruled()),
            "</article>",
        ]
    )


def _section(title: str, bed: str, body: str) -> str:
    name = title.lower()
    key = f"{name}-{escape(bed)}"
    return f'<section class="{name}" aria-labelledby="{key}"><h2 id="{key}">{title}</h2>{body}</section>'


def _rows(rows: list[Row]) -> str:
    return "<dl>" + "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in rows) + "</dl>"


def _table(table: Table) -> str:
    if not table.rows:
        return f"<h3>{escape(table.title)}</h3><p>{escape(table.none)}</p>"
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in table.head)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in table.rows)
    return f"<h3>{escape(table.title)}</h3><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _ruled() -> str:
    lines = '<div class="ruled"></div>' * RULED_LINES
    return f'<p class="for">for the clinician</p>{lines}<p class="sign">name, time</p>'
