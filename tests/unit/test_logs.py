"""Log lines: UTC, level, text, and what they are about; as text or JSON."""

import json
import logging
import sys

from quietward.runtime.logs import JsonFormatter, TextFormatter


def line(formatter: logging.Formatter, *, fails: bool = False, **about: str) -> str:
    info = None
    if fails:
        try:
            int("no number")
        except ValueError:
            info = sys.exc_info()
    record = logging.LogRecord("quietward.ingest", logging.WARNING, "", 0, "%s: too much", ("bed-1",), info)
    record.created = 1_790_000_000.25
    record.__dict__.update(about)
    return formatter.format(record)


def test_text() -> None:
    assert line(TextFormatter(), bed="bed-1", session="a-1") == (
        "2026-09-21T14:13:20.250Z WARNING quietward.ingest bed-1: too much bed=bed-1 session=a-1"
    )
    assert line(TextFormatter()).endswith("bed-1: too much")
    assert (
        line(TextFormatter(), fails=True).splitlines()[-1]
        == "ValueError: invalid literal for int() with base 10: 'no number'"
    )


def test_json_is_one_line_with_everything() -> None:
    said = line(JsonFormatter(), fails=True, bed="bed-1")
    assert "\n" not in said
    found = json.loads(said)
    assert found.pop("trace").endswith("ValueError: invalid literal for int() with base 10: 'no number'")
    assert found == {
        "time": "2026-09-21T14:13:20.250Z",
        "level": "WARNING",
        "logger": "quietward.ingest",
        "text": "bed-1: too much",
        "bed": "bed-1",
    }
