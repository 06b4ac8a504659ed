"""What a study may watch: shifts, scenarios side by side, and recordings with and without their truth."""

from pathlib import Path

import msgspec
import numpy as np
import pytest

from quietward.contracts.errors import BadRecording, BadStudy
from quietward.contracts.fields import HZ
from quietward.recordings.files import read_recording, write_recording
from quietward.recordings.recording import LabourContext
from quietward.simulator import output, scenario, service, shift
from quietward.study import cases, report, report_page, result, truth, what_if
from quietward.study.simulation import simulate_shifts
from tests.studies import run_study, small


def test_scenarios_lie_side_by_side(tmp_path: Path) -> None:
    plan = small(
        cases=[{"scenarios": ["calm", "cord-not-recovering"], "hours": 0.5, "seeds": [3, 4]}], alarm=[], vary=[]
    )
    (group,) = cases.group_cases(plan.study)
    found = cases.measure_shifts(group, plan.rules, tmp_path)
    assert found.cases[0].names == ["calm", "cord-not-recovering"]
    assert [bool(t and t.needs) for t in found.truth] == [False, True] * 2
    assert found.beds == 2
    ((one, other),) = simulate_shifts(found, plan.variants, None)
    assert one.bed_hours == other.bed_hours == 1.0
    assert {e.bed for e in one.episodes} == {1}
    assert sum(t.count for t in one.calls if t.true_positive) > 0


