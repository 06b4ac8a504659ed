"""How log lines look: UTC, level, where from, and bed, session and reason that a line is about. As text or JSON."""

import json
import logging
import sys
from datetime import UTC, datetime
from typing import Literal

ABOUT = ("bed", "session", "reason")
"""What a line may be about: given as `extra` where it is logged. reason: the one under which it is counted."""
SELDOM_MS = 600_000


def printable(text: str) -> str:
    """Return what somebody else has said without anything that a terminal would obey, and in one line."""
    return "".join(one if one.isprintable() else ascii(one)[1:-1] for one in text)


def _time_of(record: logging.LogRecord) -> str:
    return datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _about(record: logging.LogRecord) -> dict[str, str]:
    return {name: str(getattr(record, name)) for name in ABOUT if getattr(record, name, None)}


class TextFormatter(logging.Formatter):
    """One line: time, level, logger, text, what it is about; a trace follows on lines of its own."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        about = "".join(f" {name}={value}" for name, value in _about(record).items())
        said = printable(f"{record.getMessage()}{about}")  # nobody who is quoted writes a line of their own, or colours
        line = f"{_time_of(record)} {record.levelname} {record.name} {said}"
        return f"{line}\n{self.formatException(record.exc_info)}" if record.exc_info else line


class JsonFormatter(logging.Formatter):
    """One JSON object a line: time, level, logger, text, bed, session and reason where there are any, trace."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        line = {
            "time": _time_of(record),
            "level": record.levelname,
            "logger": record.name,
            "text": record.getMessage(),
            **_about(record),
        }
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


class Seldom:
    """Of what comes again and again one line for each bed and reason in ten minutes: no device fills a log."""

    def __init__(self) -> None:
        self._until: dict[tuple[str, str], int] = {}

    def is_due(self, bed: str, reason: str, now_ms: int) -> bool:
        """Return whether to say it now; then not again for a while. now_ms: of a clock that nobody sets."""
        if now_ms < self._until.get((bed, reason), now_ms):
            return False
        self._until[bed, reason] = now_ms + SELDOM_MS
        return True


def configure(form: Literal["text", "json"]) -> None:
    """Write log lines of level INFO and above to stderr."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonFormatter() if form == "json" else TextFormatter())
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
