"""Pure: a part of a trace as a strip, true to scale, as SVG that needs no style sheet.

All lengths are millimetres on paper. Here is the geometry; the SVG around it is `templates/strip.svg`.
"""

from collections.abc import Callable, Iterator

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from msgspec import Struct, structs
from numpy.typing import NDArray

from quietward.contracts.fields import HZ
from quietward.contracts.strip import STRIP
from quietward.contracts.summary import TWIN_WORDS

Floats = NDArray[np.float64]

WIDTH_MM = 270.0
"""Of the strip on a landscape sheet of A4."""
UA_MM = STRIP.ua.height_cm * 10.0
BETWEEN_MM = 6.0
"""Between FHR and UA; the times are there."""
BAR_MM = 1.2
"""Thickness of the bars that mark contractions."""
FHR_RANGE = min(scale.range[0] for scale in STRIP.fhr), max(scale.range[1] for scale in STRIP.fhr)
"""The widest there is at every height, so that no trace leaves the paper that can be had."""
USUAL = "#e3efdd"
"""Colour of the band of the normal range, on white paper."""
PENNANT_MM = 2.9
LETTER_MM, ROW_MM = 1.6, 3.0
"""Width of a letter of a label, generously, and height of a row of labels."""
PERSON = "note"
MOMENT_COLOURS = {"flag-look": "#0a6f83", "flag-bedside": "#8a6800", "flag-team": "#b3201f", PERSON: "#2f6d4f"}
"""By kind of moment: the level of a flag that called, or something that somebody did. On white paper."""


class MarkColours(Struct, frozen=True):
    """fill: of a mark; text: of what is written in it."""

    fill: str
    text: str


MARK_COLOURS = {
    "fall": MarkColours("#b4472f", "#7c2d1c"),
    "rise": MarkColours("#3d7a4b", "#2a5634"),
    "tight": MarkColours("#7d4b86", "#5b3a64"),
    "by-hand": MarkColours("#2f6d4f", "#2f6d4f"),
}
"""By the colour's name in `STRIP.marks`. On white paper."""


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


class Mark(Struct, frozen=True):
    """A finding that is drawn. kind: as in `STRIP.marks`. text: its first word is the label of a deceleration."""

    kind: str
    from_s: float
    to_s: float
    text: str


class Moment(Struct, frozen=True):
    """A flag that called, or something that was done. kind: as in MOMENT_COLOURS."""

    kind: str
    at_s: float
    text: str


class Level(Struct, frozen=True):
    """The baseline over a time."""

    from_s: float
    to_s: float
    bpm: float


class Trace(Struct, frozen=True):
    """What is drawn. fhr (bpm), ua (0 to 100): shape (n,), HZ samples a second from `first_s` on, NaN for no value.

    marks, moments: in the order of time. fhr2: of a second twin, None without.
    """

    first_s: float
    fhr: Floats
    ua: Floats
    marks: list[Mark]
    baseline: list[Level]
    moments: list[Moment] = []
    fhr2: Floats | None = None

    @property
    def last_s(self) -> float:
        """End of the signal."""
        return self.first_s + len(self.fhr) / HZ


class GridLine(Struct, frozen=True):
    """A line of the grid. at: its x or y. label: empty for none."""

    at: float
    is_strong: bool
    label: str


class MarkBox(Struct, frozen=True):
    """A rectangle that marks a finding. is_over: it is a band over the FHR.

    label: written in it, empty for none. label_x, label_y: where it begins, so that all of it is on the paper.
    """

    colours: MarkColours
    is_over: bool
    x: float
    y: float
    width: float
    height: float
    label: str
    label_x: float
    label_y: float = 0.0


class Pennant(Struct, frozen=True):
    """Where a moment is drawn. label_x, label_y: of its text."""

    colour: str
    is_person: bool
    x: float
    label: str
    label_x: float
    label_y: float


