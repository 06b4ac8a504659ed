"""Runs a study: every shift is measured once, every variant is run on every shift. On all cores, and resumable.

Two rounds. In the first nobody answers: it gives the positive predictive value of each variant's calls. In the second
there are staff, who trust calls according to it. Finished jobs are read from the folder; the number of workers has no
influence on the results.
"""

import hashlib
from collections.abc import Callable, Sequence
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
from quietward.study.plan import StudyPlan, Variant
from quietward.study.score import ShiftScore
from quietward.study.simulation import PpvByLevel, ppv_by_level, simulate_shifts

TOGETHER = 100
"""Variants that run side by side."""


@dataclass(frozen=True)
class Result:
    """By variant the scores of the shifts, in the order of `cases`: with staff, and unanswered with nobody there.

    ppv: by variant, the positive predictive value of its calls when nobody answers.
    """

    planned: StudyPlan
    cases: list[Case]
    with_staff: list[list[ShiftScore]]
    unanswered: list[list[ShiftScore]]
    ppv: list[PpvByLevel]

    def of(self, places: Sequence[int]) -> "Result":
        """Return the same of some of the shifts. What staff expect of calls they have learnt from all of them."""

        def some(scores: list[list[ShiftScore]]) -> list[list[ShiftScore]]:
            return [[shifts[i] for i in places] for shifts in scores]

        cases = [self.cases[i] for i in places]
        return Result(self.planned, cases, some(self.with_staff), some(self.unanswered), self.ppv)


@dataclass(frozen=True)
class _Job:
    """Some variants over one group of shifts. digest: of its measures; ppv: of these variants, None: nobody answers."""

    planned: StudyPlan
    group: list[Case]
    digest: str
    variants: list[Variant]
    ppv: list[PpvByLevel] | None
    folder: Path

    @property
    def path(self) -> Path:
        key = repr((self.digest, self.variants, self.ppv, self.planned.rules.digest, _code()))
        return self.folder / f"{hashlib.sha256(key.encode()).hexdigest()[:16]}.json"


def run(
    planned: StudyPlan,
    groups: list[list[Case]],
    folder: Path,
    workers: int,
    moved: Callable[[int, int], None] = lambda *_: None,
) -> Result:
    """Run a study. groups: its shifts, from `cases.group_cases`. folder: of finished jobs.

    moved: called with the number of finished jobs, and of all.
    Raises BadStudy when the folder cannot be written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadStudy("--out", str(folder), f"Cannot be made: {error.strerror}") from error
    digests = [cases.digest(group, planned.rules) for group in groups]
    parts = range(0, len(planned.variants), TOGETHER)
    total = len(groups) * (1 + 2 * len(parts))
    done = 0
    with ProcessPoolExecutor(workers, initializer=die_when_parent_dies) as pool:

        def one_more() -> None:
            nonlocal done
            done += 1
            moved(done, total)

        for future in as_completed([pool.submit(_measure, planned, group, folder) for group in groups]):
            future.result()
            one_more()

        def all_variants(ppv: list[PpvByLevel] | None) -> list[list[ShiftScore]]:
            scores: list[list[ShiftScore]] = [[] for _ in planned.variants]
            jobs = [
                _Job(planned, group, digest, planned.variants[i : i + TOGETHER], ppv and ppv[i : i + TOGETHER], folder)
                for group, digest in zip(groups, digests, strict=True)
                for i in parts
            ]
            futures = [pool.submit(_work, job) for job in jobs]
            for future in as_completed(futures):
                future.result()
                one_more()
            for future, i in zip(futures, [i for _ in groups for i in parts], strict=True):
                for place, of_group in enumerate(future.result()):
                    scores[i + place] += of_group
            return scores

        unanswered = all_variants(None)
        ppv = [ppv_by_level(scores) for scores in unanswered]
        with_staff = all_variants(ppv)
    return Result(planned, [case for group in groups for case in group], with_staff, unanswered, ppv)


def _measure(planned: StudyPlan, group: list[Case], folder: Path) -> None:
    cases.measure_shifts(group, planned.rules, folder)


def _work(job: _Job) -> list[list[ShiftScore]]:
    """Return the scores of each variant of a job."""
    if job.path.exists():
        return msgspec.json.decode(job.path.read_bytes(), type=list[list[ShiftScore]])
    scores = simulate_shifts(cases.measure_shifts(job.group, job.planned.rules, job.folder), job.variants, job.ppv)
    unfinished = job.path.with_suffix(".part")
    unfinished.write_bytes(msgspec.json.encode(scores))
    unfinished.rename(job.path)
    return scores


@cache
def _code() -> str:
    """Return a digest of this package's own code, so that results of an older version are not reused."""
    h = hashlib.sha256()
    for source in sorted(files("quietward.study").iterdir(), key=lambda s: s.name):
        if source.name.endswith((".py", ".toml")):
            h.update(source.read_bytes())
    return h.hexdigest()
