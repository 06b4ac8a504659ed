"""Workers share numbered things out among themselves; what a worker held goes to others when it ends, or is dead."""

import asyncio
import contextlib
import socket
import sys
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable

import pytest
from redis import Redis

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings
from quietward.runtime import metrics
from quietward.runtime.leases import CLAIM, LeaseGroup, run_leased
from quietward.store.client import Store
from quietward.store.topology import check_topology
from tests.conftest import WAIT_S, settled, until

pytestmark = pytest.mark.one_kind

WARD = Ward("shared")
DEAD_AFTER_S = 0.8


class Workers:
    """Some workers of one kind in this process, and what each runs."""

    def __init__(self, store: Store, count: int) -> None:
        self.store, self.group = store, LeaseGroup("test", count, DEAD_AFTER_S)
        self.runs: dict[str, set[int]] = {}
        self.tasks: dict[str, asyncio.Task[None]] = {}

    def start(self, name: str) -> None:
        self.runs[name] = set()

        async def one(number: int) -> None:
            self.runs[name].add(number)
            try:
                await asyncio.Event().wait()
            finally:
                self.runs[name].discard(number)

        self.tasks[name] = asyncio.create_task(run_leased(self.store, WARD, self.group, one))

    async def stop(self, name: str) -> None:
        task = self.tasks[name]
        while not task.done():
            task.cancel()  # again and again: a cancellation can get lost, see RecancellingTaskGroup
            await asyncio.wait([task], timeout=1)
        with contextlib.suppress(asyncio.CancelledError):
            task.result()

    async def reach(self, *sizes: int) -> bool:
        """Wait until the workers run so many each, everything is run, and nothing twice."""

        async def is_so() -> bool:
            return self.sizes == sorted(sizes) and Counter(n for runs in self.runs.values() for n in runs) == Counter(
                range(self.group.count)
            )

        return await until(is_so)

    @property
    def sizes(self) -> list[int]:
        return sorted(len(self.runs[name]) for name, task in self.tasks.items() if not task.done())


@pytest.fixture
async def workers(store: Store) -> AsyncIterator[Callable[[int], Workers]]:
    made: list[Workers] = []

    def make(count: int) -> Workers:
        made.append(Workers(store, count))
        return made[-1]

    yield make
    for one in made:
        for name in one.tasks:
            await one.stop(name)


async def test_everything_is_held_and_shared_fairly(workers: Callable[[int], Workers]) -> None:
    found = workers(8)
    found.start("a")
    assert await found.reach(8), found.runs
    found.start("b")
    assert await found.reach(4, 4), found.runs
    found.start("c")
    assert await found.reach(2, 3, 3), found.runs
    await found.stop("a")
    assert await found.reach(4, 4), found.runs
    await found.stop("b")
    assert await found.reach(8), found.runs


async def test_one_that_is_left_over_has_nothing(workers: Callable[[int], Workers]) -> None:
    found = workers(2)
    for name in "abc":
        found.start(name)
    assert await found.reach(0, 1, 1), found.runs


async def test_who_has_nothing_gets_one_of_two(workers: Callable[[int], Workers]) -> None:
    found = workers(4)
    for name in "ab":
        found.start(name)
    assert await found.reach(2, 2), found.runs
    found.start("c")
    assert await found.reach(1, 1, 2), found.runs


async def test_what_ends_is_started_again(store: Store) -> None:
    started = 0

    async def one(_: int) -> None:
        nonlocal started
        started += 1

    async def often() -> bool:
        return started >= 3

    task = asyncio.create_task(run_leased(store, WARD, LeaseGroup("test", 1, DEAD_AFTER_S), one))
    assert await until(often)
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


async def claim(
    store: Store, worker: str, *dead: str, patient: int = 0, count: int = 4, dead_after_ms: int = 60_000
) -> list[int]:
    keys = [WARD.workers("test"), WARD.holders("test")]
    return [int(n) for n in await CLAIM.run(store, keys, [worker, count, dead_after_ms, patient, *dead])]


async def test_a_silent_worker_is_dead_but_not_while_the_store_was_away(store: Store) -> None:
    assert await claim(store, "a") == [0, 1, 2, 3]
    assert await claim(store, "b") == [], "nothing is taken away before it is given up"
    await asyncio.sleep(0.4)
    assert await claim(store, "b", patient=1, dead_after_ms=300) == []
    await asyncio.sleep(0.4)
    assert await claim(store, "b", dead_after_ms=300) == [0, 1, 2, 3]
    assert await claim(store, "a") == [], "it has been taken for dead"


