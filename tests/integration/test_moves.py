"""A woman is moved to a bed of another shard and back, while the detectors of both, and the store, are killed.

The kills come while she is on the way: before and after each step, commit and message to the other bed. She must be
in one bed each time, and logs, trends and summaries must equal those of a run in which nothing happened.
QUIETWARD_KILLS sets the number of kills.
"""

import asyncio
import os
import random
import sys
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import Any

import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.commands import Acknowledge, Arrive, Command, Leave, Move, RecordCare, UndoStay
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Tick, encode_inputs
from quietward.contracts.stays import Arrival
from quietward.contracts.summary import decode_summary
from quietward.store.client import RedisError, Store, connected, newest_id
from tests import detectors
from tests.conftest import Server, make_store
from tests.detectors import POINTS, Death, outputs

pytestmark = pytest.mark.one_kind

KILLS = min(200, int(os.environ.get("QUIETWARD_KILLS", "10")))
MOST_ROUNDS = 4 + 2 * KILLS
STORE_DIES_EVERY = 9
T0_MS = 1_790_000_000_000
HERE, THERE, TAKEN = "bed-1", "bed-7", "bed-5"
SECONDS = 20


class Run:
    """One ward of two shards, and what happens in it, round by round."""

    def __init__(self, server: Server, store: Store, name: str, folder: Path, *, kills: int) -> None:
        self.server, self.store, self.folder, self.kills = server, store, folder / name, kills
        self.folder.mkdir()
        self.moving = self.folder / "moving"  # is there while somebody is on the way
        self.ward = Ward(name, 2)
        self.rng = random.Random(5)
        self.died: Counter[str] = Counter()
        self.processes: dict[int, ForkServerProcess] = {}
        self.second, self.rounds, self.store_deaths = 0, 0, 0

    @asynccontextmanager
    async def detectors(self) -> AsyncIterator[None]:
        keeping = [asyncio.create_task(self._keep(number)) for number in range(2)]
        try:
            yield
        finally:
            for task in keeping:
                task.cancel()
            for process in self.processes.values():
                process.kill()
                process.join(5)

    async def _keep(self, number: int) -> None:
        while True:
            may_die = self.died.total() < self.kills
            death = Death(self.rng.choice(POINTS), self.rng.randrange(2), self.moving) if may_die else Death()
            log = self.folder / f"detect-{number}.log"
            process = self.processes[number] = detectors.start(self.server, self.ward.shard(number), death, log)
            while process.exitcode is None:
                await asyncio.sleep(0.01)
            if detectors.was_killed(process):
                self.died[death.point] += 1
            else:
                assert self.store_deaths, log.read_text()

    async def write(self, bed: str, *inputs: Input) -> None:
        key = self.ward.home_of(bed).input
        await self.store.xadd(key, {"e": encode_inputs(list(inputs))})

    async def goes_on(self) -> None:
        """Let some time pass: every monitor sends, and her baby is not well."""
        both: dict[int, list[Input]] = {0: [], 1: []}
        for _ in range(SECONDS):
            at = T0_MS + self.second * 1000
            for bed in (HERE, THERE, TAKEN):
                bpm = 140.0 if self.second < 900 else 70.0
                block = Block(bed, f"monitor of {bed}", self.second, at, at, [bpm] * HZ, [10.0] * HZ)
                both[self.ward.shard_of(bed)].append(block)
            for inputs in both.values():
                inputs.append(Tick(at + 1))
            self.second += 1
        for number, inputs in both.items():
            await self.store.xadd(self.ward.shard(number).input, {"e": encode_inputs(inputs)})

    async def press(self, *commands: Command) -> None:
        for command in commands:
            await self.write(command.bed, CommandEnvelope(T0_MS + self.second * 1000, command))

    async def settle(self) -> None:
        """Wait until all is worked through and nobody is on the way."""
        async with asyncio.timeout(60):
            while not await self._is_settled():
                await asyncio.sleep(0.01)

    async def _is_settled(self) -> bool:
        try:
            for shard in self.ward.all_shards:
                written: Any = await self.store.get(shard.position)
                if written is None or written.decode() != await newest_id(self.store, shard.input):
                    return False
            return not any(summary.moving_to for summary in (await self.summaries()).values())
        except RedisError:
            return False

    async def summaries(self) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for shard in self.ward.all_shards:
            raw: Any = await self.store.hgetall(shard.summary)
            found |= {bed.decode(): decode_summary(one) for bed, one in raw.items()}
        return found

    async def where_she_is(self) -> list[str]:
        stays = {bed: summary.stay for bed, summary in (await self.summaries()).items()}
        return [bed for bed, stay in stays.items() if stay and stay.arrival and stay.arrival.label == "green"]

    async def begin(self) -> None:
        await self.press(
            Arrive(HERE, "Kim", Arrival("green", weeks=38)), Arrive(THERE, "Kim", Arrival("red")), Leave(THERE, "Kim"),
            Arrive(TAKEN, "Kim", Arrival("blue")),
        )  # fmt: skip
        for _ in range(900 // SECONDS):
            await self.goes_on()
        await self.settle()

    async def round(self) -> None:
        """Move her, undo it, or try what cannot be; one after the other, and kill meanwhile."""
        await self.goes_on()
        (bed,) = await self.where_she_is()
        other = THERE if bed == HERE else HERE
        summary = (await self.summaries())[bed]
        if summary.flag and self.rounds % 3 == 0:
            await self.press(Acknowledge(bed, "Ann", summary.flag), RecordCare(bed, "Ann", "turned"))
        await self.settle()
        kind = ("move", "undo", "move", "move", "refused")[self.rounds % 5]
        expected = {"move": other, "undo": other, "refused": bed}[kind]
        self.moving.touch()
        command: Command = (
            UndoStay(bed, "Kim") if kind == "undo" else Move(bed, "Kim", other if kind == "move" else TAKEN)
        )
        await self.press(command)
        if self.kills and self.rounds % STORE_DIES_EVERY == STORE_DIES_EVERY - 1:
            self.store_deaths += 1
            await asyncio.to_thread(self.restart_store)
        await self.settle()
        self.moving.unlink()
        assert await self.where_she_is() == [expected], f"after {kind}, round {self.rounds}"
        self.rounds += 1

    def restart_store(self) -> None:
        self.server.kill()
        self.server.start()


@pytest.fixture
def server(kind: str, tmp_path: Path) -> Iterator[Server]:
    """A store of its own, which is killed, too."""
    folder = tmp_path / "store"
    folder.mkdir()
    found = make_store(kind, folder)
    found.start()
    yield found
    found.kill()


async def test_killed_while_she_is_moved_she_is_in_one_bed_and_the_logs_say_the_same(
    server: Server, tmp_path: Path, record_property: Any
) -> None:
    assert len({Ward("w", 2).shard_of(bed) for bed in (HERE, THERE)}) == 2
    async with connected(f"redis://127.0.0.1:{server.port}/0") as store:
        killed = Run(server, store, "killed", tmp_path, kills=KILLS)
        async with killed.detectors():
            await killed.begin()
            while killed.died.total() < KILLS or killed.rounds < 10:
                assert killed.rounds < MOST_ROUNDS, f"{killed.died} only"
                await killed.round()
        found = await outputs(store, killed.ward)
        plain = Run(server, store, "plain", tmp_path, kills=0)
        async with plain.detectors():
            await plain.begin()
            for _ in range(killed.rounds):
                await plain.round()
        expected = await outputs(store, plain.ward)
    record_property("kills", killed.died.total())
    logs = [e for events in expected.values() if isinstance(events, list) for e in events]
    assert {e.kind for e in logs} >= {
        "moved",
        "came-from",
        "stay-undone",
        "not-taken",
        "flag-raised",
        "flag-acknowledged",
    }
    assert found == expected
    print(f"{dict(killed.died)} kills, {killed.store_deaths} of the store, in {killed.rounds} moves", file=sys.stderr)
