"""A whole ward of real parts that a fault is injected into, and what a page of it is shown meanwhile."""

import asyncio
import contextlib
import json
import os
import shutil
import signal
import struct
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil
import websockets

from quietward.contracts.addresses import Ward
from quietward.contracts.inputs import Block, inputs_of
from quietward.contracts.log import decode_event
from quietward.contracts.settings import Settings, with_account
from quietward.runtime.embedded import mosquitto_settings, store_command, wait_for_port
from quietward.store.client import RedisError, Store, connected, read_stream
from tests.conftest import MOSQUITTO, REDIS, ending_with_us, free_port, set_password
from tests.faults.link import Link

BEDS, SHARDS, HEAD_START_MIN = 3, 2, 12
NO_FRAME_S = 3.5
"""As in `dashboard/assets/shared/feed.mjs`: after so long without a frame a page says that it has lost its server."""
BLIND = frozenset({"lost", "unwatched", "paused"})
"""States of a bed that say that nobody sees its trace."""
FRESH_MS = 3_000
START_WITHIN_S = 60.0
READ_AT_ONCE = 5_000
ALLOWED = "topic readwrite #"
ACCOUNT, PASSWORD = "ward", "ward"
"""Of everybody at the broker: one that has access rules and is started again gives nothing to a session without an
account until its owner is back, and tells devices that it was taken (mosquitto 2.0.11)."""
Before = Callable[[Store], Awaitable[None]]
PARTS = ("ingest", "detect", "serve")
"""What runs on one machine; each reads by how much its clock is off from a file of its own."""


@dataclass
class Process:
    """One process of the ward, on ports of its own, that can be killed, stopped, continued and started again."""

    name: str
    command: list[str]
    log: Path
    environment: dict[str, str] = field(default_factory=dict)
    port: int = 0
    running: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as file:
            self.running = subprocess.Popen(
                ending_with_us(self.command), stdout=file, stderr=file, cwd=Path(__file__).parents[2],
                env=os.environ | self.environment,
                restore_signals=False,  # as Python ignores them: a file that may not grow is an error, not the end
            )  # fmt: skip

    def send(self, number: signal.Signals) -> None:
        if self.running is not None:
            self.running.send_signal(number)

    def kill(self) -> None:
        if self.running is not None:
            self.running.kill()
            self.running.wait()
            self.running = None

    async def restart(self) -> None:
        self.start()
        await self.is_up()

    async def is_up(self) -> None:
        if self.port and not await asyncio.to_thread(wait_for_port, self.port, START_WITHIN_S):
            raise RuntimeError(f"{self.name} does not start: {self.log.read_text()[-500:]}")


@dataclass
class Moment:
    """One frame of the page: when it came, each bed's state and words of its signal or clock, the band of troubles."""

    at: float
    beds: dict[str, tuple[str, str]]
    newest_ms: dict[str, int]
    troubles: list[str]


class Page:
    """An open page: it reads frames and connects again when it must, as a browser does."""

    def __init__(self, port: int, beds: frozenset[str]) -> None:
        self.port, self.beds, self.moments = port, beds, list[Moment]()
        self.gaps: list[float] = []

    async def run(self) -> None:
        while True:
            with contextlib.suppress(OSError, websockets.WebSocketException, TimeoutError):
                async with websockets.connect(
                    f"ws://127.0.0.1:{self.port}/live", max_size=None, open_timeout=4, ping_interval=None
                ) as ws:
                    while True:
                        raw = await asyncio.wait_for(ws.recv(), NO_FRAME_S)
                        assert isinstance(raw, bytes)
                        self._take(raw)
            await asyncio.sleep(0.5)

    def _take(self, raw: bytes) -> None:
        (length,) = struct.unpack("<I", raw[:4])
        head: dict[str, Any] = json.loads(raw[4 : 4 + length])
        cards = [one["card"] for one in head["beds"] if one["card"]["bed"] in self.beds]
        if self.moments:
            self.gaps.append(time.monotonic() - self.moments[-1].at)
        beds = {
            card["bed"]: (
                card["state"],
                card["reason"] if card["state"] == "unwatched" else card["signal_reason"] or card["clock"],
            )
            for card in cards
        }
        newest = {card["bed"]: card["t"] or 0 for card in cards}
        self.moments.append(Moment(time.monotonic(), beds, newest, head["troubles"]))

    @property
    def is_lost(self) -> bool:
        """True when a page has said that it lost its server."""
        return not self.moments or time.monotonic() - self.moments[-1].at > NO_FRAME_S

    @property
    def newest(self) -> Moment:
        return self.moments[-1]


