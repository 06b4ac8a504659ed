"""What several commands do alike: read settings, check a number's range, run a service, show progress."""

import os
import sys
import time
from collections.abc import Awaitable, Callable, Coroutine
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from quietward.contracts.errors import BadSettings, QuietwardError, possible
from quietward.contracts.settings import Settings, load
from quietward.language.terminal import said
from quietward.recordings import FORMATS, SUFFIXES

if TYPE_CHECKING:
    from rich.progress import Progress

    from quietward.recordings.recording import Recording
    from quietward.store.client import Store

T = TypeVar("T")


def settings_from(**flags: object) -> Settings:
    """Return the settings of this command line and environment. Raises BadSettings."""
    return load(flags, os.environ)


def check_range(option: str, value: float | None, lowest: float, highest: float) -> None:
    """Raise BadSettings if an option that was given is out of range."""
    if value is not None and not lowest <= value <= highest:
        raise BadSettings(option, value, f"Use {lowest:g} to {highest:g}")


def read_all(paths: list[Path]) -> "tuple[list[Recording], int]":
    """Return the recordings that can be read, and how many cannot; why, and what reading has changed, is told.

    Raises BadSettings where there is none of either.
    """
    from quietward.recordings.files import find_recordings, read_recording

    readable: list[Recording] = []
    failures = 0
    for path in find_recordings(paths):
        try:
            readable.append(read_recording(path))
        except QuietwardError as error:
            failures += 1
            print(f"quietward: {error.in_words(said)}", file=sys.stderr)
        else:
            if note := readable[-1].note:
                print(f"{path}: {said(note)}", file=sys.stderr)
    if not readable and not failures:
        raise BadSettings("PATH", [str(path) for path in paths], f"Holds no recording ({' or '.join(SUFFIXES)})")
    return readable, failures


def run_service(main: Coroutine[Any, Any, None], settings: Settings | None = None) -> None:
    """Run a service until it ends or is told to stop."""
    from quietward.runtime.process import run

    run(main, "text" if settings is None else settings.log)


def in_store(own: Settings, act: "Callable[[Store], Awaitable[T]]") -> T:
    """Return what is done, or asked, at the store of a ward. Raises RedisError, and what `act` raises."""
    import asyncio

    from quietward.store.client import connected

    async def run() -> T:
        async with connected(own.store, own.tls) as client:
            return await act(client)

    return asyncio.run(run())


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


class ProgressLines:
    """How far long work is, counted in bed-hours: one line that is written over on a terminal, plain lines into a pipe.

    The first is written at once. Into a pipe others follow at growing distances, at most `MOST_BETWEEN_S` apart.
    """

    FIRST_AFTER_S, GROWING, MOST_BETWEEN_S, ON_TERMINAL_S = 1.0, 1.5, 30.0, 0.2

    def __init__(self) -> None:
        self._is_terminal = sys.stderr.isatty()
        self._began, self._next_s, self._width = time.monotonic(), 0.0, 0

    def tell(self, what: str, bed_hours: float, of: float, left_s: float) -> None:
        """Say how far it is, if it is time to."""
        elapsed_s = time.monotonic() - self._began
        if elapsed_s < self._next_s:
            return
        line = said(f"{what}: {bed_hours:.0f} of {of:.0f} bed-hours, {time_left(left_s)} left")
        if self._is_terminal:
            print(f"\r{line:{self._width}}", end="", file=sys.stderr, flush=True)
            self._width, self._next_s = len(line), elapsed_s + self.ON_TERMINAL_S
        else:
            print(line, file=sys.stderr, flush=True)
            further_s = min(elapsed_s * (self.GROWING - 1), self.MOST_BETWEEN_S)
            self._next_s = elapsed_s + max(self.FIRST_AFTER_S, further_s)

    def end(self) -> None:
        """End the line on a terminal."""
        if self._is_terminal:
            print(file=sys.stderr)


def time_left(seconds: float) -> str:
    """Return roughly how long something takes, in words."""
    if seconds < 60:
        return "less than a minute"
    minutes = round(seconds / 60)
    return f"about {minutes} min" if minutes < 100 else f"about {minutes // 60} h {minutes % 60} min"


def suffix_of(name: str) -> str:
    """Return how files of a format end, by the name that `--format` has for it. Raises BadSettings."""
    names = {one.name: one.suffix for one in FORMATS}
    if name not in names:
        raise BadSettings("--format", name, possible(names, name))
    return names[name]
