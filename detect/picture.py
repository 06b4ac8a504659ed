"""A recording as a picture: the strip in rows of 20 minutes, with everything that was found drawn on it.

FHR above, UA below, with the ranges and the grid of printed strips.
"""

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.contracts.strip import STRIP
from quietward.detect.assessment import Assessment, SecondTwin
from quietward.recordings.recording import Recording

ROW_S = 1200
ROWS_A_PAGE = 6
SUFFIXES = (".png", ".svg", ".pdf")
FHR_AXIS, UA_AXIS = STRIP.fhr[0].range, STRIP.ua.range

INK, SECOND_INK, GRID, WOMB, LEVEL = "#1c2a33", "#0b5a60", "#d9dfe2", "#5b6f9e", "#8a6d1f"
MARKED = ("deceleration", "acceleration", "contraction")
"""Kinds of marks that are drawn, as in `STRIP.marks`: nobody has timed anything by hand on a recording."""
MARK_COLOURS = {"fall": "#b4543a", "rise": "#2f7d6b", "tight": WOMB}
CONCERN = ("#e9f0ec", "#f6e7c4", "#efc9bd")
"""Band of the concern's class, 1 to 3; the number stands in it."""


def check(path: Path) -> Path:
    """Return the path if a picture can be written under its name. Raises BadRecording."""
    if path.suffix not in SUFFIXES:
        raise BadRecording("--plot", path.name, f"Use a name that ends in one of {', '.join(SUFFIXES)}")
    if not path.parent.is_dir():
        raise BadRecording("--plot", str(path), "Make that folder first")
    return path


def draw(recordings: list[Recording], rows: list[Assessment], path: Path) -> list[Path]:
    """Draw recordings with what `assess` said of them; return the files written.

    A PDF holds all pages. Other pictures hold one page of two hours; of several, each gets a number.
    """
    pages = [
        (recording, row, first)
        for recording, row in zip(recordings, rows, strict=True)
        for first in range(0, max(1, recording.seconds), ROW_S * ROWS_A_PAGE)
    ]
    if path.suffix == ".pdf":
        with PdfPages(path) as file:
            for page in pages:
                file.savefig(_page(*page))
        return [path]
    written = []
    for number, page in enumerate(pages, 1):
        name = path if len(pages) == 1 else path.with_stem(f"{path.stem}-{number}")
        figure = _page(*page)
        FigureCanvasAgg(figure)
        figure.savefig(name, dpi=110)
        written.append(name)
    return written