class FaultWard:
    """mosquitto, redis-server with an append-only file, ingest, detect, page and simulated devices, on loopback.

    links: the ways between parts, by both names, such as `ingest-store`.
    """

    def __init__(
        self,
        folder: Path,
        store: Store,
        processes: dict[str, Process],
        ward: Ward,
        page: Page,
        links: dict[str, Link],
    ) -> None:
        self.folder, self.store, self.processes, self.ward, self.page = folder, store, processes, ward, page
        self.links = links
        self.rules = folder / "acl"
        self.behind_ms = 0  # so far behind are the devices

    def __getitem__(self, name: str) -> Process:
        return self.processes[name]

    @property
    def broker(self) -> str:
        return self["ingest"].environment["QUIETWARD_BROKER"]

    def last_lines(self) -> dict[str, str]:
        """Return the end of each part's log."""
        return {name: one.log.read_text()[-2000:] for name, one in self.processes.items() if one.log.exists()}

    def set_clock(self, off_s: int, *of: str) -> None:
        """Set the clock of some parts, or that of the devices, which read it when they start."""
        for part in of:
            clock_of(self.folder, part).write_text(str(off_s))

    def page_mb(self) -> float | None:
        """Return the memory that the page's server holds, MB; None while it is not running."""
        running = self["serve"].running
        try:
            return None if running is None else float(psutil.Process(running.pid).memory_info().rss) / 1e6
        except psutil.NoSuchProcess:
            return None

    def allow(self, rule: str) -> None:
        """Change what the broker lets everybody do."""
        self.rules.write_text(rules_of(rule))
        self["broker"].send(signal.SIGHUP)

    def is_well(self) -> bool:
        """True while the page shows every bed with a fresh signal and no trouble."""
        if self.page.is_lost or self.page.newest.troubles:
            return False
        newest, due_ms = self.page.newest, time.time_ns() // 1_000_000 - self.behind_ms
        return newest.beds.keys() == self.page.beds and all(
            newest.beds[bed][0] not in BLIND and due_ms - newest.newest_ms[bed] < FRESH_MS for bed in self.page.beds
        )

    async def found(self) -> tuple[int, int, bool]:
        """Return what `missing` and `log_is_whole` say, once the store answers again."""
        end = time.monotonic() + START_WITHIN_S
        while True:
            try:
                return *await self.missing(), await self.log_is_whole()
            except RedisError:  # a connection of ours that broke with the store
                if time.monotonic() > end:
                    raise
                await asyncio.sleep(0.5)

    async def missing(self) -> tuple[int, int]:
        """Return how many seconds of beds are not in the streams, of those up to each session's newest, and how many
        the detectors did not use, but for those that came twice.
        """
        found: dict[tuple[str, str], set[int]] = {}
        twice = refused = 0
        for shard in self.ward.all_shards:
            after = "0-0"
            while entries := await read_stream(self.store, shard.input, after, READ_AT_ONCE, block_ms=None):
                after = entries[-1][0].decode()
                blocks = [item for _, fields in entries for item in inputs_of(fields) if isinstance(item, Block)]
                for item in blocks:
                    numbers = found.setdefault((item.bed, item.session), set())
                    twice += item.seq in numbers
                    numbers.add(item.seq)
            counts: Any = await self.store.hgetall(shard.refusals)
            refused += sum(int(n) for what, n in counts.items() if not what.endswith(b" time"))  # those are used
        missing = sum(max(numbers) + 1 - len(numbers) for numbers in found.values())
        return missing, refused - twice

    async def log_is_whole(self) -> bool:
        """Return whether the logs number their lines without one twice or one missing: nobody wrote out of turn."""
        return await self.lines() == (0, 0)

    async def lines(self) -> tuple[int, int]:
        """Return how many lines of the beds' logs are there twice, and how many are missing, by their numbers."""
        repeated = missing = 0
        for shard in self.ward.all_shards:
            beds: Any = await self.store.hkeys(shard.summary)
            for bed in (raw.decode() for raw in beds):
                numbers: list[int] = []
                for key in (shard.log(bed), shard.trend(bed)):
                    entries: Any = await self.store.xrange(key)
                    numbers += [int(decode_event(fields[b"e"]).id.rpartition("-")[2]) for _, fields in entries]
                repeated += len(numbers) - len(set(numbers))
                missing += max(numbers, default=0) - len(set(numbers))
        return repeated, missing


def rules_of(rule: str) -> str:
    """Return the broker's access rules."""
    return f"user {ACCOUNT}\n{rule}\n"


async def _start(processes: dict[str, Process], *names: str) -> None:
    for name in names:
        await processes[name].restart()


