"""Works the figures of a report out again from the tables beside it alone, and says where the two differ.

Every number of `report.json` is compared with what `recount` says of it; what has no counterpart there differs.
The page and its pictures are drawn from the same numbers. Not in the tables, and taken as they are: what was asked for,
the names and numbers of variants, and which recordings were passed over.
"""

import csv
import hashlib
import json
import math
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from quietward.contracts.errors import BadStudy, extra
from quietward.contracts.validation import NOT_DECODED
from quietward.study.recount import Recount, Row, Run

REPORTED, CHOSEN_ON, USUAL, TODAY = "reported", "chosen on", "usual", "today"
ALIKE = 1e-9
TABLES = ("shifts", "beds", "episodes", "outcomes", "calls", "visits")
AS_THEY_ARE = ("name", "kind", "numbers", "is_own_staff", "staff_is")
"""What a report says of a variant that is not counted."""
KEYED = {"reasons": ("why", "level"), "by_need": ("what",)}
"""Lists whose order says nothing, with what their entries are told apart by."""

SHOWN = (
    "today: interruptions per nurse-hour", "today: late, count", "today: late, of", "today: late once shown, count",
    "today: late once shown, of", "today: reached, p50", "today: meets", "today: verdict",
    "today: on all shifts, interruptions per nurse-hour", "today: on all shifts, late, count", "policy that was chosen",
    "headline",
)  # fmt: skip
"""What is printed also where it is as the tables say."""

RunKey = tuple[str, str, str, str, str]
"""Condition, policy, staff, draw of that staff, seed."""


class Compared(NamedTuple):
    """One figure: as the report has it, and from the tables."""

    what: str
    report: Any
    tables: Any

    @property
    def is_same(self) -> bool:
        """Whether the two agree."""
        if isinstance(self.report, float | int) and isinstance(self.tables, float | int):
            return math.isclose(self.report, self.tables, rel_tol=ALIKE, abs_tol=ALIKE)
        return bool(self.report == self.tables)


def check(folder: Path) -> list[Compared]:
    """Return every figure that was worked out again, in the order of the report. Raises BadStudy, MissingExtra."""
    try:
        return _compared(folder, _report(folder))
    except KeyError as error:
        remedy = "Is missing in the report or in a table: the study comes from another version, run it again"
        raise BadStudy(f"--check: {folder}", error.args[0], remedy) from error
    except (ValueError, *NOT_DECODED) as error:  # a cell that is no number, a report that is none
        raise BadStudy(f"--check: {folder}", str(error), "Cannot be read; run the study again") from error


def _compared(folder: Path, report: dict[str, Any]) -> list[Compared]:
    found = [
        Compared(f"{name}, SHA-256", sha, _digest(folder / name)) for name, sha in sorted(report["tables"].items())
    ]
    tables = {name: _read(folder / f"{name}.csv") for name in TABLES}
    made_with = {(row["version"], row["commit"]) for rows in tables.values() for row in rows}
    found.append(Compared("version and commit", {(report["version"], report["commit"])}, made_with))
    runs = _runs(tables)
    found += _agree(runs)
    study = _WholeStudy(folder, report, runs)
    rows, reported = (
        report["rows"],
        {row["name"]: study.recount(row["name"], USUAL, REPORTED) for row in report["rows"]},
    )
    base, counted = reported[rows[0]["name"]], []
    for row, is_on in zip(rows, _front(rows, reported), strict=True):
        counted.append({**reported[row["name"]].row(base), "on_front": is_on, **_as_they_are(row)})
        found += _leaves(row["name"], row, counted[-1])
    on_all = study.recount(rows[0]["name"], USUAL, None)
    said = report["today_on_all"]
    found += _leaves(f"{TODAY}: on all shifts", said, on_all.staff_row() | _as_they_are(said))
    for row in report["other_staff"]:
        own = study.recount(row["name"], row["staff_is"], REPORTED).staff_row()
        found += _leaves(f"{row['name']}, {row['staff_is']}", row, own | _as_they_are(row))
    late = base.late_needs()
    found += [Compared("late needs that are listed", len(report["late"]), len(late))]
    found += [
        Compared(f"late need {n}", *pair) for n, pair in enumerate(zip(report["late"], late, strict=False), start=1)
    ]
    found += study.choice(reported)
    found += study.sizes()
    return found + _as_text(folder, report, counted)


