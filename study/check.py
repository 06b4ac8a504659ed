"""Works the figures of a report out again from the tables beside it alone, and says where the two differ.

It shares no code with what made the report: sums over rows, and nothing else. Intervals and tests are not checked.
"""

import csv
import hashlib
import json
import math
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from quietward.contracts.errors import BadStudy

REPORTED, CHOSEN_ON, USUAL = "reported", "chosen on", "usual"
ALIKE = 1e-9
LEVELS = ("look", "bedside", "team")
DELAYS = {"anybody": "reached_s", "answer": "answered_s", "clinicians": "clinicians_s"}
"""The column of what a limit counts as reached."""

Rows = dict[str, list[dict[str, str]]]
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
    """Return every figure that was worked out again, in the order of the report. Raises BadStudy."""
    try:
        return _compared(folder, _report(folder))
    except KeyError as error:
        remedy = "Is missing in the report or in a table: the study comes from another version, run it again"
        raise BadStudy(f"--check: {folder}", error.args[0], remedy) from error


def _compared(folder: Path, report: dict[str, Any]) -> list[Compared]:
    found = [
        Compared(f"{name}, SHA-256", sha, _digest(folder / name)) for name, sha in sorted(report["tables"].items())
    ]
    tables = {name: _read(folder / f"{name}.csv") for name in ("shifts", "episodes", "outcomes", "calls", "visits")}
    limit = report["study"]["limit"]
    made_with = {(row["version"], row["commit"]) for rows in tables.values() for row in rows}
    found.append(Compared("version and commit", {(report["version"], report["commit"])}, made_with))
    found += _reached(tables)
    runs = _runs(tables, limit)
    for row in report["rows"]:
        found += _row(
            row, _some(folder, row["name"], [r for r in runs if r.is_of(row["name"], USUAL, REPORTED)]), limit
        )
    today_on_all = report["today_on_all"]["name"]
    everywhere = _some(folder, today_on_all, [run for run in runs if run.key[1:3] == (today_on_all, USUAL)])
    for what, pair in _rate_and_late(report["today_on_all"], everywhere).items():
        found.append(Compared(f"today: on all shifts, {what}", *pair))
    for row in report["other_staff"]:
        where = f"{row['name']}, {row['staff_is']}"
        own = _some(folder, where, [run for run in runs if run.is_of(row["name"], row["staff_is"], REPORTED)])
        found += [Compared(f"{where}: {what}", *pair) for what, pair in _rate_and_late(row, own).items()]
    found.append(Compared("policy that was chosen", report["chosen"], _choose(report, runs, limit)))
    found += _headline(report, [run for run in runs if run.is_of(report["rows"][0]["name"], USUAL, REPORTED)], limit)
    return found


def _some(folder: Path, name: str, own: "list[_Run]") -> "list[_Run]":
    """Return the runs that a line of the report is of. Raises BadStudy where there is none."""
    if not own:
        raise BadStudy(f"--check: {folder / 'shifts.csv'}", name, "Has no row of it; run the study again")
    return own


def _headline(report: dict[str, Any], own: "list[_Run]", limit: dict[str, Any]) -> Iterator[Compared]:
    """Compare what the report's first sentence says with the tables."""
    said, needs, late = report["headline"], sum(len(run.needs) for run in own), sum(run.late for run in own)
    says = "meets" if _meets(own, limit) else "DOES NOT MEET"
    verdict = f"Today's policy ({report['study']['policy']}) {says} its limit" if needs else "is not known"
    yield Compared("headline says whether the limit is met", True, verdict in said)
    yield Compared("headline has its rate", True, f" {_rate(own):.3g} interruptions per nurse-hour" in f" {said}")
    if needs:
        yield Compared("headline has its count", True, f" {needs - late} of {needs} needs" in f" {said}")


