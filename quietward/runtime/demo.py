"""The whole ward in one supervised process tree: broker, store, devices, ingest, detect, page, all on 127.0.0.1."""

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
import webbrowser
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from quietward.contracts.errors import BadSettings, Unreachable
from quietward.contracts.notice import NOTICE
from quietward.contracts.settings import Settings, without_password
from quietward.runtime.embedded import die_when_parent_dies, free_port, wait_for_port
from quietward.runtime.process import bind, command_of

START_WITHIN_S = 60.0
END_WITHIN_S = 4.0
DIES_TOO_OFTEN = 3
"""A part that has ended so often within a minute is not started again."""


@dataclass
class Part:
    """One process of the tree. once: it may end by itself. ours: it knows how to end with us. metrics_port: where it
    counts, 0: nowhere.
    """

    name: str
    arguments: list[str]
    once: bool = False
    ours: bool = True
    metrics_port: int = 0
    process: subprocess.Popen[bytes] | None = None
    deaths: list[float] = field(default_factory=list)


class Tree:
    """Starts parts, starts them again when they die, and ends them all."""

    def __init__(self, environment: dict[str, str], folder: Path) -> None:
        self.environment, self.folder = environment, folder
        self.parts: list[Part] = []
        # Parts read from this pipe; it closes when we die, however we die, and then they end too.
        self.pipe_read, self.pipe_write = os.pipe()

    def start(self, name: str, *arguments: str, once: bool = False, metrics_port: int = 0) -> Part:
        """Start a part: `quietward <arguments>`."""
        return self._start(Part(name, command_of(*arguments), once, metrics_port=metrics_port))

    def start_program(self, name: str, command: list[str]) -> Part:
        """Start a part that is a program of its own. On Linux the kernel ends it with us, however we die."""
        return self._start(Part(name, command, ours=False))

    def _start(self, part: Part) -> Part:
        self.parts.append(part)
        self._launch(part)
        return part

    def _launch(self, part: Part) -> None:
        with self.log(part).open("ab") as file:
            part.process = subprocess.Popen(
                part.arguments,
                stdout=file,
                stderr=file,
                stdin=subprocess.DEVNULL,
                env={
                    **self.environment,
                    "QUIETWARD_METRICS_PORT": str(part.metrics_port),  # one port cannot be that of every part
                    "QUIETWARD_PARENT": str(self.pipe_read),
                },
                pass_fds=[self.pipe_read],
                start_new_session=True,  # Ctrl-C reaches us alone; we end the parts in order
                preexec_fn=None if part.ours else die_when_parent_dies,  # noqa: PLW1509  # no thread of ours holds a lock
            )

    def log(self, part: Part) -> Path:
        """Return the file that holds what a part has said."""
        return self.folder / f"{part.name}.log"

    def last_words(self, part: Part) -> str:
        """Return the last line a part has said."""
        lines = self.log(part).read_text(errors="replace").splitlines()
        said = [line.strip(" |") for line in lines if line.strip(" |+-")]
        return said[-1] if said else "(it said nothing)"

    def wait_until_up(self, part: Part, port: int) -> None:
        """Wait until a part listens. Raises Unreachable with its last words when it does not."""
        end = time.monotonic() + START_WITHIN_S
        while time.monotonic() < end:
            if part.process is not None and part.process.poll() is not None:
                break
            if wait_for_port(port, 0.3):
                return
        raise Unreachable(f"{part.name} did not start", port, self.last_words(part))

    def look_after(self) -> str | None:
        """Start again what has died; return what to tell the person at the terminal. Raises Unreachable if in vain."""
        for part in self.parts:
            if part.process is None or (code := part.process.poll()) is None:
                continue
            if part.once and code == 0:
                part.process = None
                return f"{part.name} has come to its end"
            now = time.monotonic()
            part.deaths = [t for t in part.deaths if now - t < 60] + [now]
            if len(part.deaths) >= DIES_TOO_OFTEN:
                raise Unreachable(f"{part.name} ends again and again", code, self.last_words(part))
            self._launch(part)
            return f"{part.name} ended ({code}); started again"
        return None

    def end(self) -> None:
        """End all parts, the last started first."""
        running = [part.process for part in reversed(self.parts) if part.process is not None]
        for process in running:
            if process.poll() is None:
                process.terminate()
        end = time.monotonic() + END_WITHIN_S
        for process in running:
            try:
                process.wait(max(0.1, end - time.monotonic()))
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        os.close(self.pipe_read)
        os.close(self.pipe_write)


