"""Everything that was counted, row by row: the shifts, beds, needs, calls and visits of a study as CSV and Parquet."""

import csv
import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from quietward.contracts.errors import BadStudy, extra
from quietward.detect.core.alerting.policy import LEVELS
from quietward.study import provenance
from quietward.study.cases import Case
from quietward.study.plan import Variant
from quietward.study.run import Result, halves
from quietward.study.score import ShiftScore

KEYS = ("condition", "policy", "staff", "draw", "seed", "version", "commit")
"""What every row begins with. condition: kind of shift; policy: name of the variant; staff: usual, or other ones; draw:
which one of that staff, from 1 on.
"""
USUAL = "usual"
ASKING = [level.value for level in LEVELS[1:]]
COLUMNS: dict[str, tuple[str, ...]] = {
    "shifts": (
        "half", "beds", "bed_hours", "nurse_hours", "noted_hours",
        "fleeting", "stale", "unanswered_bed_hours",
        *(f"{judged}_{level}" for level in ASKING for judged in ("unanswered_true", "unanswered_judged")),
    ),
    "beds": ("bed", "nurse", "watched_s", "noted_s"),
    "episodes": (
        "bed", "what", "level", "from_s", "lasts_s", "flagged_s", "called_s", "reached_s", "reached_by", "clinicians_s",
        "shown_s", "answered_s",
    ),
    "outcomes": ("bed", "what", "ends_s", "is_birth", "reserve_used", "most_used"),
    "calls": ("bed", "t_s", "level", "why", "what", "is_true", "heard"),
    "visits": ("bed", "from_s", "until_s", "who", "why"),
}  # fmt: skip
"""By table, what comes after the keys.

Times are seconds of the shift, delays count from the beginning of a need; an empty cell: never, or not known. shown_s:
to when the trace itself, free of noise and loss, meets a published definition; answered_s: to somebody who came for a
call; why: clinicians came for what the nurse who called them had come for. bed: 1 is the first. half: `chosen on` or
`reported`. unanswered_...: when nobody answers, bed-hours, true calls and all that can be judged. fleeting, stale: of
alarms, see `study/score.py`. nurse: whose bed it is; watched_s, noted_s: how long it was. ends_s: of a birth, or of
what was watched; reserve_used, most_used: share of the reserve then, and at the most.
"""

Row = tuple[Any, ...]


class _Run(NamedTuple):
    """One shift under one variant, with one draw of its staff."""

    case: Case
    draw: int
    half: str
    variant: Variant
    score: ShiftScore
    unanswered: ShiftScore | None

    @property
    def keys(self) -> Row:
        staff, name = self.variant.staff_is or USUAL, self.variant.name
        return self.case.shift, name, staff, self.draw, self.case.seed, provenance.version(), provenance.commit()


def write(folder: Path, result: Result) -> list[Path]:
    """Write all tables as CSV; return their paths. Raises BadStudy where they cannot be written."""
    paths = []
    for name, columns in COLUMNS.items():
        path = folder / f"{name}.csv"
        try:
            with path.open("w", newline="") as file:
                rows = csv.writer(file, lineterminator="\n")
                rows.writerow((*KEYS, *columns))
                rows.writerows(tuple(map(_cell, row)) for row in _rows(name, result))
        except OSError as error:
            raise BadStudy("--out", str(path), f"Cannot be written: {error.strerror}") from error
        paths.append(path)
    return paths


def write_parquet(folder: Path, result: Result) -> list[Path]:
    """Write all tables as Parquet, too; return the paths. Raises MissingExtra."""
    with extra("parquet", "Parquet tables"):
        import pyarrow as pa
        import pyarrow.parquet as pq
    paths = []
    for name, columns in COLUMNS.items():
        path = folder / f"{name}.parquet"
        values = list(zip(*_rows(name, result), strict=True)) or [()] * (len(KEYS) + len(columns))
        pq.write_table(pa.table(dict(zip((*KEYS, *columns), map(list, values), strict=True))), path)
        paths.append(path)
    return paths


def digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _cell(value: Any) -> Any:
    match value:
        case None:
            return ""
        case bool():
            return int(value)
        case float():
            return repr(float(value))
    return value


def _runs(result: Result) -> Iterator[_Run]:
    chosen_on, _ = halves([case.shift for case in result.cases])
    half = ["chosen on" if i in set(chosen_on) else "reported" for i in range(len(result.cases))]
    variants: Sequence[tuple[Variant, list[ShiftScore], list[ShiftScore] | None]] = [
        *zip(result.planned.variants, result.with_staff, result.unanswered, strict=True),
        *((v, of, None) for v, of in zip(result.planned.other_staff, result.other_staff, strict=True)),
    ]
    for variant, scores, unanswered in variants:
        for place, score in enumerate(scores):
            draw, i = divmod(place, len(result.cases))
            nobody = unanswered[i] if unanswered and draw == 0 else None
            yield _Run(result.cases[i], draw + 1, half[i], variant, score, nobody)


def _rows(table: str, result: Result) -> Iterator[Row]:
    for run in _runs(result):
        for row in _OF_RUN[table](run):
            yield (*run.keys, *row)


def _shift(run: _Run) -> Row:
    score, judged = run.score, list[int | None]()
    for rank in range(1, len(LEVELS)):
        calls = [c for c in run.unanswered.calls if c.level == rank] if run.unanswered else []
        of = sum(c.count for c in calls if c.true_positive is not None)
        judged += [sum(c.count for c in calls if c.true_positive), of] if run.unanswered else [None, None]
    return (
        run.half, len(run.case.bed_s), score.bed_hours, score.nurse_hours, score.noted_hours,
        score.fleeting, score.stale, run.unanswered and run.unanswered.bed_hours, *judged,
    )  # fmt: skip


_OF_RUN: dict[str, Callable[[_Run], Iterable[Row]]] = {
    "shifts": lambda run: [_shift(run)],
    "beds": lambda run: ((b.bed + 1, b.nurse, float(b.watched_s), b.noted_s) for b in run.score.each_bed),
    "episodes": lambda run: (
        (
            e.bed + 1, e.what, e.level, e.from_s, e.lasts_s, e.flagged_s, e.called_s, e.reached_s, e.reached_by,
            e.clinicians_s, e.shown_s, e.answered_s,
        )
        for e in run.score.episodes
    ),
    "outcomes": lambda run: (
        (o.bed + 1, o.what, o.ends_s, o.is_birth, o.reserve_used, o.most_used) for o in run.score.outcomes
    ),
    "calls": lambda run: (
        (c.bed + 1, c.t_s, LEVELS[c.level].value, c.why, c.what, c.true_positive, c.heard) for c in run.score.each_call
    ),
    "visits": lambda run: ((v.bed + 1, v.from_s, v.until_s, v.who, v.why) for v in run.score.visits),
}  # fmt: skip
"""By table, its rows of one run, after the keys."""
