"""The demo's process tree: it starts, moves, looks after its parts, and leaves nothing behind, however it ends."""

import json
import os
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from quietward.contracts.notice import NOTICE
from tests.conftest import WAIT_S, alive, ending_with_us, free_port, wait_for

ENVIRONMENT = {k: v for k, v in os.environ.items() if not k.startswith("QUIETWARD_")}


class Demo:
    def __init__(self, folder: Path, beds: int = 3, speed: int = 10) -> None:
        self.port = free_port()
        self.out = folder / "out"
        options = ["--no-browser", "--speed", str(speed), "--beds", str(beds), "--port", str(self.port)]
        with self.out.open("wb") as file:
            self.process = subprocess.Popen(
                ending_with_us([sys.executable, "-m", "quietward", "demo", *options]),
                stdout=file,
                stderr=file,
                env=ENVIRONMENT | {"TMPDIR": str(folder)},
            )

    def ready(self) -> bool:
        return f"http://127.0.0.1:{self.port}/" in self.out.read_text()

    def health(self) -> dict[str, int]:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/health", timeout=WAIT_S) as answer:
            found: dict[str, int] = json.load(answer)
            return found

    def family(self) -> dict[int, str]:
        """Pids of the whole tree with their commands."""
        found, children = {}, {self.process.pid}
        while children:
            grand = set()
            for stat in Path("/proc").glob("[0-9]*/stat"):
                try:
                    fields = stat.read_text().rpartition(")")[2].split()
                    if int(fields[1]) in children and fields[0] != "Z":
                        pid = int(stat.parent.name)
                        found[pid] = (stat.parent / "cmdline").read_bytes().replace(b"\0", b" ").decode()
                        grand.add(pid)
                except OSError:
                    continue
            children = grand
        return found

    def pid_of(self, part: str) -> int:
        """Pid of a part's process, once there is one: between its fork and its exec it has another name."""

        def pids() -> list[int]:
            return [pid for pid, command in self.family().items() if command.strip().endswith(f"quietward {part}")]

        assert wait_for(lambda: len(pids()) == 1), self.family()
        return pids()[0]


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Demo]:
    found = Demo(tmp_path)
    family: dict[int, str] = {}
    try:
        assert wait_for(found.ready, 2 * WAIT_S), found.out.read_text()
        family = found.family()
        yield found
    finally:
        if found.process.poll() is None:
            found.process.kill()
        found.process.wait()
    assert wait_for(lambda: not any(map(alive, family)))


def test_an_example_that_is_being_computed_ends_with_the_demo(demo: Demo, tmp_path: Path) -> None:
    """However it ends: here the page's process is killed."""
    ask = urllib.request.Request(f"http://127.0.0.1:{demo.port}/studies/example", method="POST")
    with urllib.request.urlopen(ask, timeout=WAIT_S) as answer:
        assert json.load(answer)["state"] == "working"

    def example() -> list[int]:
        return [pid for pid, command in demo.family().items() if "what-if --study" in command]

    assert wait_for(lambda: len(example()) == 1)
    (pid,) = example()
    os.kill(demo.pid_of("serve"), signal.SIGKILL)
    assert wait_for(lambda: not alive(pid))


def test_ctrl_c_ends_everything(demo: Demo) -> None:
    assert NOTICE in demo.out.read_text()
    names = ("embedded-broker", "embedded-store", "valkey-server", "ingest", "detect", "serve", "simulate")
    assert wait_for(lambda: all(name in " ".join(demo.family().values()) for name in names)), demo.family()
    family = demo.family()
    assert wait_for(lambda: demo.health()["beds"] == 3)
    first = demo.health()
    assert wait_for(lambda: demo.health()["frames"] >= first["frames"] + 3)
    demo.process.send_signal(signal.SIGINT)
    assert demo.process.wait(WAIT_S) == 0
    assert wait_for(lambda: not any(map(alive, family)))
    assert "Traceback" not in demo.out.read_text()


def test_a_killed_parent_leaves_no_orphan(demo: Demo) -> None:
    family = demo.family()
    assert len(family) >= 7
    demo.process.kill()
    demo.process.wait()
    assert wait_for(lambda: not any(map(alive, family))), [c for p, c in family.items() if alive(p)]


def test_a_part_that_dies_is_started_again(demo: Demo) -> None:
    os.kill(demo.pid_of("detect"), signal.SIGKILL)
    assert wait_for(lambda: "detect ended (-9); started again" in demo.out.read_text())
    assert wait_for(lambda: any(c.strip().endswith("detect") for c in demo.family().values()))
    assert demo.process.poll() is None


def test_a_part_that_is_stopped_and_not_continued_is_killed_and_started_again(demo: Demo) -> None:
    """It cannot end itself."""
    os.kill(demo.pid_of("serve"), signal.SIGSTOP)
    assert wait_for(lambda: "page has not reported for" in demo.out.read_text(), 3 * WAIT_S), demo.out.read_text()
    assert wait_for(lambda: "page ended (-9); started again" in demo.out.read_text())
    assert wait_for(lambda: is_well(demo))


def is_well(demo: Demo) -> bool:
    try:
        return demo.health()["beds"] == 3
    except OSError:
        return False


def test_a_port_in_use_is_said_in_one_line(demo: Demo) -> None:
    found = subprocess.run(
        [sys.executable, "-m", "quietward", "demo", "--no-browser", "--port", str(demo.port)],
        capture_output=True,
        text=True,
        timeout=2 * WAIT_S,
        env=ENVIRONMENT,
        check=False,
    )
    assert found.returncode == 2
    assert re.fullmatch(r"quietward: page's port: \d+\. .*--port.*\n", found.stderr)
    assert found.stdout == ""


def test_it_ends_after_its_minutes(tmp_path: Path) -> None:
    found = subprocess.run(
        [
            sys.executable,
            "-m",
            "quietward",
            "demo",
            "--no-browser",
            "--beds",
            "1",
            "--minutes",
            "0.02",
            "--port",
            str(free_port()),
        ],
        capture_output=True,
        text=True,
        timeout=2 * WAIT_S,
        env=ENVIRONMENT | {"TMPDIR": str(tmp_path)},
        check=False,
    )
    assert found.returncode == 0, found.stderr
    assert "Ended." in found.stdout
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]
