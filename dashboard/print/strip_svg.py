"""Pure: the last minutes of a bed as a strip to print, true to scale, on as many sheets of A4 as it takes.

All lengths are millimetres on paper. Here is the geometry; the SVG around it is `templates/strip.html`.
"""

from collections.abc import Callable, Iterator

import numpy as np
from msgspec import Struct, structs

from quietward.contracts.messages import HZ
from quietward.contracts.notice import NOTICE
from quietward.contracts.strip import STRIP
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.print.clock_format import ClockFormat
from quietward.dashboard.view.marks import FLAG, NOTE, StripMark, strip_marks
from quietward.dashboard.view.signal_buffer import Floats
from quietward.dashboard.web.templates import render

STYLE = "paper.css"
WIDTH_MM = 270.0
"""Of the strip on a landscape sheet of A4."""
UA_MM = STRIP.ua.height_cm * 10.0
BETWEEN_MM = 6.0
"""Between FHR and UA; the times of day are there."""
BAR_MM = 1.2
"""Thickness of the bars that mark contractions."""
FHR_RANGE = (30, 240)
"""At every height, so that no trace leaves the paper that can be had."""
PENNANT_MM = 2.9
LETTER_MM, ROW_MM = 1.6, 3.0
"""Width of a letter of a label, generously, and height of a row of labels."""


class PaperScale(Struct, frozen=True):
    """Where things are on a sheet, by its paper speed and height of FHR. The origin is the upper left corner."""

    cm_per_min: int
    bpm_per_cm: int

    @property
    def sheet_s(self) -> float:
        """Seconds on one sheet."""
        return WIDTH_MM / (self.cm_per_min * 10) * 60

    @property
    def fhr_mm(self) -> float:
        """Height of FHR."""
        low, high = FHR_RANGE
        return (high - low) / self.bpm_per_cm * 10

    @property
    def height_mm(self) -> float:
        """Height of the whole strip."""
        return self.fhr_mm + BETWEEN_MM + UA_MM

    def x(self, seconds: float) -> float:
        """Return the place of a time in seconds after the sheet's first."""
        return seconds / 60 * self.cm_per_min * 10

    def y_fhr(self, bpm: float) -> float:
        """Return the place of an FHR; values out of range are at the edge."""
        low, high = FHR_RANGE
        return (high - min(high, max(low, bpm))) / self.bpm_per_cm * 10

    def y_ua(self, ua: float) -> float:
        """Return the place of a UA; values out of range are at the upper edge."""
        high = STRIP.ua.range[1]
        return self.height_mm - min(ua, high) / high * UA_MM


class GridLine(Struct, frozen=True):
    """A line of the grid. at: its x or y. label: empty for none."""

    at: float
    is_strong: bool
    label: str


class MarkBox(Struct, frozen=True):
    """A rectangle that marks a finding. is_over: it is a band over the FHR.

    label: written in it, empty for none. label_y: of its line.
    """

    colour: str
    is_over: bool
    x: float
    y: float
    width: float
    height: float
    label: str
    label_y: float = 0.0


class Moment(Struct, frozen=True):
    """A flag that called, or something that was done. colour: in the style sheet. label_x, label_y: of its text."""

    colour: str
    x: float
    label: str
    label_x: float
    label_y: float


class Sheet(Struct, frozen=True):
    """One sheet. baseline, fhr, ua: SVG path data, empty for none."""

    number: int
    from_text: str
    until_text: str
    zone: str
    minutes: list[GridLine]
    levels: list[GridLine]
    marks: list[MarkBox]
    moments: list[Moment]
    baseline: str
    fhr: str
    ua: str


def page(history: BedHistory, ward: str, scale: PaperScale, clock: ClockFormat) -> str:
    """Return an HTML document with the sheets, the oldest first."""
    low, high = STRIP.normal_bpm
    return render(
        "strip.html",
        bed=history.bed,
        ward=ward,
        scale=scale,
        sheets=list(_sheets(history, scale, clock)),
        normal=(scale.y_fhr(high), scale.y_fhr(low)),
        ua_levels=[scale.y_ua(ua) for ua in range(STRIP.ua.range[0], STRIP.ua.range[1] + 1, STRIP.ua.line)],
        width=WIDTH_MM,
        style_sheet=STYLE,
        notice=NOTICE,
    )


