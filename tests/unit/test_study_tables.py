"""What a study leaves behind is enough to work its report out again, and a table that was altered is noticed."""

import csv
import shutil
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import pytest
from msgspec import structs

from quietward.contracts.errors import BadStudy, MissingExtra
from quietward.study import check, plan, report, result, tables
from quietward.study.score import Outcome, ShiftScore
from tests.studies import run_study, small

DRAWS = 2


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study's folder."""
    folder = tmp_path_factory.mktemp("whole")
    ran = run_study(
        small(staff_draws=DRAWS), folder / "done", also=lambda r: plan.with_other_staff(r.planned.variants[1:2])
    )
    written = [*tables.write(folder, ran), *tables.write_parquet(folder, ran)]
    digests = {path.name: tables.digest(path) for path in written}
    found = report.full_report(ran, result.summarize(ran, draws=50), "quietward study for-tests", tables=digests)
    report.write(folder, found, "page")
    return folder


@pytest.fixture
def copy(whole: Path, tmp_path: Path) -> Path:
    shutil.copytree(whole, tmp_path / "copy", ignore=shutil.ignore_patterns("done"))
    return tmp_path / "copy"


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def rewrite(folder: Path, name: str, changed: list[dict[str, str]]) -> None:
    """Write a table again, and let the report have its digest: only the figures can tell."""
    path = folder / name
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(changed[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(changed)
    said = msgspec.json.decode((folder / "report.json").read_bytes())
    said["tables"][name] = tables.digest(path)
    (folder / "report.json").write_bytes(msgspec.json.encode(said))


def differing(folder: Path) -> list[str]:
    return [one.what for one in check.check(folder) if not one.is_same]


def test_a_report_is_what_its_tables_say(whole: Path) -> None:
    compared = check.check(whole)
    assert [one for one in compared if not one.is_same] == []
    names = [one.what for one in compared]
    assert "today: interruptions per nurse-hour" in names
    assert "at once, all calls answered: late, count" in names
    assert "long-fall.limit 60, all calls answered: late, low" in names, "what was wanted later is there, too"
    assert "calls.csv, SHA-256" in names
    assert "calls.parquet, SHA-256" in names


def leaves(of: Any) -> int:
    """Return how many numbers and words there are in something that was read from JSON."""
    if isinstance(of, dict):
        return sum(map(leaves, of.values()))
    return sum(map(leaves, of)) if isinstance(of, list) and of and isinstance(of[0], dict) else 1


def test_nothing_of_a_report_goes_unchecked(whole: Path) -> None:
    """Every number of every variant has a line of its own; two are none that is counted: what was varied, and why."""
    said = msgspec.json.decode((whole / "report.json").read_bytes())
    names = [one.what for one in check.check(whole)]
    assert len(names) == len(set(names))
    for row in said["rows"]:
        own = [name for name in names if name.startswith(f"{row['name']}: ") and "on all shifts" not in name]
        assert len(own) == leaves({key: value for key, value in row.items() if key != "top_ten"}) + 1
    assert sum(name.startswith("late need ") for name in names) == len(said["late"]) > 0
    lines = (whole / "variants.csv").read_text().splitlines()
    assert sum(name.startswith("variants.csv, ") for name in names) == len(lines) + 1


def test_every_row_says_where_it_comes_from(whole: Path) -> None:
    for name in tables.COLUMNS:
        of = rows(whole / f"{name}.csv")
        assert all(row["version"] and row["commit"] and row["seed"] in "1234" for row in of)
        assert {row["condition"] for row in of} <= {"two-at-once"}
    shifts = rows(whole / "shifts.csv")
    planned = small()
    assert len(shifts) == DRAWS * 4 * (len(planned.variants) + len(planned.other_staff) + 2)
    assert [row["draw"] for row in shifts[:8]] == ["1"] * 4 + ["2"] * 4
    assert [row["half"] for row in shifts[:4]] == ["reported", "chosen on"] * 2
    visits = rows(whole / "visits.csv")
    assert {"call", "round"} <= {row["why"] for row in visits} <= {"call", "round", "look again"}
    assert all(float(row["until_s"]) <= 0.6 * 3600 for row in visits)


def test_who_checks_does_not_choose_staff_either(tmp_path: Path) -> None:
    """With a nurse for every bed nobody is late in the shifts to choose on, and each is interrupted less often."""
    vary = [{"key": "staff.beds_per_nurse", "values": [1]}]
    ran = run_study(small(vary=vary, alarm=[]), tmp_path / "done")
    digests = {path.name: tables.digest(path) for path in tables.write(tmp_path, ran)}
    found = report.full_report(ran, result.summarize(ran, draws=50), "quietward study for-tests", tables=digests)
    report.write(tmp_path, found, "page")
    assert found.chosen == "today"
    assert differing(tmp_path) == []
    said = msgspec.json.decode((tmp_path / "report.json").read_bytes())
    said["rows"][1]["is_own_staff"] = True
    (tmp_path / "report.json").write_bytes(msgspec.json.encode(said))
    found_now = differing(tmp_path)
    assert "policy that was chosen" in found_now
    assert not [name for name in found_now if name.startswith(("today: late", "today: interruptions per"))]


def test_who_checks_counts_what_the_limit_counts(tmp_path: Path) -> None:
    limit = {"interruptions_per_nurse_hour": 20.0, "reached": "clinicians"}
    ran = run_study(small(vary=[], alarm=[], limit=limit), tmp_path / "done")
    digests = {path.name: tables.digest(path) for path in tables.write(tmp_path, ran)}
    found = report.full_report(ran, result.summarize(ran, draws=50), "quietward study for-tests", tables=digests)
    report.write(tmp_path, found, "page")
    assert differing(tmp_path) == []
    needs = rows(tmp_path / "episodes.csv")
    need = next(
        row for row in needs if usual(row) and row["level"] == "team" and float(row["clinicians_s"] or 0) <= 300
    )
    need["reached_s"] = ""
    rewrite(tmp_path, "episodes.csv", needs)
    assert not [name for name in differing(tmp_path) if name.startswith("today: late")], "what it does not count"
    assert "needs whose visits say otherwise" in differing(tmp_path)


@pytest.mark.parametrize("name", ["shifts.csv", "calls.csv", "episodes.csv", "visits.csv", "visits.parquet"])
def test_one_byte_is_noticed(name: str, copy: Path) -> None:
    (copy / name).write_bytes((copy / name).read_bytes() + b"\n")
    assert differing(copy) == [f"{name}, SHA-256"]


def test_a_table_that_is_missing_is_told(copy: Path) -> None:
    (copy / "calls.parquet").unlink()
    assert differing(copy) == ["calls.parquet, SHA-256"]
    (copy / "calls.csv").unlink()
    with pytest.raises(BadStudy, match=r"calls\.csv: .*Cannot be read"):
        check.check(copy)


def usual(row: dict[str, str]) -> bool:
    return (row["policy"], row["staff"], row["draw"], row["seed"]) == ("today", "usual", "1", "1")


def reported(row: dict[str, str]) -> bool:
    return (row["policy"], row["staff"]) == ("today", "usual") and row["seed"] in "13"


def test_a_call_that_was_taken_away_is_noticed(copy: Path) -> None:
    calls = rows(copy / "calls.csv")
    gone = next(row for row in calls if usual(row))
    rewrite(copy, "calls.csv", [row for row in calls if row is not gone])
    found = differing(copy)
    for what in (
        "today: interruptions per nurse-hour", "today: interruptions per nurse-hour, low",
        f"today: calls per bed-hour, {gone['level']}", f"today: interruptions by level, {gone['level']}",
        f"today: reasons, {gone['why']} {gone['level']}, calls", "today: per 10 min", "today: top ten",
        "today: on all shifts, interruptions per nurse-hour", "headline", "variants.csv, today",
    ):  # fmt: skip
        assert what in found
    assert not [name for name in found if name.startswith(("today: late", "at once: calls", "at once: late"))]


NEEDS_SAY, CALLS_SAY, BEDS_SAY = (
    "needs whose visits say otherwise", "calls that others have heard", "shifts whose beds say otherwise"
)  # fmt: skip
ALTERED = [
    ("shifts", "fleeting", "+1", ["today: fleeting share", "variants.csv, today"]),
    ("shifts", "stale", "+1", ["today: stale", "variants.csv, today"]),
    ("shifts", "nurse_hours", "+1", [BEDS_SAY]),
    ("shifts", "unanswered_bed_hours", "+1", ["bed-hours"]),
    ("shifts", "unanswered_true_look", "+1", ["today: worth, look, count"]),
    ("shifts", "unanswered_judged_look", "+1", ["today: worth, look, of"]),
    ("beds", "watched_s", "+900", [BEDS_SAY, "today: calls per bed-hour, all", "today: noted"]),
    ("beds", "noted_s", "+60", [BEDS_SAY, "today: noted"]),
    ("beds", "nurse", "0", [CALLS_SAY]),
    ("calls", "heard", "+1", [CALLS_SAY, "today: interruptions per nurse-hour", "headline"]),
    ("calls", "why", "nothing", ["today: reasons, nothing look", "today: top ten"]),
    ("calls", "level", "team", [CALLS_SAY, "today: calls per bed-hour, team", "today: levels, team"]),
    ("calls", "bed", "+1", ["today: top ten"]),
    ("episodes", "what", "nothing", ["today: by need, nothing"]),
    ("episodes", "level", "look", ["today: needs", "today: late, of"]),
    ("episodes", "flagged_s", "-1e4", ["today: flagged, p10"]),
    ("episodes", "called_s", "-1e4", ["today: called, p10"]),
    ("episodes", "shown_s", "", ["today: late once shown, of"]),
    ("episodes", "reached_s", "", [NEEDS_SAY, "today: reached, never", "today: late, count"]),
    ("episodes", "reached_by", "magic", [NEEDS_SAY, "today: reached by, magic"]),
    ("episodes", "clinicians_s", "", [NEEDS_SAY, "today: clinicians, never"]),
    ("episodes", "answered_s", "", [NEEDS_SAY]),
    ("visits", "from_s", "-1e4", [NEEDS_SAY]),
    ("visits", "who", "clinicians", [NEEDS_SAY]),
]


COUNTS = ("fleeting", "stale", "heard", "bed", "unanswered_true_look", "unanswered_judged_look")


@pytest.mark.parametrize(("table", "column", "value", "noticed"), ALTERED)
def test_one_cell_that_was_altered_is_noticed(
    table: str, column: str, value: str, noticed: list[str], copy: Path
) -> None:
    """With its digest mended: the figures themselves say so. A sign before a number: so much more, or less."""
    of = rows(copy / f"{table}.csv")
    needs = [row for row in rows(copy / "episodes.csv") if reported(row) and row["level"] == "team"]
    came = next(row for row in needs if float(row["answered_s"] or 0) > 0 and row["clinicians_s"] and row["shown_s"])
    own = [row for row in of if reported(row) and all(row[key] == came[key] for key in ("draw", "seed"))]
    match table:
        case "episodes":
            (cell,) = [row for row in own if all(row[key] == came[key] for key in ("bed", "from_s", "level"))]
        case "visits":
            at_s = float(came["from_s"]) + float(came["reached_s"])
            cell = next(row for row in own if row["bed"] == came["bed"] and abs(float(row["from_s"]) - at_s) < 1e-6)
        case "calls":
            cell = next(row for row in own if row["level"] == "look" and float(row["t_s"]) < 1800)
        case "beds":
            called = next(row["bed"] for row in rows(copy / "calls.csv") if usual(row) and row["level"] == "look")
            cell = next(row for row in of if usual(row) and row["bed"] == called)
        case _:
            cell = next(row for row in of if usual(row))
    cell[column] = repr(float(cell[column]) + float(value)) if value[:1] in ("+", "-") else value
    if column in COUNTS:
        cell[column] = cell[column].removesuffix(".0")
    rewrite(copy, f"{table}.csv", of)
    found = differing(copy)
    for what in noticed:
        assert any(name == what or name.startswith(f"{what}, ") for name in found), (what, found)


def test_what_became_of_a_woman_is_checked(tmp_path: Path) -> None:
    """Outcomes that are made up, in place of a study in which care changes the course: each of their cells counts."""

    def with_outcomes(of: list[list[ShiftScore]], more: float) -> list[list[ShiftScore]]:
        return [
            [
                structs.replace(
                    s, outcomes=[Outcome(0, "x", 2160.0, i % 2 == 0, 0.3 + i / 90, 0.5 + i / 70 + more / (v + 2))]
                )
                for i, s in enumerate(shifts)
            ]
            for v, shifts in enumerate(of)
        ]

    ran = run_study(small(vary=[{"key": "long-fall.limit", "values": [60]}], alarm=[]), tmp_path / "done")
    ran = replace(ran, with_staff=with_outcomes(ran.with_staff, 0.2), other_staff=with_outcomes(ran.other_staff, 0.1))
    digests = {path.name: tables.digest(path) for path in tables.write(tmp_path, ran)}
    found = report.full_report(ran, result.summarize(ran, draws=50), "quietward study for-tests", tables=digests)
    report.write(tmp_path, found, "page")
    assert differing(tmp_path) == []
    whole = rows(tmp_path / "outcomes.csv")
    for column, value, what in (
        ("most_used", "0.999", "most used"), ("reserve_used", "0.999", "used at end"), ("is_birth", "0", "births")
    ):  # fmt: skip
        changed = [dict(row) for row in whole]
        next(row for row in changed if usual(row))[column] = value
        rewrite(tmp_path, "outcomes.csv", changed)
        assert f"today: outcomes, {what}" in differing(tmp_path)


def test_a_visit_that_was_added_is_noticed(copy: Path) -> None:
    need = next(row for row in rows(copy / "episodes.csv") if float(row["reached_s"] or 1e9) > 5)
    visits = rows(copy / "visits.csv")
    added = dict(zip(visits[0], visits[0].values(), strict=True)) | {key: need[key] for key in tables.KEYS}
    added |= {"bed": need["bed"], "from_s": str(float(need["from_s"]) + 1), "until_s": str(float(need["from_s"]) + 9)}
    rewrite(copy, "visits.csv", [*visits, added])
    assert differing(copy) == ["needs whose visits say otherwise"]


def test_parquet_holds_the_same(whole: Path) -> None:
    import pyarrow.parquet as pq

    for name, columns in tables.COLUMNS.items():
        found, said = pq.read_table(whole / f"{name}.parquet"), rows(whole / f"{name}.csv")
        assert found.column_names == [*tables.KEYS, *columns]
        assert found.num_rows == len(said)
        for key in ("reached_s", "t_s", "nurse_hours", "from_s"):
            if key in columns:
                values = found.column(key).to_pylist()
                assert values == [float(row[key]) if row[key] else None for row in said]


def test_without_its_package_parquet_names_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(MissingExtra, match=r"quietward\[parquet\]"):
        tables.write_parquet(tmp_path, run_study(small(vary=[], alarm=[]), tmp_path / "done"))


def test_a_folder_without_a_report_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadStudy, match=r"--check: .*report\.json: .*give a study's folder"):
        check.check(tmp_path)
    (tmp_path / "report.json").write_text("{}")
    with pytest.raises(BadStudy, match="without tables; run the study again"):
        check.check(tmp_path)


def test_what_the_headline_and_a_verdict_say_is_checked(copy: Path) -> None:
    path = copy / "report.json"
    before = msgspec.json.decode(path.read_bytes())
    said = before["headline"]
    rate = f"{before['rows'][0]['interruptions_per_nurse_hour']['value']:.3g} interruptions"
    wrong = {"yes": "no", "no": "yes"}[before["rows"][1]["verdict"].partition(",")[0]]
    changes = [
        ({"headline": said.replace(rate, "0.01 interruptions")}, ["headline"]),
        ({"headline": said.replace("DOES NOT MEET", "meets")}, ["headline"]),
        ({"rows": [before["rows"][0], before["rows"][1] | {"meets": wrong == "yes", "verdict": wrong},
                   *before["rows"][2:]]},
         [f"{before['rows'][1]['name']}: {what}" for what in ("meets", "verdict")]),
    ]  # fmt: skip
    assert "DOES NOT MEET" in said
    for change, noticed in changes:
        path.write_bytes(msgspec.json.encode(before | change))
        assert differing(copy) == noticed


def test_tables_that_cannot_be_checked_say_what_is_missing(copy: Path) -> None:
    shifts, calls = (copy / f"{name}.csv" for name in ("shifts", "calls"))
    text = shifts.read_text()
    shifts.write_text(text.partition("\n")[0] + "\n")
    with pytest.raises(BadStudy, match=r"shifts\.csv: 'today'. Has no row of it; run the study again"):
        check.check(copy)
    shifts.write_text(text)
    other_half = text.replace(",reported,", ",chosen on,", 1)  # of one variant alone: its shifts are no others' then
    for wrong in (text + "1,2\n", text.replace(",reported,", ",reported,x", 1), other_half):
        shifts.write_text(wrong)
        with pytest.raises(BadStudy, match="Cannot be read; run the study again"):
            check.check(copy)
    shifts.write_text(text)
    calls.write_text(calls.read_text().replace(",draw,", ",drew,", 1))
    with pytest.raises(BadStudy, match=r"'draw'. Is missing in the report or in a table"):
        check.check(copy)
