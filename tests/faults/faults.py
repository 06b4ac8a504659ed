"""The faults: how each is injected and lifted, and whose data stop meanwhile."""

import asyncio
import contextlib
import resource
import shutil
import signal
import socket
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import msgspec
import websockets

from quietward.store.client import RedisError
from quietward.transport.mqtt import Publisher
from tests.faults.ward import ALLOWED, NO_FRAME_S, PARTS, FaultWard

SOCKETS, SLOW_SOCKETS = 500, 20
BACKLOG_S = 1_200
OFFLINE_S, OFFLINE_BEDS = 3_600, 12
CUT_BYTES = 30_000

Step = Callable[[FaultWard], Awaitable[None]]


async def nothing(_: FaultWard) -> None:
    """Do nothing."""


CALM_AT_MOST_S = 10.0
"""So long may a bed look calm after its data stop or its detector hangs; by then the page has said why."""
SAID_WITHIN_S, WELL_WITHIN_S = 12.0, 14.0
"""A fault is said, and its end is over, within so long."""
DETECTOR_BEGINS_WITHIN_S = 40.0
"""One that is started loads the compiled core before it asks for shards, so that nobody is kept waiting for it: seconds
of a processor, and more than `WELL_WITHIN_S` on a machine that is busy with other things."""
MANY_PAGES_GAP_S = 10.0
"""500 pages are read by the process of the one that is watched, on the cores of the server: it is late itself."""
SEEN_ENOUGH_S = 60.0
"""So long at least a bed that nothing is known of any more is not `quiet`."""


@dataclass(frozen=True)
class Fault:
    """inject and lift: what is done, hold_s apart; prepare: what is done before.

    blind: the beds' data or their detector stop meanwhile. is_said: the page must say something. may_lose: what is lost
    is part of the fault, and is told. short_s: how long it is held in the short form; 0: it is none of it.
    well_within_s: how long it may take from its end until all is well. gap_at_most_s: longest time between two frames;
    0: the page itself is stopped, or it does not matter. not_quiet_s: for so long after its end no bed is `quiet`.
    """

    name: str
    inject: Step
    lift: Step
    hold_s: float = 14.0
    blind: bool = True
    is_said: bool = True
    may_lose: bool = False
    short_s: float = 0.0
    prepare: Step = nothing
    well_within_s: float = WELL_WITHIN_S
    gap_at_most_s: float = 0.0
    not_quiet_s: float = 0.0


def killed(part: str, short_s: float = 0.0) -> Fault:
    async def inject(ward: FaultWard) -> None:
        ward[part].kill()

    async def lift(ward: FaultWard) -> None:
        await ward[part].restart()

    within_s = DETECTOR_BEGINS_WITHIN_S if part == "detect" else WELL_WITHIN_S
    return Fault(f"{part} killed, started again", inject, lift, short_s=short_s, well_within_s=within_s)


def hung(part: str, short_s: float = 0.0) -> Fault:
    async def inject(ward: FaultWard) -> None:
        ward[part].send(signal.SIGSTOP)

    async def lift(ward: FaultWard) -> None:
        ward[part].send(signal.SIGCONT)

    return Fault(f"{part} stopped, continued", inject, lift, short_s=short_s)


def configured(name: str, inject_by: tuple[str, ...], lift_by: tuple[str, ...]) -> Fault:
    async def inject(ward: FaultWard) -> None:
        await cast("Any", ward.store).execute_command(*inject_by)

    async def lift(ward: FaultWard) -> None:
        await cast("Any", ward.store).execute_command(*lift_by)

    return Fault(name, inject, lift)


async def _deliver_nothing(ward: FaultWard) -> None:
    """The broker takes what devices send, answers for it, and keeps every connection."""
    ward.allow("topic write #")


async def _deliver(ward: FaultWard) -> None:
    ward.allow(ALLOWED)


async def _cut_file(ward: FaultWard) -> None:
    ward["store"].kill()
    newest = max((ward.folder / "store" / "appendonlydir").glob("*.incr.aof"), key=lambda path: path.stat().st_mtime)
    with newest.open("r+b") as file:
        file.truncate(newest.stat().st_size - CUT_BYTES)


def cut(*links: str, short_s: float = 0.0) -> Fault:
    """No way between parts: what is sent is dropped, and no connection is closed."""

    async def inject(ward: FaultWard) -> None:
        for link in links:
            ward.links[link].cut()

    async def lift(ward: FaultWard) -> None:
        for link in links:
            ward.links[link].mend()

    return Fault(f"no network: {', '.join(links)}", inject, lift, short_s=short_s)


