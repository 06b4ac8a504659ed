"""Pure: the last hours of one bed as a Plotly figure to zoom into: signals, trends, findings, flags."""

from collections.abc import Callable
from datetime import datetime, tzinfo
from typing import Any

import numpy as np
from plotly.graph_objects import Figure, Scatter
from plotly.subplots import make_subplots

from quietward.contracts.fields import HZ
from quietward.contracts.log import TREND_OF
from quietward.contracts.strip import STRIP
from quietward.contracts.summary import TWINS
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.history.flags import alert_episodes
from quietward.dashboard.view.marks import StripMark, strip_marks
from quietward.dashboard.view.signal_buffer import Floats
from quietward.language.catalogue import reader

MAX_FINE_S = 3600
"""Up to this length every sample is drawn, beyond it the lowest and the highest of each second."""
FHR_RANGE, UA_RANGE, CONCERN_RANGE = STRIP.fhr[0].range, STRIP.ua.range, (0, 100)
ROWS = [
    ("FHR, bpm", FHR_RANGE, 0.46),
    ("UA", UA_RANGE, 0.18),
    ("variability, bpm", (0, 40), 0.18),
    ("concern", CONCERN_RANGE, 0.18),
]
"""Title, range and share of the height of each row."""
SIGNAL, UA, BASELINE, FAINT = "#4f86b8", "#a06bab", "#c07a2c", "#8a929b"
SECOND_SIGNAL = "#3d9c93"
"""Of a second twin; what is drawn of that one is dashed."""
MARK_COLOURS = {"fall": "#c65a3f", "rise": "#4b9360", "tight": UA, "by-hand": "#3f8a66"}
"""By day and by night the figure has the same colours: they lie between the two sets of the strips."""
LEVEL_COLOURS = {"look": "#1b8fa6", "bedside": "#d9a90f", "team": "#c0302f"}
DECELERATION_Y, OTHER_FHR_Y, UA_Y, FLAG_Y = 58, 202, 4, 92
"""Places of the markers that carry the explanations: near the edge of their row."""
UA_BAND = (0.0, 8.0)
TWINS_TITLE = "FHR, bpm; second twin dashed"

TimeOf = Callable[[float], str]
"""Seconds by the bed's clock to a time that Plotly reads."""


def figure(history: BedHistory, zone: tzinfo) -> dict[str, Any]:
    """Return the figure as plain data. zone: of its times."""

    def at(seconds: float) -> str:
        return datetime.fromtimestamp(seconds, zone).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]

    fig = make_subplots(4, 1, shared_xaxes=True, vertical_spacing=0.02, row_heights=[share for *_, share in ROWS])
    for row, values, line in (
        (1, history.fhr, {"color": SIGNAL}),
        (2, history.ua, {"color": UA}),
        (1, history.fhr2, {"color": SECOND_SIGNAL, "dash": "4px,2px"}),
    ):
        if values is not None:
            seconds, drawn = _drawn_samples(history.first_s, values)
            x = [at(s) for s in seconds]
            fig.add_trace(
                Scatter(x=x, y=drawn, line=line | {"width": 1.1}, hoverinfo="skip", connectgaps=False), row, 1
            )
    for which in ("",) if history.fhr2 is None else TWINS:
        _add_trends(fig, history, at, which)
    shapes = _add_findings(fig, history, at) + _add_flags(fig, history, at)
    _lay_out(fig, at(history.first_s), at(max(history.last_s, history.now_s)), are_twins=history.fhr2 is not None)
    plain: dict[str, Any] = fig.to_dict()
    plain["layout"]["shapes"] = shapes  # added one by one, Plotly would check all earlier ones each time
    return plain


def _add_trends(fig: Figure, history: BedHistory, at: TimeOf, which: str) -> None:
    """Add baseline, variability and concern of the fetus. which: of twins, in words."""
    is_second, said = which == TWINS[1], reader.get().said
    for row, name, colour in ((1, "baseline_bpm", BASELINE), (3, "variability_bpm", SIGNAL), (4, "concern", FAINT)):
        key = TREND_OF[is_second] + name
        points = [(e.t / 1000, e.detail.get(key)) for e in history.trend if e.t / 1000 >= history.first_s]
        line = {"color": colour, "width": 1.6, "shape": "vh"} | ({"dash": "4px,2px"} if is_second else {})
        name_shown = ": ".join(filter(None, [said(which), said(name.split("_")[0])]))
        x, y = [at(s) for s, _ in points], [value for _, value in points]
        hover = f"%{{y:.0f}}<extra>{name_shown}</extra>"
        fig.add_trace(Scatter(x=x, y=y, line=line, hovertemplate=hover), row, 1)


