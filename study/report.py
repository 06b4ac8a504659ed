"""A study's results as files: one page to read (HTML), all numbers (JSON), one line for each variant (CSV)."""

import csv
import io
from collections.abc import Sequence
from html import escape
from pathlib import Path

import msgspec
from msgspec import Struct

from quietward.contracts.errors import BadStudy
from quietward.contracts.notice import NOTICE
from quietward.study import figures
from quietward.study.figures import LEVEL_COLOURS, RATE
from quietward.study.plan import BASE, LimitAlarm, Study
from quietward.study.result import Estimate, VariantRow, choose
from quietward.study.run import Result

SHOWN_ROWS = 40
BORROWED = (
    "Borrowed from alarm management in process industry (ANSI/ISA-18.2, IEC 62682); a nurse stands for an operator."
)


class FullReport(Struct, frozen=True):
    """All of report.json. chosen: name of the variant to recommend, None where none meets the limit."""

    notice: str
    command: str
    study: Study
    rules: str
    shifts: int
    bed_hours: float
    chosen: str | None
    rows: list[VariantRow]


def full_report(result: Result, found: Sequence[VariantRow], command: str) -> FullReport:
    """Return what the report is made of."""
    best = choose(found)
    hours = sum(s.bed_hours for s in result.with_staff[0])
    planned = result.planned
    name = best.name if best else None
    return FullReport(NOTICE, command, planned.study, planned.rules.digest, len(result.cases), hours, name, list(found))


def write(folder: Path, result: Result, report: FullReport) -> list[Path]:
    """Write report.html, report.json and variants.csv; return their paths. Raises BadStudy if that cannot be."""
    texts = {
        "report.html": page(result, report),
        "report.json": msgspec.json.format(msgspec.json.encode(report), indent=1).decode(),
        "variants.csv": table(report.rows),
    }
    paths = [folder / name for name in texts]
    for path, text in zip(paths, texts.values(), strict=True):
        try:
            path.write_text(text)
        except OSError as error:
            raise BadStudy("--out", str(path), f"Cannot be written: {error.strerror}") from error
    return paths


def table(rows: Sequence[VariantRow]) -> str:
    """Return one line for each variant."""
    keys = sorted({key for row in rows for key in row.numbers})
    out = io.StringIO()
    write_row = csv.writer(out, lineterminator="\n").writerow
    head = [
        "variant", "kind", *keys, "calls_per_bed_hour", *(f"calls_per_bed_hour_{name}" for name in LEVEL_COLOURS),
        "interruptions_per_nurse_hour", "interruptions_low", "interruptions_high",
        *(f"interruptions_per_nurse_hour_{name}" for name in LEVEL_COLOURS), "needs", "late_share", "late_low",
        "late_high", "flagged_before_share", "reached_p50_s", "reached_p90_s", "never_reached", "longest_wait_s",
        "worth_look", "worth_bedside", "worth_team", "meets", "sure", "on_front", "peak_in_10_min", "flood_share",
        "chattering_share", "fleeting_share", "stale",
    ]  # fmt: skip
    write_row(head)
    for r in rows:
        rate, late = r.interruptions_per_nurse_hour, r.late
        write_row(
            [
                r.name, r.kind, *(r.numbers.get(key, "") for key in keys),
                *(_cell(r.calls_per_bed_hour[name].value) for name in ("all", *LEVEL_COLOURS)),
                *(_cell(x) for x in (rate.value, rate.low, rate.high)),
                *(_cell(r.interruptions_by_level[name].value) for name in LEVEL_COLOURS), r.needs,
                *(_cell(x) for x in (late.value, late.low, late.high, r.flagged_before.value)),
                _cell(r.reached.p50), _cell(r.reached.p90), r.reached.never, _cell(r.longest_wait_s),
                *(_cell(r.ppv[name].value) for name in LEVEL_COLOURS), r.meets, _cell(r.sure), r.on_front,
                r.peak_in_10_min, *(_cell(x) for x in (r.flood_share, r.chattering_share, r.fleeting_share)), r.stale,
            ]
        )  # fmt: skip
    return out.getvalue()


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.4g}"


