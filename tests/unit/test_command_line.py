"""What all commands have in common: they say the version, name the nearest possible value, and fit 80 columns."""

import asyncio
import io
import re
from pathlib import Path
from typing import cast

import pytest
import typer
from rich.console import Console
from typer.testing import CliRunner

from quietward import __version__
from quietward.cli import app, checks, devices
from quietward.contracts.errors import QuietwardError
from quietward.contracts.settings import Settings
from quietward.language import terminal
from quietward.language.catalogue import TERMINAL, language
from quietward.load import report
from quietward.load.limit import LimitSearch
from quietward.load.stages import Stage
from quietward.load.trial import LoadOrder, Spread, Trial
from quietward.runtime.refused import Refused
from quietward.simulator import service
from quietward.simulator.sources import RecordedStrip

COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", [name for name, command in COMMANDS.items() if not command.hidden])
def test_every_command_says_the_version(name: str) -> None:
    found = CliRunner().invoke(app, [name, "--version"])
    assert (found.exit_code, found.stdout) == (0, f"quietward {__version__}\n")


@pytest.mark.parametrize(
    ("arguments", "environment", "said"),
    [
        (["alive", "detct"], {}, "part: 'detct'. Use simulate, ingest, detect or serve; did you mean 'detect'?"),
        (["ingest"], {"QUIETWARD_LOG": "jsn"}, "setting log: 'jsn'. Use text or json; did you mean 'json'?"),
        (["ingest"], {"QUIETWARD_STRE": "x"}, "Did you mean 'store'?"),
        (["load", "--kind", "rampp"], {}, "did you mean 'ramp'?"),
        (["study", "defualt-policy"], {}, "did you mean 'default-policy'?"),
    ],
)
def test_a_wrong_value_is_answered_with_the_nearest(
    arguments: list[str], environment: dict[str, str], said: str
) -> None:
    found = CliRunner().invoke(app, arguments, env=environment)
    assert isinstance(found.exception, QuietwardError)
    assert said in str(found.exception)


def test_a_wrong_way_through_the_variants_is_answered_with_the_nearest(tmp_path: Path) -> None:
    study = tmp_path / "own.toml"
    study.write_text('name = "own"\nhow = "grdi"\n')
    found = CliRunner().invoke(app, ["study", str(study)])
    assert "how: 'grdi'. Use each, grid or sample; did you mean 'grid'?" in str(found.exception)


def test_a_command_that_is_not_there_is_answered_with_the_nearest() -> None:
    found = CliRunner().invoke(app, ["studdy"])
    assert found.exit_code == 2
    assert "Did you mean 'study'?" in found.output


def test_assess_writes_nothing_where_it_would_overwrite_something(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    for path in ("a/001.csv", "b/001.csv", "2.csv"):
        (tmp_path / path).write_text("t_s,fhr,ua\n0,140,5\n0.25,140,5\n")
    out = tmp_path / "out"
    found = CliRunner().invoke(app, ["assess", str(tmp_path / "a"), str(tmp_path / "b"), "--out", str(out)])
    assert "--out: '001'. Several recordings have this name" in str(found.exception)
    assert not out.exists()
    out.mkdir()
    for name in ("2.labour.toml", "2.dat", "2.qwd"):
        (out / name).write_text("weeks = 30")
        found = CliRunner().invoke(app, ["assess", str(tmp_path / "2.csv"), "--out", str(out)])
        assert f"{name}'. Already exists; choose another folder" in str(found.exception)
        assert [path.name for path in out.iterdir()] == [name]
        (out / name).unlink()


@pytest.mark.parametrize("broken", [[], ["broken.csv"], ["broken.csv", "not-there.hea"]])
def test_a_recording_that_cannot_be_played_is_told_and_the_others_are_played(
    broken: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "1.csv").write_text("t_s,fhr,ua\n0,140,5\n0.25,140,5\n")
    (tmp_path / "broken.csv").write_text("t_s,fhr,ua\n0,what\n")
    (tmp_path / "2.csv").write_text("t_s,fhr,ua\n0,150,5\n0.25,150,5\n")
    played: list[str] = []

    async def play(_: Settings, sources: list[RecordedStrip], *__: object, **___: object) -> None:
        played.extend(source.bed for source in sources)

    monkeypatch.setattr(service, "play", play)
    monkeypatch.setattr(devices, "run_service", lambda main, _: asyncio.run(main))
    paths = [str(tmp_path / name) for name in ("1.csv", *broken, "2.csv")]
    done = CliRunner().invoke(app, ["replay", *paths])
    assert played == ["rec-1", "rec-2"]
    assert done.exit_code == (2 if broken else 0)
    told = [line for line in done.stderr.splitlines() if line.startswith("quietward: ")]
    assert [name in line for name, line in zip(broken, told, strict=True)] == [True] * len(broken)


def test_nothing_is_played_where_nothing_can_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "broken.csv").write_text("t_s,fhr,ua\n0,what\n")
    monkeypatch.setattr(devices, "run_service", lambda *_: pytest.fail("there is nothing to play"))
    assert CliRunner().invoke(app, ["replay", str(tmp_path / "broken.csv")]).exit_code == 2
    (tmp_path / "broken.csv").unlink()
    assert "Holds no recording" in str(CliRunner().invoke(app, ["replay", str(tmp_path)]).exception)


