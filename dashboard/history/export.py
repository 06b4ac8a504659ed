"""Pure: a bed's log as CSV or JSON, and a ward's flags as CSV."""

import csv
import io
from collections.abc import Iterable
from datetime import UTC, datetime

from quietward.contracts.fields import encode_json
from quietward.contracts.log import Event
from quietward.contracts.notice import NOTICE
from quietward.dashboard.history.shift import ShiftReport

COLUMNS = ("id", "t", "bed", "kind", "level", "flag", "by", "text", "rules", "detail")
FORMULA_PREFIXES = ("=", "+", "-", "@")
TEXT_MARK = "'"
"""Put before a text that a spreadsheet would evaluate as a formula, and before one that begins with the mark."""


def iso_time(ms: int) -> str:
    """Return a time in ISO 8601, UTC, with milliseconds. ms: since the epoch."""
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def log_as_csv(bed: str, events: Iterable[Event]) -> str:
    """Return a log as CSV: a header, a row with the notice, then one row for each event in the order given."""
    out = io.StringIO(newline="")
    table = csv.writer(out)
    table.writerow(COLUMNS)
    table.writerow(["", "", bed, "notice", "", "", "", NOTICE, "", "{}"])
    for event in events:
        table.writerow([_safe(cell) for cell in _row(event)])
    return out.getvalue()


def shift_as_csv(report: ShiftReport) -> str:
    """Return all flags as CSV, one row for each interval: its bed, times, level, whether it was answered, reason."""
    out = io.StringIO(newline="")
    table = csv.writer(out)
    table.writerow(("bed", "from", "until", "level", "answered", "reason"))
    table.writerow(["", "", "", "notice", "", NOTICE])
    for bed in report.beds:
        for interval in bed.flags:
            times = [iso_time(bed.now + round(s * 1000)) for s in (interval.from_s, interval.until_s)]
            answered = "no" if interval.waits else "yes"
            table.writerow([bed.bed, *times, interval.level, answered, _safe(interval.text)])
    return out.getvalue()


def _row(event: Event) -> list[str]:
    detail = event.detail

    def text_of(name: str) -> str:
        value = detail.get(name)
        return "" if value is None else str(value)

    rules = event.rules or text_of("rules")
    level, flag, by = (text_of(name) for name in ("level", "flag", "by"))
    return [
        event.id, iso_time(event.t), event.bed, event.kind, level, flag, by, event.text, rules,
        encode_json(detail).decode(),
    ]  # fmt: skip


def _safe(cell: str) -> str:
    """Return a cell that no spreadsheet evaluates as a formula, whatever people have typed."""
    return TEXT_MARK + cell if cell.lstrip().startswith((*FORMULA_PREFIXES, TEXT_MARK)) else cell


def log_as_json(ward: str, bed: str, events: list[Event], now_ms: int) -> bytes:
    """Return a log as a JSON document: notice, ward, bed, time of writing, and the events as they are stored."""
    return encode_json(
        {"notice": NOTICE, "ward": ward, "bed": bed, "written_at": iso_time(now_ms), "events": events},
    )