def _drawn_samples(first_s: int, values: Floats) -> tuple[list[float], list[float | None]]:
    """Return times in seconds, and values with None for no value. values: shape (n,), HZ."""
    times = first_s + np.arange(len(values)) / HZ
    if len(values) > MAX_FINE_S * HZ:
        by_second = values[: len(values) // HZ * HZ].reshape(-1, HZ)
        empty = np.isnan(by_second).all(axis=1)
        low = np.where(empty, np.nan, np.nanmin(np.where(np.isnan(by_second), np.inf, by_second), axis=1))
        high = np.where(empty, np.nan, np.nanmax(np.where(np.isnan(by_second), -np.inf, by_second), axis=1))
        values = np.stack([low, high], axis=1).reshape(-1)
        times = np.repeat(times[::HZ][: len(by_second)], 2)
    drawn: list[float | None] = [None if np.isnan(v) else v for v in values.tolist()]
    return times.tolist(), drawn


def _band(row: int, x: tuple[str, str], y: tuple[float, float], colour: str, opacity: float) -> dict[str, Any]:
    axis = "" if row == 1 else str(row)
    return {
        "type": "rect", "xref": f"x{axis}", "yref": f"y{axis}", "x0": x[0], "x1": x[1], "y0": y[0], "y1": y[1],
        "fillcolor": colour, "opacity": opacity, "line": {"width": 0}, "layer": "below",
    }  # fmt: skip


def _add_findings(fig: Figure, history: BedHistory, at: TimeOf) -> list[dict[str, Any]]:
    """Add a marker for each finding, with the reasons for its name, and return the bands below them."""
    marks = [
        mark for mark in strip_marks(history.log[::-1], history.policy)
        if mark.kind in STRIP.marks and mark.to_s is not None and mark.to_s > history.first_s
    ]  # fmt: skip
    said, bands = reader.get().said, []

    def explained(mark: StripMark) -> str:
        return "<br>".join([f"<b>{said(mark.text)}</b>", *map(said, mark.why)])

    for kind, style in STRIP.marks.items():
        colour = MARK_COLOURS[style.colour]
        of_kind = [mark for mark in marks if mark.kind == kind]
        row, y, height = _place(kind)
        bands += [_band(row, (at(mark.from_s), at(_end_s(mark))), height, colour, 0.16) for mark in of_kind]
        fig.add_trace(
            Scatter(
                x=[at((mark.from_s + _end_s(mark)) / 2) for mark in of_kind], y=[y] * len(of_kind), mode="markers",
                marker={"color": colour, "size": 9, "symbol": "diamond" if row == 1 else "line-ew-open"},
                hovertext=[explained(mark) for mark in of_kind], hoverinfo="text",
            ),
            row, 1,
        )  # fmt: skip
    return bands


def _place(kind: str) -> tuple[int, int, tuple[float, float]]:
    """Return the row of a kind of mark, the height of its marker, and that of its band."""
    if STRIP.marks[kind].place != "fhr":
        return 2, UA_Y, UA_BAND
    return 1, DECELERATION_Y if kind == "deceleration" else OTHER_FHR_Y, FHR_RANGE


def _end_s(mark: StripMark) -> float:
    return mark.to_s or mark.from_s


def _add_flags(fig: Figure, history: BedHistory, at: TimeOf) -> list[dict[str, Any]]:
    """Add a marker where a flag changed, with its text, and return a band for each level that a flag had."""
    said, intervals = reader.get().said, []
    for episode in alert_episodes(history.log):
        ends = [change.t / 1000 for change in episode.changes[1:]] + [max(history.last_s, history.now_s)]
        for change, until_s in zip(episode.changes, ends, strict=True):
            if change.level in LEVEL_COLOURS and until_s > history.first_s:
                intervals.append((max(change.t / 1000, history.first_s), until_s, change))
    colours = [LEVEL_COLOURS[change.level] for *_, change in intervals]
    fig.add_trace(
        Scatter(
            x=[at(from_s) for from_s, *_ in intervals], y=[FLAG_Y] * len(intervals), mode="markers",
            marker={"color": colours, "size": 9, "symbol": "triangle-right"},
            hovertext=[said(change.text) for *_, change in intervals], hoverinfo="text",
        ),
        4, 1,
    )  # fmt: skip
    return [
        _band(4, (at(from_s), at(until_s)), CONCERN_RANGE, colour, 0.35 if change.waits else 0.12)
        for (from_s, until_s, change), colour in zip(intervals, colours, strict=True)
    ]


def _lay_out(fig: Figure, begins: str, ends: str, *, are_twins: bool) -> None:
    clear = "rgba(0,0,0,0)"
    fig.update_layout(
        template="none", showlegend=False, height=720, margin={"l": 56, "r": 12, "t": 8, "b": 36}, hovermode="closest",
        paper_bgcolor=clear, plot_bgcolor=clear, font={"color": FAINT, "size": 12}, dragmode="zoom",
    )  # fmt: skip
    fig.update_xaxes(gridcolor="rgba(128,128,128,0.2)", zeroline=False, range=[begins, ends])
    for row, (english, limits, _) in enumerate(ROWS, 1):
        title = reader.get().said(TWINS_TITLE if are_twins and row == 1 else english)
        fig.update_yaxes(
            title=title, range=limits, fixedrange=True, gridcolor="rgba(128,128,128,0.2)", zeroline=False,
            row=row, col=1,
        )  # fmt: skip
