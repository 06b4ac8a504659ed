"""A part that dies again and again rests, and takes no other with it."""

import os
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from quietward.contracts.errors import Unreachable
from quietward.contracts.liveness import WorkerReport
from quietward.runtime import supervisor as supervising
from quietward.runtime.supervisor import ManagedProcess, ProcessSupervisor
from tests.conftest import WAIT_S

DIES = [sys.executable, "-c", "print('a bad day', flush=True); raise SystemExit(3)"]
SPEAKS = [sys.executable, "-c", "n = 0\nwhile n := n + 1: print(n, 'x' * 90, flush=True)"]
LASTS = [sys.executable, "-c", "import time; time.sleep(600)"]


@pytest.fixture
def supervisor(tmp_path: Path) -> Iterator[ProcessSupervisor]:
    found = ProcessSupervisor(dict(os.environ), tmp_path)
    yield found
    found.end()


def news_until(supervisor: ProcessSupervisor, words: str) -> list[str]:
    """What is told until something with these words is."""
    told: list[str] = []
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        if (news := supervisor.restart_dead()) is not None:
            told.append(news)
            if words in news:
                return told
        time.sleep(0.01)
    raise AssertionError(told)


def test_it_rests_and_the_others_go_on(supervisor: ProcessSupervisor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervising, "RESTS_S", 0.2)
    lasting = supervisor.start_program("store", LASTS)
    supervisor.start_program("ingest", DIES)
    first = news_until(supervisor, "keeps stopping")
    assert len(first) == supervising.DEATHS_ALLOWED
    assert first[-1] == "ingest keeps stopping (3); next try in 0 s. It said: a bad day"
    assert news_until(supervisor, "started again") == ["ingest ended (3); started again"]
    assert lasting.process is not None
    assert lasting.process.poll() is None


def test_at_a_start_it_is_the_end(supervisor: ProcessSupervisor) -> None:
    supervisor.start_program("ingest", DIES)
    with pytest.raises(Unreachable, match="a bad day"):
        start(supervisor)


def start(supervisor: ProcessSupervisor) -> None:
    """As a start does it: give up when one dies again and again."""
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        supervisor.restart_dead(gives_up=True)
        time.sleep(0.01)


def test_a_log_is_cut_to_its_newest_lines_while_its_process_goes_on(
    supervisor: ProcessSupervisor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervising, "MOST_LOG_BYTES", 100_000)
    speaking = supervisor.start_program("ingest", SPEAKS)
    log, cuts, sizes = supervisor.log(speaking), 0, [0]
    end = time.monotonic() + WAIT_S
    while cuts < 3 and time.monotonic() < end:
        assert speaking.process is not None
        speaking.process.send_signal(signal.SIGSTOP)  # so that it does not outrun us
        sizes.append(log.stat().st_size)
        assert supervisor.restart_dead() is None
        kept = log.read_bytes()
        assert len(kept) <= max(100_000, sizes[-1] // 2)
        if len(kept) < sizes[-1]:
            cuts += 1
            numbers = [int(line.split()[0]) for line in kept.splitlines() if line.endswith(b"x" * 90)]
            assert numbers == list(range(numbers[0], numbers[-1] + 1)), "whole lines, the newest, in their order"
            assert numbers[0] > 1
            assert len(kept) > 40_000
        speaking.process.send_signal(signal.SIGCONT)
        time.sleep(0.01)
    assert cuts == 3, sizes


def test_a_log_that_was_tidied_away_ends_nobody(supervisor: ProcessSupervisor) -> None:
    speaking = supervisor.start_program("ingest", SPEAKS)
    supervisor.log(speaking).unlink()
    assert supervisor.restart_dead() is None
    assert speaking.process is not None
    assert speaking.process.poll() is None


def look(supervisor: ProcessSupervisor, at: dict[str, int], host: str | None = None) -> str | None:
    """As the demo looks, with what parts have reported: ms by their names."""
    reports = []
    for one in supervisor.processes:
        assert one.process is not None
        if one.name in at:
            worker = f"{host or socket.gethostname()} {one.process.pid} x"
            reports.append(WorkerReport(one.name, worker, at[one.name]))
    return supervisor.kill_hung(reports)


LOOKS = round(supervising.SILENT_FOR_S / supervising.LOOKS_EVERY_S)


@pytest.fixture
def two(supervisor: ProcessSupervisor) -> tuple[ManagedProcess, ManagedProcess]:
    return supervisor.start_program("detect", LASTS), supervisor.start_program("ingest", LASTS)


def test_who_reports_no_more_while_others_do_is_killed_and_started_again(
    supervisor: ProcessSupervisor, two: tuple[ManagedProcess, ManagedProcess]
) -> None:
    hung = two[0].process
    assert hung is not None
    hung.send_signal(signal.SIGSTOP)
    told = [look(supervisor, {"detect": 1_000, "ingest": 1_000 + n}) for n in range(LOOKS + 1)]
    assert told == [None] * LOOKS + ["detect has not reported for 35 s, and is killed"]
    assert hung.wait(WAIT_S) == -signal.SIGKILL
    assert news_until(supervisor, "again") == ["detect ended (-9); started again"]
    assert two[1].process is not None
    assert two[1].process.poll() is None
    told = [look(supervisor, {"ingest": 2_000 + n}) for n in range(LOOKS + 3)]
    assert told == [None] * (LOOKS + 3), "it has to start first, however long that takes"


@pytest.mark.parametrize(
    "at",
    [
        lambda n: {"detect": 1_000, "ingest": 1_000},  # the store takes nothing
        lambda n: {} if n % 3 else {"detect": 1_000, "ingest": n},  # it answers now and then
        lambda n: {"detect": 1_000 - 3_600_000 * (n % 2), "ingest": n},  # the clock steps
    ],
)
def test_nobody_is_killed_for_what_is_the_stores_or_the_clocks(
    supervisor: ProcessSupervisor,
    two: tuple[ManagedProcess, ManagedProcess],
    at: Callable[[int], dict[str, int]],
) -> None:
    assert [look(supervisor, at(n)) for n in range(4 * LOOKS)] == [None] * (4 * LOOKS)


def test_who_runs_elsewhere_is_another_process_of_the_same_number(
    supervisor: ProcessSupervisor, two: tuple[ManagedProcess, ManagedProcess]
) -> None:
    for n in range(2 * LOOKS):
        assert look(supervisor, {"detect": 1_000, "ingest": n}, host="elsewhere") is None
