"""Pure: the last minutes of a bed as a strip to print, true to scale, on as many sheets of A4 as it takes.

All lengths are millimetres on paper. Paper speeds of 1, 2 and 3 cm/min and heights of 20 and 30 bpm/cm are common
practice, no source; FHR 50 to 210 goes with 20 bpm/cm, 30 to 240 with 30 bpm/cm.
"""

from collections.abc import Callable, Iterator
from html import escape

import numpy as np
from msgspec import Struct

from quietward.contracts.messages import HZ, PolicyInfo
from quietward.contracts.notice import NOTICE
from quietward.dashboard.history.hours import Hours
from quietward.dashboard.print.handover import Times
from quietward.dashboard.print.handover_html import NO_ICON
from quietward.dashboard.view.marks import Mark, marks
from quietward.dashboard.view.strips import Floats

STYLE = "paper.css"
WIDE_MM = 270.0
"""Of the strip on a sheet of A4 across."""
UA_MM = 30.0
UA_HIGH = 100.0
BETWEEN_MM = 6.0
RANGES = {20: (50, 210), 30: (30, 240)}
DRAWN = {"deceleration": "fall", "acceleration": "rise", "contraction": "tight", "hand-contraction": "by-hand"}


class Scale(Struct, frozen=True):
    """How a strip is printed."""

    cm_per_min: int
    bpm_per_cm: int

    @property
    def sheet_s(self) -> float:
        """Seconds on one sheet."""
        return WIDE_MM / (self.cm_per_min * 10) * 60

    @property
    def fhr_mm(self) -> float:
        """Height of the FHR's part."""
        low, high = RANGES[self.bpm_per_cm]
        return (high - low) / self.bpm_per_cm * 10

    @property
    def height_mm(self) -> float:
        """Height of the whole strip."""
        return self.fhr_mm + BETWEEN_MM + UA_MM

    def x(self, seconds: float) -> float:
        """Return where a second of a sheet lies."""
        return seconds / 60 * self.cm_per_min * 10

    def y_fhr(self, bpm: float) -> float:
        """Return where an FHR lies."""
        low, high = RANGES[self.bpm_per_cm]
        return (high - min(high, max(low, bpm))) / self.bpm_per_cm * 10

    def y_ua(self, ua: float) -> float:
        """Return where a uterine activity lies."""
        return self.height_mm - min(ua, UA_HIGH) / UA_HIGH * UA_MM


def page(hours: Hours, ward: str, scale: Scale, times: Times) -> str:
    """Return the sheets as HTML, the oldest first."""
    title = f"Strip of {escape(hours.bed)}"
    looks = f'<link rel="stylesheet" href="/assets/{STYLE}">'
    sheets = "".join(_sheets(hours, ward, scale, times)) or "<p>Nothing of this bed is kept.</p>"
    head = f'<meta charset="utf-8"><title>{title}</title>{NO_ICON}{looks}'
    return f'<!doctype html><html lang="en"><head>{head}</head><body>{sheets}</body></html>'


def _sheets(hours: Hours, ward: str, scale: Scale, times: Times) -> Iterator[str]:
    found = [m for m in marks(hours.log[::-1]) if m.kind in DRAWN and m.to_s is not None]
    begins = float(hours.first_s)
    count = max(1, int(np.ceil((hours.last_s - begins) / scale.sheet_s)))
    for number in range(count if len(hours.fhr) else 0):
        from_s = begins + number * scale.sheet_s
        until_s = min(from_s + scale.sheet_s, hours.last_s)
        yield (
            f"<article><header><h1>{escape(hours.bed)}, {times.full(round(from_s * 1000))} to "
            f"{times.at(round(until_s * 1000))}</h1><p>{escape(ward)}; {scale.cm_per_min} cm/min, "
            f"{scale.bpm_per_cm} bpm/cm; times by the bed's clock, {times.name(round(from_s * 1000))}; "
            f'sheet {number + 1} of {count}</p><p class="notice">{escape(NOTICE)}</p></header>'
            f"{_drawing(hours, scale, from_s, until_s, found, times)}</article>"
        )