def _page(recording: Recording, row: Assessment, first_s: int) -> Figure:
    seconds = min(recording.seconds - first_s, ROW_S * ROWS_A_PAGE)
    n = max(1, -(-seconds // ROW_S))
    figure = Figure(figsize=(17, 0.8 + 2.9 * n), layout="constrained")
    figure.suptitle(f"{row.record}, {row.rules}: {NOTICE}", fontsize=9, color=INK)
    ratios = [8, 4, 0.9] * n
    axes = figure.subplots(3 * n, 1, gridspec_kw={"height_ratios": ratios, "hspace": 0.01})
    for i in range(n):
        start = first_s + i * ROW_S
        _row(recording, row, start, *axes[3 * i : 3 * i + 3])
    return figure


def _row(recording: Recording, row: Assessment, start: int, heart: Axes, womb: Axes, band: Axes) -> None:
    part = slice(start * HZ, (start + ROW_S) * HZ)
    minutes = (start * HZ + np.arange(len(recording.fhr[part]))) / HZ / 60
    for axis, limits in ((heart, FHR_AXIS), (womb, UA_AXIS), (band, (0, 1))):
        axis.set_xlim(start / 60, (start + ROW_S) / 60)
        axis.set_ylim(*limits)
        axis.set_xticks(np.arange(start, start + ROW_S + 1, STRIP.print.line_s) / 60, labels=[])
        axis.tick_params(length=0, labelsize=7, colors=INK)
        axis.grid(color=GRID, linewidth=0.6)
        axis.set_axisbelow(True)
        for spine in axis.spines.values():
            spine.set_color(GRID)
    heart.axhspan(*STRIP.normal_bpm, color="#f4f8f6", zorder=0)
    step = STRIP.print.strong_line_bpm
    heart.set_yticks(range(-(-FHR_AXIS[0] // step) * step, FHR_AXIS[1] + 1, step))
    womb.set_yticks(range(UA_AXIS[0], UA_AXIS[1] + 1, STRIP.ua.label))
    band.set_yticks([])
    strong = [second // 60 for second in range(start, start + ROW_S + 1, STRIP.print.strong_line_s)]
    band.set_xticks(strong, labels=[f"{minute} min" for minute in strong])
    heart.plot(minutes, recording.fhr[part], color=INK, linewidth=0.7)
    womb.plot(minutes, recording.ua[part], color=WOMB, linewidth=0.8)
    if recording.fhr2 is not None:
        heart.plot(minutes, recording.fhr2[part], color=SECOND_INK, linewidth=0.8, linestyle=(0, (4, 1.5)))
    for fetus, which, _ in _fetuses(row):
        _levels(heart, fetus)
        _excursions(heart, fetus, start, which)
    for x in row.contractions:
        if _visible(x.onset_s, x.end_s, start):
            womb.plot(
                [x.onset_s / 60, x.end_s / 60], [4, 4], color=_colour("contraction"), linewidth=3, solid_capstyle="butt"
            )
            womb.plot([x.peak_s / 60], [4], marker="^", color=_colour("contraction"), markersize=5)
    for fetus, which, height in _fetuses(row):
        _concern(band, fetus, start, which, height)


def _fetuses(row: Assessment) -> list[tuple[Assessment | SecondTwin, str, tuple[float, float]]]:
    """Return what is found of each fetus, how a label about one of twins begins, and its part of the band below."""
    if row.second_twin is None:
        return [(row, "", (0.0, 1.0))]
    return [(row, "twin 1: ", (0.5, 1.0)), (row.second_twin, "twin 2: ", (0.0, 0.5))]


def _levels(heart: Axes, row: Assessment | SecondTwin) -> None:
    times = [b.t_s / 60 for b in row.baseline]
    values = [np.nan if b.bpm is None else b.bpm for b in row.baseline]
    heart.step(times, values, where="pre", color=LEVEL, linewidth=1.3)


def _excursions(heart: Axes, row: Assessment | SecondTwin, start: int, which: str) -> None:
    """Draw falls and rises. which: how a label begins."""
    fall, rise = (_colour(kind) for kind in ("deceleration", "acceleration"))
    marks = [(x.onset_s, x.nadir_s, x.end_s, fall, 58, f"{which}{x.kind} {x.depth_bpm:.0f}") for x in row.decelerations]
    marks += [(x.onset_s, x.peak_s, x.end_s, rise, 204, f"{which}{x.height_bpm:.0f}") for x in row.accelerations]
    for onset_s, extreme_s, end_s, colour, at, text in marks:
        if _visible(onset_s, end_s, start):
            heart.axvspan(onset_s / 60, end_s / 60, color=colour, alpha=0.13, linewidth=0)
            heart.plot([extreme_s / 60] * 2, [at - 5, at + 3], color=colour, linewidth=1)
            heart.text(onset_s / 60, at - 6, text, fontsize=6, color=colour, clip_on=True, va="bottom")


def _concern(band: Axes, row: Assessment | SecondTwin, start: int, which: str, height: tuple[float, float]) -> None:
    """Draw the concern of one fetus, and its flags above. height: its part of the band, from and to."""
    low, high = height
    for a in row.assessments:
        if a.concern_class is not None and start < a.t_s <= start + ROW_S:
            left = (a.t_s - 60) / 60
            band.axvspan(left, left + 1, low, high, color=CONCERN[a.concern_class - 1], linewidth=0)
            y = (low + high) / 2 - 0.05
            band.text(left + 0.5, y, f"{a.concern:.0f}", fontsize=6, color=INK, ha="center", va="center")
    for flag in row.flags:
        if start <= flag.raised_s < start + ROW_S:
            band.text(flag.raised_s / 60, 1.0, f"▼ {which}{flag.level}", fontsize=6, color=INK, clip_on=False)


def _colour(kind: str) -> str:
    return MARK_COLOURS[STRIP.marks[kind].colour]


def _visible(onset_s: float, end_s: float, start: int) -> bool:
    return end_s >= start and onset_s <= start + ROW_S
