"""What is started ends: a group of tasks when one of them has failed, a server that never listens."""

import asyncio
import contextlib
from pathlib import Path

import pytest

from quietward.contracts.errors import Unreachable
from quietward.runtime.process import RecancellingTaskGroup
from tests.conftest import WAIT_S, Server, free_port


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


async def test_a_group_that_is_cancelled_from_outside_tells_its_tasks_until_they_have_heard() -> None:
    async def group() -> None:
        async with RecancellingTaskGroup() as tasks:
            tasks.create_task(deaf())
            await asyncio.sleep(60)

    task = asyncio.create_task(group())
    await asyncio.sleep(0.01)
    task.cancel()
    async with asyncio.timeout(WAIT_S):
        await asyncio.wait([task])
    assert task.cancelled()


async def test_a_group_that_only_waits_for_its_tasks_tells_them_until_they_have_heard() -> None:
    """So a slot of ingest is ended: the block is over, and all there is to do is to wait."""

    async def group() -> None:
        async with RecancellingTaskGroup() as tasks:
            tasks.create_task(deaf())

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


def test_a_server_of_a_test_that_never_listens_is_ended(tmp_path: Path) -> None:
    server = Server(["sleep", "600"], free_port(), tmp_path / "log", within_s=0.2)
    with pytest.raises(pytest.fail.Exception, match="nothing listens"):
        server.start()
    assert server.process is not None
    assert server.process.poll() is not None
