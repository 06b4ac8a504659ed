"""The pictures of a study's report."""

import io
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from quietward.study.plan import BASE, Study
from quietward.study.result import COUNTED, Estimate, Share, VariantRow, reached_s
from quietward.study.run import Result

RATE = "interruptions per nurse-hour"
POLICY, PLAIN, TODAY, CHOSEN = "#8aa0b8", "#b0703c", "#1c1c1c", "#0b7a4b"
LEVEL_COLOURS = {"look": "#6fb3bf", "bedside": "#d9b23a", "team": "#b5473c"}

LOWEST_LATE = -2.0
"""Where the axis of late needs begins, %: what is not late at all can be seen above it."""
RATES_NAMED = (0, 0.5, 1, 1.5, 2, 3, 4, 5, 7, 10, 15, 20, 30, 50, 100)
"""Interruptions per nurse-hour that are named at the axis."""


def svg(figure: Figure) -> str:
    """Return a figure as an element of a page."""
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def _figure(width: float, height: float, columns: int = 1) -> tuple[Figure, Any]:
    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.subplots(1, columns, squeeze=False)[0]


def front(rows: Sequence[VariantRow], study: Study, best: VariantRow | None) -> Figure:
    """Draw what is late against what interrupts."""
    figure, (panel,) = _figure(11, 5.5)
    panel.set_ylim(LOWEST_LATE, 102)
    limit = study.limit
    corner, width = (0.0, LOWEST_LATE), limit.interruptions_per_nurse_hour
    height = 100 * (1 - limit.reached_share) - LOWEST_LATE
    panel.add_patch(Rectangle(corner, width, height, facecolor="#cfe6d9", edgecolor=CHOSEN, lw=0.8, zorder=0))
    named: list[tuple[float, float, str, str]] = []
    for row in rows:
        rate, late = row.interruptions_per_nurse_hour, row.late
        if rate.value is None or late.value is None:
            continue
        is_today, is_best = row.name == BASE, best is not None and row.name == best.name
        colour = CHOSEN if is_best else TODAY if is_today else POLICY if row.kind == "policy" else PLAIN
        marker = "D" if is_best else "s" if is_today else "o" if row.kind == "policy" else "^"
        panel.plot(rate.value, 100 * late.value, marker, color=colour, ms=9 if is_today or is_best else 6, zorder=3)
        if is_today or is_best or row.kind != "policy":
            _bars(panel, rate, late, colour)
            words = "today, chosen" if is_today and is_best else "chosen" if is_best else row.name
            named.append((100 * late.value, rate.value, words, colour))
    _name(panel, named)
    ends = [
        (r.interruptions_per_nurse_hour.value, 100 * r.late.value)
        for r in rows
        if r.on_front and r.late.value is not None
    ]
    points = sorted((x, y) for x, y in ends if x is not None)
    panel.step([x for x, _ in points], [y for _, y in points], where="post", color="#777777", lw=1, zorder=2)
    panel.set(xlabel=RATE, ylabel=f"late needs of level {limit.level}, %", xscale="symlog")
    panel.set_xlim(left=0, right=max(panel.get_xlim()[1], 2 * width))
    panel.set_xticks([x for x in RATES_NAMED if x <= panel.get_xlim()[1]])
    panel.xaxis.set_major_formatter("{x:g}")
    panel.minorticks_off()
    panel.grid(alpha=0.3)
    return figure


APART = 0.06
"""Names stand at least so far apart, as a share of the height."""


def _name(panel: Axes, named: Sequence[tuple[float, float, str, str]]) -> None:
    """Write names in a column at the right, in the order of what they belong to, each with a line to it."""
    low, high = panel.get_ylim()
    place = low
    for y, x, words, colour in sorted(named):
        place = max(place + APART * (high - low), y)
        panel.annotate(
            words, (x, y), xytext=(1.02, (place - low) / (high - low)), textcoords="axes fraction", fontsize=9,
            va="center", color=colour, arrowprops={"arrowstyle": "-", "color": colour, "lw": 0.5, "alpha": 0.5},
            annotation_clip=False,
        )  # fmt: skip