@pytest.mark.parametrize("name", ["en", "de"])
def test_scenarios_fit_eighty_columns(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(terminal, "_here", lambda: language(name, TERMINAL))
    _, *shown = CliRunner().invoke(app, ["scenarios"]).stdout.splitlines()  # the terminal breaks the notice
    assert max(map(len, shown)) <= 80
    assert "…" not in "".join(shown), "nothing is cut off"
    in_words = [len(line[40:].split()) for line in shown if line[40:].strip()]
    assert sum(in_words) / len(in_words) >= 3, "what it is for has room for more than a word or two in a line"


def test_a_load_test_fits_eighty_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    slow = Spread(123456.7, 234567.8, 345678.9, 456789.0)
    stages = {name: Stage(6789.0, 1234.5) for name in ("write", "step", "commit")}
    of_parts = dict.fromkeys(("broker", "store", "ingest-0", "detect-0", "detect-1", "serve", "devices-0"), 123.4)
    trial = Trial(
        order=LoadOrder(20_000, 10.0, "broker-away"), beds=20_000, seconds=600, sent=12_000_000, delivered=11_999_000,
        lost=1000, duplicated=123_456, summary_ms=slow, flag_ms=slow, flag_needs_s=slow, page_ms=slow,
        flags_asked=1234, flags_raised=1230, flags_earlier=123, to_ingest_ms=slow, in_detect_ms=slow, late_share=0.5,
        deepest_queue_ms=12345.6, caught_up_s=123.4, cpu_s=of_parts, memory_mb=of_parts,
        versions={"quietward": "1.0.0", "python": "3.11.2", "redis-server": "7.0.15", "mosquitto": "2.0.21"},
        machine="a machine with a long name, 2 cores, Linux-6.1.0-amd64", cpu_steal_share=0.25, stages=stages,
        bytes_of_a_second=123.4, by_second=[],
    )  # fmt: skip
    limit = LimitSearch(20_000, 1000.0, [trial])
    screen = Console(width=80, file=io.StringIO())
    screen.print(report.table(trial, limit))
    shown = cast(io.StringIO, screen.file).getvalue().splitlines()
    assert max(map(len, shown)) <= 80
    assert "…" not in "".join(shown), "nothing is cut off"
    rows = [line for line in shown if line.lstrip().startswith(("a second, to its", "of that"))]
    assert len(rows) == 3
    assert all("345679" in line for line in rows), "name and figures on one line"


def test_what_was_refused_fits_eighty_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    text = "fhr[0]: 1420.0. Expected `float` <= 300.0. Send bpm, or null where there is no value " * 2
    found = [
        Refused("a-bed-with-the-longest-name-of32", "ignored-field", 1_234_567, "ingest", 1_790_000_000_000, text),
        Refused("?", "rate", 3, "detect"),
    ]
    lines = checks._refused_lines(found)
    assert max(map(len, lines)) <= 80
    assert text.rsplit(maxsplit=1)[-1] in lines[-2]
    assert lines[-1].startswith("?"), "where no message was kept there is nothing below"


def test_what_a_device_has_sent_is_cut_to_the_terminal_and_cannot_command_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    short = Refused("bed-1", "json", 1, "ingest", 0, "payload: b'\\x1b'", '{"a": "\u4e2d"}\x1b[2J\r\n\u202e')
    wide = Refused("bed-2", "ignored-field", 1, "ingest", 0, "Used, but for: \x1b[2J", "\u4e2d" * 30)
    lines = checks._refused_lines([short, wide])
    assert all(line.isprintable() for line in lines)
    assert lines[3] == '    {"a": "\u4e2d"}\\x1b[2J\\r\\n\\u202e'
    assert lines[-2:] == ["    Used, but for: \\x1b[2J", "    " + "\u4e2d" * 16 + "..."], (
        "a wide letter takes two columns"
    )


@pytest.mark.parametrize("name", [None, *(name for name, command in COMMANDS.items() if not command.hidden)])
def test_helps_are_in_the_readers_language(name: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(terminal, "_here", lambda: language("de", TERMINAL))
    monkeypatch.setenv("COLUMNS", "400")
    command = typer.main.get_command(app) if name is None else COMMANDS[name]
    shown = CliRunner().invoke(app, [*([] if name is None else [name]), "--help"]).stdout
    shown = " ".join(re.sub("[\u2500-\u257f]", " ", shown).split())
    english = [command.help or "", *(getattr(one, "help", None) or "" for one in command.params if one.name != "help")]
    for text in filter(None, (" ".join(part.split()) for whole in english for part in whole.split("\n\n"))):
        assert (german := language("de", TERMINAL).said(text)) in shown
        assert german != text or text == "steady, ramp, broker-away or detector-slow."


def test_brackets_in_a_help_are_shown() -> None:
    shown = CliRunner().invoke(app, ["demo", "--help"]).stdout
    assert "mqtt[s]://[user:password@]host:port" in shown
