"""Results that are kept: a line of JSON for each answer of a learner who has given a label, in `results.jsonl`.

The file is only ever added to. A teacher may delete lines of it, or move it away; nothing else knows of them.
"""

import csv
import io
import os
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from quietward.contracts.errors import QuietwardError
from quietward.contracts.fields import EpochMs
from quietward.practice.mistakes import KINDS, MOST, Mistake

MOST_BYTES = 64 * 2**20
"""Some 60,000 answers."""
FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""How a cell begins that a spreadsheet takes for a formula."""
ENDS = (", times", ", of")
"""Of the two columns of a kind of mistake."""


class NotKept(QuietwardError):
    """A result cannot be written, or read."""


class Result(Struct, frozen=True):
    """One answer. t: time in ms since the epoch; set: empty where the strip was of none.

    strip: its code, or the name of its recording; learner: the label she chose; account: that she was signed in with,
    empty where the page is open.
    """

    t: EpochMs
    set: str
    strip: str
    learner: str
    account: str
    score: Annotated[int, Meta(ge=-MOST, le=MOST)]
    mistakes: list[Mistake]


class Results:
    """The results of a classroom folder, which is made with the first of them."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "results.jsonl"
        self._lock = threading.Lock()

    def append(self, result: Result) -> None:
        """Keep a result; it is on the disk when this returns. Raises NotKept."""
        with self._lock:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                with self.path.open("ab+") as file:
                    size = file.seek(0, os.SEEK_END)
                    if size > MOST_BYTES:
                        raise NotKept("results", f"{size} bytes", f"Export them, and move {self.path} away")
                    if size:
                        file.seek(-1, os.SEEK_END)
                        if file.read(1) != b"\n":  # the last one was cut off; it is passed over
                            file.write(b"\n")
                    file.write(msgspec.json.encode(result) + b"\n")
                    file.flush()
                    os.fsync(file.fileno())
            except OSError as error:
                raise NotKept("results", str(self.path), f"Cannot be written: {error.strerror}") from error

    def read(self) -> list[Result]:
        """Return all results in their order; lines that are none are passed over. Raises NotKept."""
        try:
            lines = self.path.read_bytes().splitlines() if self.path.exists() else []
        except OSError as error:
            raise NotKept("results", str(self.path), f"Cannot be read: {error.strerror}") from error
        return [result for line in lines if (result := _decoded(line))]


def as_csv(results: Iterable[Result]) -> str:
    """Return results as a table: a line for each answer, and two columns for each kind of mistake."""
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(
        [*("t_ms", "set", "strip", "learner", "account", "score"), *(k + end for k in KINDS for end in ENDS)]
    )
    for one in results:
        counts = {mistake.kind: [mistake.wrong, mistake.of] for mistake in one.mistakes}
        words = [_as_text(text) for text in (one.set, one.strip, one.learner, one.account)]
        table.writerow([one.t, *words, one.score, *(n for kind in KINDS for n in counts.get(kind, ["", ""]))])
    return out.getvalue()


def _decoded(line: bytes) -> Result | None:
    try:
        return msgspec.json.decode(line, type=Result)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return None


def _as_text(text: str) -> str:
    return f"'{text}" if text.startswith(FORMULA) else text
