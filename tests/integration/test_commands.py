"""Every command: bad input gives one clear line and exit code 2; traces and flags never come without the notice."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from quietward import __version__
from quietward.contracts.notice import NOTICE
from quietward.detect import rule_file
from quietward.recordings.files import write_recording
from tests.conftest import REDIS, WAIT_S, Parts, Server, free_port, require
from tests.traces import bell, flat, put, ramp, ripple

pytestmark = pytest.mark.one_kind

NOWHERE = "127.0.0.1:1"


def quietward(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    plain = {k: v for k, v in os.environ.items() if not k.startswith("QUIETWARD_")}
    return subprocess.run(
        [sys.executable, "-m", "quietward", *arguments],
        capture_output=True,
        text=True,
        timeout=5 * WAIT_S,
        env=plain | environment,
        check=False,
    )


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("ingest", "--store", f"redis://{NOWHERE}"), "store is not there"),
        (("detect", "--store", f"redis://{NOWHERE}"), "store is not there"),
        (("serve", "--store", f"redis://{NOWHERE}", "--port", "PORT"), "store is not there"),
        (("simulate", "--scenario", "nobody"), "scenario"),
        (("simulate", "--beds", "0"), "--beds"),
        (("demo", "--speed", "1000"), "--speed"),
        (("demo", "--port", "99999"), "setting port"),
        (("detect", "--policy", "nowhere.toml"), "rule table"),
        (("demo", "--policy", "nowhere.toml", "--no-browser", "--port", "PORT"), "rule table"),
        (("demo", "--broker", f"mqtt://{NOWHERE}", "--no-browser", "--port", "PORT"), "broker is not there"),
        (("replay", "nowhere.hea"), "There is no such file"),
        (("replay", "FOLDER"), "no recording"),
        (("replay", "EMPTY"), "no sample"),
        (("replay", "GOOD", "--bed", "Bed 1"), "--bed"),
        (("replay", "GOOD", "--broker", f"mqtt://{NOWHERE}"), "broker is not there"),
        (("assess", "nowhere.csv"), "There is no such file"),
        (("assess", "nowhere"), "There is no such file or folder"),
        (("assess", "FOLDER"), "Holds no recording"),
        (("assess", "GOOD", "--rules", "mine"), "rules: 'mine'"),
        (("detect", "--store", "http://x"), "setting store"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_2(arguments: tuple[str, ...], says: str, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "empty.csv").write_text("t_s,fhr,ua\n")
    write_recording(tmp_path / "good.csv", flat(140, 60), flat(10, 60))
    stands_for = {
        "PORT": str(free_port()),
        "GOOD": str(tmp_path / "good.csv"),
        "EMPTY": str(tmp_path / "empty.csv"),
        "FOLDER": str(tmp_path / "folder"),
    }
    assert_is_one_line(says, *(stands_for.get(a, a) for a in arguments))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("ingest", "--broker", f"mqtt://{NOWHERE}"), "broker is not there"),
        (("serve", "--host", "192.0.2.1"), "page's address"),
        (("simulate", "--broker", f"mqtt://{NOWHERE}", "--hours", "0.1"), "broker is not there"),
    ],
)
def test_what_is_missing_beside_a_store_is_one_line(
    arguments: tuple[str, ...], says: str, store_server: Server
) -> None:
    assert_is_one_line(says, *arguments, "--store", f"redis://127.0.0.1:{store_server.port}/0")


def assert_is_one_line(says: str, *arguments: str) -> None:
    """The command ends with exit code 2, and says so in one line."""
    found = quietward(*arguments)
    assert found.returncode == 2, found
    lines = [line for line in found.stderr.splitlines() if line.startswith("quietward:")]
    assert len(lines) == 1, found.stderr
    assert says in lines[0]
    assert "Traceback" not in found.stderr


def test_a_wrong_password_is_said(tmp_path: Path) -> None:
    port = free_port()
    server = Server(
        [
            require(REDIS, "redis-server"),
            "--port",
            str(port),
            "--bind",
            "127.0.0.1",
            "--requirepass",
            "right",
            "--save",
            "",
        ],
        port,
        tmp_path / "log",
    )
    server.start()
    try:
        for url in (f"redis://:wrong@127.0.0.1:{port}/0", f"redis://127.0.0.1:{port}/0"):
            found = quietward("detect", "--store", url)
            assert found.returncode == 2
            assert "store refuses us" in found.stderr
            assert "wrong" not in found.stderr
    finally:
        server.kill()


def test_its_version_is_said() -> None:
    found = quietward("--version")
    assert (found.returncode, found.stdout.strip()) == (0, f"quietward {__version__}")


def test_assess_takes_a_rule_set_of_ones_own(tmp_path: Path) -> None:
    """A fall of 40 bpm is a deceleration under a published rule set, and none where one's own asks for more."""
    write_recording(
        tmp_path / "one.csv", put(flat(140, 2400) + ripple(2400, 10), 900, ramp(-40, 10, 30, 10)), flat(10, 2400)
    )
    published = (Path(rule_file.__file__).parent / "rules" / "figo-2015.toml").read_text()
    own = published.replace('name = "figo-2015"', 'name = "deep-only"').replace("depth_bpm = 15 ", "depth_bpm = 55 ", 1)
    (tmp_path / "own.toml").write_text(own)
    falls = {}
    for rules in ("figo-2015", str(tmp_path / "own.toml")):
        found = quietward("assess", str(tmp_path / "one.csv"), "--json", "--rules", rules)
        assert found.returncode == 0, found.stderr
        row = json.loads(found.stdout)
        falls[row["rules"]] = len(row["decelerations"])
    assert falls == {"figo-2015": 1, "deep-only": 0}


