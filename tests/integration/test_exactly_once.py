"""From device to log, nothing is lost and nothing comes twice, however often the parts are killed on the way.

Devices publish four labours; ingest and detect are killed (SIGKILL of real processes) where it hurts, both at the same
time as it happens, and broker and store are restarted under them. Logs, trends and summaries must then equal those of
a run in which nothing happened. QUIETWARD_KILLS sets the number of kills.
"""

import asyncio
import multiprocessing
import os
import random
import signal
import socket
import sys
import threading
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache, partial
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.commands import Acknowledge, Arrive, Command, Leave, RecordCare, Tap, UndoStay
from quietward.contracts.errors import Unreachable
from quietward.contracts.fields import HZ, encode_json
from quietward.contracts.inputs import Block, CommandEnvelope, Tick, decode_inputs, encode_inputs
from quietward.contracts.log import Event, decode_event
from quietward.contracts.samples import Samples
from quietward.contracts.settings import Settings
from quietward.contracts.stays import Arrival, Stay
from quietward.contracts.summary import Summary, decode_summary
from quietward.detect import rule_file
from quietward.detect.service import Detector
from quietward.detect.store import ShardStore
from quietward.ingest import service as ingest_service
from quietward.runtime.process import run as run_service
from quietward.simulator import bed as simulated
from quietward.simulator.scenario import load
from quietward.store.client import RedisError, Store, connected
from quietward.transport.mqtt import MqttError, Publisher, Subscriber
from quietward.transport.packets import Message
from tests.conftest import (
    MOSQUITTO,
    REQUIRE_REAL,
    WAIT_S,
    Server,
    broker_command,
    free_port,
    make_store,
    require,
    wait_for,
)
from tests.detectors import FORKS, assert_prepared, begin

