"""Pure: the last minutes of a bed as a strip to print, true to scale, on as many sheets of A4 as it takes."""

from itertools import product

from msgspec import Struct

from quietward.contracts.log import TREND_OF
from quietward.contracts.notice import NOTICE
from quietward.contracts.strip import STRIP
from quietward.contracts.summary import TWIN_WORDS
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.print.clock_format import ClockFormat
from quietward.dashboard.view.marks import strip_marks
from quietward.dashboard.web.templates import render
from quietward.drawing import strip
from quietward.drawing.strip import PaperScale
from quietward.language.catalogue import reader

STYLE = "paper.css"


class Sheet(Struct, frozen=True):
    """One sheet. svg: the strip on it."""

    from_text: str
    until_text: str
    zone: str
    svg: str


def page(history: BedHistory, ward: str, scale: PaperScale, clock: ClockFormat) -> str:
    """Return an HTML document with the sheets, the oldest first."""
    trace = _trace(history)
    sheets = [
        Sheet(
            from_text=clock.full(round(from_s * 1000)),
            until_text=clock.time(round(until_s * 1000)),
            zone=clock.zone_name(round(from_s * 1000)),
            svg=strip.svg(
                trace,
                scale,
                from_s,
                until_s,
                lambda second: clock.time(round(second * 1000)),
                reader.get().text("Strip of {bed}", bed=history.bed),
            ),
        )
        for from_s, until_s in strip.sheets(trace, scale)
    ]
    return render(
        "strip.html", bed=history.bed, ward=ward, scale=scale, sheets=sheets, style_sheet=STYLE, notice=NOTICE
    )


def _trace(history: BedHistory) -> strip.Trace:
    said = reader.get().said
    found = sorted(strip_marks(history.log[::-1]), key=lambda mark: mark.from_s)
    marks = [
        strip.Mark(mark.kind, mark.from_s, mark.to_s, _said_of_each(mark.text))
        for mark in found
        if mark.kind in STRIP.marks and mark.to_s is not None
    ]
    moments = [
        strip.Moment(mark.kind, mark.from_s, said(mark.text)) for mark in found if mark.kind in strip.MOMENT_COLOURS
    ]
    baseline = []
    for event, which in product(history.trend, TREND_OF):
        bpm, ends_s = event.detail.get(f"{which}baseline_bpm"), event.t / 1000 + 1
        if isinstance(bpm, float | int):  # each point is of the minute before it
            baseline.append(strip.Level(ends_s - 60, ends_s, bpm))
    return strip.Trace(history.first_s, history.fhr, history.ua, marks, baseline, moments, history.fhr2)


def _said_of_each(text: str) -> str:
    """Return a finding in the reader's language; its beginning, by which the drawing knows the twin, stays."""
    who = next((who for who in TWIN_WORDS if text.startswith(who)), "")
    return who + reader.get().said(text.removeprefix(who))
