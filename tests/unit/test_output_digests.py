"""What differs between two runs is named."""

from pathlib import Path

import pytest

from quietward.recordings.files import write_recording
from tests import digests
from tests.traces import flat


def test_what_differs_is_named() -> None:
    before = {"a": "1", "b": "2", "c": "3"}
    assert digests.differences(before, before) == []
    assert digests.differences(before, {"a": "1", "b": "9", "d": "4"}) == [
        "b: differs",
        "c: is not there any more",
        "d: was not there before",
    ]


def test_each_part_is_the_same_twice_and_another_number_is_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(digests, "LABOURS", ("prolonged-before-birth",))
    monkeypatch.setattr(digests, "LABOUR_S", 900)
    monkeypatch.setattr(digests, "STREAM_S", 900)
    monkeypatch.setattr(digests, "of_study", lambda: iter([("calls.csv", "same")]))
    write_recording(tmp_path / "one.csv", flat(140, 60), flat(10, 60))
    before = digests.digests(tmp_path)
    assert before.keys() == {
        "signal prolonged-before-birth", "assess simulated prolonged-before-birth", "assess one", "study calls.csv",
        "stream events bed-1", "stream summaries bed-1",
    }  # fmt: skip
    assert digests.digests(tmp_path) == before
    write_recording(tmp_path / "one.csv", flat(140, 61), flat(10, 61))
    assert digests.differences(before, digests.digests(tmp_path)) == ["assess one: differs"]
    monkeypatch.setattr(digests, "SEED", 18)
    assert {"signal prolonged-before-birth: differs", "stream summaries bed-1: differs"} <= {
        *digests.differences(before, digests.digests(tmp_path))
    }
