"""WFDB records: what is read and written is what the reference library reads and writes."""

from pathlib import Path

import numpy as np
import pytest
import wfdb

from quietward.contracts.errors import BadRecording
from quietward.recordings import wfdb_record
from tests.conftest import record

HEADER = "x 2 4 6\nx.dat 16 100(0)/bpm 16 0 0 0 0 FHR\nx.dat 16 100/nd 16 0 0 0 0 UC\n"
SIX = np.arange(12, dtype="<i2").tobytes()


def given(folder: Path, header: str = HEADER, data: bytes = SIX) -> Path:
    (folder / "x.hea").write_text(header)
    (folder / "x.dat").write_bytes(data)
    return folder / "x.hea"


def same_as_reference(header: Path) -> wfdb_record.Record:
    ours, theirs = wfdb_record.read(header), wfdb.rdrecord(str(header.with_suffix("")))
    np.testing.assert_array_equal(ours.signals, theirs.p_signal)
    assert ours.names == theirs.sig_name
    assert ours.hz == theirs.fs
    return ours


def test_an_open_record_is_read_as_by_the_reference() -> None:
    assert same_as_reference(record("1001")).names == ["FHR", "UC"]


@pytest.mark.parametrize("format_", ["16", "212"])
@pytest.mark.parametrize("n", [1, 2, 7])
def test_what_the_reference_writes_is_read(tmp_path: Path, format_: str, n: int) -> None:
    rng = np.random.default_rng(3)
    values = np.round(rng.uniform(-20, 20, (n, 3)), 2)
    values[0, 1] = np.nan
    wfdb.wrsamp(
        "x", fs=4, units=["bpm", "nd", "nd"], sig_name=["FHR", "UA", "a name of words"], fmt=[format_] * 3,
        adc_gain=[100.0, 50.5, 10], baseline=[0, -12, 3], p_signal=values, write_dir=str(tmp_path),
    )  # fmt: skip
    same_as_reference(tmp_path / "x.hea")


@pytest.mark.parametrize(
    "header",
    [
        "x 2\nx.dat 16\nx.dat 16\n",
        "x 2 4/4(0) 6 10:00:00 1/1/2020\n# a remark\nx.dat 16 0/bpm 16 5 0 0 0 FHR\nx.dat 16 1e2(-7)/nd\n# age 30\n",
        "x 1 4\nx.dat 16 100 12 0 0 0 0 FHR\n",
        "x 1 4 16\nx.dat 212 100 12 0 0 0 0 FHR\n",
    ],
)
def test_what_a_header_may_leave_out(tmp_path: Path, header: str) -> None:
    ours, theirs = wfdb_record.read(given(tmp_path, header)), wfdb.rdrecord(str(tmp_path / "x"))
    np.testing.assert_array_equal(ours.signals, theirs.p_signal)
    assert ours.hz == theirs.fs


def test_other_formats_are_left_to_the_package(tmp_path: Path) -> None:
    same_as_reference(given(tmp_path, "x 1 4 12\nx.dat 80 100(0)/bpm 8 0 0 0 0 FHR\n", bytes(range(120, 132))))


@pytest.mark.parametrize(
    ("header", "data", "says"),
    [
        ("", SIX, "first line"),
        ("nonsense", SIX, "first line"),
        ("x 2 4 6\nx.dat 16\n", SIX, "describes 1"),
        ("x 0 4 6\n", SIX, "describes 0"),
        ("x 1 4 99\nx.dat 16\n", SIX, "x.dat: 12. Is shorter than its header says: 99 samples; copy it again"),
        ("x 1 4 6\nother.dat 16\n", SIX, "other.dat: 'FileNotFoundError'"),
        ("x 2 4 4\nx.dat 16\nx.dat 212\n", SIX, "several formats"),
    ],
)
def test_a_broken_record_is_one_line(tmp_path: Path, header: str, data: bytes, says: str) -> None:
    with pytest.raises(BadRecording, match=says):
        wfdb_record.read(given(tmp_path, header, data))


def test_what_is_written_is_what_the_reference_writes(tmp_path: Path) -> None:
    values = np.round(np.random.default_rng(4).uniform(0, 200, (50, 2)), 3)
    values[[0, 7], [1, 0]] = np.nan
    (tmp_path / "theirs").mkdir()
    wfdb.wrsamp(
        "x", fs=4, units=["bpm", "nd"], sig_name=["FHR", "UA"], fmt=["16", "16"], adc_gain=[100, 100], baseline=[0, 0],
        p_signal=values.copy(), write_dir=str(tmp_path / "theirs"),
    )  # fmt: skip
    wfdb_record.write(tmp_path / "x.hea", ["FHR", "UA"], ["bpm", "nd"], values, 4, 100)
    for name in ("x.hea", "x.dat"):
        assert (tmp_path / name).read_bytes() == (tmp_path / "theirs" / name).read_bytes()


def test_records_whose_names_differ_in_what_no_header_may_name_have_data_of_their_own(tmp_path: Path) -> None:
    for name, bpm in (("a b", 130.0), ("a_b", 140.0), ("a.b", 150.0)):
        wfdb_record.write(tmp_path / f"{name}.hea", ["FHR"], ["bpm"], np.full((8, 1), bpm), 4, 100)
    for name, bpm in (("a b", 130.0), ("a_b", 140.0), ("a.b", 150.0)):
        assert (wfdb_record.read(tmp_path / f"{name}.hea").signals == bpm).all()


def test_what_16_bits_cannot_hold_stays_at_their_end(tmp_path: Path) -> None:
    """As in the EDF+ that is written; as a number of 16 bits 400 bpm would be -255.36, and -327.68 no value."""
    values = np.array([[400.0], [np.inf], [327.67], [-327.68], [-400.0], [np.nan]])
    wfdb_record.write(tmp_path / "x.hea", ["FHR"], ["bpm"], values, 4, 100)
    found = same_as_reference(tmp_path / "x.hea").signals[:, 0]
    np.testing.assert_array_equal(found, [327.67, 327.67, 327.67, -327.67, -327.67, np.nan])
