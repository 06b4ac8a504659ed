"""Runs a study: every shift is measured once, every variant is run on every shift. On all cores, and resumable.

Two rounds. In the first nobody answers: it gives the positive predictive value of each variant's calls, for each half
of the shifts by itself. In the second there are staff, who trust calls according to it. Finished jobs are read from the
folder; the number of workers has no influence on the results.
"""

import hashlib
import itertools
import math
import multiprocessing
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from msgspec import structs

from quietward.contracts.errors import BadStudy
from quietward.study import care, cases
from quietward.study.cases import Case
from quietward.study.plan import StudyPlan, Variant
from quietward.study.progress import (
    MEASURING,
    PHASES,
    UNANSWERED,
    WITH_STAFF,
    Progress,
    Workload,
    begin_process,
    counting,
    progress,
)
from quietward.study.score import ShiftScore
from quietward.study.simulation import PpvByLevel, ppv_by_level, simulate_shifts
from quietward.study.statistics import draw_shifts

TOGETHER, COURSES_TOGETHER = 100, 2
"""Variants that run side by side; where care changes the course each holds its own signals of every shift."""
TOLD_EVERY_S = 0.5

T = TypeVar("T")


def halves(kinds: Sequence[str]) -> tuple[list[int], list[int]]:
    """Return the places of the shifts to choose on and of those to report on: of each kind every second.

    A kind of which there is one is reported only.
    """
    seen: Counter[str] = Counter()
    parts: tuple[list[int], list[int]] = ([], [])
    for i, kind in enumerate(kinds):
        parts[1 - seen[kind] % 2].append(i)
        seen[kind] += 1
    return parts


@dataclass(frozen=True)
class Result:
    """By variant the scores of the shifts, in the order of `cases`: with staff, and unanswered with nobody there.

    Those with staff are of all shifts under the first draw of the staff, then of all under the next. ppv: in the same
    order, what staff expect there of calls: their positive predictive value when nobody answers, learnt from the shifts
    of the same half, for every draw but the first from as many of them, drawn again. other_staff: as with_staff, of the
    plan's.
    """

    planned: StudyPlan
    cases: list[Case]
    with_staff: list[list[ShiftScore]]
    unanswered: list[list[ShiftScore]]
    ppv: list[list[PpvByLevel]]
    other_staff: list[list[ShiftScore]]

    def of(self, places: Sequence[int]) -> "Result":
        """Return the same of some of the shifts."""

        def some(scores: list[list[T]]) -> list[list[T]]:
            n = len(self.cases)
            return [[shifts[first + i] for first in range(0, len(shifts), n) for i in places] for shifts in scores]

        cases = [self.cases[i] for i in places]
        return Result(
            self.planned, cases, some(self.with_staff), some(self.unanswered),
            some(self.ppv), some(self.other_staff),
        )  # fmt: skip


@dataclass(frozen=True)
class _Job:
    """Some variants over one group of shifts. digest: of its measures; ppv: of these variants and shifts, None: nobody
    answers.

    draw: which one of the staff.
    """

    planned: StudyPlan
    group: list[Case]
    digest: str
    variants: list[Variant]
    ppv: list[list[PpvByLevel]] | None
    folder: Path
    draw: int

    @property
    def path(self) -> Path:
        course = self.planned.study.care_changes_course, self.planned.study.birth_after_min
        key = repr((self.digest, self.variants, self.ppv, self.draw, course, self.planned.rules.digest, _code()))
        return self.folder / f"{hashlib.sha256(key.encode()).hexdigest()[:16]}.json"