def _limit_files(ward: FaultWard, to_bytes: int, part: str = "store") -> None:
    """Let no file of a part grow beyond a size: as on a full disk, without needing one."""
    running = ward[part].running
    if running is not None:
        resource.prlimit(running.pid, resource.RLIMIT_FSIZE, (to_bytes, resource.RLIM_INFINITY))


async def _fill_disk(ward: FaultWard) -> None:
    await cast("Any", ward.store).execute_command("CONFIG", "SET", "appendfsync", "everysec")
    _limit_files(ward, max(path.stat().st_size for path in (ward.folder / "store" / "appendonlydir").glob("*.aof")))


async def _empty_disk(ward: FaultWard) -> None:
    _limit_files(ward, resource.RLIM_INFINITY)
    end = time.monotonic() + 20
    while time.monotonic() < end:
        with contextlib.suppress(RedisError):
            await cast("Any", ward.store).execute_command("CONFIG", "SET", "appendfsync", "always")
            return
        await asyncio.sleep(0.2)


async def _fill_disk_of_a_careful_store(ward: FaultWard) -> None:
    """With appendfsync always the store ends rather than forget what it has already answered for."""
    _limit_files(ward, max(path.stat().st_size for path in (ward.folder / "store" / "appendonlydir").glob("*.aof")))


async def _fill_disk_of_broker(ward: FaultWard) -> None:
    """It is told to save what it keeps, and cannot."""
    _limit_files(ward, 1, "broker")
    ward["broker"].send(signal.SIGUSR1)


async def _empty_disk_of_broker(ward: FaultWard) -> None:
    _limit_files(ward, resource.RLIM_INFINITY, "broker")
    ward["broker"].send(signal.SIGUSR1)


async def _empty_store(ward: FaultWard) -> None:
    ward["store"].kill()
    shutil.rmtree(ward.folder / "store" / "appendonlydir")


async def _start_store(ward: FaultWard) -> None:
    await ward["store"].restart()


async def _two_detectors(ward: FaultWard) -> None:
    await ward["second detect"].restart()
    end = time.monotonic() + 30
    while "holds [" not in ward["second detect"].log.read_text() and time.monotonic() < end:
        await asyncio.sleep(0.2)
    await asyncio.sleep(2)


async def _hang_one_of_two(ward: FaultWard) -> None:
    ward["detect"].send(signal.SIGSTOP)


async def _go_on_with_one(ward: FaultWard) -> None:
    ward["detect"].send(signal.SIGCONT)
    await asyncio.sleep(4)
    ward["second detect"].send(signal.SIGTERM)


def pages(name: str, sockets: "Sockets | SlowSockets", gap_at_most_s: float) -> Fault:
    """Many pages at once, and how long another may be without a frame meanwhile."""
    return Fault(
        name, sockets.open, sockets.close, short_s=4, blind=False, is_said=False, gap_at_most_s=gap_at_most_s
    )  # fmt: skip


def clock(by_s: int, whose: str = "parts' machine", parts: Sequence[str] = PARTS) -> Fault:
    async def inject(ward: FaultWard) -> None:
        ward.set_clock(by_s, *parts)

    async def lift(ward: FaultWard) -> None:
        ward.set_clock(0, *parts)

    return Fault(f"clock of the {whose} {by_s / 3600:+.0f} h", inject, lift, blind=False)


def devices_clock(by_s: int) -> Fault:
    """All devices start again on a machine whose clock is wrong, and once more when it has been set right."""

    async def begin_with(ward: FaultWard, off_s: int) -> None:
        ward["devices"].kill()
        ward.set_clock(off_s, "devices")
        await ward["devices"].restart()

    async def inject(ward: FaultWard) -> None:
        await begin_with(ward, by_s)

    async def lift(ward: FaultWard) -> None:
        await begin_with(ward, 0)

    return Fault(f"clock of the devices {by_s / 3600:+.0f} h, begun again", inject, lift, 30, blind=False)


def _second(seq: int, began_ms: int) -> bytes:
    message = {"session": "late", "seq": seq, "t": began_ms + seq * 1000, "hz": 4, "fhr": [140.0] * 4, "ua": [9.0] * 4}
    return msgspec.json.encode(message)


async def _burst(ward: FaultWard) -> None:
    """A device that was offline hands over all it has kept, in one go."""
    began_ms = time.time_ns() // 1_000_000 - BACKLOG_S * 1000
    async with Publisher(ward.broker, "late", ward.ward.status_topic("late"), lambda _: None) as out:
        for seq in range(BACKLOG_S):
            await out.publish(ward.ward.samples_topic("late"), _second(seq, began_ms))
        await out.settle(10)


