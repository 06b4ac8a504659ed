"""What all commands have in common: they say the version, name the nearest possible value, and fit 80 columns."""

import re
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from quietward import __version__
from quietward.cli import app, checks
from quietward.contracts.errors import QuietwardError
from quietward.language import terminal
from quietward.language.catalogue import TERMINAL, language
from quietward.runtime.refused import Refused

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
