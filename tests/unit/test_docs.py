"""Documents that can be wrong: commands, settings, scenarios, rule sets they name are there, and none is left out."""

import json
import re
import tomllib
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from quietward.cli import app
from quietward.contracts.notice import NOTICE
from quietward.contracts.settings import Settings
from quietward.detect import rule_file
from quietward.simulator import scenario, shift

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
PAGES = {path: path.read_text() for path in sorted((ROOT / "docs").rglob("*.md"))}
EVERYTHING = README + "".join(PAGES.values())
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]
FILES = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", "docker-compose.yml", "mkdocs.yml"}
FOLDERS = {"docs", "quietward", "ingest", "detect", "dashboard", "simulator", "study", "load", "practice", "tests"}


def test_readme_carries_the_notice_and_its_picture() -> None:
    assert NOTICE in README.replace("\n> ", " ")


@pytest.mark.parametrize("path", [ROOT / "README.md", *PAGES])
def test_links_and_pictures_are_there(path: Path) -> None:
    text = path.read_text()
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        if "://" not in target and "reference/" not in target:  # made with the site, which checks them
            assert (path.parent / target).exists(), target


@pytest.mark.parametrize("path", PAGES)
def test_every_page_carries_the_notice(path: Path) -> None:
    assert NOTICE in " ".join(PAGES[path].replace("\n> ", " ").split())


def test_readme_is_short() -> None:
    """One screen of each; the rest are pages."""
    assert len(README.splitlines()) <= 120


def test_every_command_and_setting_is_described() -> None:
    for name, command in COMMANDS.items():
        if not command.hidden:
            assert f"`quietward {name}" in PAGES[ROOT / "docs" / "running.md"], name
    for field in Settings.__struct_fields__:
        assert f"`QUIETWARD_{field.upper()}`" in PAGES[ROOT / "docs" / "running.md"], field
    for name in re.findall(r"`quietward ([a-z-]+)", EVERYTHING):
        assert name in COMMANDS, name


def test_every_scenario_and_rule_set_is_named() -> None:
    for rule_set in rule_file.load().rule_sets:
        assert f"`{rule_set.name}`" in README, rule_set.name
    told = CliRunner().invoke(app, ["scenarios"]).stdout
    for name in [*scenario.names(), *shift.names()]:
        assert name in told, name


def test_no_other_top_level_files() -> None:
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".") and not p.name.endswith(".egg-info")}
    assert found - {"build", "dist"} == FILES | FOLDERS


def test_paths_named_for_contributors_are_there() -> None:
    folders = "|".join(sorted(FOLDERS))
    for path in re.findall(rf"`((?:{folders}|\.ci)/[\w./-]*)`", DEVELOPERS):
        assert (ROOT / path).exists(), path


def test_constraints_pin_every_direct_dependency_and_name_no_address() -> None:
    text = (ROOT / ".ci" / "constraints.txt").read_text()
    pinned = {re.split(r"==", line)[0].lower() for line in text.splitlines() if "==" in line}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"], *(name for of in project["optional-dependencies"].values() for name in of)]
    wanted = [name for name in wanted if not name.startswith("quietward[")]
    assert {re.split(r"[\[<>=; ]", name)[0].lower() for name in wanted} <= pinned
    assert "://" not in text


def test_tools_for_javascript_are_pinned_and_their_lock_names_no_address() -> None:
    folder = ROOT / "tests" / "javascript"
    lock = (folder / "package-lock.json").read_text()
    assert "://" not in lock, "npm run lock, in tests/javascript, writes it without"
    wanted = json.loads((folder / "package.json").read_text())["devDependencies"]
    for name, version in wanted.items():
        assert re.fullmatch(r"[\d.]+", version), name
        assert json.loads(lock)["packages"][f"node_modules/{name}"]["version"] == version


def test_every_line_of_the_threat_model_names_a_test_that_is_there() -> None:
    text = (ROOT / "docs" / "security.md").read_text()
    defended, _, _ = text.partition("## What is defended")[2].partition("python -m tests.fuzz")
    lines = re.findall(r"^\|.*\|.*\| (.*) \|$", defended, re.MULTILINE)[2:]
    assert len(lines) > 10
    for line in lines:
        file, _, name = line.strip("`").partition("::")
        assert f"def {name}" in (ROOT / file).read_text(), line
    for path in re.findall(r"`(quietward/[\w./-]*)`", text):
        assert (ROOT / path).exists(), path