@pytest.mark.parametrize(
    ("first", "second", "says"),
    [
        ({"shift": "two-at-once", "seeds": [1, 4]}, {"shift": "two-at-once", "seeds": [4, 6], "hours": 1},
         "cases[1].seeds: [4, 6]. Are those of cases[0], of the same kind (two-at-once)"),
        ({"scenarios": ["calm"], "seeds": [1, 9]}, {"scenarios": ["cord-not-recovering"], "seeds": [2, 3]},
         "of the same kind (scenarios); give other seeds"),
        ({"recordings": "a/night"}, {"recordings": "b/night"}, "cases[1]: 'night'. Has the name of cases[0]"),
    ],
)  # fmt: skip
def test_shifts_that_nothing_tells_apart_are_refused(
    first: dict[str, object], second: dict[str, object], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Their needs and calls were added up under one key by `--check`, which then found the report wrong."""
    monkeypatch.chdir(tmp_path)
    for folder in ("a/night", "b/night"):
        (tmp_path / folder).mkdir(parents=True)
        write_recording(tmp_path / folder / "r.csv", np.full(8, 140.0), np.full(8, 10.0))
    with pytest.raises(BadStudy) as caught:
        small(cases=[{"hours": 0.5} | first, {"hours": 0.5} | second], alarm=[], vary=[])
    assert says in str(caught.value)
    if "seeds" in second:
        small(cases=[{"hours": 0.5} | first, {"hours": 0.5} | second | {"seeds": [10, 12]}], alarm=[], vary=[])


@pytest.mark.parametrize("case", [{"shift": "twins"}, {"scenarios": ["calm", "twins-second-late"]}])
def test_twins_are_refused_since_only_the_first_is_watched(case: dict[str, object]) -> None:
    with pytest.raises(BadStudy, match="Is of twins; a study watches the first alone"):
        small(cases=[{"hours": 0.5, "seeds": [1, 2]} | case], alarm=[], vary=[])


def test_recordings_of_twins_are_passed_over(tmp_path: Path) -> None:
    flat, told = np.full(8, 140.0), list[str]()
    write_recording(tmp_path / "one.csv", flat, flat)
    write_recording(tmp_path / "two.csv", flat, flat, fhr2=flat)
    plan = small(cases=[{"recordings": str(tmp_path), "hours": 0.5, "beds": 3}], alarm=[], vary=[])
    ((case,),) = cases.group_cases(plan.study, lambda error: told.append(str(error)))
    assert case.names == ["one"]
    assert len(told) == 1
    assert "two.csv: 'FHR2'. Is of twins" in told[0]


def test_measures_are_kept_under_all_code_that_made_them() -> None:
    """A folder that was used again gave figures of before a change in any of these."""
    names = {source.name for source in cases._code_files()}
    assert names >= {"cases.py", "definitions.py", "evaluations.py", "truth.py", "senml_files.py", "tables.py"}
    assert names >= {"physiology.toml", "responses.toml", "bed.py", "engine.py"}


def test_a_seed_means_the_same_night_as_in_simulate(tmp_path: Path) -> None:
    """`quietward simulate --shift NAME --seed N --out` writes what shift N of a study is made of."""
    plan = small(cases=[{"shift": "emergency-night", "hours": 8, "seeds": [5, 6]}], alarm=[], vary=[])
    ((case, _),) = cases.group_cases(plan.study)
    orders = service.orders(shift.chosen([], "emergency-night", None, seed=5), 5, 8 * 3600)
    struck = case.emergencies[0].bed
    for bed in {struck, (struck + 1) % 12}:
        found = cases.simulate_bed(case, bed)
        (path, truth_path) = output.write(tmp_path, [orders[bed]], ".csv")
        assert np.allclose(found.fhr, read_recording(path).fhr, atol=0.01, equal_nan=True)
        assert found.truth is not None
        assert len(truth.read(truth_path).needs) == len(found.truth.needs)
    assert case.what(struck, case.emergencies[0].at_s + 1) == case.emergencies[0].kind


def test_how_often_emergencies_come_is_a_setting() -> None:
    rare = small(
        cases=[{"shift": "emergency-night", "hours": 8, "seeds": [1, 300], "emergencies_per_shift": 0.01}], alarm=[],
        vary=[],
    )  # fmt: skip
    nights = [case for group in cases.group_cases(rare.study) for case in group]
    assert 1 <= sum(len(night.emergencies) for night in nights) <= 8
    with pytest.raises(BadStudy, match=r"emergencies_per_shift: 1.*Name a shift that has emergencies"):
        small(cases=[{"shift": "night-shift", "hours": 8, "seeds": [1, 2], "emergencies_per_shift": 1}])


@pytest.mark.parametrize("suffix", [".csv", ".senml.json"])
def test_recordings_end_when_they_end_and_bring_their_truth(tmp_path: Path, suffix: str) -> None:
    folder = tmp_path / "recorded"
    output.write(folder, [output.RecordingOrder("a-fall", scenario.load("cord-not-recovering"), 5, 2400)], suffix)
    quiet = np.full(900 * HZ, 140.0) + np.sin(np.arange(900 * HZ) / 8) * 5
    write_recording(folder / "b-short.csv", quiet, np.full(900 * HZ, 10.0))
    write_recording(folder / "c-short.csv", quiet, np.full(900 * HZ, 10.0))
    plan = small(cases=[{"recordings": str(folder), "hours": 0.5, "beds": 2}], alarm=[], vary=[])
    both, alone = cases.group_cases(plan.study)
    found = cases.measure_shifts(both, plan.rules, tmp_path / "done")
    assert found.cases[0].names == ["a-fall", "b-short"]
    assert [t and bool(t.needs) for t in found.truth] == [True, None]
    assert found.seconds.tolist() == [1800, 900]
    assert found.evaluations.second[found.evaluations.bed == 1].max() < 900
    ((shift,),) = simulate_shifts(found, plan.variants, None)
    assert shift.bed_hours == pytest.approx(0.75)
    assert {e.bed for e in shift.episodes} == {0}
    again = cases.measure_shifts(both, plan.rules, tmp_path / "done")
    assert again.seconds.tolist() == [1800, 900]
    assert np.array_equal(again.fhr, found.fhr, equal_nan=True)
    assert cases.measure_shifts(alone, plan.rules, tmp_path / "done").beds == 1


def test_what_recordings_say_of_the_labour_counts_where_the_truth_is_silent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "recorded"
    folder.mkdir()
    flat = np.full(900 * HZ, 140.0)
    for name in ("a", "b", "c"):
        write_recording(folder / f"{name}.csv", flat, flat * 0, labour=LabourContext(31, 300))
    (folder / "b.truth.json").write_text('{"needs": [], "states": [], "artefacts": [], "weeks": 35}')
    (folder / "c.truth.json").write_text('{"needs": [], "states": [], "artefacts": [], "second_stage_from_s": 60}')
    plan = small(cases=[{"recordings": str(folder), "hours": 0.5, "beds": 3}], alarm=[], vary=[])
    (group,) = cases.group_cases(plan.study)
    heard: list[tuple[object, object]] = []

    def evaluate(fhr: object, ua: object, stage: object, weeks: object, *_: object) -> object:
        heard.append((stage, weeks))
        raise StopIteration

    monkeypatch.setattr(cases, "evaluate_beds", evaluate)
    with pytest.raises(StopIteration):
        cases.measure_shifts(group, plan.rules, tmp_path / "done")
    assert heard == [([300, 300, 60], [31, 35, 31])]


def test_what_is_not_known_of_recordings_is_not_said(tmp_path: Path) -> None:
    folder = tmp_path / "recorded"
    folder.mkdir()
    fhr = np.full(1800 * HZ, 140.0) + np.sin(np.arange(1800 * HZ) / 8) * 5
    fhr[600 * HZ : 1200 * HZ] -= 70
    write_recording(folder / "a-fall.csv", fhr, np.full(1800 * HZ, 10.0))
    alarm = {"kind": "fixed-limits", "name": "at once", "low_bpm": 110, "high_bpm": 160, "for_s": 0}
    plan = small(cases=[{"recordings": str(folder), "hours": 0.5, "beds": 1}], alarm=[alarm], vary=[])
    found = run_study(plan, tmp_path / "done")
    summary = result.summarize(found, draws=50)
    rows = summary.rows
    assert found.ppv == [[{}], [{}]]
    for row in rows:
        assert row.calls_per_bed_hour["all"].value
        assert row.interruptions_per_nurse_hour.value
        assert [e.value for e in row.ppv.values()] == [None] * 3
        assert (row.needs, row.late.value, row.meets) == (0, None, False)
    page = report_page.render(summary.reported, report.full_report(found, summary, "quietward study x"))
    assert "1 shift of recordings side by side" in page
    assert "nothing can be said of what is late" in page
    assert "never</td>" not in page
    assert "what they stood for is not known here" in page


def recordings(folder: Path, minutes: list[int], suffix: str = ".csv") -> None:
    """Write recordings of these lengths, each with a fall after five minutes."""
    folder.mkdir()
    for i, length in enumerate(minutes):
        fhr = np.full(length * 60 * HZ, 140.0) + np.sin(np.arange(length * 60 * HZ) / 8) * 5
        fhr[300 * HZ : 720 * HZ] -= 70
        write_recording(folder / f"r{i}{suffix}", fhr, np.full(len(fhr), 10.0))


def test_nurses_are_counted_while_their_recordings_last(tmp_path: Path) -> None:
    """The same recordings give the same figures, however long a shift is allowed to be."""
    recordings(tmp_path / "recorded", [20, 25, 30, 20, 15])
    rates = []
    for hours in (0.5, 2, 8):
        plan = small(cases=[{"recordings": str(tmp_path / "recorded"), "hours": hours, "beds": 5}], alarm=[], vary=[])
        found = run_study(plan, tmp_path / "done")
        (row,) = result.summarize(found, draws=50).rows
        ((shift,),) = found.with_staff
        rates.append((row.interruptions_per_nurse_hour, row.per_10_min, row.flood_share, row.stale))
        # two nurses: beds 1, 3 and 5, and beds 2 and 4
        assert shift.nurse_hours == pytest.approx((30 + 25) / 60)
    assert rates[0] == rates[1] == rates[2]
    assert rates[0][0].value


@pytest.mark.parametrize("suffix", [".csv", ".fhir.json"])
def test_a_truth_that_is_added_is_read_in_a_folder_that_was_used_before(tmp_path: Path, suffix: str) -> None:
    recordings(tmp_path / "recorded", [20], suffix)
    plan = small(cases=[{"recordings": str(tmp_path / "recorded"), "hours": 0.5, "beds": 1}], alarm=[], vary=[])
    (row,) = result.summarize(run_study(plan, tmp_path / "done"), draws=50).rows
    assert row.needs == 0
    path = tmp_path / "recorded" / "r0.truth.json"
    known = {"needs": [{"what": "team", "from_s": 400, "until_s": 720}], "states": [], "artefacts": []}
    path.write_bytes(msgspec.json.encode(known))
    (row,) = result.summarize(run_study(plan, tmp_path / "done"), draws=50).rows
    assert row.needs == 1
    known["needs"].append({"what": "team", "from_s": 900, "until_s": 1000})
    path.write_bytes(msgspec.json.encode(known))
    (row,) = result.summarize(run_study(plan, tmp_path / "done"), draws=50).rows
    assert row.needs == 2


NEED = '{"what": "team", "from_s": 400, "until_s": 720}'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('{"needs": []}', r"r0.truth.json: states: None. Is missing; give a list, empty where there were none"),
        ("{", r"r0.truth.json: .*Is not JSON"),
        ('{"needs": [{"what": "team"}], "states": [], "artefacts": []}', r"needs\[0\].from_s: None. Is missing"),
        ('{"needs": 3, "states": [], "artefacts": []}', r"r0.truth.json: needs: 3. "),
        (f'{{"needs": [{NEED.replace("team", "taem")}], "states": [], "artefacts": []}}',
         r"needs\[0\].what: 'taem'. Use bedside or team; did you mean 'team'\?"),
        (f'{{"needs": [{NEED.replace("720", "20")}], "states": [], "artefacts": []}}',
         r"needs\[0\].until_s: 20.*after from_s, 400"),
    ],
)  # fmt: skip
def test_a_truth_that_is_wrong_is_one_line_that_names_file_field_and_remedy(
    text: str, says: str, tmp_path: Path
) -> None:
    recordings(tmp_path / "recorded", [1])
    (tmp_path / "recorded" / "r0.truth.json").write_text(text)
    with pytest.raises(BadRecording, match=says):
        truth.read(tmp_path / "recorded" / "r0.truth.json")


def test_a_folder_without_recordings_is_refused(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(BadStudy, match=r"cases\[0\].recordings: .*empty.*Holds no recording.*\.hea, \.csv"):
        small(cases=[{"recordings": str(tmp_path / "empty"), "hours": 0.5}])


def test_folders_are_read_with_theirs_and_bad_files_are_told_and_passed_over(tmp_path: Path) -> None:
    recordings(tmp_path / "recorded", [5])
    recordings(tmp_path / "recorded" / "night", [5, 5])
    (tmp_path / "recorded" / "a-broken.csv").write_text("t_s,fhr,ua\n0,fast,1\n")
    (tmp_path / "recorded" / "night" / "r1.truth.json").write_text("{")
    plan = small(cases=[{"recordings": str(tmp_path / "recorded"), "hours": 0.5, "beds": 5}], alarm=[], vary=[])
    told: list[str] = []
    ((case,),) = cases.group_cases(plan.study, lambda error: told.append(str(error)))
    assert [Path(path).relative_to(tmp_path / "recorded") for path in case.recordings] == [
        Path("night/r0.csv"), Path("r0.csv"),
    ]  # fmt: skip
    assert case.bed_s == [300, 300]
    assert len(told) == 2
    assert "a-broken.csv line 2: 'fast'" in told[0]
    assert "r1.truth.json" in told[1]
    assert run_study(plan, tmp_path / "done").with_staff[0][0].bed_hours == pytest.approx(1 / 6)
    shown = what_if.build_from_study(plan, case)
    assert shown.about.startswith("2 recordings of recorded side by side, 0.5 h at most, nobody answering.")


def test_a_folder_in_which_nothing_can_be_read_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("t_s,fhr,ua\n0,fast,1\n")
    plan = small(cases=[{"recordings": str(tmp_path), "hours": 0.5}], alarm=[], vary=[])
    with pytest.raises(BadStudy, match=r"recordings: .*None of its 1 recordings can be read"):
        cases.group_cases(plan.study)