KILLS = int(os.environ.get("QUIETWARD_KILLS", "28"))
RESTARTS = max(2, KILLS // 20)
"""So often the broker is restarted, and so often the store; they come on top of the kills."""

INGEST_POINTS = ("taken", "written", "acknowledging", "acknowledged")
DETECT_POINTS = ("stepped", "sent", "committed")
BEDS = {
    "bed-1": ("cord-not-recovering", 7),
    "bed-2": ("late-with-falling-variability", 7),
    "bed-3": ("noisy-but-well", 7),
    "bed-4": ("cord-not-recovering", 11),
}
T0 = 1_790_000_000
CHUNK_S = 20
VISIT_EVERY_S = 100
COMES_AND_GOES: list[Callable[[str], Command]] = [
    lambda who: Arrive("bed-3", who, Arrival("green", weeks=38)),
    lambda who: Leave("bed-3", who),
    lambda who: UndoStay("bed-3", who),
    lambda who: Arrive("bed-4", who, Arrival("a slip of the finger")),
    lambda who: UndoStay("bed-4", who),
]
BEGIN_S = 660
"""The labours are played from here on: soon a flag is raised, answered, and worse than before."""

LEAST_S = 800
MOST_S = LEAST_S + 60 * KILLS
PASSES = {"ingest": 160, "detect": 50}
"""About so many batches go through a part in the least time: its deaths are spread over them."""

AWAY = 3
"""Exit code of a part that found broker or store away when it started. What runs it starts it again."""


@dataclass(frozen=True)
class Death:
    """Where a process is to die: at a point, the first `passes` times are survived."""

    point: str
    passes: int


NEVER = Death("", 0)


def be(settings: Settings, part: str, death: Death, log: Path) -> None:
    """Be a part until its death; run in a fork of a process that has imported everything."""
    assert_prepared()
    with log.open("ab") as file:
        os.dup2(file.fileno(), 1)
        os.dup2(file.fileno(), 2)
    threading.Thread(target=end_with_parent, daemon=True).start()
    left = death.passes

    def at(point: str) -> None:
        nonlocal left
        if point == death.point:
            left -= 1
            if left < 0:
                os.kill(os.getpid(), signal.SIGKILL)

    acknowledge = Subscriber.acknowledge

    def in_two_parts(self: Subscriber, batch: Sequence[Message]) -> None:
        half = len(batch) // 2
        acknowledge(self, batch[:half])
        at("acknowledging")
        acknowledge(self, batch[half:])

    Subscriber.acknowledge = in_two_parts  # type: ignore[method-assign]  # in this process only
    try:
        run_service(ingest_service.serve(settings, at) if part == "ingest" else serve_detect(settings, at))
    except* Unreachable:
        os._exit(AWAY)


def end_with_parent() -> None:
    """A part must not outlive the test, however that ended."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)


async def serve_detect(settings: Settings, at: Callable[[str], None]) -> None:
    class Sending(ShardStore):
        async def commit(self, *what: Any) -> None:
            sending = asyncio.ensure_future(super().commit(*what))
            sending.add_done_callback(lambda task: task.cancelled() or task.exception())  # stopped, nobody else asks
            await asyncio.sleep(0.001)  # it is on its way, and may have been carried out
            at("sent")
            await sending

    async with connected(settings.store) as redis:
        store = Sending(redis, Ward(settings.ward).shard(0))
        await Detector(store, rule_file.load(settings.policy), settings.checkpoint_s, at).run_for_ever()


@dataclass
class Servers:
    """Broker and store, and how often they were restarted. broker_returns: False for one that forgets everything."""

    broker: Server
    store: Server
    broker_returns: bool
    restarts: Counter[str] = field(default_factory=Counter)
    restarting: bool = False

    def restart(self, which: str) -> None:
        """The broker is told to end and saves its sessions; the store is killed and has its append-only file."""
        server = self.broker if which == "broker" else self.store
        assert server.process is not None
        self.restarting = True
        self.restarts[which] += 1
        server.process.send_signal(signal.SIGTERM if which == "broker" else signal.SIGKILL)
        server.process.wait(WAIT_S)
        server.start()
        assert wait_for(self.store_answers), self.store.log.read_text()
        self.restarting = False

    def store_answers(self) -> bool:
        """It listens before it has read its file."""
        with socket.create_connection(("127.0.0.1", self.store.port), WAIT_S) as asks:
            asks.sendall(b"PING\r\n")
            return asks.recv(7) == b"+PONG\r\n"


@pytest.fixture
def servers(kind: str, tmp_path: Path) -> Iterator[Servers]:
    """The embedded broker keeps nothing over a restart and is not restarted: mosquitto stands in where there is one."""
    durable = kind == "real" or MOSQUITTO is not None or REQUIRE_REAL
    if durable:
        require(MOSQUITTO, "mosquitto")
    port = free_port()
    broker = Server(broker_command("real" if durable else kind, port, tmp_path), port, tmp_path / "broker.log")
    folder = tmp_path / "store"
    folder.mkdir()
    store = make_store(kind, folder)
    try:
        broker.start()
        store.start()
        yield Servers(broker, store, durable)
    finally:
        broker.kill()
        store.kill()


class Stream:
    """What the input stream holds: followed from outside, so that the devices know what has arrived."""

    def __init__(self, store: Store, ward: Ward) -> None:
        self.store, self.shard = store, ward.shard(0)
        self.last = self.last_new = "0-0"  # id of the last entry, and of the last with a second that is new
        self.newest: dict[str, int] = dict.fromkeys(BEDS, -1)
        self.heard: dict[str, int] = {}
        self.now = 0
        self.repeated = 0
        self.early: list[Block] = []
        self.longest_silence_s = 0.0

    async def follow(self) -> None:
        """Read on; a store that is away is asked again next time."""
        try:
            entries: Any = await self.store.xrange(self.shard.input, min=f"({self.last}")
        except RedisError:
            return
        for entry, fields in entries:
            self.last = entry.decode()
            for item in decode_inputs(fields[b"e"]):
                self.now = max(self.now, item.at)
                if isinstance(item, Block):
                    self._take(item)
                elif isinstance(item, Tick) and self.heard:
                    silence_s = (self.now - min(self.heard.values())) / 1000
                    self.longest_silence_s = max(self.longest_silence_s, silence_s)

    def _take(self, block: Block) -> None:
        if block.seq <= self.newest[block.bed]:
            self.repeated += 1
            return
        if block.seq > self.newest[block.bed] + 1:
            self.early.append(block)
        self.newest[block.bed], self.last_new = block.seq, self.last
        self.heard[block.bed] = block.at


class Run:
    """One ward from its devices to its logs, with deaths of the parts on the way."""

    def __init__(self, servers: Servers, store: Store, ward: str, folder: Path, kills: int) -> None:
        self.settings = Settings(
            ward=ward,
            broker=f"mqtt://127.0.0.1:{servers.broker.port}",
            store=f"redis://127.0.0.1:{servers.store.port}/0",
        )
        self.ward, self.servers, self.store, self.folder, self.kills = Ward(ward), servers, store, folder, kills
        self.stream = Stream(store, self.ward)
        rng = random.Random(kills)
        points = {"ingest": [INGEST_POINTS[i % 4] for i in range(kills * 4 // 7)]}
        points["detect"] = [DETECT_POINTS[i % 3] for i in range(kills - len(points["ingest"]))]
        self.deaths: dict[str, list[Death]] = {}
        for part, its_points in points.items():
            rng.shuffle(its_points)
            most = max(3, 2 * PASSES[part] // max(1, len(its_points)))
            self.deaths[part] = [Death(point, rng.randrange(most)) for point in its_points]
        restarts = ["store"] * RESTARTS + ["broker"] * (RESTARTS if servers.broker_returns else 0) if kills else []
        rng.shuffle(restarts)
        self.restarts = list(zip(sorted(rng.sample(range(kills), len(restarts))), restarts, strict=True))
        self.restart: asyncio.Task[None] | None = None
        self.died: Counter[str] = Counter()
        self.processes: dict[str, ForkServerProcess] = {}
        self.played = 0  # seconds that have arrived
        self.arrived: list[str] = []  # ids of the entries that completed a chunk
        self.sent = 0  # messages, second by second and bed by bed
        self.sent_again = 0
        self.unanswered: dict[int, None] = {}
        self.refused: list[str] = []
        self.answered = 0

    async def run(self, seconds: int | None = None) -> dict[str, Any]:
        """Play so many seconds, or as many as it takes for all deaths; return what the detector has said."""
        try:
            async with asyncio.TaskGroup() as tasks:
                keeping = {part: tasks.create_task(self._keep(part)) for part in self.deaths}
                await self._until(self._listens, "ingest is connected")
                await self._play(seconds)
                await self._end("ingest", keeping)  # it writes ticks as long as it runs
                await self._until(self._is_read, "all is read")
                await self._end("detect", keeping)
        finally:
            for process in self.processes.values():
                process.kill()
                process.join(5)
            if self.restart is not None:
                await asyncio.wait([self.restart])
        assert not self.refused
        assert not [path for path in self.folder.glob("*.log") if "Traceback" in path.read_text()]
        return await said(self.store, self.ward)

    async def _keep(self, part: str) -> None:
        """Keep a part running, process after process; each of the first is told where to die."""
        deaths = iter(self.deaths[part])
        death = next(deaths, NEVER)
        while True:
            over = self.servers.restarts.total() - self.servers.restarting
            arguments = self.settings, part, death, self.folder / f"{part}.log"
            process = self.processes[part] = FORKS.Process(target=be, args=arguments, daemon=True)
            begin(process)
            while process.exitcode is None:
                await asyncio.sleep(0.005)
            if process.exitcode == -signal.SIGKILL:
                assert death is not NEVER, f"somebody else has killed {part}"
                self.died[death.point] += 1
                death = next(deaths, NEVER)
            else:
                was_away = process.exitcode == AWAY and self.servers.restarts.total() > over
                assert was_away, f"{part} ended with {process.exitcode}:\n{self._log()}"

    async def _end(self, part: str, keeping: dict[str, asyncio.Task[None]]) -> None:
        keeping[part].cancel()
        self.processes[part].terminate()
        await asyncio.to_thread(self.processes[part].join, WAIT_S)

    async def _play(self, seconds: int | None) -> None:
        """Be the devices: come back when the connection is lost."""
        while True:
            try:
                async with Publisher(
                    self.settings.broker, "devices", self.ward.status_topic("bed-1"), self.refused.append
                ) as out:
                    return await self._publish(out, seconds)
            except (MqttError, Unreachable):
                await asyncio.sleep(0.02)

    async def _publish(self, out: Publisher, seconds: int | None) -> None:
        self.sent_again += len(self.unanswered)
        for number in list(self.unanswered):
            await self._send(out, number)
        while self._goes_on(seconds):
            restarting = self._begin_restart()
            until_s = self.played + CHUNK_S
            while self.sent < until_s * len(BEDS):
                await self._send(out, self.sent)
                self.sent += 1
                if restarting:
                    await asyncio.sleep(0.002)  # so that it happens while we send
            await self._until(self._has_arrived, f"second {until_s} has arrived", out)
            self.arrived.append(self.stream.last_new)
            if until_s % VISIT_EVERY_S == 0:
                await self._visit(until_s)
            else:
                await self._until(partial(self._is_read, but_for_chunks=2), f"second {until_s} is nearly read")
            self.played = until_s

    async def _send(self, out: Publisher, number: int) -> None:
        bed, payload = message(number)
        topic = self.ward.samples_topic(bed)
        await out.publish(topic, payload, answered=lambda: self.unanswered.pop(number, None))
        self.unanswered[number] = None

    def _goes_on(self, seconds: int | None) -> bool:
        if seconds is not None:
            return self.played < seconds
        assert self.played < MOST_S, f"{self.died.total()} of {self.kills} have died"
        return self.played < LEAST_S or self.died.total() < self.kills or bool(self.restarts)

    def _begin_restart(self) -> bool:
        if self.restart is None and self.restarts and self.died.total() >= self.restarts[0][0]:
            _, which = self.restarts.pop(0)
            self.restart = asyncio.create_task(asyncio.to_thread(self.servers.restart, which))
        return self.restart is not None

    async def _has_arrived(self) -> bool:
        """All that was sent is in the stream, and broker and store are there."""
        if self.restart is not None and self.restart.done():
            self.restart.result()
            self.restart = None
        await self.stream.follow()
        newest = self.sent // len(BEDS) - 1
        return self.restart is None and all(seq == newest for seq in self.stream.newest.values())

    async def _is_read(self, but_for_chunks: int = 0) -> bool:
        """The detector has written what it has to say of the chunks that have arrived."""
        due = self.arrived[: len(self.arrived) - but_for_chunks]
        written = await self._stored(lambda: self.store.get(self.ward.shard(0).position))
        return not due or (written is not None and key(written.decode()) >= key(due[-1]))

    async def _listens(self) -> bool:
        return "connected to the broker" in self._log()

    async def _visit(self, second: int) -> None:
        """Be the people: answer all flags that stand unanswered, and do this and that. The page writes it likewise."""
        await self._until(self._is_read, f"second {second} is read")
        shard = self.ward.shard(0)
        summaries = await self._stored(lambda: self.store.hgetall(shard.summary))
        seen = [decode_summary(summaries[bed.encode()]) for bed in BEDS]
        who = f"Kim at {second}"
        acts: list[Command] = [Acknowledge(s.bed, who, s.flag) for s in seen if s.flag and not s.acknowledged_by]
        self.answered += len(acts)
        acts += [
            Tap("bed-2", who, "end" if second // VISIT_EVERY_S % 2 else "start"),
            RecordCare("bed-3", who, "turned"),
            COMES_AND_GOES[second // VISIT_EVERY_S % len(COMES_AND_GOES)](who),
        ]
        for act in acts:
            # At once: what a person takes longer is added to the bed's second, and server time is not what is compared.
            item = CommandEnvelope(self.stream.heard[act.bed], act)
            await self.store.xadd(shard.input, {"e": encode_inputs([item])})

    async def _stored(self, ask: Callable[[], Any]) -> Any:
        async with asyncio.timeout(WAIT_S):
            while True:
                try:
                    return await ask()
                except RedisError:
                    await asyncio.sleep(0.02)

    async def _until(self, reached: Callable[[], Awaitable[bool]], what: str, out: Publisher | None = None) -> None:
        """Wait with a deadline. Raises MqttError when the devices' connection is lost meanwhile."""
        end = time.monotonic() + WAIT_S
        while not await reached():
            assert time.monotonic() < end, f"not within {WAIT_S} s: {what}\n{self._log()}"
            if out is not None and not out.connected:
                raise MqttError("Disconnected")
            await asyncio.sleep(0.005)

    def _log(self) -> str:
        """What the parts have said last."""
        return "".join(path.read_text()[-3000:] for path in sorted(self.folder.glob("*.log")))


@cache
def labours() -> dict[str, simulated.SimulatedLabour]:
    return {bed: simulated.simulate(load(name), seed, BEGIN_S + MOST_S) for bed, (name, seed) in BEDS.items()}


def message(number: int) -> tuple[str, bytes]:
    """The bed and the payload of a message."""
    seq, place = divmod(number, len(BEDS))
    bed = list(BEDS)[place]
    part = slice((BEGIN_S + seq) * HZ, (BEGIN_S + seq + 1) * HZ)
    labour = labours()[bed]
    fhr, ua = ([None if np.isnan(x) else float(x) for x in s[part]] for s in (labour.fhr, labour.ua))
    return bed, encode_json(Samples("s", seq, (T0 + seq) * 1000, 4, fhr, ua))


def key(entry_id: str) -> tuple[int, ...]:
    return tuple(int(number) for number in entry_id.split("-"))


async def said(store: Store, ward: Ward) -> dict[str, Any]:
    """Everything the detector has said of the beds and every stay at them, without the server's times."""
    shard = ward.shard(0)
    found: dict[str, Any] = {}
    for bed in BEDS:
        for name, first in (("log", shard.log(bed)), ("trend", shard.trend(bed))):
            keys: Any = await store.keys(f"{first}*")
            for number, key in enumerate(sorted(map(bytes.decode, keys), key=lambda key: (len(key), key))):
                entries: Any = await store.xrange(key)
                events = [decode_event(fields[b"e"]) for _, fields in entries]
                assert len({event.stay for event in events}) == 1
                found[f"{name} {number} of {bed}"] = [without_stay(event) for event in events]
                found[f"{name} {number} of {bed} is kept"] = await store.ttl(key) < 0
        raw: Any = await store.hget(shard.summary, bed)
        found[f"summary of {bed}"] = without_server_times(decode_summary(raw))
    return found


def without_stay(event: Event) -> Event:
    return msgspec.structs.replace(event, stay=0)


def without_server_times(summary: Summary) -> Summary:
    def plain(stay: Stay | None) -> Any:
        return None if stay is None else msgspec.structs.replace(stay, id=min(1, stay.id), ended_at=0)

    former: list[Stay] = [plain(stay) for stay in summary.former]
    undoable = None if summary.undoable is None else msgspec.structs.replace(summary.undoable, until=0)
    return msgspec.structs.replace(
        summary, at=0, looked_at=0, stay=plain(summary.stay), former=former, undoable=undoable
    )


async def test_killed_and_restarted_it_says_the_same(
    servers: Servers, kind: str, tmp_path: Path, record_property: Any
) -> None:
    began = time.monotonic()
    folders = tmp_path / "killed", tmp_path / "undisturbed"
    for folder in folders:
        folder.mkdir()
    async with (
        asyncio.timeout(10 * WAIT_S + 2 * KILLS),
        connected(f"redis://127.0.0.1:{servers.store.port}/0") as store,
    ):
        killed = Run(servers, store, "killed", folders[0], KILLS)
        found = await killed.run()
        lasted_s = time.monotonic() - began
        undisturbed = Run(servers, store, "undisturbed", folders[1], 0)
        expected = await undisturbed.run(killed.played)
    silent_after_s = rule_file.load().reading.signal.silent_after_s
    for run in (killed, undisturbed):
        assert run.stream.longest_silence_s < silent_after_s, (
            f"{run.ward.name}: this machine was so slow that a bed counted as silent; it says nothing about the kills"
        )
        assert not run.stream.early, f"{run.ward.name}: seconds that came before their predecessors"

    assert killed.died.total() == KILLS
    assert set(killed.died) == {*INGEST_POINTS, *DETECT_POINTS}
    assert servers.restarts == {"store": RESTARTS} | ({"broker": RESTARTS} if servers.broker_returns else {})
    assert killed.stream.repeated > 0, "nothing came twice: the kills were without effect"
    events = [e for said_of in expected.values() if isinstance(said_of, list) for e in said_of]
    kinds = Counter(e.kind for e in events)
    assert kinds["flag-raised"] > 0
    assert kinds["flag-acknowledged"] == undisturbed.answered > 0
    assert min(kinds[kind] for kind in ("arrived", "left", "stay-undone")) > 0
    assert found.keys() == expected.keys()
    for name, said_of in expected.items():
        assert found[name] == said_of, name

    text = (
        f"{kind}: {killed.died.total()} kills ({dict(killed.died)}), restarts {dict(servers.restarts)}, "
        f"{killed.played} s of {len(BEDS)} beds, {killed.sent_again} messages sent again, {killed.stream.repeated} "
        f"seconds came twice, longest silence {killed.stream.longest_silence_s:.1f} s; {len(events)} events "
        f"({kinds['flag-raised']} flags raised, {kinds['flag-acknowledged']} answers) and {len(BEDS)} summaries are "
        f"equal; {lasted_s:.0f} s with kills, {time.monotonic() - began:.0f} s in all"
    )
    record_property("kills", text)
    print(text, file=sys.stderr)
