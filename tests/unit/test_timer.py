"""The load test's timer is never early, and does not wait for what has come."""

import asyncio
import time

from quietward.load.timer import Timer


async def test_it_is_never_early_and_lets_others_go_on() -> None:
    early_ms: list[float] = []
    turns = 0

    async def others() -> None:
        nonlocal turns
        while True:
            await asyncio.sleep(0)
            turns += 1

    at_work = asyncio.create_task(others())
    async with Timer() as timer:
        for _ in range(10):
            at_ms = time.time_ns() // 1_000_000 + 3
            await timer.until(at_ms)
            early_ms.append(at_ms - time.time_ns() / 1e6)
    at_work.cancel()
    assert max(early_ms) <= 0
    assert turns > 10


async def test_a_time_that_has_come_is_not_waited_for() -> None:
    """Whoever is behind sends all that is due in one go: nobody else may have a turn in between."""
    others = asyncio.create_task(asyncio.sleep(0))
    async with Timer() as timer:
        for at_ms in (0, time.time_ns() // 1_000_000 - 1):
            await timer.until(at_ms)
        assert not others.done()
    await others
