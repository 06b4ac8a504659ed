"""What is wrong with a ward, by what each of its workers says of itself."""

import pytest

from quietward.contracts.liveness import WorkerReport, encode_report, reports_of, troubles_of, troubles_of_ward
from quietward.contracts.settings import Settings
from quietward.language import terminal
from quietward.language.catalogue import TERMINAL, language
from quietward.runtime import health
from quietward.runtime.clock import now_ms
from quietward.runtime.liveness import StoppedSince

NOW = 1_790_000_000_000


def test_each_worker_counts_and_its_part_is_named() -> None:
    ingest = WorkerReport("ingest", "a 1 x", NOW, ["the broker has been away for 7 s"])
    well = WorkerReport("detect", "a 2 x", NOW - 900)
    hung = WorkerReport("detect", "b 2 y", NOW - 9_000)
    assert troubles_of_ward([well, hung, ingest], NOW) == [
        "detect 2 of 2: silent for 9 s", "ingest: the broker has been away for 7 s",
    ]  # fmt: skip
    assert troubles_of_ward([well], NOW) == ["ingest does not run"]
    assert troubles_of_ward([well, WorkerReport("ingest", "a 1 x", NOW)], NOW) == []


def test_what_a_silent_worker_said_last_is_kept() -> None:
    found = troubles_of(WorkerReport("detect", "a 1 x", NOW - 60_000, ["shard 0 is 9 s behind"]), NOW)
    assert found == ["silent for 60 s", "shard 0 is 9 s behind"]


def test_a_report_from_the_future_is_not_believed() -> None:
    assert "600 s ahead" in troubles_of(WorkerReport("detect", "a 1 x", NOW + 600_000), NOW)[0]
    assert troubles_of(WorkerReport("detect", "a 1 x", NOW + 1_000), NOW) == []


def test_reports_are_read_and_those_of_other_versions_left_out() -> None:
    one = WorkerReport("detect", "a 1 x", NOW, ["x"])
    assert reports_of({b"detect a 1 x": encode_report(one), b"ingest": b"1790000000000", b"serve": b"{"}) == [one]


def test_what_comes_round_is_no_trouble_and_what_stops_is() -> None:
    now = 100.0
    round_ = StoppedSince(lambda: now)
    now = 104.0
    assert round_.trouble("nothing was done") == []
    now = 106.0
    assert round_.trouble("nothing was done") == ["nothing was done for 6 s"]
    round_.note()
    assert round_.trouble("nothing was done") == []


def test_alive_says_what_is_wrong_in_the_readers_language(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    two = ["the broker has been away for 7 s", "no second was written for 8 s"]
    reports = [WorkerReport("ingest", "a 1 x", now_ms(), two), WorkerReport("serve", "a 2 x", now_ms())]
    stored = [part for one in reports for part in (one.part.encode(), encode_report(one))]
    monkeypatch.setattr(health, "ask", lambda *_: stored)
    monkeypatch.setattr(terminal, "_here", lambda: language("de", TERMINAL))
    assert not health.keeps_up(Settings(), None, here=False)
    assert capsys.readouterr().out.splitlines() == [
        "ingest on a 1 x: der Vermittler ist seit 7 s weg; seit 8 s wurde keine Sekunde geschrieben",
        "serve on a 2 x: gut",
        "detect: läuft nicht",
    ]