class _WholeStudy:
    """What is asked of a whole study. runs: by policy and staff, in the order of the tables."""

    def __init__(self, folder: Path, report: dict[str, Any], runs: Mapping[tuple[str, str], list[Run]]) -> None:
        self._folder, self._report, self._runs = folder, report, runs

    def recount(self, policy: str, staff: str, half: str | None) -> Recount:
        """Return what is counted of a line of the report, on one half or on all shifts.

        Raises BadStudy where there is none.
        """
        own = [run for run in self._runs.get((policy, staff), []) if half in (None, run.shift["half"])]
        if not own and half != CHOSEN_ON:
            raise BadStudy(f"--check: {self._folder / 'shifts.csv'}", policy, "Has no row of it; run the study again")
        study = self._report["study"]
        return Recount(own, study["limit"], self._report["drawn_again"], study["seed"])

    def choice(self, reported: Mapping[str, Recount]) -> list[Compared]:
        """Compare the policy that was chosen: of those that meet the limit the least late, then the quietest.

        One whose staff are not the study's is none that can be chosen.
        """
        said, rows = self._report["choice"], self._report["rows"]
        may_be = [row["name"] for row in rows if row["kind"] == "policy" and row["is_own_staff"]]
        on = {name: self.recount(name, USUAL, CHOSEN_ON) for name in may_be}
        meeting = [
            (on[name].late[0] / on[name].late[1], float(on[name].rates[0]), place, name)
            for place, name in enumerate(may_be)
            if on[name].runs and on[name].meets
        ]
        chosen = min(meeting)[3] if meeting else None
        one = reported[chosen or rows[0]["name"]]
        others = [name for name in may_be if reported[name] is not one]
        as_late = [n for n in others if one.paired_late(reported[n])["p"] * len(others) >= 0.05]
        alike = [n for n in as_late if one.interruptions_p(reported[n]) * len(others) >= 0.05]
        counted = {
            "name": chosen, "why": said["why"], "chosen_on": on[may_be[0]].shifts,
            "rate": on[chosen].rate() if chosen else None, "late": on[chosen].late_share() if chosen else None,
            "alike": alike, "as_late": as_late, "of": len(others),
        }  # fmt: skip
        named = Compared("policy that was chosen", self._report["chosen"], chosen)
        return [named, *_leaves("the choice", said, counted)]

    def sizes(self) -> list[Compared]:
        """Compare how much was studied."""
        first = [run.shift for run in self._runs[TODAY, USUAL] if run.shift["draw"] == "1"]
        bed_hours = sum(float(row["unanswered_bed_hours"]) for row in first)
        return [
            Compared("shifts", self._report["shifts"], len(first)),
            Compared("bed-hours", self._report["bed_hours"], bed_hours),
            Compared("shifts reported", self._report["reported"], sum(row["half"] == REPORTED for row in first)),
        ]


def _leaves(where: str, said: Any, found: Any) -> Iterator[Compared]:
    """Compare two structures of the same shape, number by number."""
    if isinstance(said, dict) and isinstance(found, dict):
        for key in dict.fromkeys([*said, *found]):
            sides = [_keyed(key, of.get(key, "is missing")) for of in (said, found)]
            words = key.replace("_", " ").replace("nurse hour", "nurse-hour").replace("bed hour", "bed-hour")
            joined = where if key == "value" else f"{where}{', ' if ': ' in where else ': '}{words}"
            yield from _leaves(joined, *sides)
    else:
        yield Compared(where, said, found)


def _keyed(key: str, value: Any) -> Any:
    if key not in KEYED or not isinstance(value, list):
        return value
    return {" ".join(one[name] for name in KEYED[key]): one for one in value}


def _as_they_are(row: dict[str, Any]) -> dict[str, Any]:
    return {name: row[name] for name in AS_THEY_ARE if name in row}


def _front(rows: Sequence[dict[str, Any]], reported: Mapping[str, Recount]) -> list[bool]:
    """Return which variants with the study's own staff no other beats in one without being beaten in the other."""
    points = {}
    for row in rows:
        late, needs = reported[row["name"]].late
        if needs and row["is_own_staff"]:
            points[row["name"]] = (float(reported[row["name"]].rates[0]), late / needs)
    return [
        row["name"] in points
        and not any(
            x <= points[row["name"]][0] and y <= points[row["name"]][1] and (x, y) != points[row["name"]]
            for x, y in points.values()
        )
        for row in rows
    ]


def _as_text(folder: Path, report: dict[str, Any], counted: Sequence[dict[str, Any]]) -> list[Compared]:
    """Compare the first sentence and variants.csv with what the same words would say of the counted figures."""
    with extra("studies", "quietward study"):
        from quietward.study import report as words
        from quietward.study.plan import Study
        from quietward.study.result import VariantRow
    rows = [msgspec.convert(row, VariantRow) for row in counted]
    study = msgspec.convert(report["study"], Study)
    path = folder / "variants.csv"
    try:
        said = path.read_text().splitlines()
    except OSError as error:
        raise BadStudy(f"--check: {path}", error.strerror, "Cannot be read; run the study again") from error
    lines = words.table(rows).splitlines()
    names = ["heads", *(row.name for row in rows)]
    found = [Compared("headline", report["headline"], words.headline(rows[0], study))]
    found += [Compared("variants.csv, lines", len(said), len(lines))]
    return found + [Compared(f"variants.csv, {n}", *pair) for n, *pair in zip(names, said, lines, strict=False)]


