"""The command line, the only package that knows every stage.

Commands import what they need when they run: `quietward --help` must be quick.
"""

import sys
from collections.abc import Callable
from copy import copy
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperCommand, TyperGroup

from quietward import __version__
from quietward.cli import checks, devices, embedded, load, people, recordings, studies, ward
from quietward.contracts.errors import QuietwardError
from quietward.contracts.notice import NOTICE
from quietward.language.terminal import said


class _Group(TyperGroup):
    """All commands; helps in the reader's language."""

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Write the help of all commands."""
        shown = _with_help_in_words(self)
        shown.commands = {name: _with_help_in_words(command) for name, command in self.commands.items()}
        super(_Group, shown).format_help(ctx, formatter)


class _Command(TyperCommand):
    """Every command says the version, too: whoever reports a fault types it behind the command that failed."""

    def get_params(self, ctx: Any) -> Any:
        """Return the command's parameters, and `--version`."""
        of_all = next(p for p in ctx.find_root().command.params if p.name == "version")
        own = copy(of_all)
        own.expose_value = False  # functions of commands do not take it
        return [*super().get_params(ctx), own]

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Write the help in the reader's language."""
        shown = _with_help_in_words(self)
        super(_Command, shown).format_help(ctx, formatter)


def _with_help_in_words(command: Any) -> Any:
    """Return a copy of a command with help in the reader's language; brackets in it are no markup."""
    from rich.markup import escape

    shown = copy(command)
    shown.help = escape("\n\n".join(said(" ".join(part.split())) for part in (command.help or "").split("\n\n")))
    shown.params = list(map(copy, command.params))
    for parameter in shown.params:
        parameter.help = escape(said(parameter.help or ""))
    return shown


app = typer.Typer(
    cls=_Group,
    help=f"Streaming monitor prototype for a labour ward.\n\n{NOTICE}",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
COMMANDS: tuple[Callable[..., None], ...] = (
    ward.demo,
    devices.simulate,
    devices.scenarios,
    ward.ingest,
    ward.detect,
    ward.serve,
    ward.reshard,
    ward.reseat,
    people.person,
    devices.replay,
    recordings.assess,
    studies.study,
    studies.what_if,
    load.load,
    recordings.export,
    recordings.record,
    recordings.forget,
    checks.doctor,
    checks.alive,
    checks.refused,
)
"""In the order of `quietward --help`."""
HIDDEN: tuple[Callable[..., None], ...] = (embedded.embedded_broker, load.load_devices, embedded.embedded_store)
"""Processes that demo and load tests start."""


for _command in COMMANDS:
    app.command(cls=_Command)(_command)
for _command in HIDDEN:
    app.command(hidden=True)(_command)


def _say_version(wanted: bool) -> None:
    if wanted:
        print(f"quietward {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[  # its callback answers
        bool, typer.Option("--version", callback=_say_version, is_eager=True, help="Print the version and exit.")
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run a command; an error of ours is one line and exit code 2."""
    try:
        app(standalone_mode=True)
    except QuietwardError as error:
        _fail(error)
    except BaseExceptionGroup as group:
        ours = _first_of_ours(group)
        if ours is None:
            raise
        _fail(ours)


def _first_of_ours(group: BaseExceptionGroup[BaseException]) -> QuietwardError | None:
    for error in group.exceptions:
        candidate = _first_of_ours(error) if isinstance(error, BaseExceptionGroup) else error
        if isinstance(candidate, QuietwardError):
            return candidate
    return None


def _fail(error: QuietwardError) -> NoReturn:
    print(f"quietward: {error.in_words(said)}", file=sys.stderr)
    raise SystemExit(2)