def clock_of(folder: Path, part: str) -> Path:
    """Return the file that holds by how many seconds a part's clock is off."""
    return folder / f"clock of {part}"


@asynccontextmanager
async def running_ward(
    folder: Path,
    beds: int = BEDS,
    behind_s: int = 0,
    shards: int = SHARDS,
    seats: int = 1,
    before: Before | None = None,
) -> AsyncIterator[FaultWard]:
    """Start a ward, and end all of it by pid. behind_s: how far its devices are behind (`tests.faults.offline`).

    before: called with the store before any part is started; then no devices are, whoever calls this has them.
    Raises RuntimeError when a part does not start.
    """
    if MOSQUITTO is None or REDIS is None:
        raise RuntimeError("mosquitto and redis-server are needed: apt-get install mosquitto redis-server")
    broker_port, store_port, page_port = free_port(), free_port(), free_port()
    settings = Settings(ward="faults", shards=shards, seats=seats)
    links = {f"{one}-broker": Link(broker_port) for one in ("ingest", "devices")}
    links |= {f"{one}-store": Link(store_port) for one in ("ingest", "detect", "serve", "devices")}
    for link in links.values():
        await link.start()
    (folder / "store").mkdir(parents=True)
    for part_with_clock in (*PARTS, "devices"):
        clock_of(folder, part_with_clock).write_text("0")
    environment = {
        "QUIETWARD_WARD": settings.ward,
        "QUIETWARD_SHARDS": str(shards),
        "QUIETWARD_SEATS": str(seats),
        "QUIETWARD_PORT": str(page_port),
        "QUIETWARD_CHECKPOINT_S": "5",
    }

    def ways(part: str) -> dict[str, str]:
        """Where a part finds broker and store."""
        found = environment | {"QUIETWARD_STORE": f"redis://127.0.0.1:{links[f'{part}-store'].port}/0"}
        if f"{part}-broker" in links:
            url = f"mqtt://127.0.0.1:{links[f'{part}-broker'].port}"
            found["QUIETWARD_BROKER"] = with_account(url, ACCOUNT, PASSWORD)
        return found

    def part(name: str, command: str, port: int = 0) -> Process:
        line = [sys.executable, "-m", "tests.faults.stepped", str(clock_of(folder, command)), command]
        return Process(name, line, folder / f"{name}.log", ways(command), port)

    def devices(*arguments: str) -> Process:
        stepped = ["tests.faults.stepped", str(clock_of(folder, "devices"))]
        how = ["tests.faults.offline", str(behind_s)] if behind_s else stepped
        command = [sys.executable, "-m", *how, "simulate", "--scenario", "calm", *arguments]
        return Process("devices", command, folder / "devices.log", ways("devices"))

    store_line = [REDIS, *store_command(store_port, folder / "store", durable=True)[1:]]
    broker_settings = mosquitto_settings(broker_port, folder, durable=True)
    (folder / "acl").write_text(rules_of(ALLOWED))
    set_password(folder / "passwords", ACCOUNT, PASSWORD)
    only_accounts = broker_settings.read_text().replace("allow_anonymous true", "allow_anonymous false")
    broker_settings.write_text(f"{only_accounts}acl_file {folder / 'acl'}\npassword_file {folder / 'passwords'}\n")
    broker_line = [MOSQUITTO, "-c", str(broker_settings)]
    processes = {
        "broker": Process("broker", broker_line, folder / "broker.log", port=broker_port),
        "store": Process("store", store_line, folder / "store.log", port=store_port),
        "serve": part("serve", "serve", port=page_port),
        "ingest": part("ingest", "ingest"),
        "detect": part("detect", "detect"),
        "second detect": part("second detect", "detect"),
        "devices": devices("--beds", str(beds), "--head-start", str(HEAD_START_MIN)),
    }
    page = Page(page_port, frozenset(f"bed-{n + 1}" for n in range(beds)))
    watching: asyncio.Task[None] | None = None
    try:
        await _start(processes, "broker", "store")
        async with connected(f"redis://127.0.0.1:{store_port}/0") as store:
            if before is not None:
                await before(store)
                del processes["devices"]
            await _start(processes, *(name for name in ("serve", "ingest", "detect", "devices") if name in processes))
            watching = asyncio.create_task(page.run())
            ward = FaultWard(folder, store, processes, Ward(settings.ward, shards), page, links)
            ward.behind_ms = behind_s * 1000
            yield ward
    finally:
        if watching is not None:
            watching.cancel()
        for process in reversed(processes.values()):
            process.send(signal.SIGCONT)
            process.kill()
        for link in links.values():
            await link.close()
        shutil.rmtree(folder / "store", ignore_errors=True)
