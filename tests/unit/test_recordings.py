"""Recordings: what is read is what wfdb reads; what cannot be read is said in one line."""

import json
import subprocess
import sys
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

import edfio
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import wfdb

from quietward.contracts.errors import BadRecording
from quietward.recordings import FORMATS, SUFFIXES, format_of, wfdb_record
from quietward.recordings.files import files_of, find_recordings, read_recording, write_recording
from quietward.recordings.recording import Annotation, LabourContext, Recording
from tests.conftest import record

HEAD = "t_s,fhr,ua\n"


def csv(folder: Path, text: str) -> Path:
    path = folder / "r.csv"
    path.write_text(text)
    return path


def test_wfdb_is_read_as_by_the_reference_library() -> None:
    """Reference: wfdb.rdrecord on an open CTU-UHB record; a stored 0 of the FHR means no value (its README)."""
    path = record("1001")
    ours, theirs = read_recording(path), wfdb.rdrecord(str(path.with_suffix(""))).p_signal
    there = theirs[:, 0] > 0
    np.testing.assert_array_equal(ours.fhr[there], theirs[there, 0])
    assert np.isnan(ours.fhr[~there]).all()
    np.testing.assert_array_equal(ours.ua, theirs[:, 1])
    assert ours.seconds == 4800


def test_csv_keeps_what_was_written(tmp_path: Path) -> None:
    fhr, ua = np.array([140.25, np.nan, 141, 142, 143]), np.array([1, 2, np.nan, 4, 5.5])
    write_recording(tmp_path / "x.csv", fhr, ua)
    found = read_recording(tmp_path / "x.csv")
    np.testing.assert_array_equal(found.fhr, fhr)
    np.testing.assert_array_equal(found.ua, ua)
    by_second, _ = found.by_second()
    assert by_second.shape == (2, 4)
    assert np.isnan(by_second[1, 1:]).all()


