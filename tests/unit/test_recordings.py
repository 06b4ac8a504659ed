"""Recordings: what is read is what wfdb reads; what cannot be read is said in one line."""

import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import wfdb

from quietward.contracts.errors import BadRecording
from quietward.recordings import READERS, SUFFIXES, reader_of
from quietward.recordings.files import find_recordings, read_recording, write_recording
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
        ("", "first line must be"),
        ("time,fhr,ua\n0,140,5\n", "first line must be"),
        (HEAD, "no sample"),
        (HEAD + "0,1420,5\n0.25,1420,5\n", "beats per minute"),
        (HEAD + "0,140,5\n0.25,fast,5\n", "needs a number"),
        (HEAD + "0,140\n", "three cells"),
        (HEAD + "0,140,5\n0,140,5\n", "grow"),
        (HEAD + ",140,5\n0.25,140,5\n", "grow"),
        (HEAD + "0,140,5\n0.25,140,5\n0.5,140,5\n9,140,5\n", "t_s must grow by"),
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
    assert {reader.module for reader in READERS} == modules
    assert len(set(SUFFIXES)) == len(SUFFIXES)
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    for suffix in SUFFIXES:
        assert f"`{suffix}`" in readme, suffix


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_every_format_reads_what_it_writes(suffix: str, tmp_path: Path) -> None:
    fhr, ua = np.array([140.25, np.nan, 141, 142]), np.array([1, 2, np.nan, 4.5])
    path = tmp_path / f"r{suffix}"
    write_recording(path, fhr, ua)
    reader = reader_of(path)
    assert reader is not None
    assert reader.format().is_recording(path)
    recording = read_recording(path)
    np.testing.assert_array_equal(recording.fhr, fhr)
    np.testing.assert_array_equal(recording.ua, ua)
    assert find_recordings([tmp_path / "r"]) == [path]


def test_the_list_of_formats_loads_none_of_their_libraries(tmp_path: Path) -> None:
    path = csv(tmp_path, HEAD + "0,140,5\n")
    loaded = "print([m for m in ('wfdb', 'pandas', 'numpy') if m in sys.modules])\n"
    code = (
        f"import sys\nfrom pathlib import Path\nimport quietward.recordings, quietward.cli\n{loaded}"
        f"from quietward.recordings.files import read_recording\nread_recording(Path({str(path)!r}))\n{loaded}"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.splitlines() == ["[]", "['numpy']"]
