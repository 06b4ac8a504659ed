"""What all drawings of a strip have in common: on the page, on paper, in figures and in pictures.

The page's JavaScript gets the same as JSON. Paper speeds of 1, 2 and 3 cm/min and heights of 20 and 30 bpm/cm are
common practice, no source.
"""

from typing import Literal

from msgspec import Struct

Range = tuple[int, int]
"""Lowest and highest value."""


class FhrScale(Struct, frozen=True):
    """A height of FHR on paper. line, strong_line, labels (bpm): the page's horizontal lines; strong_line 0: none."""

    bpm_per_cm: int
    range: Range
    line: int
    strong_line: int
    labels: list[int]


class UaScale(Struct, frozen=True):
    """Height of uterine activity, which has no unit. line, label: distance of horizontal lines, and of labels."""

    range: Range
    height_cm: int
    line: int
    label: int


class SpeedScale(Struct, frozen=True):
    """A paper speed. line_s, strong_line_s, time_s: distance of the page's vertical lines, and of times of day."""

    cm_per_min: int
    line_s: int
    strong_line_s: int
    time_s: int


class PrintGrid(Struct, frozen=True):
    """The grid of printed strips and pictures, at any scale. Strong lines have labels."""

    line_s: int
    strong_line_s: int
    line_bpm: int
    strong_line_bpm: int


class MarkStyle(Struct, frozen=True):
    """How a kind of mark is drawn.

    colour: its name in the style sheets and palettes. place: the whole height of the FHR, or the lower or upper edge of
    the UA. label: what is written beside it where there is room; `kind` stands for the first word of its text.
    """

    colour: str
    place: Literal["fhr", "ua-bottom", "ua-top"]
    label: str = ""


class StripStyle(Struct, frozen=True):
    """All of it. normal_bpm: the normal range of the baseline (FIGO 2015, NICHD 2008). marks: by the event's kind.

    fhr, speeds: the scales there are; the first of each is the default.
    """

    normal_bpm: Range
    fhr: list[FhrScale]
    ua: UaScale
    speeds: list[SpeedScale]
    print: PrintGrid
    marks: dict[str, MarkStyle]


STRIP = StripStyle(
    normal_bpm=(110, 160),
    fhr=[
        FhrScale(bpm_per_cm=20, range=(50, 210), line=20, strong_line=0, labels=[60, 100, 140, 180]),
        FhrScale(bpm_per_cm=30, range=(30, 240), line=10, strong_line=30, labels=[60, 90, 120, 150, 180, 210]),
    ],
    ua=UaScale(range=(0, 100), height_cm=3, line=25, label=50),
    speeds=[  # a line every 6 to 10 mm
        SpeedScale(cm_per_min=1, line_s=60, strong_line_s=300, time_s=300),
        SpeedScale(cm_per_min=2, line_s=30, strong_line_s=60, time_s=120),
        SpeedScale(cm_per_min=3, line_s=20, strong_line_s=60, time_s=120),
    ],
    print=PrintGrid(line_s=60, strong_line_s=300, line_bpm=10, strong_line_bpm=30),
    marks={
        "deceleration": MarkStyle("fall", "fhr", "kind"),
        "acceleration": MarkStyle("rise", "fhr"),
        "contraction": MarkStyle("tight", "ua-bottom"),
        "hand-contraction": MarkStyle("by-hand", "ua-top", "by hand"),
    },
)

FHR_SCALES = {scale.bpm_per_cm: scale for scale in STRIP.fhr}