def page(result: Result, report: FullReport) -> str:
    """Return the report as one HTML file that needs nothing else."""
    study, rows = report.study, report.rows
    today = next(row for row in rows if row.name == BASE)
    best = next((row for row in rows if row.name == report.chosen), None)
    plain = [row for row in rows if row.kind != "policy"]
    shown = list(dict.fromkeys(r.name for r in [today, *([best] if best else []), *plain]))
    first = [next(r for r in rows if r.name == name) for name in shown]
    front = sorted((r for r in rows if r.on_front), key=lambda r: r.interruptions_per_nurse_hour.value or 0.0)
    about = (
        f"{_shifts(result)}, {report.bed_hours:.0f} bed-hours, {len(rows)} variants, rules {report.rules}. "
        "What staff do does not change how the women do here: every variant meets the same signals."
    )
    pictures = [figures.times(result, first, study)] if today.needs else []
    pictures.append(figures.reasons(first))
    parts = [
        f"<h1>{escape(study.name)}</h1><p class='notice'>{escape(report.notice)}</p><p>{escape(study.purpose)}</p>",
        f"<p>{about}</p>",
        _section("Answer", _answer(study, today, best)),
    ]
    if today.needs:
        picture = f"{figures.svg(figures.front(rows, study, best))}<p class='legend'>{_legend(study)}</p>"
        parts.append(_section("What is late against what interrupts", picture + _table(front, study)))
    parts += [
        _section(
            "Today, the choice, and plain alarms",
            _table(first, study) + _by_shift(first) + "".join(figures.svg(p) for p in pictures) + _delays(rows, study),
        ),
        _section("What calls, by reason and level", _by_reason([r for r in first if r not in plain], plain)),
    ]
    if any(row.numbers for row in rows):
        parts.append(_section("One number at a time", figures.svg(figures.effects(rows, study))))
    parts += [
        _section("Alarm-management measures", f"<p>{BORROWED}</p>{_management(first)}{_top(first)}"),
        _section("All variants", _all_variants(rows, study)),
        _section("Again", f"<p>This report is made again by</p><pre>{escape(report.command)}</pre>"),
    ]
    title = f"quietward study: {escape(study.name)}"
    return (
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'><title>{title}</title>"
        f"<link rel='icon' href='data:,'><style>{STYLE}</style></head><body>{''.join(parts)}</body></html>"
    )


def _shifts(result: Result) -> str:
    recorded = sum(bool(case.recordings) for case in result.cases)
    kinds = [(len(result.cases) - recorded, "simulated shifts"), (recorded, "shifts of recordings side by side")]
    return " and ".join(f"{count} {kind}" for count, kind in kinds if count)


def _section(title: str, body: str) -> str:
    return f"<section><h2>{title}</h2>{body}</section>"


STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; max-width: 72rem; margin: 2rem auto; padding: 0 1rem; color: #1c1c1c; }
h1 { margin-bottom: 0; } h2 { border-top: 1px solid #bbb; padding-top: .8rem; margin-top: 2rem; font-size: 1.2rem; }
.notice { border-left: 4px solid #8a5a00; padding-left: .7rem; font-weight: 600; }
.scroll { overflow-x: auto; } svg { max-width: 100%; height: auto; }
table { border-collapse: collapse; font-size: .86rem; font-variant-numeric: tabular-nums; }
th, td { padding: .25rem .6rem; text-align: right; border-bottom: 1px solid #ddd; white-space: nowrap; }
th:first-child, td:first-child { text-align: left; white-space: normal; min-width: 14rem; }
small, .legend { color: #555; font-size: .86rem; } pre { background: #f3f1ec; padding: .7rem; overflow-x: auto; }
"""


def _limit_in_words(study: Study) -> str:
    limit = study.limit
    return (
        f"at most {limit.interruptions_per_nurse_hour:g} {RATE}, and {limit.reached_share:.0%} of needs of level "
        f"{limit.level} reached within {limit.reached_within_min:g} min"
    )


def _named(row: VariantRow) -> str:
    """Return a variant's name, with its numbers where the name does not say them."""
    if not row.numbers or row.name.endswith(tuple(f"{value:g}" for value in row.numbers.values())):
        return row.name
    return f"{row.name}: " + ", ".join(f"{key} {value:g}" for key, value in row.numbers.items())


def _answer(study: Study, today: VariantRow, best: VariantRow | None) -> str:
    asked = f"<p>Asked for: {_limit_in_words(study)}.</p>"
    now = f"<p>Today: {_in_words(today)}.</p>"
    if not today.needs:
        nothing = (
            "Of no bed is it known that somebody was needed at this level, so nothing can be said of what is late."
        )
        return f"{asked}<p><strong>{nothing}</strong></p>{now}"
    if best is None:
        return f"{asked}<p><strong>None of the variants meets this limit.</strong></p>{now}"
    if best.name == today.name:
        return f"{asked}<p><strong>Stay with today's.</strong> {_sure(best)}</p>{now}"
    less, late = best.interruptions_against_today, best.late_against_today
    return (
        f"{asked}<p><strong>{escape(_named(best))}</strong>: {_in_words(best)}. {_sure(best)}</p>{now}"
        f"<p>Against today: {_signed(less)} {RATE}; {_signed(late, 100)} late per 100 needs.</p>"
    )


def _in_words(row: VariantRow) -> str:
    interrupts = f"{_range(row.interruptions_per_nurse_hour)} {RATE}"
    if not row.needs:
        return interrupts
    return (
        f"{interrupts}; {_range(row.late, 100)} of 100 needs late; "
        f"half reached: {_minutes(row.reached.p50)}; nine of ten: {_minutes(row.reached.p90)}"
    )


def _sure(row: VariantRow) -> str:
    return f"In {row.sure:.0%} of the draws of shifts it meets the limit."


def _range(e: Estimate, times: float = 1.0) -> str:
    if e.value is None or e.low is None or e.high is None:
        return "–"
    return f"{e.value * times:.3g} [{e.low * times:.3g}, {e.high * times:.3g}]"


def _signed(e: Estimate, times: float = 1.0) -> str:
    if e.value is None or e.low is None or e.high is None:
        return "–"
    return f"{e.value * times:+.3g} [{e.low * times:+.3g}, {e.high * times:+.3g}]"


def _minutes(seconds: float | None) -> str:
    return "never" if seconds is None else "at once" if seconds == 0 else f"{seconds / 60:.1f} min"


def _html(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    top = "".join(f"<th scope='col'>{escape(name)}</th>" for name in head)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<div class='scroll'><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"


def _table(rows: Sequence[VariantRow], study: Study) -> str:
    head = [
        "variant", RATE, "calls per bed-hour", "look", "bedside", "team",
        f"late per 100 ({study.limit.level})", "flagged before it mattered", "median to flag", "median to bed",
        "90 % to bed", "never", "longest wait", "look worth", "bedside worth", "team worth", "meets",
    ]  # fmt: skip
    return _html(
        head,
        [
            [
                _named(r), _range(r.interruptions_per_nurse_hour),
                *(_range(r.calls_per_bed_hour[name]) for name in ("all", *LEVEL_COLOURS)),
                _range(r.late, 100), _range(r.flagged_before),
                *(
                    (_minutes(r.flagged.p50), _minutes(r.reached.p50), _minutes(r.reached.p90), str(r.reached.never),
                     _minutes(r.longest_wait_s))
                    if r.needs else "–" * 5
                ),
                *(_range(r.ppv[name]) for name in LEVEL_COLOURS), f"{'yes' if r.meets else 'no'} ({r.sure:.0%})",
            ]
            for r in rows
        ],
    )  # fmt: skip


def _by_shift(rows: Sequence[VariantRow]) -> str:
    kinds = list(rows[0].by_shift)
    if len(kinds) < 2:
        return ""
    head = ["variant", *(f"{kind}: {what}" for kind in kinds for what in (RATE, "needs", "late per 100"))]
    lines = []
    for r in rows:
        cells = [r.name]
        for of in r.by_shift.values():
            cells += [_range(of.interruptions_per_nurse_hour), str(of.needs), _range(of.late, 100)]
        lines.append(cells)
    return "<p>By kind of shift:</p>" + _html(head, lines)


def _by_reason(policies: Sequence[VariantRow], plain: Sequence[VariantRow]) -> str:
    """Return what interrupts, by reason and level; a plain alarm has one reason, its own."""
    head = ["reason", "level", "calls", "per bed-hour", RATE]
    found = ""
    for name, rows in (*((f"{_named(r)}:", [r]) for r in policies), ("Plain alarms:", plain)):
        lines = [
            [of.why, of.level, str(of.calls), _range(of.per_bed_hour), _range(of.per_nurse_hour)]
            for row in rows
            for of in row.reasons
        ]
        found += f"<p>{escape(name)}</p>" + _html(head, lines) if lines else ""
    return found


def _management(rows: Sequence[VariantRow]) -> str:
    head = [
        "variant", "average per nurse in 10 min", "peak in 10 min", "time in flood", "chattering", "fleeting",
        "unanswered 30 min", *(f"{name}, share" for name in LEVEL_COLOURS),
    ]  # fmt: skip
    return _html(
        head,
        [
            [
                _named(r), f"{r.per_10_min:.2f}", str(r.peak_in_10_min), f"{r.flood_share:.1%}",
                f"{r.chattering_share:.1%}", f"{r.fleeting_share:.1%}", str(r.stale),
                *(f"{r.levels[name]:.0%}" for name in LEVEL_COLOURS),
            ]
            for r in rows
        ],
    )  # fmt: skip


def _top(rows: Sequence[VariantRow]) -> str:
    lines = [[r.name, "; ".join(f"{what} {count}" for what, count in r.top_ten)] for r in rows]
    return "<p>The ten most frequent calls:</p>" + _html(["variant", "calls, bed"], lines)


def _all_variants(rows: Sequence[VariantRow], study: Study) -> str:
    ordered = sorted(rows, key=lambda r: (r.late.value or 0.0, r.interruptions_per_nurse_hour.value or 0.0))
    more = len(ordered) - SHOWN_ROWS
    note = (
        f"<p><small>The first {SHOWN_ROWS} of {len(ordered)}; all are in variants.csv.</small></p>" if more > 0 else ""
    )
    return note + _table(ordered[:SHOWN_ROWS], study)


def _delays(rows: Sequence[VariantRow], study: Study) -> str:
    """Say what waiting takes away from an alarm with fixed limits, where the study has it with and without."""
    alarms = {a.name: a for a in study.alarm if isinstance(a, LimitAlarm)}
    found = [(alarms[r.name], r) for r in rows if r.name in alarms]
    at_once = next((r for a, r in found if a.for_s == 0), None)
    if at_once is None:
        return ""

    is_known = all(row.ppv["look"].value is not None for _, row in found)

    def for_nothing(row: VariantRow) -> float:
        calls, worth = row.calls_per_bed_hour["look"].value or 0.0, row.ppv["look"].value
        return calls * (1 - (worth or 0.0))

    lines = [
        [r.name, f"{a.for_s:g} s", f"{for_nothing(r):.2f}", f"{1 - for_nothing(r) / for_nothing(at_once):.0%}"]
        for a, r in found
        if a.low_bpm == alarms[at_once.name].low_bpm and a.high_bpm == alarms[at_once.name].high_bpm
    ]
    of = "the calls that stood for nothing" if is_known else "all calls (what they stood for is not known here)"
    text = (
        f"What a delay takes away of {of}. In an adult intensive care unit 14 s took away "
        "50 % and 19 s 67 % of ignored or ineffective alarms (Görges, Markewitz, Westenskow 2009)."
    )
    return f"<p>{text}</p>" + _html(
        ["alarm", "delay", "for nothing, per bed-hour" if is_known else "per bed-hour", "taken away"], lines
    )


def _legend(study: Study) -> str:
    return (
        f"Late: not reached within {study.limit.reached_within_min:g} min of the need beginning. Bars: 95 % of the "
        "draws of shifts. Line: no variant has both fewer interruptions and fewer late. Shaded: what was asked for."
    )