def _bars(panel: Axes, rate: Estimate, late: Share, colour: str) -> None:
    if rate.value is None or late.value is None:
        return
    if rate.low is not None and rate.high is not None:
        panel.hlines(100 * late.value, rate.low, rate.high, color=colour, lw=1)
    if late.low is not None and late.high is not None:
        panel.vlines(rate.value, 100 * late.low, 100 * late.high, color=colour, lw=1)


def times(result: Result, rows: Sequence[VariantRow], study: Study) -> Figure:
    """Draw how many needs have been reached after how long."""
    figure, (panel,) = _figure(11, 4.2)
    names = [v.name for v in result.planned.variants]
    styles = ["-", "--", "-.", ":"]
    for i, row in enumerate(rows):
        shifts = result.with_staff[names.index(row.name)]
        meant = [e for s in shifts for e in s.episodes if e.level == study.limit.level]
        delays = [reached_s(e, study.limit) for e in meant]
        times = np.sort([delay_s / 60 for delay_s in delays if delay_s is not None])
        share = 100 * np.arange(1, len(times) + 1) / max(1, len(meant))
        colour = TODAY if row.name == BASE else CHOSEN if row.kind == "policy" else None
        panel.step([0, *times, 60], [0, *share, *share[-1:]] if len(times) else [0, 0], where="post", label=row.name,
                   color=colour, ls=styles[i % len(styles)], lw=2 if colour else 1.3)  # fmt: skip
    panel.axvline(study.limit.reached_within_min, color="#777777", lw=0.8, ls=":")
    panel.set(xlim=(0, 30), ylim=(0, 101), xlabel="min from the beginning of the need",
              ylabel=f"needs ({study.limit.level}) {COUNTED[study.limit.reached].verb}, %")  # fmt: skip
    panel.legend(fontsize=8, loc="lower right")
    panel.grid(alpha=0.3)
    return figure


def reasons(rows: Sequence[VariantRow]) -> Figure:
    """Draw how many calls there are of each level, and how many of them are true positives."""
    figure, panels = _figure(11, 0.5 + 0.42 * len(rows), 2)
    names = [row.name if len(row.name) < 36 else row.name[:34] + " …" for row in rows][::-1]
    ordered = list(rows)[::-1]
    left = np.zeros(len(rows))
    for level, colour in LEVEL_COLOURS.items():
        width = np.array([row.calls_per_bed_hour[level].value or 0.0 for row in ordered])
        panels[0].barh(names, width, left=left, color=colour, label=level)
        left += width
    panels[0].set_xlabel("calls per bed-hour, by level")
    panels[0].legend(fontsize=8)
    for level, colour in LEVEL_COLOURS.items():
        y = [i for i, row in enumerate(ordered) if row.ppv[level].value is not None]
        x = [100 * (ordered[i].ppv[level].value or 0.0) for i in y]
        panels[1].plot(x, y, "o", color=colour, ms=7)
    panels[1].set(yticks=range(len(names)), yticklabels=[], xlim=(0, 101), ylim=(-0.5, len(names) - 0.5))
    panels[1].set_xlabel("positive predictive value of calls, %, by level, nobody answering")
    for panel in panels:
        panel.grid(axis="x", alpha=0.3)
    return figure


def effects(rows: Sequence[VariantRow], study: Study) -> Figure:
    """Draw each number against what it does; other numbers vary at the same time unless the study says `each`."""
    keys = [v.key for v in study.vary]
    figure, panels = _figure(11, 3.2, len(keys))
    for panel, key in zip(panels, keys, strict=True):
        with_it = sorted((r for r in rows if key in r.numbers), key=lambda r: r.numbers[key])
        x = [r.numbers[key] for r in with_it]
        panel.plot(x, [r.interruptions_per_nurse_hour.value or 0.0 for r in with_it], "o", color=POLICY, ms=4)
        panel.set_xlabel(key, fontsize=8)
        twin = panel.twinx()
        twin.plot(x, [100 * (r.late.value or 0.0) for r in with_it], "x", color=LEVEL_COLOURS["team"], ms=4)
        panel.set_ylim(bottom=0)
        twin.set_ylim(bottom=0)
        panel.tick_params(labelsize=7)
        twin.tick_params(labelsize=7)
    panels[0].set_ylabel(f"o {RATE}", fontsize=8)
    figure.supylabel("x late needs, %", x=1.0, fontsize=8, ha="right")
    return figure
