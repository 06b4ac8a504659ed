"""A study's results as files: all numbers (JSON), and one line for each variant (CSV)."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import msgspec
from msgspec import Struct

from quietward.contracts.errors import BadStudy
from quietward.contracts.notice import NOTICE
from quietward.study.figures import LEVEL_COLOURS
from quietward.study.plan import Study
from quietward.study.result import VariantRow, choose
from quietward.study.run import Result


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


def full_report(result: Result, rows: Sequence[VariantRow], command: str) -> FullReport:
    """Return all that the report is made of."""
    best = choose(rows)
    hours = sum(s.bed_hours for s in result.with_staff[0])
    planned = result.planned
    name = best.name if best else None
    return FullReport(NOTICE, command, planned.study, planned.rules.digest, len(result.cases), hours, name, list(rows))


def write(folder: Path, report: FullReport, page: str) -> list[Path]:
    """Write report.html (page), report.json and variants.csv; return their paths. Raises BadStudy if that fails."""
    texts = {
        "report.html": page,
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
