"""Real parts for tests: mosquitto and redis-server where they are installed, else the embedded ones.

With QUIETWARD_REQUIRE_REAL=1 a missing real part is a failure. Everything listens on loopback and ends with the test.
"""

import asyncio
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.liveness import WorkerReport, reports_of, troubles_of
from quietward.contracts.settings import Settings
from quietward.runtime.clock import now_ms
from quietward.runtime.embedded import mosquitto_settings, store_command, wait_for_port
from quietward.store.client import Store, connected

REQUIRE_REAL = os.environ.get("QUIETWARD_REQUIRE_REAL") == "1"
MOSQUITTO = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin")
REDIS = shutil.which("redis-server", path=os.environ.get("PATH", "") + ":/usr/bin")
CHROMIUM = shutil.which("chromium")
DATABASE = next(
    (
        p
        for p in (Path(__file__).parents[2] / "shared/data/ctu-uhb", Path(__file__).parents[1] / "data/ctu-uhb")
        if p.is_dir()
    ),
    None,
)
"""Open recordings, where a copy lies beside the project; they are never part of it."""
os.environ |= {"LC_ALL": "C.UTF-8", "LC_MESSAGES": ""}  # commands speak English, whatever the machine's language
WAIT_S = 60.0
"""End of every wait for something that another process, a thread or a browser does: for a machine that is busy."""
PORTS = range(10_000, 20_000)
"""Below those that Linux gives to connections; a cluster's servers talk to each other on their port + 10,000."""
_reserved: dict[int, socket.socket] = {}
SETPRIV = shutil.which("setpriv")
"""Of util-linux, which every Linux has."""


def ending_with_us(command: list[str]) -> list[str]:
    """Return a command whose process, the same one, the kernel ends with this one, even if that is killed.

    What the kernel waits for is the end of the thread that starts it: in another thread than the main one, which may
    end while its process must go on, the command stays as it is.
    """
    if SETPRIV is None or threading.current_thread() is not threading.main_thread():
        return command
    return [SETPRIV, "--pdeathsig", "KILL", "--", *command]


def require(path: str | None, name: str) -> str:
    """Return the path of a real part; without it fail where it is required and skip where not."""
    if path is None:
        if REQUIRE_REAL:
            pytest.fail(f"{name} is missing, and QUIETWARD_REQUIRE_REAL=1 asks for it: apt-get install {name}")
        pytest.skip(f"{name} is not installed")
    return path


def free_port() -> int:
    """Return a port of 127.0.0.1 that is free, and that no other test of this machine is given meanwhile."""
    while True:
        port = random.SystemRandom().choice(PORTS)
        mine = socket.socket(socket.AF_UNIX)
        try:
            mine.bind(f"\0quietward-test-port-{port}")  # goes with this process, however it ends
            with socket.socket() as tried:
                tried.bind(("127.0.0.1", port))
        except OSError:
            mine.close()
            continue
        _reserved[port] = mine
        return port


@dataclass
class Server:
    """A broker or store that can be killed and started again on the same port."""

    command: list[str]
    port: int
    log: Path
    within_s: float = WAIT_S
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as file:
            self.process = subprocess.Popen(ending_with_us(self.command), stdout=file, stderr=file)
        if not wait_for_port(self.port, self.within_s):
            self.kill()
            pytest.fail(f"nothing listens on {self.port}: {self.log.read_text()}")

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()


def set_password(file: Path, account: str, password: str) -> None:
    """Give an account at a mosquitto a password, in its file."""
    file.touch()
    tool = require(shutil.which("mosquitto_passwd"), "mosquitto")
    subprocess.run([tool, "-b", str(file), account, password], check=True, timeout=WAIT_S)


@pytest.fixture(params=["embedded", "real"], scope="session")
def kind(request: pytest.FixtureRequest) -> str:
    """Which broker and store: integration tests run once with each kind."""
    return str(request.param)


ANY_KIND = pytest.mark.parametrize("kind", ["embedded"], indirect=True, scope="session")
"""For what has to do with neither broker nor store, though it needs one to be there."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out the embedded broker and store of tests marked `one_kind`, where the real ones are there.

    Such a test is about neither; with QUIETWARD_BOTH_KINDS=1 it runs with both all the same.
    """
    if os.environ.get("QUIETWARD_BOTH_KINDS") == "1" or not (REQUIRE_REAL or (MOSQUITTO and REDIS)):
        return
    left_out = [
        item
        for item in items
        if item.get_closest_marker("one_kind")
        and isinstance(item, pytest.Function)
        and hasattr(item, "callspec")
        and item.callspec.params.get("kind") == "embedded"
    ]
    config.hook.pytest_deselected(items=left_out)
    items[:] = [item for item in items if item not in set(left_out)]


