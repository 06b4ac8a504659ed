"""One trial: a ward of its own on this machine, loaded at the real rate, measured, and ended again."""

import asyncio
import contextlib
import importlib.metadata
import os
import platform
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import msgspec
import numpy as np
import psutil
from msgspec import Struct, field
from numpy.typing import NDArray

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable, possible
from quietward.detect import rule_file
from quietward.load.browser import Browser
from quietward.load.observer import NEVER, Observer, RaisedFlags, hearing
from quietward.load.schedule import HISTORY_S, DeviceShare, Schedule
from quietward.load.stages import Stage, Stages
from quietward.runtime.clock import now_ms
from quietward.runtime.embedded import free_port, mosquitto_settings, store_command
from quietward.runtime.supervisor import ProcessSupervisor
from quietward.store.client import connected

BEDS_OF_A_PROCESS = 4000
"""More beds are sent by two processes."""
READY_S = 4.0
"""From the start of the devices to their first second; with more for what they send at once."""
AT_ONCE_A_SECOND = 1500
"""What is sent at once is worked through before the first second is due, if it goes at least so fast."""
CATCHES_UP_WITHIN_S = 60.0
STANDS_STILL_S = 10.0
LATE_MS = 100
WITHIN_MS = 0.5
"""Arrivals are told in whole ms, cut off: at the middle of it they are right on average."""
SHARES = {"p50": 50.0, "p95": 95.0, "p99": 99.0}
WATCHING = "watching"

KINDS = {
    "steady": "all beds from the beginning",
    "ramp": "beds join one after the other",
    "broker-away": f"the broker stands still for {STANDS_STILL_S:.0f} s",
    "detector-slow": f"the detector stands still for {STANDS_STILL_S:.0f} s",
}


class Spread(Struct, frozen=True):
    """Percentiles of some delays, in ms. None where there are none."""

    p50: float | None
    p95: float | None
    p99: float | None
    max: float | None


class LoadOrder(Struct, frozen=True):
    """What to try. own_parts: the embedded broker and store, else mosquitto and redis-server of this machine. warm_s:
    seconds at the beginning that are not measured.
    """

    beds: int
    minutes: float
    kind: str = "steady"
    own_parts: bool = True
    shards: int = 1
    ingests: int = 1
    detects: int = 1
    processes: int = 1
    page: bool = False
    warm_s: int = 15


class Trial(Struct, frozen=True):
    """What came of it. All delays count from when a second was due at its device, whether it was sent in time or not.

    summary_ms: to its summary in Redis, split into to_ingest_ms (device, broker) and in_detect_ms (streams, detector,
    store). flag_ms: what is added to flag_needs_s, which is what the policy's condition itself takes. page_ms: to
    the pixels of the Ward page in a browser, which gets a frame a second. late_share: of
    seconds that came to ingest more than 100 ms after they were due. caught_up_s: from the last due second to the
    moment when outputs were level with inputs. deepest_queue_ms: by how much outputs were behind inputs, looked at once
    a second.
    """

    order: LoadOrder
    beds: int
    seconds: int
    sent: int
    delivered: int
    lost: int
    duplicated: int
    summary_ms: Spread
    flag_ms: Spread
    flag_needs_s: Spread
    page_ms: Spread | None
    flags_asked: int
    flags_raised: int
    flags_earlier: int
    to_ingest_ms: Spread
    in_detect_ms: Spread
    late_share: float
    deepest_queue_ms: float
    caught_up_s: float
    cpu_s: dict[str, float]
    memory_mb: dict[str, float]
    versions: dict[str, str]
    machine: str
    cpu_steal_share: float = field(name="taken_away_share")
    """CPU steal: the share of processor time that this machine's host gave to others, as far as Linux reports it."""
    stages: dict[str, Stage]
    """What ingest and detectors did, and how long it took them; see `load.stages.STAGES`."""
    bytes_of_a_second: float
    """Memory of the store that a second of a bed takes in its input stream."""
    by_second: list[float]
    """The 99th percentile of the summary's delay, ms, for each measured second."""