def _sheets(history: BedHistory, scale: PaperScale, clock: ClockFormat) -> Iterator[Sheet]:
    found = sorted(strip_marks(history.log[::-1]), key=lambda mark: mark.from_s)
    marks = [mark for mark in found if mark.kind in STRIP.marks and mark.to_s is not None]
    count = -(-(history.last_s - history.first_s) // scale.sheet_s)
    for index in range(int(count)):
        from_s = history.first_s + index * scale.sheet_s
        until_s = min(from_s + scale.sheet_s, history.last_s)
        samples = slice(round((from_s - history.first_s) * HZ), round((until_s - history.first_s) * HZ))
        yield Sheet(
            number=index + 1,
            from_text=clock.full(round(from_s * 1000)),
            until_text=clock.time(round(until_s * 1000)),
            zone=clock.zone_name(round(from_s * 1000)),
            minutes=list(_minutes(scale, from_s, clock)),
            levels=list(_levels(scale)),
            marks=_boxes(scale, from_s, until_s, marks),
            moments=_moments(scale, from_s, found),
            baseline=_baseline_path(history, scale, from_s, until_s),
            fhr=_signal_path(history.fhr[samples], scale.x, scale.y_fhr),
            ua=_signal_path(history.ua[samples], scale.x, scale.y_ua),
        )


def _minutes(scale: PaperScale, from_s: float, clock: ClockFormat) -> Iterator[GridLine]:
    grid = STRIP.print
    second = -(-from_s // grid.line_s) * grid.line_s
    while scale.x(second - from_s) <= WIDTH_MM:
        is_strong = second % grid.strong_line_s == 0
        yield GridLine(scale.x(second - from_s), is_strong, clock.time(round(second * 1000)) if is_strong else "")
        second += grid.line_s


def _levels(scale: PaperScale) -> Iterator[GridLine]:
    grid = STRIP.print
    low, high = FHR_RANGE
    for bpm in range(-(-low // grid.line_bpm) * grid.line_bpm, high + 1, grid.line_bpm):
        is_strong = bpm % grid.strong_line_bpm == 0
        yield GridLine(scale.y_fhr(bpm), is_strong, str(bpm) if is_strong else "")


class LabelRows:
    """Rows for labels that stand beside each other: each goes to the first one in which it covers no other."""

    def __init__(self) -> None:
        self._ends: list[float] = []

    def place(self, x: float, label: str) -> int:
        """Return the row of a label that begins at x (mm); labels come in the order of their places."""
        row = next((i for i, end in enumerate(self._ends) if end <= x), len(self._ends))
        self._ends[row : row + 1] = [x + (len(label) + 1) * LETTER_MM]
        return row


def _boxes(scale: PaperScale, from_s: float, until_s: float, marks: list[StripMark]) -> list[MarkBox]:
    rows = LabelRows()
    boxes = [box for mark in marks if (box := _box(scale, from_s, until_s, mark))]
    for i, box in enumerate(boxes):
        if box.is_over and box.label:
            boxes[i] = structs.replace(box, label_y=scale.fhr_mm - 1 - ROW_MM * rows.place(box.x, box.label))
    return boxes


def _moments(scale: PaperScale, from_s: float, marks: list[StripMark]) -> list[Moment]:
    rows = LabelRows()
    moments = []
    for mark in marks:
        if from_s <= mark.from_s < from_s + scale.sheet_s and (mark.kind == NOTE or mark.kind.startswith(FLAG)):
            x = scale.x(mark.from_s - from_s)
            wide = len(mark.text) * LETTER_MM
            label_x = x + PENNANT_MM if x + PENNANT_MM + wide <= WIDTH_MM else x - PENNANT_MM - wide
            y = ROW_MM * (1 + rows.place(label_x, mark.text))
            moments.append(Moment("person" if mark.kind == NOTE else mark.kind, x, mark.text, label_x, y))
    return moments


def _box(scale: PaperScale, from_s: float, until_s: float, mark: StripMark) -> MarkBox | None:
    """Return the part of a mark that is on a sheet, None if it is on others only."""
    begins_s, ends_s = max(mark.from_s, from_s), min(mark.to_s or mark.from_s, until_s)
    if ends_s <= begins_s:
        return None
    x, width = scale.x(begins_s - from_s), scale.x(ends_s - begins_s)
    style = STRIP.marks[mark.kind]
    if style.place != "fhr":
        y = scale.height_mm - (BAR_MM if style.place == "ua-bottom" else UA_MM)
        return MarkBox(style.colour, False, x, y, width, BAR_MM, style.label, y + 3.6)
    label = mark.text.partition(" ")[0] if style.label == "kind" else ""
    return MarkBox(style.colour, True, x, 0.0, width, scale.fhr_mm, label)


def _signal_path(values: Floats, x: Callable[[float], float], y: Callable[[float], float]) -> str:
    """Return a line through samples at HZ, broken where they are NaN. x, y: place of a second, and of a value."""
    commands, is_broken = [], True
    for i, value in enumerate(values.tolist()):
        if np.isnan(value):
            is_broken = True
            continue
        commands.append(f"{'M' if is_broken else 'L'}{x(i / HZ):.2f} {y(value):.2f}")
        is_broken = False
    return "".join(commands)


def _baseline_path(history: BedHistory, scale: PaperScale, from_s: float, until_s: float) -> str:
    """Return the baseline: a level line over the minute before each point of the trend."""
    commands = []
    for event in history.trend:
        bpm, ends_s = event.detail.get("baseline_bpm"), event.t / 1000 + 1
        begins_s, ends_s = max(from_s, ends_s - 60), min(until_s, ends_s)
        if isinstance(bpm, float | int) and ends_s > begins_s:
            commands.append(f"M{scale.x(begins_s - from_s):.2f} {scale.y_fhr(bpm):.2f}H{scale.x(ends_s - from_s):.2f}")
    return "".join(commands)
