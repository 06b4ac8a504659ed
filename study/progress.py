"""How far a study is: bed-hours that are done, counted in the processes that do them, and the time that is left."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.sharedctypes import SynchronizedArray
from typing import NamedTuple, TypeAlias

from quietward.runtime.embedded import die_when_parent_dies

PHASES = ("simulating and measuring", "variants, nobody answering", "variants, with staff")
MEASURING, UNANSWERED, WITH_STAFF = range(len(PHASES))
COSTS_S = (0.11, 0.0007, 0.0012)
"""Seconds of one core for a bed-hour, and for one under one variant; measured on a shared cloud machine of 2026. They
say what is to be expected before anything has been done; after that the study's own pace counts.
"""
RESPONDING_S = 0.04
"""The same of the last phase where care changes the course."""
EXPECTED_COUNTS_S = 5.0
"""What is expected counts like so many seconds in which it has been so; the study's own pace, beside it, by its own."""
STEPS = 200
"""So often a job tells, from its beginning to its end."""

Counts: TypeAlias = "SynchronizedArray[float]"
"""What is done in each phase, then what was found done in each."""
Moved = Callable[[float], None]


class Workload(NamedTuple):
    """What a study is. processes: as many as have something to do; other_staff: variants that only run with staff.

    staff_draws: so often every shift is played with staff. responds: care changes the course, so that beds are
    simulated and measured again.
    """

    bed_hours: float
    variants: int
    processes: int
    other_staff: int = 0
    staff_draws: int = 1
    responds: bool = False

    @property
    def totals(self) -> tuple[float, ...]:
        """Bed-hours of each phase, in the others times the variants."""
        with_staff = (self.variants + self.other_staff) * self.staff_draws
        return self.bed_hours, self.bed_hours * self.variants, self.bed_hours * with_staff

    @property
    def expected_s(self) -> float:
        """How long all of it takes, roughly."""
        return self.seconds(self.totals)

    def seconds(self, bed_hours: tuple[float, ...]) -> float:
        """Return how long so much of each phase takes, roughly."""
        costs_s = (*COSTS_S[:WITH_STAFF], RESPONDING_S) if self.responds else COSTS_S
        return sum(n * cost for n, cost in zip(bed_hours, costs_s, strict=True)) / self.processes


class Progress(NamedTuple):
    """phase: 0 to 2; bed_hours: done of its `of`; left_s: until the end of the study."""

    phase: int
    bed_hours: float
    of: float
    left_s: float


def progress(load: Workload, counts: list[float], elapsed_s: float) -> Progress:
    """Return how far a study is. counts: done in each phase, then found done in each."""
    n = len(PHASES)
    done = tuple(min(x, total) for x, total in zip(counts[:n], load.totals, strict=True))
    phase = next((i for i, total in enumerate(load.totals) if done[i] < total * (1 - 1e-9)), n - 1)
    remaining = tuple(total - x for total, x in zip(load.totals, done, strict=True))
    worked_s = load.seconds(tuple(x - found for x, found in zip(done, counts[n:], strict=True)))
    pace = (elapsed_s + EXPECTED_COUNTS_S) / (worked_s + EXPECTED_COUNTS_S) if worked_s > 0 else 1.0
    share = done[phase] / load.totals[phase] if load.totals[phase] else 1.0
    return Progress(phase, share * load.bed_hours, load.bed_hours, load.seconds(remaining) * pace)


class _Process:
    """What this process counts into; nothing in the one that a study was started from."""

    counts: "Counts | None" = None


def begin_process(counts: Counts) -> None:
    """Begin a process of a study."""
    die_when_parent_dies()
    _Process.counts = counts


@contextmanager
def counting(phase: int, bed_hours: float, steps: float) -> Iterator[Moved]:
    """Count a job's bed-hours while it is done. It calls what it is given with how many of its `steps` are done.

    A job that calls it never was found done.
    """
    told = waiting = 0.0

    def moved(n: float) -> None:
        nonlocal told, waiting
        waiting += n * bed_hours / steps
        if waiting >= bed_hours / STEPS:
            _add(phase, waiting)
            told, waiting = told + waiting, 0.0

    yield moved
    _add(phase, bed_hours - told)
    if not told:
        _add(len(PHASES) + phase, bed_hours)


def _add(place: int, bed_hours: float) -> None:
    if _Process.counts is not None:
        with _Process.counts.get_lock():
            _Process.counts[place] += bed_hours
