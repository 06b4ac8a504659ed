"""What `.ci/compose` does, with a `docker` that notes what it is told and a page that answers as a ward's does."""

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, ClassVar

import pytest

from tests.unit.test_deploy import DEPLOY, ROOT, SERVICES

SCRIPT = ROOT / ".ci" / "compose"
DOCKER = """#!{python}
import json, os, sys
arguments = sys.argv[1:]
with open({calls!r}, "a") as file:
    file.write(json.dumps(arguments) + "\\n")
answers = json.loads(os.environ.get("ANSWERS", "{{}}"))
for words, (code, said) in answers.items():
    if words in " ".join(arguments):
        print(said, file=sys.stderr)
        sys.exit(code)
if "python" in arguments:
    print(json.dumps({{"user": int(os.environ.get("USER_ID", "10001")), "written": {written!r}}}))
"""
WRITTEN = ["/tmp", "/var/cache/quietward", "/var/lib/quietward/studies", "/var/lib/quietward/classroom"]  # noqa: S108


class Page(BaseHTTPRequestHandler):
    """The page of a ward with eight beds; who has not signed in sees nothing."""

    beds: ClassVar[dict[str, int]] = {"beds": 8, "watched": 8}

    def _answer(self, status: int, document: object, **headers: str) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(json.dumps(document).encode())

    def do_GET(self) -> None:
        if self.path == "/health":
            self._answer(200, {"well": True, "troubles": [], **self.beds})
        elif "session=" in self.headers.get("Cookie", ""):
            self._answer(200, {"events": [{"text": self.path}]})
        else:
            self._answer(401, {})

    def do_POST(self) -> None:
        self._answer(200, "signed in", Set_Cookie="session=1; Path=/")

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def page() -> Iterator[ThreadingHTTPServer]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Page)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server
    server.shutdown()
    server.server_close()
    thread.join(10)


class Machine:
    """A machine with nothing on its path but the given engines."""

    def __init__(self, folder: Path, *engines: str) -> None:
        self.calls_file, self.path = folder / "calls", folder / "bin"
        self.path.mkdir()
        for engine in engines:
            program = self.path / engine
            program.write_text(DOCKER.format(python=sys.executable, calls=str(self.calls_file), written=WRITTEN))
            program.chmod(0o755)

    def run(self, port: int = 9, *, answers: dict[str, Any] | None = None, **environment: str) -> tuple[int, str]:
        done = subprocess.run(
            [sys.executable, str(SCRIPT), "--within", "0.1"], capture_output=True, text=True, check=False, timeout=120,
            env={"PATH": str(self.path), "ANSWERS": json.dumps(answers or {}), "QUIETWARD_PUBLISHED_PORT": str(port)}
            | environment,
        )  # fmt: skip
        assert "Traceback" not in done.stderr
        return done.returncode, done.stdout

    def calls(self) -> list[list[str]]:
        return [json.loads(line) for line in self.calls_file.read_text().splitlines()]

    def composed(self) -> list[list[str]]:
        """What compose was told, without project and file."""
        before = ["compose", "-p", "quietward-check", "-f", str(ROOT / "docker-compose.yml")]
        return [call[len(before) :] for call in self.calls() if call[: len(before)] == before]


def test_without_an_engine_one_line_says_so(tmp_path: Path) -> None:
    code, said = Machine(tmp_path).run()
    assert code == 77
    assert said == "skipped: no container engine: docker is not installed, podman is not installed\n"


@pytest.mark.parametrize(
    ("answers", "why"),
    [
        ({"info": (1, "")}, "docker does not answer"),
        ({"compose version": (125, "")}, "docker has no compose"),
        ({"image inspect": (1, ""), "pull": (1, "no such host")}, "cannot be had: no such host"),
    ],
)
def test_what_is_missing_is_no_failure_and_starts_nothing(tmp_path: Path, answers: dict[str, Any], why: str) -> None:
    machine = Machine(tmp_path, "docker")
    code, said = machine.run(answers=answers)
    assert code == 77
    assert said.startswith("skipped: ")
    assert why in said
    assert said.count("\n") == 1
    assert machine.composed() == []


def test_it_asks_for_the_images_that_the_files_begin_from(tmp_path: Path) -> None:
    machine = Machine(tmp_path, "docker")
    machine.run(answers={"up": (1, "")}, QUIETWARD_STORE_IMAGE="redis:7@sha256:0")
    asked = [call[-1] for call in machine.calls() if call[:2] == ["image", "inspect"]]
    base = (DEPLOY / "Dockerfile").read_text().partition("ARG BASE=")[2].splitlines()[0]
    broker = SERVICES["broker"]["image"].partition(":-")[2].rstrip("}")
    assert asked == [base, broker, "redis:7@sha256:0"]


def test_all_is_built_started_looked_at_and_taken_down(tmp_path: Path, page: ThreadingHTTPServer) -> None:
    machine = Machine(tmp_path, "docker")
    code, said = machine.run(page.server_port)
    assert (code, said) == (0, "the compose file comes up: 8 beds are watched, seen by somebody who has signed in\n")
    calls = machine.composed()
    assert [call[0] for call in calls] == ["build", "--profile", "up", *["exec"] * 5, "down"]
    assert calls[1][:7] == ["--profile", *SERVICES["person"]["profiles"], "run", "--rm", "-T", "person", "Nora"]
    parts = [call[2] for call in calls if call[0] == "exec"]
    assert parts == ["ingest", "detect", "serve", "simulate", "serve"]
    for call in calls[3:7]:
        assert call[3:] == SERVICES[call[2]]["healthcheck"]["test"][1:]
    assert "--volumes" in calls[-1]


def test_what_it_looks_for_is_what_the_compose_file_gives() -> None:
    mounts = [volume.split(":") for volume in SERVICES["serve"]["volumes"]]
    written = {target for _, target, *options in mounts if "ro" not in options} | set(SERVICES["serve"]["tmpfs"])
    assert set(WRITTEN) == written
    options = SERVICES["simulate"]["command"]
    assert options[options.index("--beds") + 1] == "8"


@pytest.mark.parametrize(
    ("answers", "environment", "why"),
    [
        ({"build": (1, "")}, {}, "compose build ended with 1"),
        ({"up --detach": (1, "")}, {}, "compose up ended with 1"),
        ({"alive detect": (1, "")}, {}, "compose exec ended with 1"),
        ({}, {"USER_ID": "0"}, "not a user without rights"),
    ],
)
def test_what_fails_is_one_line_and_all_is_taken_down(
    tmp_path: Path, page: ThreadingHTTPServer, answers: dict[str, Any], environment: dict[str, str], why: str
) -> None:
    machine = Machine(tmp_path, "docker")
    code, said = machine.run(page.server_port, answers=answers, **environment)
    assert code == 1
    assert why in said
    assert [call[0] for call in machine.composed()][-2:] == ["logs", "down"]


def test_a_bed_that_nobody_watches_is_a_failure(
    tmp_path: Path, page: ThreadingHTTPServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Page, "beds", {"beds": 8, "watched": 7})
    code, said = Machine(tmp_path, "docker").run(page.server_port)
    assert code == 1
    assert said.startswith("not well within 0 s: ")
    assert "'watched': 7" in said


def test_where_docker_does_not_answer_podman_is_asked(tmp_path: Path, page: ThreadingHTTPServer) -> None:
    machine = Machine(tmp_path, "podman", "podman-compose")
    code, said = machine.run(page.server_port, answers={"compose version": (125, "")})
    assert code == 0, said
    assert ["info"] in machine.calls()
    assert machine.calls().count(["version"]) == 1