async def run(order: LoadOrder, moved: Callable[[float], None] = lambda _: None) -> Trial:
    """Try it. moved: told of seconds that have passed. Raises Unreachable when a part cannot be started."""
    condition_s = _falls_for_s()
    with tempfile.TemporaryDirectory(prefix="quietward-load-") as name:
        folder = Path(name)
        async with _ward(order, folder) as (supervisor, ward, broker, store_url), connected(store_url) as store:
            beds, seconds = order.beds, round(order.minutes * 60)
            held_back = len(Schedule(ward.name, beds, 0, order.warm_s, seconds, condition_s).falling) * HISTORY_S
            start_ms = (now_ms() // 1000 + 1 + round(READY_S + held_back / AT_ONCE_A_SECOND)) * 1000
            joins_s = order.warm_s + seconds // 2 if order.kind == "ramp" else 0
            schedule = Schedule(ward.name, beds, start_ms, order.warm_s, seconds, condition_s, joins_s)
            for i in range(order.processes):
                part = folder / f"devices-{i}.json"
                part.write_bytes(msgspec.json.encode(DeviceShare(schedule, broker, i, order.processes)))
                supervisor.start(f"devices-{i}", "load-devices", str(part), once=True)
            used = _ResourceUse(supervisor)
            with hearing(store_url, ward) as heard:
                observer = Observer(ward, store, heard, schedule)
                async with _looking(order, supervisor) as browser:
                    await _until(schedule, supervisor, observer, used, order, moved)
                    stages = used.stages()
                    page_ms = None if browser is None else spread(await browser.delays_ms(schedule))
                caught_up_s = await _catch_up(schedule, observer)
                await observer.read_on()
            raised = await observer.raised()
            versions = _versions(await store.info(), order)
            behind = await observer.behind()
            stored = await observer.bytes_of_a_second()
    return _result(order, schedule, observer, raised, behind, caught_up_s, used, stages, versions, page_ms, stored)


def _falls_for_s() -> int:
    """Return how long the rate must be down until the default policy's shortest condition for that speaks."""
    policy = rule_file.load().policy
    return int(min(limit for c in policy.condition for name, _, limit in c.all if name == "running_s"))


@contextlib.asynccontextmanager
async def _ward(order: LoadOrder, folder: Path) -> AsyncIterator[tuple[ProcessSupervisor, Ward, str, str]]:
    """Yield the running parts, without devices."""
    broker_port, store_port = free_port(), free_port()
    broker, store = f"mqtt://127.0.0.1:{broker_port}", f"redis://127.0.0.1:{store_port}/0"
    ward = Ward("load", order.shards)
    environment = {key: value for key, value in os.environ.items() if not key.startswith("QUIETWARD_")} | {
        "QUIETWARD_WARD": ward.name,
        "QUIETWARD_SHARDS": str(order.shards),
        "QUIETWARD_SEATS": str(order.ingests),
        "QUIETWARD_BROKER": broker,
        "QUIETWARD_STORE": store,
        "QUIETWARD_KEEP_HOURS": "1",
        "QUIETWARD_MOST_BEDS": str(order.beds),
    }
    supervisor = ProcessSupervisor(environment, folder)
    try:
        if order.own_parts:
            supervisor.wait_until_up(
                supervisor.start("broker", "embedded-broker", "--port", str(broker_port)), broker_port
            )
            supervisor.wait_until_up(supervisor.start("store", "embedded-store", "--port", str(store_port)), store_port)
        else:
            command = [_found("mosquitto"), "-c", str(mosquitto_settings(broker_port, folder))]
            supervisor.wait_until_up(supervisor.start_program("broker", command), broker_port)
            command = [_found("redis-server"), *store_command(store_port, folder)[1:]]
            supervisor.wait_until_up(supervisor.start_program("store", command), store_port)
        for part, count in (("ingest", order.ingests), ("detect", order.detects)):
            for i in range(count):
                supervisor.start(part if count == 1 else f"{part}-{i}", part, metrics_port=free_port())
        yield supervisor, ward, broker, store
    finally:
        supervisor.end()


@contextlib.asynccontextmanager
async def _looking(order: LoadOrder, supervisor: ProcessSupervisor) -> AsyncIterator[Browser | None]:
    """Yield a browser on the ward's page, None if the order has no page."""
    if not order.page:
        yield None
        return
    port = free_port()
    supervisor.wait_until_up(supervisor.start("page", "serve", "--port", str(port)), port)
    async with Browser(f"http://127.0.0.1:{port}/") as browser:
        yield browser


def _found(program: str) -> str:
    path = shutil.which(program, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if path is None:
        raise Unreachable(program, "not installed", f"Install {program}, or leave --real out")
    return path


async def _until(
    schedule: Schedule,
    supervisor: ProcessSupervisor,
    observer: Observer,
    used: "_ResourceUse",
    order: LoadOrder,
    moved: Callable[[float], None],
) -> None:
    """Let the trial go on to its end."""
    end_ms = schedule.start_ms + schedule.end_s * 1000
    measured_ms = schedule.start_ms + schedule.warm_s * 1000
    still_ms = measured_ms + schedule.seconds * 300
    began = time.monotonic()
    still: _StoppedParts | None = None
    while now_ms() < end_ms + 200:
        await asyncio.sleep(1.0)
        moved(time.monotonic() - began)
        if now_ms() >= measured_ms:
            used.look()
            await observer.depth_ms()
        if still is None and now_ms() >= still_ms and order.kind in ("broker-away", "detector-slow"):
            still = _StoppedParts(supervisor, "broker" if order.kind == "broker-away" else "detect")
        if still is not None and time.monotonic() >= still.until:
            still.go_on()
        await observer.read_on()
        if (news := supervisor.restart_dead()) is not None and not news.startswith("devices"):
            raise Unreachable("load test", news, "A part stopped during the measurement: its figures cannot be used")
    if still is not None:
        still.go_on()


class _StoppedParts:
    """Some parts, stopped for a time by a signal and not ended."""

    def __init__(self, supervisor: ProcessSupervisor, name: str) -> None:
        self.until = time.monotonic() + STANDS_STILL_S
        self._pids = [p.process.pid for p in supervisor.processes if p.process is not None and p.name.startswith(name)]
        for pid in self._pids:
            os.kill(pid, signal.SIGSTOP)

    def go_on(self) -> None:
        """Let them go on."""
        for pid in self._pids:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGCONT)


async def _catch_up(schedule: Schedule, observer: Observer) -> float:
    """Wait until outputs are level with inputs; return how long after the last due second that was."""
    last_ms = schedule.start_ms + schedule.end_s * 1000
    end = time.monotonic() + CATCHES_UP_WITHIN_S
    while time.monotonic() < end:
        await observer.read_on()
        if await observer.behind() == 0:
            break
        await asyncio.sleep(0.05)
    level_ms = max((us for commits in observer.commits.values() for _, us in commits[-1:]), default=0) / 1000
    return max(0.0, level_ms - last_ms) / 1000


class _ResourceUse:
    """CPU time and memory of every part, and of the observer; what was done with it."""

    def __init__(self, supervisor: ProcessSupervisor) -> None:
        self._supervisor = supervisor
        self._families: dict[str, list[psutil.Process]] = {}
        self._first: dict[str, float] = {}
        self.cpu_s: dict[str, float] = {}
        self.memory_mb: dict[str, float] = {}
        self.cpu_steal_share = 0.0
        self._began: tuple[float, float] | None = None  # when, and the CPU steal by then, s
        self._stages: Stages | None = None

    def look(self) -> None:
        """Sample all processes; counting begins with the first sample."""
        now, steal_s = time.monotonic(), getattr(psutil.cpu_times(), "steal", 0.0)  # only Linux reports it
        if self._began is None:
            self._began = now, steal_s
            self._stages = Stages([part.metrics_port for part in self._supervisor.processes if part.metrics_port])
        else:
            began, steal_before_s = self._began
            self.cpu_steal_share = (steal_s - steal_before_s) / ((now - began) * (os.cpu_count() or 1))
        parts = {p.name: p.process.pid for p in self._supervisor.processes if p.process is not None} | {
            WATCHING: os.getpid()
        }
        for name, pid in parts.items():
            try:
                if name not in self._families:  # looked up once: that reads every process of the machine
                    self._families[name] = self._family(pid, with_children=name != WATCHING)
                cpu_s, memory = self._of(self._families[name])
            except psutil.NoSuchProcess:
                continue
            self.cpu_s[name] = cpu_s - self._first.setdefault(name, cpu_s)
            self.memory_mb[name] = max(self.memory_mb.get(name, 0.0), memory / 2**20)

    def stages(self) -> dict[str, Stage]:
        """Return what was done since the first sample."""
        return {} if self._stages is None else self._stages.since()

    def _family(self, pid: int, *, with_children: bool) -> list[psutil.Process]:
        process = psutil.Process(pid)
        return [process, *(process.children(recursive=True) if with_children else [])]

    def _of(self, family: list[psutil.Process]) -> tuple[float, float]:
        times = [one.cpu_times() for one in family]
        return sum(t.user + t.system for t in times), float(sum(one.memory_info().rss for one in family))


def _versions(info: dict[str, object], order: LoadOrder) -> dict[str, str]:
    names = (
        "quietward",
        "aiomqtt",
        "paho-mqtt",
        "redis",
        "msgspec",
        "numpy",
        *(("iotcore",) if order.own_parts else ()),
    )
    versions = {"python": platform.python_version()} | {name: importlib.metadata.version(name) for name in names}
    versions["store"] = (
        f"valkey {info['valkey_version']}" if "valkey_version" in info else f"redis {info['redis_version']}"
    )
    if not order.own_parts:
        said = subprocess.run([_found("mosquitto"), "-h"], capture_output=True, text=True, check=False).stdout
        versions["mosquitto"] = said.partition("version")[2].split()[0] if "version" in said else "?"
    return versions


def machine() -> str:
    """Describe the machine that was measured."""
    model = ""
    with contextlib.suppress(OSError):
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        model = next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), "")
    return f"{os.cpu_count()} cores {model or platform.processor()}, {platform.system()} {platform.release()}"