class Sockets:
    """Many pages that are open at once."""

    def __init__(self) -> None:
        self.tasks: list[asyncio.Task[None]] = []

    async def open(self, ward: FaultWard) -> None:
        async def one() -> None:
            with contextlib.suppress(OSError, websockets.WebSocketException, TimeoutError):
                address = f"ws://127.0.0.1:{ward.page.port}/live"
                async with websockets.connect(address, max_size=None, open_timeout=20, ping_interval=None) as ws:
                    async for _ in ws:
                        pass

        self.tasks = [asyncio.create_task(one()) for _ in range(SOCKETS)]

    async def close(self, _: FaultWard) -> None:
        for task in self.tasks:
            task.cancel()
        await asyncio.gather(*self.tasks, return_exceptions=True)


class SlowSockets:
    """Pages that ask for everything and read nothing."""

    def __init__(self) -> None:
        self.open_sockets: list[socket.socket] = []

    async def open(self, ward: FaultWard) -> None:
        request = (
            "GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
            "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\nSec-WebSocket-Version: 13\r\n\r\n"
        )
        for _ in range(SLOW_SOCKETS):
            sock = socket.socket()
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            sock.connect(("127.0.0.1", ward.page.port))
            sock.sendall(request.encode())
            self.open_sockets.append(sock)

    async def close(self, _: FaultWard) -> None:
        for sock in self.open_sockets:
            sock.close()


def all_faults() -> list[Fault]:
    """Return all faults, in the order in which they are injected."""
    sockets, slow = Sockets(), SlowSockets()
    return [
        killed("broker"),
        hung("broker", short_s=4),
        Fault("broker's disk full", _fill_disk_of_broker, _empty_disk_of_broker, blind=False, is_said=False),
        Fault("broker takes all and delivers nothing", _deliver_nothing, _deliver, may_lose=True),
        killed("store"),
        hung("store"),
        configured("store full (maxmemory)", ("CONFIG", "SET", "maxmemory", "1"), ("CONFIG", "SET", "maxmemory", "0")),
        configured("store read-only", ("REPLICAOF", "127.0.0.1", "1"), ("REPLICAOF", "NO", "ONE")),
        Fault("store's disk full (appendfsync everysec)", _fill_disk, _empty_disk),
        Fault("store's disk full (appendfsync always)", _fill_disk_of_a_careful_store, _start_store),
        Fault(f"store's file cut by {CUT_BYTES} bytes", _cut_file, _start_store, 3, may_lose=True),
        killed("ingest", short_s=4),
        hung("ingest"),
        killed("detect"),
        hung("detect", short_s=11),
        Fault(
            "one of two detectors stopped, continued",
            _hang_one_of_two,
            _go_on_with_one,
            blind=False,
            prepare=_two_detectors,
        ),
        killed("serve"),
        hung("serve"),
        hung("devices"),
        killed("devices"),
        cut("ingest-broker", "devices-broker"),
        cut("ingest-broker", short_s=4),
        cut("devices-broker"),
        cut("ingest-store"),
        cut("detect-store", short_s=11),
        cut("serve-store"),
        cut("ingest-store", "detect-store", "serve-store", "devices-store"),
        Fault(f"{BACKLOG_S / 60:.0f} min of one device at once", _burst, nothing, 3, blind=False, is_said=False),
        clock(3600),
        clock(-3600),
        clock(3600, "page's server", ("serve",)),
        devices_clock(3600),
        devices_clock(-3600),
        pages(f"{SLOW_SOCKETS} pages that read nothing", slow, NO_FRAME_S),
        pages(f"{SOCKETS} pages", sockets, MANY_PAGES_GAP_S),
        Fault("store comes back empty", _empty_store, _start_store, 3, may_lose=True, not_quiet_s=SEEN_ENOUGH_S),
    ]


def offline() -> Fault:
    """A whole ward's devices have no network, and then hand over all at once what they have kept for an hour.

    The ward's devices must be that far behind.
    """
    no_network = cut("devices-broker")

    async def lift(ward: FaultWard) -> None:
        ward.behind_ms = 0
        ward["devices"].send(signal.SIGUSR1)
        await no_network.lift(ward)

    name = f"{OFFLINE_S / 60:.0f} min of {OFFLINE_BEDS} devices at once"
    return replace(no_network, name=name, lift=lift, well_within_s=300)


def short_form() -> list[Fault]:
    """Return a few faults, held for as long as it takes to see what comes of them; a short one may pass unsaid.

    How late frames are beside 500 pages is bounded in the long form only: a short one sees them open, and a machine
    that tests keep busy needed 12 s for that.
    """
    return [
        replace(
            one,
            hold_s=one.short_s,
            is_said=one.is_said and one.short_s > CALM_AT_MOST_S,
            gap_at_most_s=one.gap_at_most_s if one.gap_at_most_s <= NO_FRAME_S else 0.0,
        )
        for one in all_faults()
        if one.short_s
    ]