def run(
    planned: StudyPlan,
    groups: list[list[Case]],
    folder: Path,
    workers: int,
    moved: Callable[[Progress], None] = lambda _: None,
    also: Callable[[Result], list[Variant]] = lambda _: [],
) -> Result:
    """Run a study. groups: its shifts, from `cases.group_cases`. folder: of finished jobs.

    also: which variants with other staff are wanted beside the plan's, once all others have run.
    moved: called with how far it is, every `TOLD_EVERY_S` from the beginning on.
    Raises BadStudy when the folder cannot be written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadStudy("--out", str(folder), f"Cannot be made: {error.strerror}") from error
    digests = [cases.digest(group, planned.rules) for group in groups]
    flat = [case for group in groups for case in group]
    firsts = [0, *itertools.accumulate(map(len, groups))][:-1]
    load = workload(planned, groups, workers)
    counts = multiprocessing.Array("d", 2 * len(PHASES))
    began = time.monotonic()
    with ProcessPoolExecutor(workers, initializer=begin_process, initargs=(counts,)) as pool:

        def results(futures: list[Future[Any]]) -> list[Any]:
            return _results(futures, folder, lambda: moved(progress(load, counts[:], time.monotonic() - began)))

        results([pool.submit(_measure, planned, group, folder) for group in groups])

        def all_variants(
            variants: list[Variant], ppv: list[list[PpvByLevel]] | None, draw: int = 1
        ) -> list[list[ShiftScore]]:
            scores: list[list[ShiftScore]] = [[] for _ in variants]
            together = _together(planned)
            parts = range(0, len(variants), together)
            jobs = []
            for group, digest, first in zip(groups, digests, firsts, strict=True):
                own = ppv and [of[first : first + len(group)] for of in ppv]
                jobs += [
                    _Job(
                        planned, group, digest, variants[i : i + together], own and own[i : i + together], folder, draw
                    )
                    for i in parts
                ]
            found = results([pool.submit(_work, job) for job in jobs])
            for of_job, i in zip(found, [i for _ in groups for i in parts], strict=True):
                for place, of_group in enumerate(of_job):
                    scores[i + place] += of_group
            return scores

        unanswered = all_variants(planned.variants, None)
        draws = range(1, planned.study.staff_draws + 1)
        ppv = [[_learnt(scores, flat, planned.study.seed, draw) for draw in draws] for scores in unanswered]
        learnt = {v.name: of for v, of in zip(planned.variants, ppv, strict=True)}  # other staff learn the same

        def with_staff(variants: list[Variant]) -> list[list[ShiftScore]]:
            scores: list[list[ShiftScore]] = [[] for _ in variants]
            for draw in draws:
                drawn = all_variants(variants, [learnt[v.name][draw - 1] for v in variants], draw)
                scores = [[*before, *more] for before, more in zip(scores, drawn, strict=True)]
            return scores

        scores, n = with_staff([*planned.variants, *planned.other_staff]), len(planned.variants)
        expected = [list(itertools.chain(*of_draws)) for of_draws in ppv]
        found = Result(planned, flat, scores[:n], unanswered, expected, scores[n:])
        more = also(found)
        if more:
            whole = structs.replace(planned, other_staff=[*planned.other_staff, *more])
            found = replace(found, planned=whole, other_staff=[*found.other_staff, *with_staff(more)])
        return found


def _results(futures: list[Future[Any]], folder: Path, tell: Callable[[], None]) -> list[Any]:
    """Wait for all; return their results. The first error ends the study."""
    waiting = set(futures)
    while waiting:
        tell()
        done, waiting = wait(waiting, TOLD_EVERY_S)
        for future in done:
            try:
                future.result()
            except OSError as error:  # a job has read its own files before
                why = error.strerror or str(error)
                raise BadStudy("--out", str(folder), f"Cannot be written to: {why}") from error
    tell()
    return [future.result() for future in futures]


def _learnt(unanswered: Sequence[ShiftScore], cases: Sequence[Case], seed: int, draw: int) -> list[PpvByLevel]:
    """Return what staff expect of one variant's calls in each shift, learnt from its own half alone.

    draw: which one of the staff; all but the first have learnt from as many shifts of the half, drawn with replacement,
    the same for all variants: what a half has taught is uncertain, too.
    """
    expected: list[PpvByLevel] = [{} for _ in cases]
    for half in halves([case.shift for case in cases]):
        ppv = ppv_by_level([unanswered[i] for i in half])
        if draw > 1:
            times = draw_shifts([cases[i].shift for i in half], 1, seed + draw)[0]
            again = [unanswered[i] for i, n in zip(half, times, strict=True) for _ in range(int(n))]
            ppv |= ppv_by_level(again)  # a level that none of them has called at is known from the half
        for i in half:
            expected[i] = ppv
    return expected


def workload(planned: StudyPlan, groups: list[list[Case]], workers: int) -> Workload:
    """Return how much there is to do. Some variants of a group of shifts are the least that a process takes."""
    variants, others = len(planned.variants), len(planned.other_staff)
    jobs = len(groups) * math.ceil(variants / _together(planned))
    bed_hours, processes, study = sum(map(_bed_hours, groups)), min(workers, jobs), planned.study
    return Workload(bed_hours, variants, processes, others, study.staff_draws, study.care_changes_course)


def _together(planned: StudyPlan) -> int:
    return COURSES_TOGETHER if planned.study.care_changes_course else TOGETHER


def _bed_hours(group: list[Case]) -> float:
    return sum(sum(case.bed_s) for case in group) / 3600


def _measure(planned: StudyPlan, group: list[Case], folder: Path) -> None:
    bed_hours = _bed_hours(group)
    with counting(MEASURING, bed_hours, 2 * 3600 * bed_hours) as moved:  # a bed-second is simulated, then measured
        cases.measure_shifts(group, planned.rules, folder, moved)


def _work(job: _Job) -> list[list[ShiftScore]]:
    """Return the scores of each variant of a job."""
    bed_hours = _bed_hours(job.group) * len(job.variants)
    with counting(UNANSWERED if job.ppv is None else WITH_STAFF, bed_hours, 1.0) as moved:
        if job.path.exists():
            return msgspec.json.decode(job.path.read_bytes(), type=list[list[ShiftScore]])
        measured = cases.measure_shifts(job.group, job.planned.rules, job.folder)
        if job.ppv is not None and job.planned.study.care_changes_course:
            scores = care.simulate_shifts(measured, job.variants, job.ppv, job.planned.rules, moved, job.draw)
        else:
            born_min = job.planned.study.birth_after_min
            watched = measured if born_min is None else cases.with_births(measured, born_min * 60)
            scores = simulate_shifts(watched, job.variants, job.ppv, moved, job.draw)
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