class _Run(NamedTuple):
    """One shift under one variant, with one draw of its staff, summed up."""

    key: RunKey
    half: str
    bed_hours: float
    nurse_hours: float
    noted_hours: float
    unanswered: dict[str, tuple[int, int]]
    calls: dict[str, int]
    heard: dict[str, int]
    needs: list[float]
    """Delays to what the limit counts, of needs of its level; infinite where nobody came."""
    answered: list[float]
    clinicians: list[float]
    """The same to somebody who came for a call, and to clinicians."""
    from_shown: list[float]
    """From when the trace shows them, of those that it shows, to what the limit counts."""
    within_s: float
    most_used: list[float]
    used_at_end: list[float]
    births: int

    def is_of(self, policy: str, staff: str, half: str) -> bool:
        return (self.key[1], self.key[2], self.half) == (policy, staff, half)

    @property
    def late(self) -> int:
        return sum(delay > self.within_s for delay in self.needs)

    @property
    def late_once_shown(self) -> int:
        return sum(delay > self.within_s for delay in self.from_shown)


def _runs(tables: Rows, limit: dict[str, Any]) -> list[_Run]:
    calls: dict[RunKey, dict[str, int]] = defaultdict(lambda: dict.fromkeys(LEVELS, 0))
    heard: dict[RunKey, dict[str, int]] = defaultdict(lambda: dict.fromkeys(LEVELS, 0))
    for row in tables["calls"]:
        calls[_key(row)][row["level"]] += 1
        heard[_key(row)][row["level"]] += int(row["heard"])
    needs: dict[RunKey, list[float]] = defaultdict(list)
    answered: dict[RunKey, list[float]] = defaultdict(list)
    clinicians: dict[RunKey, list[float]] = defaultdict(list)
    from_shown: dict[RunKey, list[float]] = defaultdict(list)
    for row in tables["episodes"]:
        if row["level"] == limit["level"]:
            needs[_key(row)].append(float(row[DELAYS[limit["reached"]]] or math.inf))
            answered[_key(row)].append(float(row["answered_s"] or math.inf))
            clinicians[_key(row)].append(float(row["clinicians_s"] or math.inf))
            if row["shown_s"]:
                from_shown[_key(row)].append(needs[_key(row)][-1] - float(row["shown_s"]))
    most_used: dict[RunKey, list[float]] = defaultdict(list)
    used_at_end: dict[RunKey, list[float]] = defaultdict(list)
    births: dict[RunKey, int] = defaultdict(int)
    for row in tables["outcomes"]:
        most_used[_key(row)].append(float(row["most_used"]))
        used_at_end[_key(row)].append(float(row["reserve_used"]))
        births[_key(row)] += int(row["is_birth"])
    return [
        _Run(
            key, row["half"], float(row["bed_hours"]), float(row["nurse_hours"]), float(row["noted_hours"]),
            {of: (int(row[f"unanswered_true_{of}"] or 0), int(row[f"unanswered_judged_{of}"] or 0)) for of in LEVELS},
            calls[key], heard[key], needs[key], answered[key], clinicians[key], from_shown[key],
            limit["reached_within_min"] * 60, most_used[key], used_at_end[key], births[key],
        )
        for row in tables["shifts"]
        for key in [_key(row)]
    ]  # fmt: skip


def _reached(tables: Rows) -> Iterator[Compared]:
    """Compare when somebody was at the bed, who, and whether for a call, as the needs say it, with the visits.

    Yields one line for all of them.
    """
    visits: dict[tuple[RunKey, str], list[dict[str, str]]] = defaultdict(list)
    for row in tables["visits"]:
        visits[_key(row), row["bed"]].append(row)
    differ = []
    for row in tables["episodes"]:
        begins, ends = float(row["from_s"]), float(row["from_s"]) + float(row["lasts_s"])
        during = [
            v for v in visits[_key(row), row["bed"]] if float(v["until_s"]) > begins and float(v["from_s"]) < ends
        ]
        answers = [v for v in during if v["why"] == "call"]
        clinicians = [v for v in during if v["who"] == "clinicians"]
        for column, came in (("reached_s", during), ("answered_s", answers), ("clinicians_s", clinicians)):
            found = min((max(begins, float(v["from_s"])) - begins for v in came), default=math.inf)
            said = float(row[column] or math.inf)
            if found != said and abs(found - said) > 1e-6:
                differ.append(f"{_key(row)} bed {row['bed']} at {begins:g} s, {column}")
    yield Compared("needs whose visits say otherwise", [], differ)


