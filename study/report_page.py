"""The report of a study as one HTML file that needs nothing else: `templates/report.html`, filled in."""

from collections.abc import Sequence
from typing import NamedTuple

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from quietward.study import figures
from quietward.study.figures import LEVEL_COLOURS, RATE
from quietward.study.plan import BASE, LimitAlarm, Study
from quietward.study.report import FullReport
from quietward.study.result import Estimate, VariantRow
from quietward.study.run import Result

SHOWN_ROWS = 40
NONE = "–"


class ReportTable(NamedTuple):
    """Cells as text."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]


class DelayTable(NamedTuple):
    """The effect of waiting on alarms with fixed limits. is_known: whether their positive predictive value is known."""

    is_known: bool
    table: ReportTable


def render(result: Result, report: FullReport) -> str:
    """Return the report as HTML."""
    study, rows = report.study, report.rows
    today = next(row for row in rows if row.name == BASE)
    best = next((row for row in rows if row.name == report.chosen), None)
    plain = [row for row in rows if row.kind != "policy"]
    shown = list(dict.fromkeys(r.name for r in [today, *([best] if best else []), *plain]))
    first = [next(r for r in rows if r.name == name) for name in shown]
    on_front = sorted((r for r in rows if r.on_front), key=lambda r: r.interruptions_per_nurse_hour.value or 0.0)
    return _environment().get_template("report.html").render(
        study=study, report=report, today=today, best=best, rate=RATE, shifts=_shifts(result),
        tables={
            "front": _variants(on_front, study),
            "first": _variants(first, study),
            "by_shift": _by_shift(first),
            "by_reason": _by_reason([r for r in first if r not in plain], plain),
            "management": _management(first),
            "top": ReportTable(
                ["variant", "calls, bed"],
                [[r.name, "; ".join(f"{what} {count}" for what, count in r.top_ten)] for r in first],
            ),
            "all": _variants(_best_first(rows)[:SHOWN_ROWS], study),
        },
        pictures={
            "front": _svg(figures.front(rows, study, best)) if today.needs else None,
            "times": _svg(figures.times(result, first, study)) if today.needs else None,
            "reasons": _svg(figures.reasons(first)),
            "effects": _svg(figures.effects(rows, study)) if any(row.numbers for row in rows) else None,
        },
        delays=_delays(rows, study),
    )  # fmt: skip


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("quietward.study"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters |= {
        "interval": interval, "difference": difference, "minutes": minutes, "percent": percent, "full_name": full_name,
    }  # fmt: skip
    return environment


def _svg(figure: Figure) -> Markup:
    return Markup(figures.svg(figure))  # noqa: S704  # made by matplotlib, which escapes what it writes


def interval(e: Estimate, times: float = 1.0) -> str:
    """Return an estimate with its interval."""
    if e.value is None or e.low is None or e.high is None:
        return NONE
    return f"{e.value * times:.3g} [{e.low * times:.3g}, {e.high * times:.3g}]"


def difference(e: Estimate, times: float = 1.0) -> str:
    """Return an estimated difference with its interval, with signs."""
    if e.value is None or e.low is None or e.high is None:
        return NONE
    return f"{e.value * times:+.3g} [{e.low * times:+.3g}, {e.high * times:+.3g}]"


def minutes(seconds: float | None) -> str:
    """Return a delay in words; None: it never ended."""
    return "never" if seconds is None else "at once" if seconds == 0 else f"{seconds / 60:.1f} min"


def percent(share: float) -> str:
    """Return a share in whole percent."""
    return f"{share:.0%}"


def full_name(row: VariantRow) -> str:
    """Return a variant's name, with its numbers where the name does not contain them."""
    if not row.numbers or row.name.endswith(tuple(f"{value:g}" for value in row.numbers.values())):
        return row.name
    return f"{row.name}: " + ", ".join(f"{key} {value:g}" for key, value in row.numbers.items())


def _shifts(result: Result) -> str:
    recorded = sum(bool(case.recordings) for case in result.cases)
    kinds = [(len(result.cases) - recorded, "simulated shifts"), (recorded, "shifts of recordings side by side")]
    return " and ".join(f"{count} {kind}" for count, kind in kinds if count)


def _best_first(rows: Sequence[VariantRow]) -> list[VariantRow]:
    return sorted(rows, key=lambda r: (r.late.value or 0.0, r.interruptions_per_nurse_hour.value or 0.0))


