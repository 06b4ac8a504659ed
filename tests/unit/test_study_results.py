"""Results: the same for any number of workers and after a break, with uncertainty, and a choice with its reasons."""

import csv
import io
from pathlib import Path

import msgspec
import numpy as np
import pytest

from quietward.contracts.notice import NOTICE
from quietward.study import cases, report, report_page, result, run, what_if
from quietward.study.result import VariantRow
from quietward.study.run import Result
from tests.studies import measured_shifts, run_study, small


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("study")


@pytest.fixture(scope="module")
def found(folder: Path) -> Result:
    return run_study(small(), folder, workers=2)


@pytest.fixture(scope="module")
def rows(found: Result) -> list[VariantRow]:
    return result.summarize(found, draws=200)


def test_workers_and_a_break_change_nothing(found: Result, folder: Path, tmp_path: Path) -> None:
    for path in folder.glob("*.npz"):  # the measures are there, the shifts are not
        (tmp_path / path.name).write_bytes(path.read_bytes())
    for path in folder.glob("*.truth.json"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    again = run_study(small(), tmp_path)
    assert (again.with_staff, again.unanswered, again.ppv) == (found.with_staff, found.unanswered, found.ppv)
    before = {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
    steps: list[tuple[int, int]] = []
    groups = cases.group_cases(small().study)
    resumed = run.run(small(), groups, tmp_path, workers=2, moved=lambda done, total: steps.append((done, total)))
    assert resumed.with_staff == found.with_staff
    assert {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()} == before
    assert [done for done, _ in steps] == list(range(1, steps[0][1] + 1))


def test_calls_are_what_their_alone_says(rows: list[VariantRow], found: Result) -> None:
    for row, shifts in zip(rows, found.with_staff, strict=True):
        calls = sum(t.count for s in shifts for t in s.calls)
        assert row.calls_per_bed_hour["all"].value == pytest.approx(calls / (2 * 8 * 0.6))
        assert sum(of.calls for of in row.reasons) == calls
        for level in ("look", "bedside", "team"):
            own = [of for of in row.reasons if of.level == level]
            for of_all, each in (
                (row.calls_per_bed_hour[level], [of.per_bed_hour for of in own]),
                (row.interruptions_by_level[level], [of.per_nurse_hour for of in own]),
            ):
                assert of_all.value == pytest.approx(sum(e.value or 0.0 for e in each))
        per_nurse_hour = sum(s.interruptions for s in shifts) / sum(s.nurse_hours for s in shifts)
        assert sum(e.value or 0.0 for e in row.interruptions_by_level.values()) == pytest.approx(per_nurse_hour)
        assert row.needs == sum(e.level == "team" for s in shifts for e in s.episodes)


def test_an_eager_alarm_interrupts_more(rows: list[VariantRow]) -> None:
    rate = {row.name: row.interruptions_per_nurse_hour.value or 0.0 for row in rows}
    assert rate["at once"] > rate["for 14 s"] > rate["today"] > 0
    today = next(row for row in rows if row.name == "today")
    assert (today.interruptions_against_today.value, today.late_against_today.value) == (0, 0)


def test_the_truth_lies_within_what_the_draws_say(rows: list[VariantRow]) -> None:
    for row in rows:
        for e in (row.interruptions_per_nurse_hour, row.late, row.calls_per_bed_hour["all"]):
            assert e.value is not None
            assert e.low is not None
            assert e.high is not None
            assert e.low <= e.value <= e.high


def test_uncertainty_is_that_of_the_mean_of_the_shifts() -> None:
    """For a mean of many the 95 % of a bootstrap are those of the normal distribution (Efron 1979)."""
    rng = np.random.default_rng(1)
    values = rng.gamma(2.0, 3.0, 400)
    drawn = rng.multinomial(400, np.full(400, 1 / 400), 4000)
    e = result.estimate(np.concatenate([[values.mean()], drawn @ values / 400]))
    half = 1.96 * values.std(ddof=1) / 20
    assert e.value == pytest.approx(values.mean())
    assert [e.low, e.high] == pytest.approx([values.mean() - half, values.mean() + half], rel=0.03)


def test_nothing_beats_what_is_on_the_front() -> None:
    points = [(1.0, 0.5), (2.0, 0.2), (2.0, 0.3), (3.0, 0.2), (0.5, 0.9), (4.0, 0.0), (9.0, float("nan"))]
    assert result.front(points) == [True, True, False, False, True, True, False]


def test_the_choice_meets_the_limit_and_is_the_least_late_then_the_quietest(rows: list[VariantRow]) -> None:
    best = result.choose(rows)
    meeting = [row for row in rows if row.meets and row.kind == result.POLICY]
    if best is None:
        assert not meeting
        return
    assert best.meets
    key = (best.late.value, best.interruptions_per_nurse_hour.value)
    assert all((r.late.value, r.interruptions_per_nurse_hour.value) >= key for r in meeting)


def test_where_nothing_meets_the_limit_that_is_said(found: Result, rows: list[VariantRow]) -> None:
    none = [msgspec.structs.replace(row, meets=False) for row in rows]
    full = report.full_report(found, none, "quietward study x")
    assert full.chosen is None
    assert "None of the variants meets this limit" in report_page.render(found, full)


def test_names_in_the_report_are_text_and_no_markup(found: Result, rows: list[VariantRow]) -> None:
    renamed = [msgspec.structs.replace(row, name=f"<b>{row.name}</b>") if row.numbers else row for row in rows]
    full = report.full_report(found, renamed, "quietward study '<i>x</i>'")
    page = report_page.render(found, msgspec.structs.replace(full, chosen=None))
    assert "<b>" not in page
    assert "<i>" not in page
    assert "quietward study &#39;&lt;i&gt;x&lt;/i&gt;&#39;" in page


def test_the_report_says_what_it_is_and_how_it_is_made_again(
    found: Result, rows: list[VariantRow], tmp_path: Path
) -> None:
    full = report.full_report(found, rows, "quietward study for-tests --out x")
    paths = {path.name: path for path in report.write(tmp_path, full, report_page.render(found, full))}
    page = paths["report.html"].read_text()
    for text in (NOTICE, "quietward study for-tests --out x", "ISA-18.2", "Görges", *(row.name for row in rows)):
        assert text in page, text
    assert "http" not in page.replace("http://www.w3.org", "").replace("http://purl.org", "").replace(
        "http://creativecommons.org", ""
    ).replace("https://matplotlib.org", "")
    assert msgspec.json.decode(paths["report.json"].read_bytes(), type=report.FullReport).rows == rows
    lines = list(csv.DictReader(io.StringIO(paths["variants.csv"].read_text())))
    assert [line["variant"] for line in lines] == [row.name for row in rows]
    assert float(lines[1]["long-fall.limit"]) == 60


def test_what_would_have_been_is_there_for_every_number(tmp_path: Path) -> None:
    found = what_if.build_what_if(small(), measured_shifts())
    assert [s.key for s in found.sliders] == ["long-fall.limit", "concern-raised.hold_s", "escalation.look_after_s"]
    for slider in found.sliders:
        values = [p.value for p in slider.positions]
        assert slider.today in values
        assert values == sorted(values)
    today = [next(p for p in s.positions if p.value == s.today) for s in found.sliders]
    assert all(p.flags == today[0].flags for p in today)
    assert today[0].flags
    falls = [sum(p.calls.values()) for p in found.sliders[0].positions]
    assert falls[0] >= falls[-1]
    path = what_if.write(tmp_path, found)
    assert msgspec.json.decode(path.read_bytes(), type=what_if.WhatIf) == found