def _drawing(hours: Hours, scale: Scale, from_s: float, until_s: float, found: list[Mark], times: Times) -> str:
    wide, high = WIDE_MM, scale.height_mm
    part = slice(round((from_s - hours.first_s) * HZ), round((until_s - hours.first_s) * HZ))
    inside = [
        *_usual(scale, hours.sheet),
        *_grid(scale, from_s, times),
        *_marked(scale, from_s, until_s, found),
        _line("baseline", _steps(hours, scale, from_s, until_s)),
        _line("fhr", _paths(hours.fhr[part], scale.x, scale.y_fhr)),
        _line("ua", _paths(hours.ua[part], scale.x, scale.y_ua)),
    ]
    size = f'width="{wide}mm" height="{high:.2f}mm" viewBox="0 0 {wide} {high:.2f}"'
    return f'<svg {size} role="img" aria-label="Strip of {escape(hours.bed)}">{"".join(inside)}</svg>'


def _usual(scale: Scale, sheet: PolicyInfo | None) -> Iterator[str]:
    for rules in [] if sheet is None else sheet.rule_sets[:1]:
        bottom, top = (scale.y_fhr(bpm) for bpm in rules.usual_baseline_bpm)
        yield f'<rect class="usual" x="0" y="{top:.2f}" width="{WIDE_MM}" height="{bottom - top:.2f}"/>'


def _grid(scale: Scale, from_s: float, times: Times) -> Iterator[str]:
    low, high = RANGES[scale.bpm_per_cm]
    minute = -(-from_s // 60) * 60
    while scale.x(minute - from_s) <= WIDE_MM:
        x = scale.x(minute - from_s)
        strong = " strong" if minute % 300 == 0 else ""
        yield f'<path class="minute{strong}" d="M{x:.2f} 0V{scale.height_mm:.2f}"/>'
        if minute % 300 == 0:
            yield f'<text x="{x + 0.8:.2f}" y="{scale.fhr_mm + 4.2:.2f}">{times.at(round(minute * 1000))}</text>'
        minute += 60
    for bpm in range(-(-low // 10) * 10, high + 1, 10):
        named = bpm % 30 == 0
        yield f'<path class="level{" strong" if bpm % 30 == 0 else ""}" d="M0 {scale.y_fhr(bpm):.2f}H{WIDE_MM}"/>'
        if named:
            yield f'<text x="0.8" y="{scale.y_fhr(bpm) - 0.6:.2f}">{bpm}</text>'
    for ua in (0, 25, 50, 75, 100):
        yield f'<path class="level" d="M0 {scale.y_ua(ua):.2f}H{WIDE_MM}"/>'


def _marked(scale: Scale, from_s: float, until_s: float, found: list[Mark]) -> Iterator[str]:
    for mark in found:
        begins, ends = max(mark.from_s, from_s), min(mark.to_s or mark.from_s, until_s)
        if ends <= begins:
            continue
        x, wide = scale.x(begins - from_s), scale.x(ends - begins)
        name = DRAWN[mark.kind]
        if "contraction" in mark.kind:
            y = scale.height_mm - (1.2 if mark.kind == "contraction" else UA_MM)
            yield f'<rect class="{name}" x="{x:.2f}" y="{y:.2f}" width="{wide:.2f}" height="1.2"/>'
            continue
        yield f'<rect class="{name} over" x="{x:.2f}" y="0" width="{wide:.2f}" height="{scale.fhr_mm:.2f}"/>'
        words = mark.text.partition(" ")[0] if mark.kind == "deceleration" else ""
        yield f'<text class="{name}" x="{x + 0.5:.2f}" y="{scale.fhr_mm - 1:.2f}">{escape(words)}</text>'


Way = Callable[[float], float]


def _paths(values: Floats, x: Way, y: Way) -> str:
    """Return a line through the values, broken where there are none."""
    said, pen_is_down = [], False
    for i, value in enumerate(values.tolist()):
        if np.isnan(value):
            pen_is_down = False
            continue
        said.append(f"{'L' if pen_is_down else 'M'}{x(i / HZ):.2f} {y(value):.2f}")
        pen_is_down = True
    return "".join(said)


def _steps(hours: Hours, scale: Scale, from_s: float, until_s: float) -> str:
    """Return the baseline: a step for the minute before each point of the trend."""
    said = []
    for event in hours.trend:
        bpm, ends = event.detail.get("baseline_bpm"), event.t / 1000 + 1
        begins, ends = max(from_s, ends - 60), min(until_s, ends)
        if isinstance(bpm, float | int) and ends > begins:
            said.append(f"M{scale.x(begins - from_s):.2f} {scale.y_fhr(bpm):.2f}H{scale.x(ends - from_s):.2f}")
    return "".join(said)


def _line(name: str, path: str) -> str:
    return f'<path class="{name}" d="{path}"/>' if path else ""
