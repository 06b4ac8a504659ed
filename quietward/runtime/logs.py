"""How log lines look: UTC, level, where from, and the bed and session that a line is about. As text or JSON."""

import json
import logging
import sys
from datetime import UTC, datetime
from typing import Literal

ABOUT = ("bed", "session")
"""What a line may be about: given as `extra` where it is logged."""


def _time_of(record: logging.LogRecord) -> str:
    return datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _about(record: logging.LogRecord) -> dict[str, str]:
    return {name: str(getattr(record, name)) for name in ABOUT if getattr(record, name, None)}


class TextFormatter(logging.Formatter):
    """One line: time, level, logger, text, what it is about; a trace follows on lines of its own."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        about = "".join(f" {name}={value}" for name, value in _about(record).items())
        line = f"{_time_of(record)} {record.levelname} {record.name} {record.getMessage()}{about}"
        return f"{line}\n{self.formatException(record.exc_info)}" if record.exc_info else line


class JsonFormatter(logging.Formatter):
    """One JSON object a line: time, level, logger, text, bed and session where there are any, trace."""

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


def configure(form: Literal["text", "json"]) -> None:
    """Write log lines of level INFO and above to stderr."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonFormatter() if form == "json" else TextFormatter())
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
