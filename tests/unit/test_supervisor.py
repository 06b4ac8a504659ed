"""A part that dies again and again rests, and takes no other with it."""

import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from quietward.contracts.errors import Unreachable
from quietward.runtime import supervisor as supervising
from quietward.runtime.supervisor import ProcessSupervisor
from tests.conftest import WAIT_S

DIES = [sys.executable, "-c", "print('a bad day', flush=True); raise SystemExit(3)"]
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