def _variants(rows: Sequence[VariantRow], study: Study) -> ReportTable:
    head = [
        "variant", RATE, "calls per bed-hour", "look", "bedside", "team",
        f"late per 100 ({study.limit.level})", "flagged before it mattered", "median to flag", "median to bed",
        "90 % to bed", "never", "longest wait", "look worth", "bedside worth", "team worth", "meets",
    ]  # fmt: skip
    return ReportTable(head, [[
        full_name(r), interval(r.interruptions_per_nurse_hour),
        *(interval(r.calls_per_bed_hour[name]) for name in ("all", *LEVEL_COLOURS)),
        interval(r.late, 100), interval(r.flagged_before),
        *(
            (minutes(r.flagged.p50), minutes(r.reached.p50), minutes(r.reached.p90), str(r.reached.never),
             minutes(r.longest_wait_s))
            if r.needs else NONE * 5
        ),
        *(interval(r.ppv[name]) for name in LEVEL_COLOURS), f"{'yes' if r.meets else 'no'} ({percent(r.sure)})",
    ] for r in rows])  # fmt: skip


def _by_shift(rows: Sequence[VariantRow]) -> ReportTable | None:
    """Return the same by kind of shift, None where there is only one."""
    kinds = list(rows[0].by_shift)
    if len(kinds) < 2:
        return None
    head = ["variant", *(f"{kind}: {what}" for kind in kinds for what in (RATE, "needs", "late per 100"))]
    lines = []
    for r in rows:
        cells = [r.name]
        for of in r.by_shift.values():
            cells += [interval(of.interruptions_per_nurse_hour), str(of.needs), interval(of.late, 100)]
        lines.append(cells)
    return ReportTable(head, lines)


def _by_reason(policies: Sequence[VariantRow], plain: Sequence[VariantRow]) -> list[tuple[str, ReportTable]]:
    """Return the calls by reason of each policy, and those of all plain alarms, each of which has one reason."""
    head = ["reason", "level", "calls", "per bed-hour", RATE]
    groups = [*((f"{full_name(r)}:", [r]) for r in policies), ("Plain alarms:", list(plain))]
    tables = []
    for title, rows in groups:
        lines = [
            [of.why, of.level, str(of.calls), interval(of.per_bed_hour), interval(of.per_nurse_hour)]
            for row in rows
            for of in row.reasons
        ]
        if lines:
            tables.append((title, ReportTable(head, lines)))
    return tables


def _management(rows: Sequence[VariantRow]) -> ReportTable:
    head = [
        "variant", "average per nurse in 10 min", "peak in 10 min", "time in flood", "chattering", "fleeting",
        "unanswered 30 min", *(f"{name}, share" for name in LEVEL_COLOURS),
    ]  # fmt: skip
    return ReportTable(head, [[
        full_name(r), f"{r.per_10_min:.2f}", str(r.peak_in_10_min), f"{r.flood_share:.1%}",
        f"{r.chattering_share:.1%}", f"{r.fleeting_share:.1%}", str(r.stale),
        *(percent(r.levels[name]) for name in LEVEL_COLOURS),
    ] for r in rows])  # fmt: skip


def _delays(rows: Sequence[VariantRow], study: Study) -> DelayTable | None:
    """Return what waiting takes away from an alarm with fixed limits, if the study has one without and with it."""
    alarms = {a.name: a for a in study.alarm if isinstance(a, LimitAlarm)}
    limit_alarms = [(alarms[r.name], r) for r in rows if r.name in alarms]
    at_once = next((r for a, r in limit_alarms if a.for_s == 0), None)
    if at_once is None:
        return None
    is_known = all(row.ppv["look"].value is not None for _, row in limit_alarms)

    def false_per_hour(row: VariantRow) -> float:
        calls, ppv = row.calls_per_bed_hour["look"].value or 0.0, row.ppv["look"].value
        return calls * (1 - (ppv or 0.0))

    lines = [
        [r.name, f"{a.for_s:g} s", f"{false_per_hour(r):.2f}", f"{1 - false_per_hour(r) / false_per_hour(at_once):.0%}"]
        for a, r in limit_alarms
        if a.low_bpm == alarms[at_once.name].low_bpm and a.high_bpm == alarms[at_once.name].high_bpm
    ]
    rate = "for nothing, per bed-hour" if is_known else "per bed-hour"
    return DelayTable(is_known, ReportTable(["alarm", "delay", rate, "taken away"], lines))