async def test_a_store_whose_clock_was_set_back_declares_nobody_dead_but_who_is_silent(store: Store) -> None:
    """Until its clock had caught up, an hour for an hour, nobody would have taken what a killed worker held."""
    assert await claim(store, "a", count=2) == [0, 1]
    assert await claim(store, "b", count=2) == []
    hours_ahead = round(time.time() * 1000) + 7_200_000
    for worker in "ab":
        await store.hset(WARD.workers("test"), worker, str(hours_ahead))
    assert await claim(store, "b", count=2, dead_after_ms=300) == [], "it may be alive, and claim in a moment"
    await asyncio.sleep(0.4)
    assert await claim(store, "b", count=2, dead_after_ms=300) == [0, 1]


async def test_a_worker_known_to_be_dead_is_not_waited_for(store: Store, workers: Callable[[int], Workers]) -> None:
    assert await claim(store, "a") == [0, 1, 2, 3]
    assert await claim(store, "b", "a") == [0, 1, 2, 3]
    process = await asyncio.create_subprocess_exec("true")
    await process.wait()
    await store.delete(WARD.workers("test"), WARD.holders("test"))
    assert await claim(store, f"{socket.gethostname()} {process.pid} 00") == [0, 1, 2, 3]
    found = workers(4)
    found.group = LeaseGroup("test", 4, 60)
    found.start("new")
    assert await found.reach(4), "a minute of silence was waited for"


async def test_what_a_worker_does_not_hold_is_counted_as_well(store: Store, workers: Callable[[int], Workers]) -> None:
    """By each of them, for an alert of what nobody holds."""

    async def counted() -> dict[str, float]:
        samples = next(iter(metrics.HOLDS.collect())).samples
        return {one.labels["number"]: one.value for one in samples if one.labels["kind"] == "test"}

    metrics.HOLDS.clear()
    assert await claim(store, "elsewhere 1 00", count=3) == [0, 1, 2]
    found = workers(3)
    found.group = LeaseGroup("test", 3, 60)
    found.start("stands by")
    wanted = {"0": 0, "1": 0, "2": 0}
    assert await settled(counted, wanted) == wanted


async def test_a_long_step_costs_no_lease(store: Store, workers: Callable[[int], Workers]) -> None:
    """Whoever works for long, and lets nothing else of its loop run meanwhile, still claims what it holds."""
    found = workers(4)
    found.group = LeaseGroup("test", 4, 4.0)
    found.start("busy")
    assert await found.reach(4), found.runs
    with Redis.from_url(store.urls) as another:  # beside the loop, which stands still
        end = time.monotonic() + 1.5 * found.group.dead_after_s
        while time.monotonic() < end:
            seconds, micro = another.time()
            (claimed_ms,) = another.hvals(WARD.workers("test"))
            assert seconds + micro / 1e6 - int(claimed_ms) / 1000 < found.group.dead_after_s, (
                "others would take it for dead"
            )
            time.sleep(0.05)  # noqa: ASYNC251 - this is the long step


HUNG = """
import sys, time
from quietward.contracts.addresses import Ward
from quietward.runtime import leases, process
from quietward.store.client import connected

leases.HUNG_AFTER_S, process.ENDS_AFTER_S = 1.0, 600.0

async def hang(_):
    print("holds", flush=True)
    time.sleep(600)

async def main():
    async with connected(sys.argv[1]) as store:
        await leases.run_leased(store, Ward("shared"), leases.LeaseGroup("test", 1, 0.8), hang)

process.run(main())
"""


async def test_who_hangs_loses_its_lease(store: Store) -> None:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", HUNG, store.urls, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    try:
        assert process.stdout is not None
        assert await asyncio.wait_for(process.stdout.readline(), WAIT_S) == b"holds\n"

        async def is_taken_over() -> bool:
            return await claim(store, "b", count=1, dead_after_ms=300) == [0]

        assert await until(is_taken_over)
        assert process.returncode is None, "it hangs still: nobody has ended it, and its lease is another's"
    finally:
        process.kill()
        await process.wait()


async def test_parts_must_agree_on_the_layout(store: Store) -> None:
    await check_topology(store, WARD, shards=4, seats=2)
    await check_topology(store, WARD, shards=4)
    with pytest.raises(BadSettings, match=r"setting shards: 3\. Ward shared runs with 4"):
        await check_topology(store, WARD, shards=3)
    await check_topology(store, Ward("another"), shards=3)