def test_assess_gives_what_is_agreed(tmp_path: Path) -> None:
    fhr = put(flat(140, 2400) + ripple(2400, 10), 900, ramp(-40, 10, 30, 10))
    ua = flat(10, 2400)
    for at in range(120, 2300, 180):
        ua = put(ua, at, bell(50, 60))
    write_recording(tmp_path / "one.csv", fhr, ua)
    (tmp_path / "bad.csv").write_text("nonsense\n")
    found = quietward("assess", str(tmp_path / "one.csv"), str(tmp_path / "bad.csv"), "--json", "--rules", "nichd-2008")
    assert found.returncode == 2
    assert found.stderr.count("quietward:") == 1
    assert NOTICE in found.stderr
    (line,) = found.stdout.splitlines()
    row = json.loads(line)
    assert {
        "record",
        "rules",
        "hz",
        "duration_s",
        "signal",
        "baseline",
        "variability",
        "contractions",
        "accelerations",
        "decelerations",
        "assessments",
        "flags",
        "noted",
    } <= set(row)
    assert (row["record"], row["rules"], row["hz"], row["duration_s"]) == ("one", "nichd-2008", 4, 2400.0)
    (fall,) = row["decelerations"]
    assert fall["kind"] == "variable"
    assert fall["onset_s"] == pytest.approx(900, abs=3)
    assert fall["depth_bpm"] == pytest.approx(40, abs=6)
    assert fall["onset_s"] < fall["nadir_s"] < fall["end_s"]
    assert len(row["contractions"]) in (12, 13)
    every = [*row["assessments"], *row["not_assessed"]]
    assert sorted(a["t_s"] for a in every) == list(range(60, 2401, 60))
    assert [a["t_s"] for a in row["assessments"]] == list(range(row["assessments"][0]["t_s"], 2401, 60))
    assert row["assessments"][0]["t_s"] <= 300
    assert all(
        a["rule_class"] in (1, 2, 3) and 0 <= a["concern"] <= 100 and a["reasons"] is not None
        for a in row["assessments"]
    )
    assert row["assessments"][-1]["window_s"] == 1800
    assert all(b["bpm"] is None or abs(b["bpm"] - 140) < 5 for b in row["baseline"])
    long = tmp_path / "one-with-a-rather-long-name-of-its-own.csv"
    (tmp_path / "one.csv").rename(long)
    table = quietward("assess", str(long))
    assert table.returncode == 0
    assert "one-with" in table.stdout
    assert max(map(len, table.stdout.splitlines())) <= 80


@pytest.mark.parametrize("values", [[], ["nan"], ["0"] * 3000, ["140"]])
def test_assess_survives_poor_recordings(values: list[str], tmp_path: Path) -> None:
    cells = ["" if v == "nan" else v for v in values]
    (tmp_path / "r.csv").write_text("t_s,fhr,ua\n" + "".join(f"{i / 4},{v},\n" for i, v in enumerate(cells)))
    found = quietward("assess", str(tmp_path / "r.csv"), "--json")
    assert found.returncode == (0 if values else 2)
    assert "Traceback" not in found.stderr
    for line in found.stdout.splitlines():
        row = json.loads(line)
        assert row["assessments"] == [], "nothing usable must not look calm, nor be made up"
        assert len(row["not_assessed"]) == int(row["duration_s"]) // 60


def test_doctor_says_what_is_missing_and_how_to_fix_it(parts: Parts) -> None:
    sick = quietward("doctor", "--broker", f"mqtt://{NOWHERE}", "--store", f"redis://{NOWHERE}")
    assert sick.returncode == 1
    assert "broker is not there" in sick.stdout
    assert "QUIETWARD_STORE" in sick.stdout
    assert max(map(len, sick.stdout.splitlines())) <= 80
    well = quietward("doctor", "--broker", parts.settings.broker, "--store", parts.settings.store)
    assert well.returncode == 0, well.stdout
    assert "QUIETWARD_BEDS" in well.stdout, "what is no fault here is told all the same"
