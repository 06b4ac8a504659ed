"""`quietward study` as a user runs it: killed half-way and run again, it gives what it gives in one go."""

import contextlib
import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

from quietward.contracts.notice import NOTICE
from quietward.study import tables
from tests.conftest import WAIT_S, wait_for
from tests.integration.test_commands import quietward

STUDY = """
name = "small"
purpose = "one short shift"
[limit]
interruptions_per_nurse_hour = 50
reached_share = 0.0
[[cases]]
shift = "two-at-once"
hours = 0.5
seeds = [7, 7]
[[vary]]
key = "long-fall.limit"
values = [60, 90]
[[alarm]]
kind = "fixed-limits"
name = "for 10 s"
low_bpm = 110
high_bpm = 160
for_s = 10
"""


def running() -> list[str]:
    """Return the command lines of all processes."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):  # it has just ended
            found.append(path.read_bytes().replace(b"\0", b" ").decode())
    return found


def numbers(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "report.json").read_text())
    del found["command"]
    return found


def test_a_study_that_was_killed_goes_on(tmp_path: Path) -> None:
    study = tmp_path / "small.toml"
    study.write_text(STUDY)
    whole, broken = tmp_path / "whole", tmp_path / "broken"
    found = quietward("study", str(study), "--out", str(whole), "--workers", "1", "--json")
    assert found.returncode == 0, found.stderr
    assert NOTICE in found.stderr
    said = json.loads(found.stdout)
    assert said["notice"] == NOTICE
    assert said["headline"].startswith("Today's policy (attention) meets its limit")
    begins = found.stderr.splitlines()
    assert begins[1].startswith("4 bed-hours under 4 variants: less than a minute on 1 core")
    started = begins.index("1 of 3, simulating and measuring: 0 of 4 bed-hours, less than a minute left")
    assert " ".join(begins[1:started]).endswith("is not computed again")
    assert [row["name"] for row in said["rows"]] == ["today", "long-fall.limit 60", "long-fall.limit 90", "for 10 s"]
    assert {path.name for path in whole.iterdir()} == {
        "done", "report.html", "report.json", "variants.csv", "what-if.json",
        *(f"{name}.{kind}" for name in tables.COLUMNS for kind in ("csv", "parquet")),
    }  # fmt: skip

    checked = quietward("study", "--check", str(whole))
    assert checked.returncode == 0, checked.stderr
    assert "today: interruptions per nurse-hour: " in checked.stdout
    assert max(map(len, checked.stdout.splitlines())) <= 80
    calls = whole / "calls.csv"
    calls.write_text(calls.read_text().replace(",look,", ",bedside,", 1))
    altered = quietward("study", "--check", str(whole))
    assert altered.returncode == 1
    assert "calls.csv, SHA-256" in altered.stdout
    assert "DIFFERS from the tables" in altered.stdout
    assert max(map(len, altered.stdout.splitlines())) <= 80

    first = quietward("what-if", "--study", str(study), "--out", str(tmp_path / "first"))
    assert first.returncode == 0, first.stderr
    assert (tmp_path / "first" / "what-if.json").read_bytes() == (whole / "what-if.json").read_bytes()

    command = [sys.executable, "-m", "quietward", "study", str(study), "--out", str(broken), "--workers", "2"]
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True)
    assert wait_for(lambda: any((broken / "done").glob("*.truth.json")), 5 * WAIT_S)
    process.send_signal(signal.SIGKILL)
    process.wait(WAIT_S)
    assert wait_for(lambda: not [line for line in running() if str(broken) in line]), "its workers outlived it"
    again = quietward("study", str(study), "--out", str(broken), "--workers", "2")
    assert again.returncode == 0, again.stderr
    assert again.stdout.startswith("Today's policy (attention) meets its limit")
    assert "for 10 s" in again.stdout
    assert max(map(len, again.stdout.splitlines())) <= 80
    assert numbers(broken) == numbers(whole)


def test_a_wrong_study_is_one_line_and_exit_code_2(tmp_path: Path) -> None:
    study = tmp_path / "wrong.toml"
    study.write_text(STUDY.replace("long-fall.limit", "long-fall.colour"))
    found = quietward("study", str(study), "--out", str(tmp_path / "out"))
    assert found.returncode == 2
    (line,) = [line for line in found.stderr.splitlines() if line.startswith("quietward:")]
    assert "long-fall.colour" in line
    assert "hold_s" in line
    assert not (tmp_path / "out").exists()
