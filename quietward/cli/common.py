"""What several commands do alike: read settings, check a number's range, run a service, show progress."""

import os
import sys
from collections.abc import Callable, Coroutine
from typing import TYPE_CHECKING, Any

from quietward.contracts.errors import BadSettings
from quietward.contracts.settings import Settings, load

if TYPE_CHECKING:
    from rich.progress import Progress


def settings_from(**flags: object) -> Settings:
    """Return the settings of this command line and environment. Raises BadSettings."""
    return load(flags, os.environ)


def check_range(option: str, value: float | None, lowest: float, highest: float) -> None:
    """Raise BadSettings if an option that was given is out of range."""
    if value is not None and not lowest <= value <= highest:
        raise BadSettings(option, value, f"Use {lowest:g} to {highest:g}")


def run_service(main: Coroutine[Any, Any, None]) -> None:
    """Run a service until it ends or is told to stop."""
    from quietward.runtime.process import run

    run(main)


def rules_check(policy: str) -> Callable[[], str]:
    """Return a function that loads the rule tables and says which they are. The function raises BadRules."""

    def load_rules() -> str:
        from quietward.detect import rule_file

        rules = rule_file.load(policy)
        return f"policy {rules.policy.name}, digest {rules.digest}"

    return load_rules


def progress(unit: str) -> "Progress":
    """Return a progress bar on the terminal, which shows nothing when there is none."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    console = Console(file=sys.stderr)
    return Progress(
        "{task.description}",
        BarColumn(),
        MofNCompleteColumn(),
        unit,
        TimeRemainingColumn(),
        console=console,
        disable=not console.is_terminal,
    )
