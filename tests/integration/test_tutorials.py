"""What the tutorials tell people to type works, in the order in which it stands there, on embedded and real parts."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from quietward.contracts.settings import Settings
from tests.conftest import Parts, wait_for

FOLDER = Path(__file__).parents[2] / "docs"
BLOCK = re.compile(r"^```(sh|python|toml)(?: title=\"([^\"\n]+)\")?\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def run(page: str, folder: Path, **environment: str) -> list[str]:
    """Type all that a page tells to type, in a folder; return what each block says."""
    paths = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    given = {k: v for k, v in os.environ.items() if not k.startswith("QUIETWARD_")} | {"PATH": paths} | environment
    said = []
    for number, (language, title, text) in enumerate(BLOCK.findall((FOLDER / page).read_text())):
        if language == "toml":
            (folder / title).write_text(text)
            continue
        (folder / f"{number}.py").write_text(text)
        command = ["bash", "-euc", text] if language == "sh" else [sys.executable, f"{number}.py"]
        done = subprocess.run(
            command,
            cwd=folder,
            env=given,
            capture_output=True,
            text=True,
            check=False,
            timeout=400,
            stdin=subprocess.DEVNULL,
        )
        assert done.returncode == 0, (text, done.stdout[-2000:], done.stderr[-2000:])
        said.append(done.stdout)
    return said


def test_nurse_educator(tmp_path: Path) -> None:
    scenarios, demo, _ = run("tutorials/nurse-educator.md", tmp_path)
    assert "cord-until-turned" in scenarios
    assert "http://127.0.0.1:" in demo
    assert (tmp_path / "strips.svg").stat().st_size > 10_000


def test_researcher(tmp_path: Path) -> None:
    _, read, _ = run("tutorials/researcher.md", tmp_path)
    found = [(int(a), int(b)) for a, b in re.findall(r"(\d+) found, (\d+) true", read)]
    assert len(found) == 2
    assert found[0][1] > 5, "late decelerations, an hour of them"
    assert abs(found[0][0] - found[0][1]) < 6
    assert (tmp_path / "answer" / "report.html").is_file()
    assert (tmp_path / "answer" / "variants.csv").is_file()


def test_load_tester(tmp_path: Path) -> None:
    first, _ = run("tutorials/load-tester.md", tmp_path)
    assert "20" in first
    assert '"lost"' in (tmp_path / "load.json").read_text()


@pytest.mark.usefixtures("store")
def test_integrator(settings: Settings, parts: Parts, tmp_path: Path) -> None:
    for part in ("ingest", "detect"):
        parts.start(part)
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"), 120), parts.log("ingest")
    assert wait_for(lambda: "runs, rules" in parts.log("detect"), 120), parts.log("detect")
    where = {"QUIETWARD_WARD": settings.ward, "QUIETWARD_BROKER": settings.broker, "QUIETWARD_STORE": settings.store}
    said = run("tutorials/integrator.md", tmp_path, **where)
    assert "nothing was refused" in said[1]
    assert (tmp_path / "bed-9.fhir.json").stat().st_size > 1000
    assert "not enough trace" in (tmp_path / "bed-9.csv").read_text()


def test_the_detector_inside_an_engine(tmp_path: Path) -> None:
    if sys.version_info >= (3, 13):
        pytest.skip("Bytewax has no wheels for this Python")
    (text,) = [text for language, _, text in BLOCK.findall((FOLDER / "engine.md").read_text()) if language == "python"]
    (tmp_path / "flow.py").write_text(text)
    done = subprocess.run(
        [sys.executable, "-m", "bytewax.run", "flow.py"],
        cwd=tmp_path, capture_output=True, text=True, check=False, timeout=200,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[0] == "bed-1: not enough trace to judge yet"
