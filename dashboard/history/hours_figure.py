"""Pure: the last hours of one bed as a figure that can be zoomed into: signals, trends, findings, flags."""

from datetime import datetime, tzinfo
from typing import Any

import numpy as np
from plotly.graph_objects import Figure, Scatter
from plotly.subplots import make_subplots

from quietward.contracts.messages import HZ
from quietward.dashboard.history import flags
from quietward.dashboard.history.hours import Hours
from quietward.dashboard.view.marks import Mark, marks
from quietward.dashboard.view.strips import Floats

FINE_S = 3600
"""Up to so many seconds every sample is drawn; of more, the lowest and the highest of each second."""
ROWS = [
    ("FHR, bpm", (50, 210), 0.46),
    ("UA", (0, 100), 0.18),
    ("variability, bpm", (0, 40), 0.18),
    ("concern", (0, 100), 0.18),
]
INK, FAINT, FALL, RISE, WOMB, LEVEL = "#4f86b8", "#8a929b", "#c65a3f", "#4b9360", "#a06bab", "#c07a2c"
"""On paper of the day and of the night: the middle between the strips' two sets of colours."""
MARKED = {"deceleration": FALL, "acceleration": RISE, "contraction": WOMB, "hand-contraction": "#3f8a66"}
FLAGGED = {"look": "#1b8fa6", "bedside": "#d9a90f", "team": "#c0302f"}


def figure(hours: Hours, zone: tzinfo) -> dict[str, Any]:
    """Return the figure as plain data. zone: of its times."""

    def at(seconds: float) -> str:
        return datetime.fromtimestamp(seconds, zone).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]

    fig = make_subplots(4, 1, shared_xaxes=True, vertical_spacing=0.02, row_heights=[share for *_, share in ROWS])
    for row, (values, colour) in enumerate(((hours.fhr, INK), (hours.ua, WOMB)), 1):
        seconds, shown = _drawn(hours.first_s, values)
        x = [at(s) for s in seconds]
        line = {"color": colour, "width": 1.1}
        fig.add_trace(Scatter(x=x, y=shown, line=line, hoverinfo="skip", connectgaps=False), row, 1)
    for row, name, colour in ((1, "baseline_bpm", LEVEL), (3, "variability_bpm", INK), (4, "concern", FAINT)):
        said = [(e.t / 1000, e.detail.get(name)) for e in hours.trend if e.t / 1000 >= hours.first_s]
        line = {"color": colour, "width": 1.6, "shape": "vh"}
        hover = f"%{{y:.0f}}<extra>{name.split('_')[0]}</extra>"
        fig.add_trace(
            Scatter(x=[at(s) for s, _ in said], y=[v for _, v in said], line=line, hovertemplate=hover), row, 1
        )
    found = [
        m
        for m in marks(hours.log[::-1], hours.sheet)
        if m.kind in MARKED and m.to_s is not None and m.to_s > hours.first_s
    ]
    shapes = _add_findings(fig, found, at) + _add_flags(fig, hours, at)
    _lay_out(fig, at(hours.first_s), at(max(hours.last_s, hours.now_s)))
    plain: dict[str, Any] = fig.to_dict()
    plain["layout"]["shapes"] = shapes  # one by one Plotly would look through all of them each time
    return plain


def _drawn(first_s: int, values: Floats) -> tuple[list[float], list[float | None]]:
    times = first_s + np.arange(len(values)) / HZ
    if len(values) > FINE_S * HZ:
        by_second = values[: len(values) // HZ * HZ].reshape(-1, HZ)
        empty = np.isnan(by_second).all(axis=1)
        low = np.where(empty, np.nan, np.nanmin(np.where(np.isnan(by_second), np.inf, by_second), axis=1))
        high = np.where(empty, np.nan, np.nanmax(np.where(np.isnan(by_second), -np.inf, by_second), axis=1))
        values = np.stack([low, high], axis=1).reshape(-1)
        times = np.repeat(times[::HZ][: len(by_second)], 2)
    shown: list[float | None] = [None if np.isnan(v) else v for v in values.tolist()]
    return times.tolist(), shown


def _band(row: int, x: tuple[str, str], y: tuple[float, float], colour: str, opacity: float) -> dict[str, Any]:
    axis = "" if row == 1 else str(row)
    return {
        "type": "rect", "xref": f"x{axis}", "yref": f"y{axis}", "x0": x[0], "x1": x[1], "y0": y[0], "y1": y[1],
        "fillcolor": colour, "opacity": opacity, "line": {"width": 0}, "layer": "below",
    }  # fmt: skip


def _add_findings(fig: Figure, found: list[Mark], at: Any) -> list[dict[str, Any]]:
    shapes = []
    for kind, colour in MARKED.items():
        own = [m for m in found if m.kind == kind and m.to_s is not None]
        row, y = (2, 4) if "contraction" in kind else (1, 58 if kind == "deceleration" else 202)
        for m in own:
            high = (0.0, 8.0) if "contraction" in kind else ROWS[0][1]
            shapes.append(_band(row, (at(m.from_s), at(m.to_s or m.from_s)), high, colour, 0.16))
        fig.add_trace(
            Scatter(
                x=[at((m.from_s + (m.to_s or m.from_s)) / 2) for m in own], y=[y] * len(own), mode="markers",
                marker={"color": colour, "size": 9, "symbol": "diamond" if row == 1 else "line-ew-open"},
                hovertext=["<br>".join([f"<b>{m.text}</b>", *m.why]) for m in own], hoverinfo="text",
            ),
            row, 1,
        )  # fmt: skip
    return shapes


def _add_flags(fig: Figure, hours: Hours, at: Any) -> list[dict[str, Any]]:
    """Draw each level a flag had as a band over the concern; why it stood is told where it begins."""
    steps = []
    for story in flags.stories(hours.log):
        ends = [step.t / 1000 for step in story.steps[1:]] + [max(hours.last_s, hours.now_s)]
        for step, until in zip(story.steps, ends, strict=True):
            if step.level in FLAGGED and until > hours.first_s:
                steps.append((max(step.t / 1000, hours.first_s), until, step))
    fig.add_trace(
        Scatter(
            x=[at(begins) for begins, _, _ in steps], y=[92] * len(steps), mode="markers",
            marker={"color": [FLAGGED[step.level] for *_, step in steps], "size": 9, "symbol": "triangle-right"},
            hovertext=[step.text for *_, step in steps], hoverinfo="text",
        ),
        4, 1,
    )  # fmt: skip
    return [
        _band(4, (at(begins), at(until)), (0, 100), FLAGGED[step.level], 0.35 if step.waits else 0.12)
        for begins, until, step in steps
    ]


def _lay_out(fig: Figure, begins: str, ends: str) -> None:
    clear = "rgba(0,0,0,0)"
    fig.update_layout(
        template="none", showlegend=False, height=720, margin={"l": 56, "r": 12, "t": 8, "b": 36}, hovermode="closest",
        paper_bgcolor=clear, plot_bgcolor=clear, font={"color": FAINT, "size": 12}, dragmode="zoom",
    )  # fmt: skip
    fig.update_xaxes(gridcolor="rgba(128,128,128,0.2)", zeroline=False, range=[begins, ends])
    for row, (name, limits, _) in enumerate(ROWS, 1):
        fig.update_yaxes(
            title=name, range=limits, fixedrange=True, gridcolor="rgba(128,128,128,0.2)", zeroline=False, row=row, col=1
        )
