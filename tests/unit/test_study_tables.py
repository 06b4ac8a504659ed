"""What a study leaves behind is enough to work its report out again, and a table that was altered is noticed."""

import csv
import shutil
import sys
from pathlib import Path

import msgspec
import pytest

from quietward.contracts.errors import BadStudy, MissingExtra
from quietward.study import check, plan, report, result, tables
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
    assert "at once, all calls answered: late needs" in names
    assert "long-fall.limit 60, all calls answered: late needs" in names, "what was wanted later is there, too"
    assert "calls.csv, SHA-256" in names
    assert "calls.parquet, SHA-256" in names


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
    assert differing(tmp_path) == ["policy that was chosen"]


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
    assert differing(tmp_path) == ["needs whose visits say otherwise"], "what it does not count makes no figure"


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


ON_ALL = "today: on all shifts, interruptions per nurse-hour"
RATE_SAID = "headline has its rate"


def usual(row: dict[str, str]) -> bool:
    return (row["policy"], row["staff"], row["draw"], row["seed"]) == ("today", "usual", "1", "1")


def test_a_call_that_was_taken_away_is_noticed(copy: Path) -> None:
    calls = rows(copy / "calls.csv")
    gone = next(row for row in calls if usual(row))
    rewrite(copy, "calls.csv", [row for row in calls if row is not gone])
    assert differing(copy) == [
        "today: interruptions per nurse-hour", f"today: calls per bed-hour, {gone['level']}", ON_ALL, RATE_SAID
    ]  # fmt: skip


def test_a_need_that_is_said_to_have_been_reached_sooner_is_noticed(copy: Path) -> None:
    needs = rows(copy / "episodes.csv")
    need = next(row for row in needs if row["level"] == "team" and float(row["reached_s"] or 1e9) > 300)
    need["reached_s"] = "1.0"
    rewrite(copy, "episodes.csv", needs)
    assert "needs whose visits say otherwise" in differing(copy)
    assert len(differing(copy)) > 1


@pytest.mark.parametrize("column", ["clinicians_s", "answered_s"])
def test_clinicians_or_an_answer_that_never_came_are_noticed(column: str, copy: Path) -> None:
    needs = rows(copy / "episodes.csv")
    own = [row for row in needs if row["level"] == "team" and row["seed"] in "13" and row["policy"] == "today"]
    need = next(row for row in own if row["staff"] == "usual" and 0 < float(row[column] or 0) <= 300)
    need[column] = ""
    rewrite(copy, "episodes.csv", needs)
    what = {"clinicians_s": ["clinicians within 10 min", "clinicians within 5 min"], "answered_s": ["answered in time"]}
    assert sorted(differing(copy)) == sorted(
        ["needs whose visits say otherwise", *(f"today: {x}" for x in what[column])]
    )


def test_a_visit_that_was_added_is_noticed(copy: Path) -> None:
    need = next(row for row in rows(copy / "episodes.csv") if float(row["reached_s"] or 1e9) > 5)
    visits = rows(copy / "visits.csv")
    added = dict(zip(visits[0], visits[0].values(), strict=True)) | {key: need[key] for key in tables.KEYS}
    added |= {"bed": need["bed"], "from_s": str(float(need["from_s"]) + 1), "until_s": str(float(need["from_s"]) + 9)}
    rewrite(copy, "visits.csv", [*visits, added])
    assert differing(copy) == ["needs whose visits say otherwise"]


def test_hours_that_were_altered_are_noticed(copy: Path) -> None:
    shifts = rows(copy / "shifts.csv")
    next(row for row in shifts if usual(row))["nurse_hours"] = "99"
    rewrite(copy, "shifts.csv", shifts)
    assert differing(copy) == ["today: interruptions per nurse-hour", ON_ALL, RATE_SAID]


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
        ({"headline": said.replace(rate, "0.01 interruptions")}, ["headline has its rate"]),
        ({"headline": said.replace("DOES NOT MEET", "meets")}, ["headline says whether the limit is met"]),
        ({"rows": [before["rows"][0], before["rows"][1] | {"meets": wrong == "yes", "verdict": wrong},
                   *before["rows"][2:]]},
         [f"{before['rows'][1]['name']}: {what}" for what in ("limit is met", "verdict")]),
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
    calls.write_text(calls.read_text().replace(",draw,", ",drew,", 1))
    with pytest.raises(BadStudy, match=r"'draw'. Is missing in the report or in a table"):
        check.check(copy)