@pytest.fixture(scope="session")
def broker(kind: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """URL of a broker."""
    folder = tmp_path_factory.mktemp("broker")
    port = free_port()
    server = Server(broker_command(kind, port, folder), port, folder / "log")
    server.start()
    yield f"mqtt://127.0.0.1:{port}"
    server.kill()


def broker_command(kind: str, port: int, folder: Path) -> list[str]:
    """Return the command line of a broker."""
    if kind == "embedded":
        return [sys.executable, "-m", "quietward", "embedded-broker", "--port", str(port)]
    program = require(MOSQUITTO, "mosquitto")
    return [program, "-c", str(mosquitto_settings(port, folder, durable=True))]


@pytest.fixture(scope="session")
def store_server(kind: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A store with an append-only file, so that it can be killed and started again."""
    server = make_store(kind, tmp_path_factory.mktemp("store"))
    server.start()
    yield server
    server.kill()


def make_store(kind: str, folder: Path) -> Server:
    """Return a store, not yet started."""
    port = free_port()
    command = store_command(port, folder, durable=True)
    if kind == "real":
        command[0] = require(REDIS, "redis-server")
    return Server(command, port, folder / "log")


@pytest.fixture
async def store(store_server: Server) -> AsyncIterator[Store]:
    """An empty store."""
    async with connected(f"redis://127.0.0.1:{store_server.port}/0") as client:
        await client.flushall()
        yield client


@pytest.fixture
def settings(broker: str, store_server: Server, request: pytest.FixtureRequest) -> Settings:
    """Settings for the parts of one test, in a ward of its own."""
    name = "t-" + "".join(ch if ch.isalnum() else "-" for ch in request.node.name.lower())[-28:].strip("-")
    return Settings(ward=name, broker=broker, store=f"redis://127.0.0.1:{store_server.port}/0", port=free_port())


@pytest.fixture
def ward(settings: Settings) -> Ward:
    return Ward(settings.ward, settings.shards)


class Parts:
    """Processes of `quietward` with a test's settings; ended by pid at the end."""

    def __init__(self, settings: Settings, folder: Path) -> None:
        self.settings, self.folder = settings, folder
        self.running: list[subprocess.Popen[bytes]] = []

    def start(
        self, *arguments: str, metrics_port: int = 0, environment: Mapping[str, str] | None = None
    ) -> subprocess.Popen[bytes]:
        given = {k: v for k, v in os.environ.items() if not k.startswith("QUIETWARD_")} | {
            "QUIETWARD_WARD": self.settings.ward,
            "QUIETWARD_BROKER": self.settings.broker,
            "QUIETWARD_STORE": self.settings.store,
            "QUIETWARD_PORT": str(self.settings.port),
            "QUIETWARD_METRICS_PORT": str(metrics_port),
            "QUIETWARD_SHARDS": str(self.settings.shards),
            "QUIETWARD_SEATS": str(self.settings.seats),
            "QUIETWARD_COPIES": str(self.settings.copies),
            "QUIETWARD_CHECKPOINT_S": str(self.settings.checkpoint_s),
            **(environment or {}),
        }
        with (self.folder / f"{arguments[0]}.log").open("ab") as file:
            command = ending_with_us([sys.executable, "-m", "quietward", *arguments])
            process = subprocess.Popen(command, env=given, stdout=file, stderr=file)
        self.running.append(process)
        return process

    def log(self, part: str) -> str:
        return (self.folder / f"{part}.log").read_text()

    def end(self) -> None:
        for process in self.running:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
        for process in self.running:
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@pytest.fixture
def parts(settings: Settings, tmp_path: Path) -> Iterator[Parts]:
    found = Parts(settings, tmp_path)
    yield found
    found.end()


async def until(true: Callable[[], Awaitable[bool]], within_s: float = WAIT_S) -> bool:
    """Wait with a deadline until something is true."""
    end = asyncio.get_running_loop().time() + within_s
    while asyncio.get_running_loop().time() < end:
        if await true():
            return True
        await asyncio.sleep(0.05)
    return False


async def settled(ask: Callable[[], Any], wanted: object) -> Any:
    """Ask until the answer is the wanted one, at most WAIT_S, and return the last answer."""
    answer: Any = None

    async def is_wanted() -> bool:
        nonlocal answer
        answer = await ask()
        return bool(answer == wanted)

    await until(is_wanted)
    return answer


async def stop(task: asyncio.Task[Any]) -> None:
    """Cancel a task until it has ended: a library may swallow a cancellation on Python 3.11."""
    while not task.done():
        task.cancel()
        await asyncio.wait([task], timeout=1)


async def reports(store: Store, ward: Ward, part: str) -> list[WorkerReport]:
    """What the workers of a part say of themselves."""
    stored: Any = await store.hgetall(ward.heartbeats)
    return [one for one in reports_of(stored) if one.part == part]


async def well(store: Store, ward: Ward, part: str) -> bool:
    """True when a worker of the part runs, and all of them have worked their last second through."""
    found = await reports(store, ward, part)
    return bool(found) and not any(troubles_of(one, now_ms()) for one in found)


def record(number: str) -> Path:
    """Path of an open recording; skipped by name where the data do not lie beside the project."""
    if DATABASE is None:
        pytest.skip("the open CTU-UHB recordings do not lie beside the project")
    return DATABASE / f"{number}.hea"


def alive(pid: int) -> bool:
    """True while a process runs (a zombie does not)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def wait_for(true: Callable[[], bool], within_s: float = WAIT_S) -> bool:
    """Wait with a deadline until something is true."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.05)
    return False
