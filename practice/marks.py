"""What a teacher or experts say is true of a recording: a file beside it, `NAME.marks.toml` or `NAME.marks.csv`.

Times are seconds from the recording's first sample. The CSV has a line for each mark, under `from_s,to_s,kind`. The
TOML has the same as `[[mark]]`, and before them, as far as somebody knows: `baseline_bpm`, `needed` (an attention
level) and `class` (1 to 3) at the strip's end, `strip_ends_s` (else the
recording's end), `about` (told after the answer).
"""

import csv
import io
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct, field

from quietward.contracts.errors import QuietwardError, possible
from quietward.contracts.tables import parse_toml_table
from quietward.recordings import name_of

DECELERATIONS = ("early", "late", "variable", "prolonged")
KINDS = ("acceleration", *DECELERATIONS, "deceleration", "contraction")
"""Of marks; `deceleration` says nothing of its kind, and none is asked for."""
COLUMNS = ["from_s", "to_s", "kind"]
MOST_BYTES = 1_000_000

Seconds = Annotated[float, Meta(ge=0, le=14 * 24 * 3600)]


class BadMarks(QuietwardError):
    """A file of marks cannot be used."""


class Mark(Struct, frozen=True, forbid_unknown_fields=True):
    """One event that is true. kind: one of KINDS, a kind of deceleration also with that word behind it."""

    from_s: Seconds
    to_s: Seconds
    kind: str


class Marks(Struct, frozen=True, forbid_unknown_fields=True):
    """What is true of a recording, as far as somebody has said it."""

    mark: list[Mark] = []
    baseline_bpm: Annotated[float, Meta(ge=30, le=240)] | None = None
    needed: Literal["quiet", "look", "bedside", "team"] | None = None
    rule_class: Annotated[int, Meta(ge=1, le=3)] | None = field(default=None, name="class")
    strip_ends_s: Annotated[float, Meta(gt=0)] | None = None
    about: Annotated[str, Meta(max_length=2000)] = ""


def marks_of(recording: Path) -> Path | None:
    """Return the file of marks beside a recording, None where there is none. Raises BadMarks where there are two."""
    beside = [recording.with_name(f"{name_of(recording)}.marks.{suffix}") for suffix in ("toml", "csv")]
    files = [path for path in beside if path.is_file()]
    if len(files) > 1:
        raise BadMarks(str(files[0]), files[1].name, "Exists as well; keep one of the two")
    return files[0] if files else None


def read_marks(path: Path) -> Marks:
    """Return what a file of marks says, kinds without the word deceleration. Raises BadMarks."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise BadMarks(str(path), f"{path.stat().st_size} bytes", f"Keep it below {MOST_BYTES}")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadMarks(str(path), type(error).__name__, f"Cannot be read: {error}") from error
    marks = _from_csv(text, path) if path.suffix == ".csv" else parse_toml_table(text, Marks, str(path), BadMarks)
    marks = msgspec.structs.replace(marks, mark=[_checked(one, n, path) for n, one in enumerate(marks.mark, start=1)])
    if not marks.mark and marks.baseline_bpm is None and marks.needed is None and marks.rule_class is None:
        raise BadMarks(str(path), "no mark", "Contains nothing to ask a learner for; add marks, or a baseline_bpm")
    return marks


def _from_csv(text: str, path: Path) -> Marks:
    rows = csv.DictReader(io.StringIO(text), strict=True)
    try:
        if [name.strip() for name in rows.fieldnames or []] != COLUMNS:
            raise BadMarks(f"{path}: line 1", rows.fieldnames, f"Write {','.join(COLUMNS)}")
        rows.fieldnames = COLUMNS
        return Marks([_mark(row, f"{path}: line {rows.line_num}") for row in rows])
    except csv.Error as error:
        raise BadMarks(f"{path}: line {rows.line_num}", str(error), "Write from_s,to_s,kind in each line") from error


def _mark(row: dict[str, str | None], where: str) -> Mark:
    if None in row.values() or None in row:
        raise BadMarks(where, list(row.values()), f"Write {','.join(COLUMNS)}")
    for name in ("from_s", "to_s"):
        try:
            msgspec.convert(float(row[name] or ""), Seconds)
        except (ValueError, msgspec.ValidationError) as error:
            raise BadMarks(f"{where}: {name}", row[name], "Write seconds from the recording's first sample") from error
    return Mark(float(row["from_s"] or 0), float(row["to_s"] or 0), str(row["kind"]))


def _checked(mark: Mark, number: int, path: Path) -> Mark:
    kind = mark.kind.strip().lower().removesuffix(" deceleration")
    if kind not in KINDS:
        raise BadMarks(f"{path}: mark {number}: kind", mark.kind, possible(KINDS, kind))
    if mark.to_s <= mark.from_s:
        raise BadMarks(f"{path}: mark {number}: to_s", mark.to_s, f"Must be later than from_s, {mark.from_s:g}")
    return Mark(mark.from_s, mark.to_s, kind)
