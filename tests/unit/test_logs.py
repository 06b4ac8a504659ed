"""Log lines: UTC, level, text, and what they are about; as text or JSON."""

import json
import logging
import sys
from collections import Counter
from typing import Any, cast

import pytest

from quietward.detect import rule_file
from quietward.detect.service import Detector
from quietward.runtime.logs import JsonFormatter, Seldom, TextFormatter


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


def test_who_is_quoted_writes_no_line_of_its_own() -> None:
    forged = "x\n2026-09-21T14:13:20.250Z INFO quietward.ingest all is well"
    assert len(line(TextFormatter(), bed=forged).splitlines()) == 1
    record = logging.LogRecord("quietward.ingest", logging.WARNING, "", 0, "refused: %s", (forged,), None)
    assert len(TextFormatter().format(record).splitlines()) == 1


def test_who_is_quoted_commands_no_terminal() -> None:
    """A field of a message may be called whatever its sender likes."""
    forged = "\x1b[2J\rall is well\u202e"
    record = logging.LogRecord("quietward.ingest", logging.WARNING, "", 0, "ignored: %s", (forged,), None)
    assert TextFormatter().format(record).isprintable()
    assert "\\x1b[2J\\rall is well\\u202e" in TextFormatter().format(record)


def test_of_what_comes_again_and_again_one_line_in_ten_minutes_is_due() -> None:
    seldom = Seldom()
    due = [ms for ms in range(0, 1_300_000, 1000) if seldom.is_due("bed-1", "rate", ms)]
    assert due == [0, 600_000, 1_200_000]
    assert seldom.is_due("bed-1", "time", 1_000)
    assert seldom.is_due("bed-2", "rate", 1_000)
    assert not seldom.is_due("bed-2", "rate", 2_000)


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


def test_what_was_refused_is_logged_once_and_blames_no_device_that_is_well(caplog: pytest.LogCaptureFixture) -> None:
    """What was superseded came of another session than the bed's; what failed is told where it failed."""
    detector = Detector(cast("Any", None), rule_file.load(), 30.0)
    detector.state.admit(["bed-1"])
    detector.state.sessions[0] = "healthy"
    with caplog.at_level(logging.INFO, logger="quietward.detect"):
        detector._say_refused(Counter({("bed-1", "superseded"): 3, ("bed-1", "failed"): 1, ("?", "unreadable"): 1}))
    (record,) = caplog.records
    assert record.getMessage() == "not used as it came: 3 s of signal of another session"
    assert (record.__dict__["session"], record.__dict__["reason"]) == ("healthy", "superseded")