def _runs(tables: Mapping[str, list[Row]]) -> dict[tuple[str, str], list[Run]]:
    """Return the runs of each policy under each staff, in the order of the shifts."""
    of: dict[str, dict[RunKey, list[Row]]] = {}
    for name in TABLES[1:]:
        of[name] = defaultdict(list)
        for row in tables[name]:
            of[name][_key(row)].append(row)
    runs: dict[tuple[str, str], list[Run]] = defaultdict(list)
    for shift in tables["shifts"]:
        key = _key(shift)
        own = (of[name][key] for name in ("beds", "episodes", "calls", "visits", "outcomes"))
        runs[shift["policy"], shift["staff"]].append(Run(shift, *own))
    return runs


def _agree(runs: Mapping[tuple[str, str], list[Run]]) -> Iterator[Compared]:
    """Compare tables with each other: one line for all that is said twice.

    Of needs: when somebody was at the bed, who, and whether for a call, with the visits. Of calls: how many heard them,
    with the beds of each nurse. Of shifts: beds and hours, with the beds.
    """
    needs, calls, hours = [], [], []
    for run in (run for of in runs.values() for run in of):
        needs += [f"{_key(run.shift)} {said}" for said in _reached_otherwise(run)]
        heard = [call for nurse in run.nurses_until_s for call in run.heard_by(nurse)]
        counts: dict[int, int] = defaultdict(int)
        for call in heard:
            counts[id(call)] += 1
        calls += [f"{_key(call)} at {call['t_s']} s" for call in run.calls if int(call["heard"]) != counts[id(call)]]
        found = len(run.beds), run.bed_hours, run.nurse_hours, run.noted_hours
        said = (float(run.shift[name]) for name in ("beds", "bed_hours", "nurse_hours", "noted_hours"))
        if not all(math.isclose(a, b, rel_tol=ALIKE, abs_tol=ALIKE) for a, b in zip(found, said, strict=True)):
            hours.append(_key(run.shift))
    yield Compared("needs whose visits say otherwise", [], needs)
    yield Compared("calls that others have heard", [], calls)
    yield Compared("shifts whose beds say otherwise", [], hours)


def _reached_otherwise(run: Run) -> Iterator[str]:
    by_bed: dict[str, list[Row]] = defaultdict(list)
    for visit in run.visits:
        by_bed[visit["bed"]].append(visit)
    for row in run.needs:
        begins, ends = float(row["from_s"]), float(row["from_s"]) + float(row["lasts_s"])
        during = [v for v in by_bed[row["bed"]] if float(v["until_s"]) > begins and float(v["from_s"]) < ends]
        answers = [v for v in during if v["why"] == "call"]
        clinicians = [v for v in during if v["who"] == "clinicians"]
        for column, came in (("reached_s", during), ("answered_s", answers), ("clinicians_s", clinicians)):
            found = min((max(begins, float(v["from_s"])) - begins for v in came), default=math.inf)
            said = float(row[column] or math.inf)
            if found != said and abs(found - said) > 1e-6:
                yield f"bed {row['bed']} at {begins:g} s, {column}"
        first = min(during, key=lambda v: float(v["from_s"]), default=None)
        by = "" if first is None else "clinicians" if first["who"] == "clinicians" else first["why"]
        if by != row["reached_by"]:
            yield f"bed {row['bed']} at {begins:g} s, reached_by"


def _key(row: Row) -> RunKey:
    return row["condition"], row["policy"], row["staff"], row["draw"], row["seed"]


def _report(folder: Path) -> dict[str, Any]:
    path = folder / "report.json"
    try:
        found: dict[str, Any] = json.loads(path.read_bytes())
    except OSError as error:
        raise BadStudy(f"--check: {path}", error.strerror, "Cannot be read; give a study's folder") from error
    except ValueError as error:
        raise BadStudy(f"--check: {path}", path.name, f"Is not JSON: {error}") from error
    if not isinstance(found, dict) or "tables" not in found:
        raise BadStudy(f"--check: {path}", path.name, "Comes from a study without tables; run the study again")
    return found


def _read(path: Path) -> list[Row]:
    try:
        with path.open(newline="") as file:
            rows = csv.reader(file)
            head = [sys.intern(name) for name in next(rows, [])]
            return [dict(zip(head, map(sys.intern, row), strict=True)) for row in rows if row]  # a word is there once
    except OSError as error:
        raise BadStudy(f"--check: {path}", error.strerror, "Cannot be read; run the study again") from error
    except ValueError as error:
        raise BadStudy(f"--check: {path}", str(error), "Cannot be read; run the study again") from error


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return "is missing"
