"""Pure: a bed's log as a table or as a document that other programs read."""

import csv
import io
from collections.abc import Iterable
from datetime import UTC, datetime

from quietward.contracts.messages import Event, encode_json
from quietward.contracts.notice import NOTICE
from quietward.dashboard.history.shift import Shift

COLUMNS = ("id", "t", "bed", "kind", "level", "flag", "by", "text", "rules", "detail")
FORMULA_BEGINS = ("=", "+", "-", "@")
KEPT_AS_TEXT = "'"
"""What is put before a text that a spreadsheet would work out as a formula, or that begins with it already."""


def moment(ms: int) -> str:
    """Return a time in ISO 8601, UTC, with milliseconds."""
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def as_csv(bed: str, events: Iterable[Event]) -> str:
    """Return a log as CSV: a head, a row with the notice, then a row for every event in the order given."""
    out = io.StringIO(newline="")
    table = csv.writer(out)
    table.writerow(COLUMNS)
    table.writerow(["", "", bed, "notice", "", "", "", NOTICE, "", "{}"])
    for event in events:
        table.writerow([_safe(cell) for cell in _row(event)])
    return out.getvalue()


def shift_as_csv(shift: Shift) -> str:
    """Return every stretch of every flag as CSV: from when to when, its level, whether it was answered, and why."""
    out = io.StringIO(newline="")
    table = csv.writer(out)
    table.writerow(("bed", "from", "until", "level", "answered", "reason"))
    table.writerow(["", "", "", "notice", "", NOTICE])
    for bed in shift.beds:
        for one in bed.flags:
            times = [moment(bed.now + round(s * 1000)) for s in (one.from_s, one.until_s)]
            table.writerow([bed.bed, *times, one.level, "no" if one.waits else "yes", _safe(one.text)])
    return out.getvalue()


def _row(event: Event) -> list[str]:
    detail = event.detail

    def said(name: str) -> str:
        value = detail.get(name)
        return "" if value is None else str(value)

    rules = event.rules or said("rules")
    who = [said("level"), said("flag"), said("by")]
    return [
        event.id, moment(event.t), event.bed, event.kind, *who, event.text, rules, encode_json(detail).decode(),
    ]  # fmt: skip


def _safe(cell: str) -> str:
    """Return a cell that no spreadsheet takes for a formula: what people wrote may begin with anything."""
    begins = cell.lstrip()
    return KEPT_AS_TEXT + cell if begins.startswith((*FORMULA_BEGINS, KEPT_AS_TEXT)) else cell


def as_json(ward: str, bed: str, events: list[Event], now_ms: int) -> bytes:
    """Return a log as a JSON document: notice, ward, bed, when it was written, and the events as they are stored."""
    return encode_json(
        {"notice": NOTICE, "ward": ward, "bed": bed, "written_at": moment(now_ms), "events": events},
    )