class _Stop(Exception):
    """Somebody wants the demo to end."""


@contextlib.contextmanager
def _stoppable() -> Iterator[None]:
    def stop(*_: object) -> None:
        raise _Stop

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    except _Stop:
        pass
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def run(
    settings: Settings,
    *,
    beds: int,
    shift: str | None,
    minutes: float | None,
    speed: float,
    browser: bool,
    own_broker: bool,
    own_store: bool,
) -> None:
    """Run the demo until Ctrl-C, SIGTERM or `minutes`. own_broker, own_store: start the embedded ones.

    Raises Unreachable when a port is taken or a part cannot start; then nothing is left running.
    """
    if _in_use(settings.host, settings.port):
        remedy = "Something listens there already; choose another with --port or QUIETWARD_PORT"
        raise Unreachable("page's port", settings.port, remedy)
    if minutes is not None and minutes <= 0:
        raise BadSettings("--minutes", minutes, "Give more than 0, or leave it away")
    with tempfile.TemporaryDirectory(prefix="quietward-demo-") as folder, _stoppable():
        broker_port, store_port = free_port(), free_port()
        environment = {
            **os.environ,
            "QUIETWARD_WARD": settings.ward,
            "QUIETWARD_SHARDS": str(settings.shards),
            "QUIETWARD_BROKER": f"mqtt://127.0.0.1:{broker_port}" if own_broker else settings.broker,
            "QUIETWARD_STORE": f"redis://127.0.0.1:{store_port}/0" if own_store else settings.store,
            "QUIETWARD_HOST": settings.host,
            "QUIETWARD_PORT": str(settings.port),
            "QUIETWARD_POLICY": settings.policy,
            "QUIETWARD_STUDIES": settings.studies,
            "QUIETWARD_PEOPLE": settings.people,
        }
        tree = Tree(environment, Path(folder))
        try:
            if own_broker:
                tree.wait_until_up(tree.start("broker", "embedded-broker", "--port", str(broker_port)), broker_port)
            if own_store:
                tree.wait_until_up(tree.start("store", "embedded-store", "--port", str(store_port)), store_port)
            page = tree.start("page", "serve")
            tree.start("ingest", "ingest")
            tree.start("detect", "detect")
            devices = ["--beds", str(beds), "--speed", str(speed), "--head-start", "12"]
            devices += [] if shift is None else ["--shift", shift]
            tree.start("devices", "simulate", *devices, once=True)
            tree.wait_until_up(page, settings.port)
            address = f"http://{settings.host}:{settings.port}/"
            _wait_for_beds(address, tree)
            print(NOTICE)
            print(f"The ward of {beds} simulated beds is on {address}")
            shown = [without_password(environment[f"QUIETWARD_{name}"]) for name in ("BROKER", "STORE")]
            print("Broker {}, store {}. Ctrl-C ends everything.".format(*shown))
            sys.stdout.flush()
            if browser:
                webbrowser.open(address)
            end = None if minutes is None else time.monotonic() + minutes * 60
            while end is None or time.monotonic() < end:
                time.sleep(0.2)
                if (news := tree.look_after()) is not None:
                    print(news, flush=True)
        finally:
            with contextlib.suppress(_Stop):
                tree.end()
    print("Ended.")


def _in_use(host: str, port: int) -> bool:
    try:
        bind(host, port).close()
    except Unreachable:
        return True
    return False


def _wait_for_beds(address: str, tree: Tree) -> None:
    """Wait until the page knows at least one bed, so that the first look shows strips.

    Raises Unreachable when a part ends again and again meanwhile.
    """
    end = time.monotonic() + START_WITHIN_S
    while time.monotonic() < end:
        tree.look_after()
        try:
            with urllib.request.urlopen(f"{address}health", timeout=2) as answer:  # noqa: S310 - our own address
                if b'"beds":0' not in answer.read():
                    return
        except OSError:
            pass  # not up yet
        time.sleep(0.1)
