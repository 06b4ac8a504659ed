"""A study's results as files: all numbers (JSON), and one line for each variant (CSV)."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import msgspec
from msgspec import Struct

from quietward.contracts.errors import BadStudy
from quietward.contracts.notice import NOTICE
from quietward.study import provenance
from quietward.study.figures import LEVEL_COLOURS
from quietward.study.plan import BASE, Study, StudyLimit
from quietward.study.result import (
    CLINICIANS_WITHIN_MIN,
    COUNTED,
    Choice,
    Estimate,
    LateNeed,
    Share,
    StaffRow,
    Summary,
    VariantRow,
)
from quietward.study.run import Result


class FullReport(Struct, frozen=True):
    """All of report.json. headline: whether today's policy meets its limit. shifts, bed_hours: all of them.

    reported: of how many shifts the rows are. chosen: name of the variant to recommend, None where none can be.
    today_on_all: today's policy on all shifts. late: needs that it was late for. other_staff: what the figures hang on.
    tables: SHA-256 of each table that was written beside it. passed_over: what is wrong with each recording that could
    not be read. drawn_again: so often shifts and staff were, for the intervals of rates.
    """

    headline: str
    notice: str
    command: str
    study: Study
    rules: str
    shifts: int
    bed_hours: float
    reported: int
    chosen: str | None
    choice: Choice
    rows: list[VariantRow]
    today_on_all: StaffRow | None = None
    other_staff: list[StaffRow] = []
    late: list[LateNeed] = []
    version: str = ""
    commit: str = ""
    tables: dict[str, str] = {}
    passed_over: list[str] = []
    drawn_again: int = 0


def full_report(
    result: Result,
    summary: Summary,
    command: str,
    passed_over: Sequence[str] = (),
    tables: dict[str, str] | None = None,
) -> FullReport:
    """Return all that the report is made of."""
    hours = sum(s.bed_hours for s in result.unanswered[0])
    study, choice = result.planned.study, summary.choice
    today = next(row for row in summary.rows if row.name == BASE)
    return FullReport(
        headline(today, study), NOTICE, command, study, result.planned.rules.digest, len(result.cases), hours,
        len(summary.reported.cases), choice.name, choice, summary.rows, summary.today_on_all, summary.other_staff,
        summary.late, provenance.version(), provenance.commit(), tables or {}, list(passed_over),
        summary.draws,
    )  # fmt: skip


def headline(today: VariantRow, study: Study) -> str:
    """Return in words whether today's policy meets the limit that the study states, and how certain that is."""
    limit, late, rate = study.limit, today.late, today.interruptions_per_nurse_hour
    policy = f"Today's policy ({study.policy})"
    rates = (
        f"{_number(rate.value or 0.0)} interruptions per nurse-hour{rate_interval(rate)}, "
        f"at most {limit.interruptions_per_nurse_hour:g} asked for"
    )
    if not late.of:
        unknown = f"of no bed is it known that somebody was needed at level {limit.level}"
        return f"Whether today's policy ({study.policy}) meets its limit is not known: {unknown}; {rates}."
    reached = (
        f"{late.of - late.count} of {late.of} needs ({limit.level}) {COUNTED[limit.reached].verb} within "
        f"{limit.reached_within_min:g} min, at least {100 * limit.reached_share:g} % asked for{_draws(study)}; "
        f"{share_in_words(late)} late"
    )
    does = "meets" if today.meets else "DOES NOT MEET"
    certain = ", but not with certainty" if today.verdict.endswith("not certain") else ""
    return f"{policy} {does} its limit{certain}: {reached}; {rates}.{_once_shown(today, limit)}"


def _draws(study: Study) -> str:
    return f" (each counted under {study.staff_draws} draws of the staff)" if study.staff_draws > 1 else ""


def _once_shown(today: VariantRow, limit: StudyLimit) -> str:
    """Return the same from when the trace shows a need, which is never before somebody is needed; empty: not known."""
    late = today.late_once_shown
    if not late.of:
        return ""
    reached = f"{late.of - late.count} of {late.of} within {limit.reached_within_min:g} min of that"
    return (
        f" The trace itself shows {late.of} of the {today.needs} while they last, by a published definition: "
        f"{reached}; {share_in_words(late)} late."
    )


def share_in_words(share: Share) -> str:
    """Return a share as a count, with its 95 % interval."""
    if share.low is None or share.high is None:
        return "–"
    return f"{share.count} of {share.of} ({share.low:.0%} to {share.high:.0%})".replace("%", " %")


def rate_interval(rate: Estimate) -> str:
    """Return the 95 % interval of a rate, empty where there is none."""
    return "" if rate.low is None or rate.high is None else f" ({_number(rate.low)} to {_number(rate.high)})"


def _number(value: float) -> str:
    return f"{value:.3g}"


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
        "noted_share",
        "interruptions_per_nurse_hour", "interruptions_low", "interruptions_high",
        *(f"interruptions_per_nurse_hour_{name}" for name in LEVEL_COLOURS), "needs", "late", "late_share", "late_low",
        "late_high", "needs_shown", "late_once_shown", "flagged_before_share", "reached_p50_s", "reached_p90_s",
        "never_reached", "longest_wait_s",
        "worth_look", "worth_bedside", "worth_team", "meets", "verdict", "on_front", "peak_in_10_min", "flood_share",
        "chattering_share", "fleeting_share", "stale", "answered_in_time",
        *(f"clinicians_within_{minutes}_min" for minutes in CLINICIANS_WITHIN_MIN), "own_staff",
    ]  # fmt: skip
    write_row(head)
    for r in rows:
        rate, late = r.interruptions_per_nurse_hour, r.late
        write_row(
            [
                r.name, r.kind, *(r.numbers.get(key, "") for key in keys),
                *(_cell(r.calls_per_bed_hour[name].value) for name in ("all", *LEVEL_COLOURS)), _cell(r.noted.value),
                *(_cell(x) for x in (rate.value, rate.low, rate.high)),
                *(_cell(r.interruptions_by_level[name].value) for name in LEVEL_COLOURS), r.needs, late.count,
                *(_cell(x) for x in (late.value, late.low, late.high)), r.late_once_shown.of, r.late_once_shown.count,
                _cell(r.flagged_before.value),
                _cell(r.reached.p50), _cell(r.reached.p90), r.reached.never, _cell(r.longest_wait_s),
                *(_cell(r.ppv[name].value) for name in LEVEL_COLOURS), r.meets, r.verdict, r.on_front,
                r.peak_in_10_min, *(_cell(x) for x in (r.flood_share, r.chattering_share, r.fleeting_share)), r.stale,
                r.answered_in_time.count, *(r.clinicians_within[key].count if key in r.clinicians_within else ""
                                            for key in map(str, CLINICIANS_WITHIN_MIN)), r.is_own_staff,
            ]
        )  # fmt: skip
    return out.getvalue()


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.4g}"
