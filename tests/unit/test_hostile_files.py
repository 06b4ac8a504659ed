"""What fuzzing has found once: a file that somebody else made is refused with an error of ours, in one line."""

from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from quietward.contracts.errors import BadRecording, BadRules, BadScenario, BadSettings, BadStudy, QuietwardError
from quietward.contracts.settings import load
from quietward.dashboard.auth import people
from quietward.dashboard.auth.middleware import is_own_origin
from quietward.detect import rule_file
from quietward.recordings import parquet_files
from quietward.recordings.files import read_recording
from quietward.recordings.wfdb_record import NO_VALUE
from quietward.simulator import scenario, shift
from quietward.study import plan

MANY_DIGITS, DEEP = "9" * 5000, "[" * 3000


@pytest.mark.parametrize("text", [f"x = {MANY_DIGITS}", f"x = {DEEP}", 'x = "\udcff"'], ids=["digits", "deep", "bytes"])
@pytest.mark.parametrize(
    ("read", "error"),
    [
        (lambda path: load({"settings": str(path)}, {}), BadSettings),
        (people.read, BadSettings),
        (lambda path: rule_file.read_policy(str(path)), BadRules),
        (lambda path: rule_file.read_rule_set(str(path)), BadRules),
        (lambda path: scenario.load(str(path)), BadScenario),
        (lambda path: plan.load(str(path)), BadStudy),
        (lambda path: read_recording(path.with_name("one.csv")), BadRecording),
    ],
    ids=["settings", "people", "policy", "rule set", "scenario", "study", "labour"],
)
def test_a_table_of_too_much(
    read: Callable[[Path], object], error: type[QuietwardError], text: str, tmp_path: Path
) -> None:
    (tmp_path / "one.csv").write_text("t_s,fhr\n0,140\n")
    path = tmp_path / "one.labour.toml"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(error) as caught:
        read(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["{", "}", "{a{b}", "{0.__class__}"])
def test_a_text_of_a_rule_that_cannot_be_filled(tmp_path: Path, text: str) -> None:
    path = tmp_path / "rules.toml"
    own = (Path(rule_file.__file__).parent / "rules" / "figo-2015.toml").read_text()
    before = own.split('text = "', 1)
    path.write_text(f'{before[0]}text = "{text}{before[1]}')
    with pytest.raises(BadRules):
        rule_file.read_rule_set(str(path))


@pytest.mark.parametrize(
    ("head", "names"),
    [
        ("one 1 0\none.dat 16 100/bpm 16 0 0 0 0 FHR\n", "samples a second"),
        ("one 1 ..\none.dat 16 100/bpm 16 0 0 0 0 FHR\n", "Resample to 4 Hz"),
        (f"one {MANY_DIGITS} 4\n", "first line"),
        (f"one 1 4\none.dat {MANY_DIGITS} 100/bpm 16 0 0 0 0 FHR\n", "WFDB record"),
        ("one 1 4\n/dev/zero 16 100/bpm 16 0 0 0 0 FHR\n", "another folder"),
        ("one 1 4\n../other.dat 16 100/bpm 16 0 0 0 0 FHR\n", "another folder"),
        ("one 1 0\none.dat 16 100/bpm 16 0 0 0 0 FHR\n# Pos. II.st. 5\n", "samples a second"),
    ],
)
def test_a_wfdb_header_that_cannot_be(tmp_path: Path, head: str, names: str) -> None:
    (tmp_path / "one.dat").write_bytes(b"\x01\x02" * 8)
    (tmp_path / "one.hea").write_text(head)
    with pytest.raises(BadRecording, match=names):
        read_recording(tmp_path / "one.hea")


def test_a_wfdb_signal_without_a_name(tmp_path: Path) -> None:
    """In a format that the package reads."""
    assert 80 not in NO_VALUE
    (tmp_path / "one.dat").write_bytes(b"\x90" * 8)
    (tmp_path / "one.hea").write_text("one 1 4\none.dat 80\n")
    with pytest.raises(BadRecording, match="Needs a signal named"):
        read_recording(tmp_path / "one.hea")


@pytest.mark.parametrize("last", ["1e308", "1e19", "9" * 400])
def test_times_further_apart_than_anything_lasts(tmp_path: Path, last: str) -> None:
    path = tmp_path / "one.csv"
    path.write_text(f"t_s,fhr\n0,140\n1,140\n2,140\n{last},140\n")
    with pytest.raises(BadRecording):
        read_recording(path)


def test_parquet_whose_texts_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "one.parquet"
    table = pa.table({"t_s": [0.0, 0.25], "fhr": [140.0, 141.0]})
    pq.write_table(table.replace_schema_metadata({parquet_files.KEY: b'{"annotations":"\xf9"}'}), path)
    with pytest.raises(BadRecording):
        read_recording(path)
    pq.write_table(table, path)
    path.write_bytes(path.read_bytes().replace(b"fhr", b"\xf8hr"))
    with pytest.raises(BadRecording):
        read_recording(path)


def test_an_origin_that_is_no_address_is_foreign() -> None:
    assert not is_own_origin("http://[half", "127.0.0.1")


def test_what_a_library_says_in_several_lines_is_told_in_one() -> None:
    assert str(BadRecording("a\nb", "c\nd", "e\r\nf")) == "a b: 'c\\nd'. e f"


@pytest.mark.parametrize("name", ["calm\0", "calm\0.toml"])
@pytest.mark.parametrize(
    ("read", "error"),
    [
        (scenario.load, BadScenario),
        (shift.load, BadScenario),
        (rule_file.load, BadRules),
        (rule_file.read_policy, BadRules),
        (rule_file.read_rule_set, BadRules),
        (plan.load, BadStudy),
    ],
    ids=["scenario", "shift", "rules", "policy", "rule set", "study"],
)
def test_a_name_that_no_file_can_have(read: Callable[[str], object], error: type[QuietwardError], name: str) -> None:
    with pytest.raises(error) as refused:
        read(name)
    assert "\n" not in str(refused.value)
    assert "\0" not in str(refused.value)