@pytest.mark.parametrize(("hz", "n"), [(1, 40), (2, 20), (8, 5)])
def test_other_rates_are_brought_to_4_hz_and_said(tmp_path: Path, hz: int, n: int) -> None:
    rows = "".join(f"{i / hz},{140 + i},5\n" for i in range(10))
    found = read_recording(csv(tmp_path, HEAD + rows))
    assert len(found.fhr) == n
    assert f"{hz} Hz" in found.note


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "first line must name"),
        ("when,fhr,ua\n0,140,5\n", "no column for the time"),
        ("t_s,pulse,ua\n0,140,5\n", "no column for the FHR"),
        ("t_s,fhr (dpm),ua\n0,140,5\n", "dpm.*no known unit of FHR.*did you mean 'bpm'"),
        ("time,fhr,ua\n2026-03-01T14:00,140,5\nlater,140,5\n", "line 3: 'later'. Needs a time"),
        (HEAD, "no sample"),
        (HEAD + "0,1420,5\n0.25,1420,5\n", "beats per minute"),
        (HEAD + "0,140,5\n0.25,fast,5\n", "needs a number"),
        (HEAD + "0,140\n", "Needs 3 cells"),
        (HEAD + "0,140,5\n0,140,5\n", "grow"),
        (HEAD + ",140,5\n0.25,140,5\n", "grow"),
        (HEAD + "0,140,5\n0.25,140,5\n0.5,140,5\n9.1,140,5\n", "line 5: '9.1'. Times must be multiples of 0.25 s"),
        (HEAD + "0,140,5\n0.25,140,5\n0.5,140,5\n9e9,140,5\n", "line 5.*Is longer than"),
        (HEAD + "0,140,5\n0.1,140,5\n", "Resample to 4 Hz"),
    ],
)
def test_what_cannot_be_read(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(BadRecording, match=says) as caught:
        read_recording(csv(tmp_path, text))
    assert "r.csv" in str(caught.value)


def test_files_that_are_no_recordings(tmp_path: Path) -> None:
    (tmp_path / "x.hea").write_text("nonsense")
    for path in (tmp_path / "x.hea", tmp_path / "none.hea", tmp_path / "x.txt"):
        with pytest.raises(BadRecording):
            read_recording(path)


def test_one_sample_and_all_missing_are_recordings(tmp_path: Path) -> None:
    assert read_recording(csv(tmp_path, HEAD + "0,140,5\n")).seconds == 1
    assert np.isnan(read_recording(csv(tmp_path, HEAD + "0,,\n0.25,0,\n")).fhr).all()


def test_a_folder_stands_for_its_recordings(tmp_path: Path) -> None:
    csv(tmp_path, HEAD + "0,140,5\n")
    (tmp_path / "notes.csv").write_text("not,ours\n")
    (tmp_path / "a.hea").write_text("")
    below = tmp_path / "night" / "two"
    below.mkdir(parents=True)
    csv(below, HEAD + "0,140,5\n")
    found = [str(p.relative_to(tmp_path)) for p in find_recordings([tmp_path])]
    assert found == ["a.hea", "night/two/r.csv", "r.csv"]


def test_every_format_is_registered_once_and_described() -> None:
    modules = {Path(entry.name).stem for entry in files("quietward.recordings").iterdir() if "_files." in entry.name}
    assert {one.module for one in FORMATS} == modules
    assert len(set(SUFFIXES)) == len(SUFFIXES)
    page = (Path(__file__).parents[2] / "docs" / "recordings.md").read_text()
    for suffix in SUFFIXES:
        assert f"`{suffix}`" in page, suffix


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_every_format_reads_what_it_writes(suffix: str, tmp_path: Path) -> None:
    fhr, ua = np.array([140.25, np.nan, 141, 142]), np.array([1, 2, np.nan, 4.5])
    path = tmp_path / f"r{suffix}"
    write_recording(path, fhr, ua)
    found = format_of(path)
    assert found is not None
    assert found.load().is_recording(path)
    recording = read_recording(path)
    np.testing.assert_array_equal(recording.fhr, fhr)
    np.testing.assert_array_equal(recording.ua, ua)
    assert find_recordings([tmp_path / "r"]) == [path]


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_second_heart_rate_is_written_and_read_in_every_format(suffix: str, tmp_path: Path) -> None:
    fhr, ua, fhr2 = np.full(8, 140.25), np.full(8, 10.0), np.array([150, np.nan, 151.5, 152, 153, np.nan, 155, np.nan])
    write_recording(tmp_path / f"r{suffix}", fhr, ua, fhr2=fhr2)
    recording = read_recording(tmp_path / f"r{suffix}")
    np.testing.assert_array_equal(recording.fhr, fhr)
    np.testing.assert_array_equal(recording.fhr2, fhr2)
    assert recording.note == ""
    with pytest.raises(BadRecording, match="both twins"):
        write_recording(tmp_path / f"other{suffix}", fhr, ua, fhr2=fhr2[1:])


def test_a_second_channel_without_a_value_is_no_second_twin(tmp_path: Path) -> None:
    found = read_text(tmp_path, "t_s,fhr1,fhr2,ua\n0,140,0,5\n0.25,141,,5\n")
    assert found.fhr2 is None
    found = read_text(tmp_path, "t_s,fhr1,fhr2 (Hz),ua\n0,140,0,5\n1,141,2.5,5\n")
    np.testing.assert_array_equal(found.fhr2, [np.nan] * 4 + [150] * 4)
    with pytest.raises(BadRecording, match="beats per minute"):
        read_text(tmp_path, "t_s,fhr,fhr2,ua\n0,140,1500,5\n0.25,141,,5\n")


def test_the_list_of_formats_loads_none_of_their_libraries(tmp_path: Path) -> None:
    path = csv(tmp_path, HEAD + "0,140,5\n")
    loaded = "print([m for m in ('wfdb', 'pandas', 'numpy') if m in sys.modules])\n"
    code = (
        f"import sys\nfrom pathlib import Path\nimport quietward.recordings, quietward.cli\n{loaded}"
        f"from quietward.recordings.files import read_recording\nread_recording(Path({str(path)!r}))\n{loaded}"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.splitlines() == ["[]", "['numpy']"]


def read_text(folder: Path, text: str) -> Recording:
    return read_recording(csv(folder, text))


@pytest.mark.parametrize(
    "text",
    [
        "ua,t_s,fhr\n5,0,140\n6,0.25,\n7,0.5,142\n",
        "Time (s),Fetal Heart Rate [bpm],TOCO (mmHg)\n0,140,5\n0.25,,6\n0.5,142,7\n",
        "time_ms;FHR1;UC\n0;140,0;5\n250;;6,0\n500;142;7\n",
        "t\tfhr_hz\tuterine-activity\n10\t2.3333333333\t5\n10.25\t\t6\n10.5\t2.3666666667\t7\n",
        "timestamp,fhr,ua\n2026-03-01T14:00:00+01:00,140,5\n2026-03-01T13:00:00.25Z,,6\n2026-03-01 13:00:00.5,142,7\n",
        "\ufefft_s,fhr,ua\r\n0,140,5\r\n0.249,,6\r\n0.501,142,7\r\n",
    ],
    ids=["order", "words and units", "semicolons", "tabs", "ISO times", "rounded times"],
)
def test_tables_of_others_are_read(tmp_path: Path, text: str) -> None:
    found = read_text(tmp_path, text)
    np.testing.assert_allclose(found.fhr, [140, np.nan, 142], rtol=1e-9)
    np.testing.assert_array_equal(found.ua, [5, 6, 7])
    assert found.note == ""
    assert (found.began == datetime(2026, 3, 1, 13, tzinfo=UTC)) == ("timestamp" in text)


def test_the_rates_of_twins_may_be_numbered(tmp_path: Path) -> None:
    for head in ("t_s,FHR_1,FHR_2,ua", "t_s,FHR 1 [bpm],FHR 2 [bpm],ua", "t_s,fhr-1_bpm,fhr-2_bpm,ua_1"):
        found = read_text(tmp_path, f"{head}\n0,140,150,5\n0.25,141,151,5\n")
        assert found.fhr2 is not None
        assert (found.fhr.tolist(), found.fhr2.tolist(), found.ua.tolist()) == ([140, 141], [150, 151], [5, 5])
        assert found.note == ""


def test_what_reading_leaves_out_or_fills_is_said(tmp_path: Path) -> None:
    text = "t_s,mhr,fhr,fetal heart rate,\n0,80,140,1,\n1,80,140,1,\n5,80,142,1,\n6,80,142,1,\n"
    found = read_text(tmp_path, text)
    assert found.note == (
        "left out: mhr, fetal heart rate; no UA; 3 s in gaps have no value; 1 Hz brought to 4 Hz by holding values"
    )
    np.testing.assert_array_equal(found.fhr[::4], [140, 140, np.nan, np.nan, np.nan, 142, 142])
    assert np.isnan(found.ua).all()


@pytest.mark.parametrize(
    ("step_s", "note"),
    [
        (0.26, "10 s in gaps have no value"),
        (0.24, "40 rows less than 0.25 s after another are left out"),
        (0.125, "8 Hz"),
    ],
)
def test_a_row_is_where_its_time_says_however_long_it_goes_on(tmp_path: Path, step_s: float, note: str) -> None:
    """A clock that goes a little wrong moved what came after 1000 s by 40 s, and nothing was said."""
    rows = [f"{i * step_s:.3f},{100 + i % 100},5\n" for i in range(1001)]
    found = read_text(tmp_path, HEAD + "".join(rows))
    assert len(found.fhr) == pytest.approx(1000 * step_s * 4, abs=1)
    there = np.flatnonzero(~np.isnan(found.fhr))
    at = np.round(there / 4 / step_s)
    assert (np.abs(there / 4 - at * step_s) <= 0.125).all()
    assert np.mean(found.fhr[there] == 100 + at % 100) > 0.95
    assert note in found.note


@pytest.mark.parametrize("hz", [3.97, 4.03])
def test_a_rate_that_is_nearly_ours_moves_nothing(tmp_path: Path, hz: float) -> None:
    """Ten minutes at 3.97 Hz were read as 9:55, and nothing was said."""
    n = round(600 * hz)
    signal = observation(interval=1 / hz, data=" ".join(str(i) for i in range(40)) + " 0" * (n - 80) + " 60" * 40)
    (tmp_path / "r.fhir.json").write_text(signal)
    found = read_recording(tmp_path / "r.fhir.json")
    assert len(found.fhr) == 2400
    assert np.flatnonzero(found.fhr == 160)[0] / 4 == pytest.approx((n - 40) / hz, abs=0.25)
    assert f"{hz} Hz brought to 4 Hz" in found.note


def test_a_table_that_is_no_recording_is_passed_over_in_folders(tmp_path: Path) -> None:
    (tmp_path / "no.csv").write_text("mother,fhr\n1,2\n")
    (tmp_path / "empty.csv").write_text("")
    (tmp_path / "yes.csv").write_text("Time [s];FHR\n0;140\n")
    (tmp_path / "other.json").write_text('{"resourceType": "Bundle"}')
    (tmp_path / "study.fhir.json").write_text("{}")
    (tmp_path / "other.senml.json").write_text("{}")
    (tmp_path / "binary.csv").write_bytes(bytes(range(256)))
    (tmp_path / "no.edf").write_text("BIOSEMI")
    (tmp_path / "wrong-unit.csv").write_text("t_s,fhr (dpm)\n0,140\n")
    assert [path.name for path in find_recordings([tmp_path])] == ["wrong-unit.csv", "yes.csv"]


def test_a_record_without_uterine_activity_is_read_and_what_is_left_out_is_said(tmp_path: Path) -> None:
    values = np.full((8, 2), [140.0, 80.0])
    wfdb_record.write(tmp_path / "r.hea", ["FHR", "MHR"], ["bpm", "bpm"], values, 4, 100)
    found = read_recording(tmp_path / "r.hea")
    assert found.note == "left out: MHR; no UA"
    assert np.isnan(found.ua).all()


def test_the_open_records_say_when_the_second_stage_begins() -> None:
    """`#Pos. II.st. 14400` (samples of 4 Hz) and `#Gest. weeks 37` in the header of 1001."""
    assert read_recording(record("1001")).labour == LabourContext(37, 3600)


@pytest.mark.parametrize(
    ("comments", "labour"),
    [
        ("#Pos. II.st.  -1\n#Gest. weeks  0\n", LabourContext()),
        ("#Pos. II.st.  0\n", LabourContext(0, 0)),
        ("#Gest. weeks  370\n# some words\n", LabourContext()),
    ],
)
def test_what_headers_say_of_the_labour(tmp_path: Path, comments: str, labour: LabourContext) -> None:
    path = tmp_path / "r.hea"
    write_recording(path, np.full(8, 140.0), np.full(8, 10.0))
    path.write_text(path.read_text() + comments)
    assert read_recording(path).labour == labour


def test_the_stage_may_be_a_column(tmp_path: Path) -> None:
    text = "t_s,fhr,ua,stage\n100,140,5,1\n100.25,140,5,\n100.5,140,5,2\n100.75,140,5,2\n"
    assert read_text(tmp_path, text).labour == LabourContext(0, 0.5)
    assert read_text(tmp_path, text.replace(",2", ",1")).labour == LabourContext()
    pq.write_table(pa.table({"t_s": [0.0, 0.25], "fhr": [140, 140], "stage": [1, 2]}), tmp_path / "r.parquet")
    assert read_recording(tmp_path / "r.parquet").labour == LabourContext(0, 0.25)


def test_a_file_beside_it_says_more_of_the_labour(tmp_path: Path) -> None:
    csv(tmp_path, "t_s,fhr,ua,stage\n0,140,5,2\n")
    beside = tmp_path / "r.labour.toml"
    beside.write_text("weeks = 31\n")
    assert read_recording(tmp_path / "r.csv").labour == LabourContext(31, 0)
    beside.write_text("second_stage_from_s = 60\n")
    assert read_recording(tmp_path / "r.csv").labour == LabourContext(0, 60)
    for text, says in (("week = 31", "did you mean 'weeks'"), ("weeks = 99", "weeks: 99"), ("weeks", "Fix the TOML")):
        beside.write_text(text)
        with pytest.raises(BadRecording, match=says):
            read_recording(tmp_path / "r.csv")


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_file_that_somebody_else_wrote_of_the_labour_is_left_alone(suffix: str, tmp_path: Path) -> None:
    flat, beside = np.full(8, 140.0), tmp_path / "r.labour.toml"
    beside.write_text("weeks = 31  # by hand\n")
    write_recording(tmp_path / f"r{suffix}", flat, flat)
    write_recording(tmp_path / f"r{suffix}", flat, flat, labour=LabourContext(31))
    assert beside.read_text() == "weeks = 31  # by hand\n"
    (tmp_path / f"r{suffix}").unlink()
    with pytest.raises(BadRecording, match="Was not written with this recording"):
        write_recording(tmp_path / f"r{suffix}", flat, flat, labour=LabourContext(40))
    assert not (tmp_path / f"r{suffix}").exists()
    assert beside.read_text() == "weeks = 31  # by hand\n"


def test_all_files_that_writing_makes_are_known_before(tmp_path: Path) -> None:
    flat = np.full(8, 140.0)
    for i, suffix in enumerate(SUFFIXES):
        path = tmp_path / str(i) / f"patient 1.2{suffix}"
        path.parent.mkdir()
        write_recording(path, flat, flat, annotations=[Annotation(0, 1, "noted", "a")], labour=LabourContext(30))
        assert sorted(path.parent.iterdir()) == sorted(files_of(path))


def edf(path: Path, *signals: edfio.EdfSignal) -> Path:
    edfio.Edf(signals, data_record_duration=1).write(path)
    return path


def edf_signal(label: str, values: list[float], hz: int, unit: str = "bpm", lowest: float = 0) -> edfio.EdfSignal:
    return edfio.EdfSignal(np.array(values), hz, label=label, physical_dimension=unit, physical_range=(lowest, 300))


def test_edf_of_others(tmp_path: Path) -> None:
    """A signal that cannot be negative has no mark for what is missing; one that can has its lowest number."""
    womb = edf_signal("TOCO", [0, 10, 20, 0], 2, "mmHg")
    found = read_recording(
        edf(tmp_path / "a.EDF", edf_signal("MHR", [80, 80], 1), womb, edf_signal("FHR1", [140] * 4, 2))
    )
    np.testing.assert_allclose(found.ua, np.repeat([0, 10, 20, 0], 2), atol=0.01)
    assert found.note == "left out: MHR; 2 Hz brought to 4 Hz by holding values"
    found = read_recording(edf(tmp_path / "b.edf", edf_signal("FHR", [-5, 140, 140, 140], 4, lowest=-5)))
    assert np.isnan(found.fhr).tolist() == [True, False, False, False]
    assert found.note == "no UA"
    in_hz = edf_signal("FHR", [2.5] * 4, 4, "Hz")
    np.testing.assert_allclose(read_recording(edf(tmp_path / "c.edf", in_hz)).fhr, [150] * 4, atol=0.3)


def test_edf_that_cannot_be_read(tmp_path: Path) -> None:
    path = edf(tmp_path / "a.edf", edf_signal("ECG", [140] * 4, 4))
    with pytest.raises(BadRecording, match="Needs a signal named FHR"):
        read_recording(path)
    path = edf(tmp_path / "a.edf", edf_signal("FHR", [140] * 4, 4), edf_signal("UA", [1, 2], 2, "nd"))
    with pytest.raises(BadRecording, match="must have one rate"):
        read_recording(path)
    path = tmp_path / "b.edf"
    write_recording(path, np.full(8, 140.0), np.full(8, 10.0), annotations=[Annotation(0, None, "noted", "a")])
    path.write_bytes(path.read_bytes().replace(b"EDF+C", b"EDF+D").replace(b"+1\x14\x14", b"+9\x14\x14"))
    with pytest.raises(BadRecording, match="Has interruptions"):
        read_recording(path)
    with pytest.raises(BadRecording, match="EDF\\+ has dates of 1985 to 2084"):
        write_recording(path, np.full(8, 140.0), np.full(8, 10.0), began=datetime(1970, 1, 1, tzinfo=UTC))


def observation(**sampled: object) -> str:
    data = {"origin": {"value": 100}, "interval": 0.25, "intervalUnit": "s", "dimensions": 1, "data": "40 E L 1.5"}
    code = {"coding": [{"system": "http://loinc.org", "code": "55283-6"}]}
    return json.dumps({"resourceType": "Observation", "status": "final", "code": code,
                       "valueSampledData": data | sampled})  # fmt: skip


def test_an_observation_of_others(tmp_path: Path) -> None:
    path = tmp_path / "r.fhir.json"
    path.write_text(observation(factor=2))
    found = read_recording(path)
    np.testing.assert_array_equal(found.fhr, [180, np.nan, np.nan, 103])
    assert found.note == "no UA"


def part(start: str | None, values: str, text: str = "", code: str = "55283-6") -> dict[str, object]:
    one: dict[str, object] = json.loads(observation(data=values, origin={"value": 0}, interval=1))
    one["code"] = {"coding": [{"system": "http://loinc.org", "code": code}] if code else [], "text": text}
    return one | ({} if start is None else {"effectivePeriod": {"start": f"2026-03-01T14:00:{start}Z"}})


def bundle(folder: Path, *parts: dict[str, object]) -> Path:
    path = folder / "r.fhir.json"
    path.write_text(
        json.dumps({"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in parts]})
    )
    return path


def test_observations_of_one_signal_are_joined_by_when_they_begin(tmp_path: Path) -> None:
    """A bundle may have an Observation for every few minutes; only the first was read, and the UA from its start."""
    ua = "Uterine activity"
    heart = part("04", "144 145"), part("01", "141 142"), part("02", "7 8", ua, ""), part("00", "80", "SpO2", "2708-6")
    found = read_recording(bundle(tmp_path, *heart))
    np.testing.assert_array_equal(found.fhr[::4], [141, 142, np.nan, 144, 145])
    np.testing.assert_array_equal(found.ua[::4], [np.nan, 7, 8, np.nan, np.nan])
    assert found.began == datetime(2026, 3, 1, 14, 0, 1, tzinfo=UTC)
    assert found.note == "left out: SpO2; 1 Hz brought to 4 Hz by holding values"
    early = read_recording(bundle(tmp_path, part("04", "144"), part("03", "7 8", ua, "")))
    np.testing.assert_array_equal(early.fhr[::4], [np.nan, 144])
    without = read_recording(bundle(tmp_path, part("04", "144 145"), part(None, "7 8", ua, "")))
    np.testing.assert_array_equal(without.ua[::4], [7, 8])


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ([part("00", "140 141"), part(None, "142")], "2. Holds several Observations of FHR; each must say"),
        ([part("00", "140 141 142 143"), part("01", "150", "fetus B")], "'1 s'. Two Observations overlap; that of a"),
        ([part("00", "140"), part("00", "150") | {"effectivePeriod": {"start": "2027-03-01T14:00:00Z"}}],
         "Is longer than"),
    ],
)  # fmt: skip
def test_observations_that_cannot_be_joined_say_why(tmp_path: Path, parts: list[dict[str, object]], says: str) -> None:
    with pytest.raises(BadRecording) as caught:
        read_recording(bundle(tmp_path, *parts))
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (observation(dimensions=2), "dimensions: 2. Needs 1"),
        (observation(interval=None), "interval: None"),
        (observation(interval=0), "interval: 0.0. Needs a time above 0"),
        (observation(intervalUnit="d"), "intervalUnit: 'd'. Use ms, s"),
        (observation(data="140 x"), "Holds numbers, E, L and U only"),
        (observation().replace("55283-6", "8867-4"), "LOINC code 55283-6"),
        ('{"resourceType": "Bundle", "type": "collection"}', "LOINC code 55283-6"),
        ('{"resourceType": "Patient"}', "Is not a Bundle"),
        ("[", "Is not a Bundle"),
    ],
)
def test_fhir_that_cannot_be_read(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "r.fhir.json"
    path.write_text(text)
    with pytest.raises(BadRecording, match=says):
        read_recording(path)


def senml(tmp_path: Path, *records: dict[str, object]) -> Path:
    path = tmp_path / "r.senml.json"
    path.write_text(json.dumps(records))
    return path


def test_a_senml_pack_of_others_is_read_by_its_names_units_and_times(tmp_path: Path) -> None:
    """Base values hold until the next of their kind, and a time below 2^28 is relative (RFC 8428, 4.1 and 4.5.3)."""
    path = senml(
        tmp_path,
        {"bn": "urn:dev:mac:0024befffe804ff1/", "bt": 1.79e9, "bu": "1/s", "n": "fhr", "v": 2.5},
        {"n": "fhr", "t": 1, "v": 2},
        {"n": "ua", "u": "/", "t": 0, "v": 12},
        {"n": "spo2", "u": "%RH", "v": 97},
        {"n": "fhr", "t": 2, "v": 2},
        {"n": "FHR", "t": 4, "v": 2.25, "unknown": [1]},
    )
    found = read_recording(path)
    assert found.began == datetime.fromtimestamp(1.79e9, UTC)
    np.testing.assert_array_equal(found.fhr[::4], [150, 120, 120, np.nan, 135])
    np.testing.assert_array_equal(found.ua[::4], [12, *[np.nan] * 4])


def test_a_base_value_is_added_until_the_next(tmp_path: Path) -> None:
    """RFC 8428, 4.1: to values, as the base time is to times; in the unit of the record."""
    path = senml(
        tmp_path,
        {"bn": "x:", "bt": 1.7e9, "bu": "beat/min", "bv": 100, "bver": 10},
        {"n": "fhr", "v": 40},
        {"n": "fhr", "t": 1, "v": -5, "bv": 150},
        {"n": "fhr", "t": 2, "u": "1/s", "v": 0.5, "bv": 2},
        {"n": "fhr", "t": 3, "u": "1/s"},
    )
    np.testing.assert_array_equal(read_recording(path).fhr[::4], [140, 145, 150])


@pytest.mark.parametrize(
    ("record", "says"),
    [
        ({"n": "fhr", "v": 140, "scale_": 2}, "scale_"),
        ({"n": "fhr", "v": 140, "bver": 11}, "bver: 11. Is a version"),
        ({"n": "fhr", "u": "bpm", "v": 1}, "fhr: u: 'bpm'. Use beat/min"),
        ({"n": "pulse", "v": 1}, "Needs records named fhr, or ua, with values"),
        ({"n": "fhr", "v": "x"}, "Is not a SenML pack"),
        ({"n": "samples", "v": 1e12}, "Must last at most"),
        ({"n": "samples", "v": 1.5}, "Must last at most"),
        ({"n": "samples", "v": 2}, "Is not among the 2 samples at 4 Hz"),
    ],
)
def test_a_senml_pack_that_cannot_be_read_says_why(tmp_path: Path, record: dict[str, object], says: str) -> None:
    rest = [{"n": "rate", "v": 4}, {"n": "fhr", "u": "beat/min", "t": 5, "v": 140}] if record["n"] == "samples" else []
    with pytest.raises(BadRecording) as caught:
        read_recording(senml(tmp_path, record, *rest))
    assert says in str(caught.value)
