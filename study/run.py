"""Runs a study: every shift is measured once, every variant lives through every shift. On all cores, and resumable.

Two rounds. In the first nobody answers: it shows what the calls of each variant are worth. In the second there are
staff, who believe calls as far as those of the first round were worth it. What is done already is read from the
folder; how many workers there are changes nothing.
"""

import hashlib
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import msgspec

from quietward.contracts.errors import BadStudy
from quietward.runtime.embedded import die_when_parent_dies
from quietward.study import cases
from quietward.study.cases import Case
from quietward.study.life import Earned, learnt, lived
from quietward.study.plan import Planned, Variant
from quietward.study.score import Shift

TOGETHER = 100
"""Variants that run side by side."""


@dataclass(frozen=True)
class Result:
    """What came out: by variant the shifts in the order of `cases`, with staff (lived) and with nobody there (alone).

    earned: by variant, what its calls are worth when nobody answers.
    """

    planned: Planned
    cases: list[Case]
    lived: list[list[Shift]]
    alone: list[list[Shift]]
    earned: list[Earned]


@dataclass(frozen=True)
class _Job:
    """Some variants over one group of shifts. earned: of these variants; None where nobody answers."""

    planned: Planned
    group: list[Case]
    variants: list[Variant]
    earned: list[Earned] | None
    folder: Path

    @property
    def path(self) -> Path:
        key = repr((self.group, self.variants, self.earned, self.planned.rules.digest, _code()))
        return self.folder / f"{hashlib.sha256(key.encode()).hexdigest()[:16]}.json"


def run(planned: Planned, folder: Path, workers: int, moved: Callable[[int, int], None] = lambda *_: None) -> Result:
    """Run a study. folder: for what is done already. moved: told of the jobs that are done, and of all there are.

    Raises BadStudy when the folder cannot be written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadStudy("--out", str(folder), f"Cannot be made: {error.strerror}") from error
    groups = cases.groups(planned.study)
    parts = range(0, len(planned.variants), TOGETHER)
    total = len(groups) * (1 + 2 * len(parts))
    done = 0
    with ProcessPoolExecutor(workers, initializer=die_when_parent_dies) as pool:

        def one_more() -> None:
            nonlocal done
            done += 1
            moved(done, total)

        for one in as_completed([pool.submit(_measure, planned, group, folder) for group in groups]):
            one.result()
            one_more()

        def all_variants(earned: list[Earned] | None) -> list[list[Shift]]:
            found: list[list[Shift]] = [[] for _ in planned.variants]
            jobs = [
                _Job(planned, group, planned.variants[i : i + TOGETHER], earned and earned[i : i + TOGETHER], folder)
                for group in groups
                for i in parts
            ]
            futures = [pool.submit(_work, job) for job in jobs]
            for future in as_completed(futures):
                future.result()
                one_more()
            for future, i in zip(futures, [i for _ in groups for i in parts], strict=True):
                for place, shifts in enumerate(future.result()):
                    found[i + place] += shifts
            return found

        alone = all_variants(None)
        earned = [learnt(shifts) for shifts in alone]
        with_staff = all_variants(earned)
    return Result(planned, [case for group in groups for case in group], with_staff, alone, earned)


def _measure(planned: Planned, group: list[Case], folder: Path) -> None:
    cases.measured(group, planned.rules, folder)


def _work(job: _Job) -> list[list[Shift]]:
    """Return the shifts of each variant of a job."""
    if job.path.exists():
        return msgspec.json.decode(job.path.read_bytes(), type=list[list[Shift]])
    found = lived(cases.measured(job.group, job.planned.rules, job.folder), job.variants, job.earned)
    unfinished = job.path.with_suffix(".part")
    unfinished.write_bytes(msgspec.json.encode(found))
    unfinished.rename(job.path)
    return found


@cache
def _code() -> str:
    """Return a digest of this package's own code: results of an older one are not taken for new."""
    h = hashlib.sha256()
    for source in sorted(files("quietward.study").iterdir(), key=lambda s: s.name):
        if source.name.endswith((".py", ".toml")):
            h.update(source.read_bytes())
    return h.hexdigest()
