"""Pure: the last half hour of a bed as a small strip, for hand-over sheets. Not to scale: it shows the course.

All lengths are millimetres on paper, from the strip's upper left corner.
"""

from collections.abc import Callable, Iterator

import numpy as np
from msgspec import Struct

from quietward.contracts.fields import HZ, WINDOW_S
from quietward.contracts.log import Event
from quietward.contracts.strip import STRIP, Range
from quietward.dashboard.view.marks import FLAG, NOTE, strip_marks
from quietward.dashboard.view.signal_buffer import Floats
from quietward.drawing.strip import numbers

UA_SHARE = 0.22
"""Of the height, below the FHR."""
POINTS_PER_MM = 4
BAR_MM = 0.7

NUMBER_MM = 2.0
"""Height of the number at the end of a line of twins."""


class RecentSignal(Struct, frozen=True):
    """Signals of a bed: fhr (bpm), ua (0 to 100), shape (n,), HZ samples a second, from second `first_s` on.

    fhr2: of a second twin, None without.
    """

    first_s: int
    fhr: Floats
    ua: Floats
    fhr2: Floats | None = None


class Bar(Struct, frozen=True):
    """A span that is marked: a deceleration over the FHR, a contraction, recorded or timed by hand, over the UA."""

    colour: str
    x: float
    y: float
    width: float
    height: float


class Tick(Struct, frozen=True):
    """A moment: a flag that called, with its level, or something that was done."""

    colour: str
    x: float


class SmallStrip(Struct, frozen=True):
    """A strip of the last WINDOW_S seconds. fhr, ua: SVG path data. levels, minutes: places of grid lines.

    fhr2: of a second twin; empty without. numbers: of both lines, each at the height at which it ends.
    """

    width: float
    height: float
    normal_y: float
    normal_height: float
    levels: list[tuple[float, int]]
    minutes: list[float]
    bars: list[Bar]
    ticks: list[Tick]
    fhr: str
    ua: str
    fhr2: str = ""
    numbers: list[tuple[float, str]] = []


def small_strip(
    signal: RecentSignal | None, log: list[Event], until_s: float, width: float, height: float
) -> SmallStrip:
    """Return a strip up to second `until_s` of the bed's clock. log: oldest first. signal: None if none is kept."""
    from_s = until_s - WINDOW_S
    low, high = _range(signal, from_s)
    fhr_mm = height * (1 - UA_SHARE)

    def x(second: float) -> float:
        return (second - from_s) / WINDOW_S * width

    def y_fhr(bpm: float) -> float:
        return (high - min(high, max(low, bpm))) / (high - low) * fhr_mm

    def y_ua(ua: float) -> float:
        top = STRIP.ua.range[1]
        return height - 0.3 - min(ua, top) / top * (height * UA_SHARE - 0.6)

    normal_low, normal_high = STRIP.normal_bpm
    wide = normal_high - normal_low
    bars, ticks = [], []
    for mark in strip_marks(log[::-1]):
        if mark.kind == NOTE or mark.kind.startswith(FLAG):
            if from_s <= mark.from_s <= until_s:
                ticks.append(Tick("person" if mark.kind == NOTE else mark.kind, x(mark.from_s)))
        elif mark.to_s is not None and mark.to_s > from_s and mark.kind in STRIP.marks:
            style = STRIP.marks[mark.kind]
            left, right = x(max(from_s, mark.from_s)), x(min(until_s, mark.to_s))
            tops = {"fhr": (0.0, fhr_mm), "ua-bottom": (height - BAR_MM, BAR_MM), "ua-top": (fhr_mm, BAR_MM)}
            bars.append(Bar(style.colour, left, tops[style.place][0], right - left, tops[style.place][1]))
    step = max(1, round(WINDOW_S * HZ / (width * POINTS_PER_MM)))
    return SmallStrip(
        width=width,
        height=height,
        normal_y=y_fhr(normal_high),
        normal_height=y_fhr(normal_low) - y_fhr(normal_high),
        levels=[(y_fhr(bpm), bpm) for bpm in (normal_low - wide, normal_low, normal_high, normal_high + wide)],
        minutes=[x(s) for s in np.arange(-(-from_s // 300) * 300, until_s, 300).tolist()],
        bars=bars,
        ticks=ticks,
        fhr="" if signal is None else _path(signal.first_s, signal.fhr, from_s, step, x, y_fhr),
        ua="" if signal is None else _path(signal.first_s, signal.ua, from_s, step, x, y_ua),
        fhr2=_path(signal.first_s, signal.fhr2, from_s, step, x, y_fhr) if signal and signal.fhr2 is not None else "",
        numbers=[] if signal is None or signal.fhr2 is None else numbers(signal.fhr, signal.fhr2, y_fhr, NUMBER_MM),
    )


def _range(signal: RecentSignal | None, from_s: float) -> Range:
    """Return the range of the first scale that cuts nothing of the trace; of the last where all do."""
    usual, *others = (scale.range for scale in STRIP.fhr)
    if signal is None:
        return usual
    since = max(0, round((from_s - signal.first_s) * HZ))
    shown = [fhr[since:] for fhr in (signal.fhr, signal.fhr2) if fhr is not None]

    def cuts(low: int, high: int) -> bool:
        return any(bool(((fhr < low) | (fhr > high)).any()) for fhr in shown)

    return next((one for one in (usual, *others[:-1]) if not cuts(*one)), others[-1])


def _path(
    first_s: int, values: Floats, from_s: float, step: int, x: Callable[[float], float], y: Callable[[float], float]
) -> str:
    """Return a line through the lowest and the highest of every `step` samples, broken where there is none of them."""
    commands = []
    is_drawing = False
    for seconds, low, high in _extremes(first_s, values, step):
        if np.isnan(low) or seconds < from_s:
            is_drawing = False
            continue
        commands.append(f"{'L' if is_drawing else 'M'}{x(seconds):.2f} {y(low):.2f}")
        if high - low > 0.5:
            commands.append(f"L{x(seconds):.2f} {y(high):.2f}")
        is_drawing = True
    return "".join(commands)


def _extremes(first_s: int, values: Floats, step: int) -> Iterator[tuple[float, float, float]]:
    for begin in range(0, len(values), step):
        part = values[begin : begin + step]
        known = part[~np.isnan(part)]
        low, high = (float(known.min()), float(known.max())) if len(known) else (np.nan, np.nan)
        yield first_s + begin / HZ, low, high