def sheets(trace: Trace, scale: PaperScale) -> list[tuple[float, float]]:
    """Return from when to when each sheet is, in seconds, the oldest first."""
    count = int(-(-(trace.last_s - trace.first_s) // scale.sheet_s))
    begins = [trace.first_s + index * scale.sheet_s for index in range(count)]
    return [(begin, min(begin + scale.sheet_s, trace.last_s)) for begin in begins]


def svg(
    trace: Trace, scale: PaperScale, from_s: float, until_s: float, clock: Callable[[float], str], title: str
) -> str:
    """Return one sheet. clock: what is written at the second of a strong line; title: what the drawing is, in words."""
    samples = slice(round((from_s - trace.first_s) * HZ), round((until_s - trace.first_s) * HZ))
    low, high = STRIP.normal_bpm
    text: str = _template.render(
        title=title,
        scale=scale,
        width=WIDTH_MM,
        usual=USUAL,
        normal=(scale.y_fhr(high), scale.y_fhr(low)),
        minutes=list(_minutes(scale, from_s, clock)),
        levels=list(_levels(scale)),
        ua_levels=[scale.y_ua(ua) for ua in range(STRIP.ua.range[0], STRIP.ua.range[1] + 1, STRIP.ua.line)],
        marks=_boxes(scale, from_s, until_s, trace.marks),
        pennants=_pennants(scale, from_s, trace.moments),
        baseline=_baseline_path(trace, scale, from_s, until_s),
        fhr=_signal_path(trace.fhr[samples], scale.x, scale.y_fhr),
        ua=_signal_path(trace.ua[samples], scale.x, scale.y_ua),
        fhr2="" if trace.fhr2 is None else _signal_path(trace.fhr2[samples], scale.x, scale.y_fhr),
        numbers=[] if trace.fhr2 is None else numbers(trace.fhr[samples], trace.fhr2[samples], scale.y_fhr, ROW_MM),
        numbers_x=min(WIDTH_MM - 2, scale.x(until_s - from_s) + 0.6),
    )
    return text


def numbers(first: Floats, second: Floats, y: Callable[[float], float], apart: float) -> list[tuple[float, str]]:
    """Return the numbers that stand at the right ends of the lines of twins, and their heights, so far apart at least.

    y: place of an FHR. A line without a value has none.
    """
    ends = [(y(float(known[-1])), number) for fhr, number in ((first, "1"), (second, "2")) if len(known := _known(fhr))]
    ends.sort()
    if len(ends) == 2 and ends[1][0] - ends[0][0] < apart:
        middle = (ends[0][0] + ends[1][0]) / 2
        ends = [(middle - apart / 2, ends[0][1]), (middle + apart / 2, ends[1][1])]
    return ends


def _known(values: Floats) -> Floats:
    known: Floats = values[~np.isnan(values)]
    return known


def _minutes(scale: PaperScale, from_s: float, clock: Callable[[float], str]) -> Iterator[GridLine]:
    grid = STRIP.print
    second = -(-from_s // grid.line_s) * grid.line_s
    while scale.x(second - from_s) <= WIDTH_MM:
        is_strong = second % grid.strong_line_s == 0
        yield GridLine(scale.x(second - from_s), is_strong, clock(second) if is_strong else "")
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


def _boxes(scale: PaperScale, from_s: float, until_s: float, marks: list[Mark]) -> list[MarkBox]:
    rows = LabelRows()
    boxes = [box for mark in marks if (box := _box(scale, from_s, until_s, mark))]
    for i, box in enumerate(boxes):
        if box.is_over and box.label:
            boxes[i] = structs.replace(box, label_y=scale.fhr_mm - 1 - ROW_MM * rows.place(box.label_x, box.label))
    return boxes


def _pennants(scale: PaperScale, from_s: float, moments: list[Moment]) -> list[Pennant]:
    rows, pennants = LabelRows(), []
    for moment in moments:
        if from_s <= moment.at_s < from_s + scale.sheet_s:
            x, wide = scale.x(moment.at_s - from_s), len(moment.text) * LETTER_MM
            label_x = x + PENNANT_MM if x + PENNANT_MM + wide <= WIDTH_MM else x - PENNANT_MM - wide
            y = ROW_MM * (1 + rows.place(label_x, moment.text))
            colour = MOMENT_COLOURS[moment.kind]
            pennants.append(Pennant(colour, moment.kind == PERSON, x, moment.text, label_x, y))
    return pennants


def _box(scale: PaperScale, from_s: float, until_s: float, mark: Mark) -> MarkBox | None:
    """Return the part of a mark that is on a sheet, None if it is on others only."""
    begins_s, ends_s = max(mark.from_s, from_s), min(mark.to_s, until_s)
    if ends_s <= begins_s:
        return None
    x, width = scale.x(begins_s - from_s), scale.x(ends_s - begins_s)
    style = STRIP.marks[mark.kind]
    colours = MARK_COLOURS[style.colour]
    if style.place != "fhr":
        y = scale.height_mm - (BAR_MM if style.place == "ua-bottom" else UA_MM)
        return MarkBox(colours, False, x, y, width, BAR_MM, style.label, _label_x(x, style.label), y + 3.6)
    label = _kind_of(mark.text) if style.label == "kind" else ""
    return MarkBox(colours, True, x, 0.0, width, scale.fhr_mm, label, _label_x(x, label))


def _label_x(x: float, label: str) -> float:
    """Return where the label of a mark that begins at x begins: at the right edge before it, so that none is cut."""
    return min(x + 0.5, WIDTH_MM - len(label) * LETTER_MM)


def _kind_of(text: str) -> str:
    """Return the kind of a finding, the first word of its text; of twins with the number of the fetus."""
    for number, who in enumerate(TWIN_WORDS, 1):
        if text.startswith(who):
            return f"{text.removeprefix(who).partition(' ')[0]} {number}"
    return text.partition(" ")[0]


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


def _baseline_path(trace: Trace, scale: PaperScale, from_s: float, until_s: float) -> str:
    commands = []
    for level in trace.baseline:
        begins_s, ends_s = max(from_s, level.from_s), min(until_s, level.to_s)
        if ends_s > begins_s:
            at = f"M{scale.x(begins_s - from_s):.2f} {scale.y_fhr(level.bpm):.2f}"
            commands.append(f"{at}H{scale.x(ends_s - from_s):.2f}")
    return "".join(commands)


def _millimetres(length: float) -> str:
    return f"{length:.2f}"


_environment = Environment(
    loader=PackageLoader("quietward.drawing"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
    lstrip_blocks=True, auto_reload=False,
)  # fmt: skip
_environment.filters["mm"] = _millimetres
_template = _environment.get_template("strip.svg")