def spread(delays_ms: NDArray[np.float64]) -> Spread:
    """Return percentiles: the least delay that so large a share of all does not exceed."""
    if not len(delays_ms):
        return Spread(None, None, None, None)
    cuts = np.percentile(delays_ms, list(SHARES.values()), method="inverted_cdf")
    return Spread(**dict(zip(SHARES, cuts.tolist(), strict=True)), max=float(np.max(delays_ms)))


def _result(
    order: LoadOrder,
    schedule: Schedule,
    observer: Observer,
    raised: RaisedFlags,
    behind: int,
    caught_up_s: float,
    used: _ResourceUse,
    stages: dict[str, Stage],
    versions: dict[str, str],
    page_ms: Spread | None,
    stored: float,
) -> Trial:
    observed = observer.observations()
    due_ms = schedule.due_ms(observed.bed, observed.second)
    keys = observed.bed * 2**32 + observed.second + HISTORY_S
    first = np.zeros(len(keys), dtype=np.bool_)
    first[np.unique(keys, return_index=True)[1]] = True
    measured = first & (observed.second >= schedule.warm_s) & (observed.second >= schedule.joins_at(observed.bed))
    done = measured & (observed.written_us != NEVER)
    delivered = int(first.sum())
    # What came in and was never told as written is as good as lost; so are beds whose summary is not the last one's.
    lost = schedule.sent - delivered + int((measured & ~done).sum()) + behind
    written_ms, arrived_ms = observed.written_us / 1000, observed.arrived_ms + WITHIN_MS
    falls_at = dict(zip(schedule.falling.tolist(), schedule.falls_at.tolist(), strict=True))
    flag_due = {bed: int(schedule.due_ms(np.array(bed), np.array(k))) for bed, (k, _) in raised.at.items()}
    delays = written_ms[done] - due_ms[done]
    by_second = [
        float(np.percentile(delays[observed.second[done] == k], 99))
        if (observed.second[done] == k).any()
        else float("nan")
        for k in range(schedule.warm_s, schedule.end_s)
    ]
    return Trial(
        order=order, beds=schedule.beds, seconds=schedule.seconds, sent=schedule.sent, delivered=delivered, lost=lost,
        duplicated=len(keys) - delivered,
        summary_ms=spread(delays),
        flag_ms=spread(np.array([at_ms - flag_due[bed] for bed, (_, at_ms) in raised.at.items()], dtype=np.float64)),
        flag_needs_s=spread(np.array([(k - falls_at[bed] + 1) * 1.0 for bed, (k, _) in raised.at.items()])),
        page_ms=page_ms, flags_asked=len(falls_at), flags_raised=len(raised.at),
        flags_earlier=raised.earlier,
        to_ingest_ms=spread((arrived_ms - due_ms)[done]),
        in_detect_ms=spread((written_ms - arrived_ms)[done]),
        late_share=float(((arrived_ms - due_ms)[done] > LATE_MS).mean()) if done.any() else 1.0,
        deepest_queue_ms=observer.deepest_ms, caught_up_s=caught_up_s,
        cpu_s=used.cpu_s, memory_mb=used.memory_mb, versions=versions, machine=machine(),
        cpu_steal_share=used.cpu_steal_share, stages=stages, bytes_of_a_second=stored, by_second=by_second,
    )  # fmt: skip


def check(order: LoadOrder) -> None:
    """Raise BadSettings for what cannot be tried."""
    for name, value, low, high in (
        ("--beds", order.beds, 1, 100_000), ("--minutes", order.minutes, 0.1, 24 * 60),
        ("--shards", order.shards, 1, 256), ("--ingests", order.ingests, 1, 16),
        ("--detects", order.detects, 1, order.shards),
    ):  # fmt: skip
        if not low <= value <= high:
            raise BadSettings(name, value, f"Use {low:g} to {high:g}")
    if order.own_parts and order.ingests > 1:
        raise BadSettings("--ingests", order.ingests, "The embedded broker has no shared subscriptions; add --real")
    if order.kind not in KINDS:
        raise BadSettings("--kind", order.kind, possible(KINDS, order.kind))
