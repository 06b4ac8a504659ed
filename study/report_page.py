"""The report of a study as one HTML file that needs nothing else: `templates/report.html`, filled in."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from quietward.study import figures
from quietward.study.figures import LEVEL_COLOURS, RATE
from quietward.study.plan import BASE, LimitAlarm, Study
from quietward.study.report import FullReport, rate_interval, share_in_words
from quietward.study.result import COUNTED, Estimate, LateNeed, Paired, StaffRow, VariantRow
from quietward.study.run import Result

SHOWN_ROWS = 40
SHOWN_LATE = 60
MOST_NAMED = 12
NONE = "–"


class ReportTable(NamedTuple):
    """Cells as text."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]


class DelayTable(NamedTuple):
    """The effect of waiting on alarms with fixed limits. is_known: whether their positive predictive value is known."""

    is_known: bool
    table: ReportTable


def render(reported: Result, report: FullReport) -> str:
    """Return the report as HTML. reported: the half of the study that the rows are of."""
    study, rows = report.study, report.rows
    today = next(row for row in rows if row.name == BASE)
    best = next((row for row in rows if row.name == report.chosen), None)
    plain = [row for row in rows if row.kind != "policy"]
    shown = list(dict.fromkeys(r.name for r in [today, *([best] if best else []), *plain]))
    first = [next(r for r in rows if r.name == name) for name in shown]
    on_front = sorted((r for r in rows if r.on_front), key=lambda r: r.interruptions_per_nurse_hour.value or 0.0)
    return _environment().get_template("report.html").render(
        study=study, report=report, today=today, best=best, rate=RATE, shifts=_shifts(report),
        alike=_names(report.choice.alike, rows), hangs_on=_hangs_on(report.other_staff),
        counted=COUNTED[study.limit.reached], p_in_words=p_in_words,
        varies_staff=any(not row.is_own_staff for row in rows),
        is_simulated=any(not cases.recordings for cases in study.cases),
        tables={
            "by_need": _by_need(today, study),
            "late": _late(report.late[:SHOWN_LATE], study),
            "other_staff": _other_staff(first, report.other_staff, study),
            "outcomes": _outcomes(first),
            "front": _variants(on_front, study),
            "first": _variants(first, study),
            "who_came": _who_came(first, study),
            "calls": _calls(first),
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
            "times": _svg(figures.times(reported, first, study)) if today.needs else None,
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
        "share": share_in_words, "after": after, "first_there": first_there,
    }  # fmt: skip
    return environment


def _svg(figure: Figure) -> Markup:
    return Markup(figures.svg(figure))  # noqa: S704  # made by matplotlib, which escapes what it writes


def interval(e: Estimate) -> str:
    """Return a rate with its interval, if there is one."""
    return NONE if e.value is None else f"{e.value:.3g}{rate_interval(e)}"


def difference(e: Estimate) -> str:
    """Return an estimated difference with its interval, with signs."""
    if e.value is None:
        return NONE
    return f"{e.value:+.3g}" + ("" if e.low is None or e.high is None else f" ({e.low:+.3g} to {e.high:+.3g})")


def minutes(seconds: float | None) -> str:
    """Return a delay in words; None: it never ended; negative: it was over before."""
    if seconds is None or seconds == 0:
        return "never" if seconds is None else "at once"
    return f"{-seconds / 60:.1f} min before" if seconds < 0 else f"{seconds / 60:.1f} min"


def after(seconds: float | None) -> str:
    """Return when something has come: after how long, or that it never has."""
    return "never" if seconds is None else "at once" if seconds == 0 else f"after {minutes(seconds)}"


def first_there(by: Mapping[str, int]) -> str:
    """Return in words who was at the bed first."""
    words = {
        "call": "for a call", "round": "on the round", "look again": "to look again", "clinicians": "clinicians",
        "": "nobody",
    }  # fmt: skip
    return ", ".join(f"{of} {by[name]}" for name, of in words.items() if by.get(name))


def percent(share: float) -> str:
    """Return a share in whole percent."""
    return f"{100 * share:.0f} %"


def full_name(row: VariantRow) -> str:
    """Return a variant's name, with its numbers where the name does not contain them."""
    if not row.numbers or row.name.endswith(tuple(f"{value:g}" for value in row.numbers.values())):
        return row.name
    return f"{row.name}: " + ", ".join(f"{key} {value:g}" for key, value in row.numbers.items())


def _shifts(report: FullReport) -> str:
    is_recorded = {bool(cases.recordings) for cases in report.study.cases}
    kind = (
        " of recordings side by side"
        if is_recorded == {True}
        else ", some of recordings"
        if True in is_recorded
        else ""
    )
    return f"{report.shifts} {'' if kind else 'simulated '}{'shift' if report.shifts == 1 else 'shifts'}{kind}"


def _names(names: Sequence[str], rows: Sequence[VariantRow]) -> str:
    """Return the names of variants, with their numbers, the first `MOST_NAMED` of them."""
    named = [full_name(row) for row in rows if row.name in names]
    more = f"; and {len(named) - MOST_NAMED} more (report.json)" if len(named) > MOST_NAMED else ""
    return "; ".join(named[:MOST_NAMED]) + more


def _best_first(rows: Sequence[VariantRow]) -> list[VariantRow]:
    return sorted(rows, key=lambda r: (r.late.value or 0.0, r.interruptions_per_nurse_hour.value or 0.0))


def _variants(rows: Sequence[VariantRow], study: Study) -> ReportTable:
    to = COUNTED[study.limit.reached].to
    head = [
        "variant", RATE, f"late needs ({study.limit.level})", "late once shown", "late against today's",
        f"median to {to}", f"90 % to {to}", "never", "longest wait for anybody", "median to clinicians", "meets",
    ]  # fmt: skip
    return ReportTable(head, [[
        full_name(r), interval(r.interruptions_per_nurse_hour), share_in_words(r.late),
        share_in_words(r.late_once_shown), _against(r),
        *(
            (minutes(r.reached.p50), minutes(r.reached.p90), str(r.reached.never), minutes(r.longest_wait_s),
             minutes(r.clinicians.p50))
            if r.needs else NONE * 5
        ),
        r.verdict,
    ] for r in rows])  # fmt: skip


def _who_came(rows: Sequence[VariantRow], study: Study) -> ReportTable:
    within = list(rows[0].clinicians_within)
    head = ["variant", f"answered within {study.limit.reached_within_min:g} min, a round is no answer",
            *(f"clinicians there within {minutes} min" for minutes in within)]  # fmt: skip
    lines = [
        [full_name(r), share_in_words(r.answered_in_time), *(share_in_words(r.clinicians_within[m]) for m in within)]
        for r in rows
    ]
    return ReportTable(head, lines)


def _calls(rows: Sequence[VariantRow]) -> ReportTable:
    levels = list(LEVEL_COLOURS)
    head = ["variant", "calls per bed-hour", *levels, "time noted", "median to flag", "flagged before need began",
            *(f"PPV ({name})" for name in levels)]  # fmt: skip
    return ReportTable(head, [[
        full_name(r), *(interval(r.calls_per_bed_hour[name]) for name in ("all", *levels)),
        NONE if r.noted.value is None else percent(r.noted.value), minutes(r.flagged.p50) if r.needs else NONE,
        share_in_words(r.flagged_before), *(share_in_words(r.ppv[name]) for name in levels),
    ] for r in rows])  # fmt: skip


def _by_need(row: VariantRow, study: Study) -> ReportTable:
    to = COUNTED[study.limit.reached].to
    head = [
        "what", "late needs", "late once shown", "median to a trace that shows it", "median to flag",
        "median to bedside or team", f"median to {to}", f"90 % to {to}", "median to clinicians", "first there",
        "answered in time", *(f"clinicians within {m} min" for m in row.clinicians_within),
    ]  # fmt: skip
    return ReportTable(head, [[
        need.what, share_in_words(need.late), share_in_words(need.late_once_shown), minutes(need.shown.p50),
        minutes(need.flagged.p50), minutes(need.called.p50),
        minutes(need.reached.p50), minutes(need.reached.p90), minutes(need.clinicians.p50), first_there(need.by),
        share_in_words(need.answered_in_time), *map(share_in_words, need.clinicians_within.values()),
    ] for need in row.by_need])  # fmt: skip


def _late(needs: Sequence[LateNeed], study: Study) -> ReportTable:
    others_count = study.limit.reached != "anybody"
    head = [
        "what", "shift, seed", "bed", "begins", "lasts", "trace shows it", "flag", "bedside or team",
        "somebody at the bed", *([COUNTED[study.limit.reached].verb] if others_count else []), "why",
    ]  # fmt: skip
    return ReportTable(head, [[
        of.what, f"{of.shift}, {of.seed}{_draw(of)}", str(of.bed),
        f"{of.from_s / 60:.0f} min", f"{of.lasts_s / 60:.0f} min",
        minutes(of.shown_s), minutes(of.flagged_s), minutes(of.called_s), minutes(of.reached_s),
        *([minutes(of.counted_s)] if others_count else []), of.why,
    ] for of in needs])  # fmt: skip


def _draw(need: LateNeed) -> str:
    return f", draw {need.draw}" if need.draw > 1 else ""


def _other_staff(first: Sequence[VariantRow], other: Sequence[StaffRow], study: Study) -> ReportTable:
    lines = []
    for row in first:
        usual = [full_name(row), "as usual", interval(row.interruptions_per_nurse_hour), share_in_words(row.late),
                 share_in_words(row.late_once_shown), minutes(row.reached.p50) if row.needs else NONE]  # fmt: skip
        own = [
            ["", o.staff_is, interval(o.interruptions_per_nurse_hour), share_in_words(o.late),
             share_in_words(o.late_once_shown),
             minutes(o.median_s) if o.late.of else NONE]
            for o in other if o.name == row.name
        ]  # fmt: skip
        lines += [usual, *own] if own else []
    to = COUNTED[study.limit.reached].to
    return ReportTable(["variant", "staff", RATE, "late needs", "late once shown", f"median to {to}"], lines)


def _hangs_on(other: Sequence[StaffRow]) -> str:
    """Return between which figures today's lie with other staff, empty where that is not known."""
    own = [row for row in other if row.name == BASE]
    rates = [
        row.interruptions_per_nurse_hour.value for row in own if row.interruptions_per_nurse_hour.value is not None
    ]
    late = sorted((row.late for row in own if row.late.value is not None), key=lambda share: share.value or 0.0)
    if not rates:
        return ""
    words = f"{min(rates):.3g} and {max(rates):.3g} {RATE}"
    least, most = (late[0], late[-1]) if late else (None, None)
    if least is None or most is None:
        return words
    if least.of == most.of:
        return f"{words}, {least.count} and {most.count} of {least.of} late"
    return f"{words}, {least.count} of {least.of} and {most.count} of {most.of} late"


def _outcomes(rows: Sequence[VariantRow]) -> ReportTable | None:
    """Return what became of those who had an emergency, None where care does not change the course."""
    lines = [[
        full_name(row), share_in_words(o.gave_out),
        NONE if row.name == BASE else _paired(o.gave_out_against_today), interval(o.most_used),
        NONE if row.name == BASE else f"{difference(o.most_used_against_today)}, {p_in_words(o.p, o.p_is_exact)}",
        interval(o.used_at_end),
        NONE if row.name == BASE else
        f"{difference(o.used_at_end_against_today)}, {p_in_words(o.used_at_end_p, o.used_at_end_p_is_exact)}",
        str(o.births),
    ] for row in rows if (o := row.outcomes) is not None]  # fmt: skip
    head = [
        "variant", "reserve used up", "against today's", "most of the reserve used, mean", "against today's",
        "used at birth or at the end, mean", "against today's", "births",
    ]  # fmt: skip
    return ReportTable(head, lines) if lines else None


def _against(row: VariantRow) -> str:
    """Return which needs were late under one of a variant and today's policy alone, with the p of the exact test."""
    return NONE if row.name == BASE or not row.needs else _paired(row.late_against_today)


def _paired(paired: Paired) -> str:
    return f"{paired.late_here_only} more, {paired.late_there_only} fewer, {p_in_words(paired.p, paired.is_exact)}"


def p_in_words(p: float, is_exact: bool) -> str:
    """Return a p; one from assignments that were drawn is said to be near."""
    return f"p {p:.2g}" if is_exact else f"p near {p:.2g}"


def _by_shift(rows: Sequence[VariantRow]) -> ReportTable | None:
    """Return the same by kind of shift, None where there is only one."""
    kinds = list(rows[0].by_shift)
    if len(kinds) < 2:
        return None
    head = ["variant", *(f"{kind}: {what}" for kind in kinds for what in (RATE, "late needs"))]
    lines = []
    for r in rows:
        cells = [r.name]
        for of in r.by_shift.values():
            cells += [interval(of.interruptions_per_nurse_hour), share_in_words(of.late)]
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
    rate = "false, per bed-hour" if is_known else "per bed-hour"
    return DelayTable(is_known, ReportTable(["alarm", "delay", rate, "taken away"], lines))
