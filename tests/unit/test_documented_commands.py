"""Every command line that a document shows is one that the real parser takes, options, values and all."""

import re
import shlex
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest
import typer

from quietward.cli import app

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
GROUP = typer.main.get_command(app)
COMMANDS = GROUP.commands  # type: ignore[attr-defined]
WHOLE = GROUP.make_context("quietward", ["doctor"])

ENDS = {"&", ">", "|", ";"}
"""Of a command in a line of the shell."""
TYPED = re.compile(r"^(?: {4,})?(?:\.venv/bin/)?(quietward [a-z-]+.*)$")
"""A line in a block of code: what people type as it stands there."""
MENTIONED = re.compile(r"`(quietward [a-z-]+[^`]*)`")
MODULE = re.compile(r"python -m ((?:tests|quietward)[\w.]*)([^`\n]*)")


def in_blocks(text: str) -> Iterator[tuple[str, bool]]:
    """Yield the lines of a page, each with whether it is in a block of code."""
    is_fenced = False
    for line in text.splitlines():
        if line.startswith("```"):
            is_fenced = not is_fenced
        yield line, is_fenced or line.startswith("    ")


def commands_of(line: str) -> Iterator[list[str]]:
    """Yield the commands of a line as words, without the comment behind them."""
    words: list[str] = []
    for word in [*shlex.split(line, comments=True), ";"]:
        if word not in ENDS:
            words.append(word)
        elif words:
            if words[0] == "quietward":
                yield words[1:]
            words = []


def pages() -> list[tuple[str, str]]:
    return [(str(page.relative_to(ROOT)), page.read_text()) for page in PAGES]


TYPED_LINES = sorted(
    {
        (name, *words)
        for name, text in pages()
        for line, is_code in in_blocks(text)
        if is_code and (found := TYPED.match(line))
        for words in commands_of(found[1])
    }
)
MENTIONED_LINES = sorted(
    {
        (name, *(word.strip("[]") for word in words))
        for name, text in pages()
        for found in MENTIONED.findall(text)
        for words in commands_of(found.replace("\n", " "))
    }
)


def test_they_are_found() -> None:
    assert len(TYPED_LINES) > 30
    assert len(MENTIONED_LINES) > 50


@pytest.mark.parametrize("line", TYPED_LINES, ids=" ".join)
def test_what_is_typed_is_taken_as_it_stands_there(line: tuple[str, ...]) -> None:
    _, command, *given = line
    COMMANDS[command].make_context(
        command, list(given), parent=WHOLE
    )  # only where option, argument and value are right


@pytest.mark.parametrize("line", MENTIONED_LINES, ids=" ".join)
def test_options_that_are_mentioned_are_there(line: tuple[str, ...]) -> None:
    """Values may be stand-ins, as in `reshard N`."""
    _, command, *given = line
    options = {name for one in COMMANDS[command].params for name in one.opts}
    assert {word for word in given if word.startswith("-")} <= options


@pytest.mark.parametrize(("page", "text"), pages())
def test_modules_that_are_run_are_there_and_know_their_options(page: str, text: str) -> None:
    for module, rest in MODULE.findall(text):
        spec = find_spec(module)
        assert spec is not None, (page, module)
        path = Path(spec.origin or "")
        if path.name == "__init__.py":
            path = path.with_name("__main__.py")
        source = path.read_text()
        for option in re.findall(r"--[a-z-]+", rest.partition("#")[0]):
            assert option in source, (page, module, option)