def _row(row: dict[str, Any], own: list[_Run], limit: dict[str, Any]) -> list[Compared]:
    bed_hours = sum(run.bed_hours for run in own)
    pairs = _rate_and_late(row, own)
    meets = _meets(own, limit)
    pairs["limit is met"] = row["meets"], meets
    pairs["verdict"] = row["verdict"].partition(",")[0], "yes" if meets else "no"  # how certain: by intervals
    pairs["time noted"] = row["noted"]["value"], sum(run.noted_hours for run in own) / bed_hours
    for level in LEVELS:
        per_hour = sum(run.calls[level] for run in own) / bed_hours
        pairs[f"calls per bed-hour, {level}"] = row["calls_per_bed_hour"][level]["value"], per_hour
        worth = [row["worth"][level][name] for name in ("count", "of")]
        pairs[f"true calls, {level}"] = worth, [sum(run.unanswered[level][i] for run in own) for i in (0, 1)]
    delays = sorted(delay for run in own for delay in run.needs)
    if row["outcomes"] is not None:
        used = [x for run in own for x in run.most_used]
        pairs["most of the reserve that was used"] = row["outcomes"]["most_used"]["value"], sum(used) / len(used)
        at_end = [x for run in own for x in run.used_at_end]
        pairs["reserve used at the end"] = row["outcomes"]["used_at_end"]["value"], sum(at_end) / len(at_end)
        pairs["births"] = row["outcomes"]["births"], sum(run.births for run in own)
    if delays:
        middle = delays[math.ceil(len(delays) / 2) - 1]
        pairs["median to what counts, s"] = row["reached"]["p50"], None if math.isinf(middle) else middle
        pairs["never reached"] = row["reached"]["never"], sum(map(math.isinf, delays))
        within_s = own[0].within_s
        pairs["answered in time"] = (
            row["answered_in_time"]["count"],
            _within([x for r in own for x in r.answered], within_s),
        )
        for minutes, share in row["clinicians_within"].items():
            there = _within([x for run in own for x in run.clinicians], float(minutes) * 60)
            pairs[f"clinicians within {minutes} min"] = share["count"], there
    return [Compared(f"{row['name']}: {what}", *pair) for what, pair in pairs.items()]


def _rate_and_late(row: dict[str, Any], own: list[_Run]) -> dict[str, tuple[Any, Any]]:
    return {
        "interruptions per nurse-hour": (row["interruptions_per_nurse_hour"]["value"], _rate(own)),
        "late needs": (row["late"]["count"], sum(run.late for run in own)),
        "needs": (row["late"]["of"], sum(len(run.needs) for run in own)),
        "late needs once shown": (row["late_once_shown"]["count"], sum(run.late_once_shown for run in own)),
        "needs shown": (row["late_once_shown"]["of"], sum(len(run.from_shown) for run in own)),
    }


def _within(delays: list[float], seconds: float) -> int:
    return sum(delay <= seconds for delay in delays)


def _rate(own: list[_Run]) -> float:
    return sum(sum(run.heard.values()) for run in own) / sum(run.nurse_hours for run in own)


def _meets(own: list[_Run], limit: dict[str, Any]) -> bool:
    """Return whether the limit is met, which it is not where nobody is known to have been needed."""
    needs, late = sum(len(run.needs) for run in own), sum(run.late for run in own)
    if not needs:  # nor where there is no shift of this half
        return False
    is_met: bool = _rate(own) <= limit["interruptions_per_nurse_hour"] and 1 - late / needs >= limit["reached_share"]
    return is_met


def _choose(report: dict[str, Any], runs: list[_Run], limit: dict[str, Any]) -> str | None:
    """Return the policy that meets the limit on the shifts to choose on, is the least late, then the quietest.

    One whose staff are not the study's is none that can be chosen.
    """
    meeting = []
    for place, row in enumerate(report["rows"]):
        own = [run for run in runs if run.is_of(row["name"], USUAL, CHOSEN_ON)]
        if row["kind"] == "policy" and row["is_own_staff"] and _meets(own, limit):
            late = sum(run.late for run in own) / sum(len(run.needs) for run in own)
            meeting.append((late, _rate(own), place, row["name"]))
    return min(meeting)[3] if meeting else None


def _key(row: dict[str, str]) -> RunKey:
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


def _read(path: Path) -> list[dict[str, str]]:
    try:
        with path.open(newline="") as file:
            return list(csv.DictReader(file))
    except OSError as error:
        raise BadStudy(f"--check: {path}", error.strerror, "Cannot be read; run the study again") from error


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return "is missing"
