"""Shifts in which what staff do changes how the women do, so that a call that comes late costs reserve.

Nothing that is done changes what was before it. So a shift is played to its end, the first thing that was done at any
bed is done to the simulated woman, her bed goes on from there as she responds and is measured again, and the shift is
played again: up to there all is as it was. That is repeated until nothing new is done. Labours, staff and responses
draw the same random numbers under every variant.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import Floats
from quietward.detect.core.state.rules import Rules
from quietward.study.cases import BedSignals, MeasuredShifts, evaluate, simulate_bed
from quietward.study.evaluations import Evaluations
from quietward.study.plan import Variant
from quietward.study.score import ShiftScore
from quietward.study.simulation import Played, PpvByLevel, alarms_of, play, score
from quietward.study.staff import BedTruth, TruthOverTime
from quietward.study.staff_model import Done
from quietward.study.truth import KnownTruth, until


@dataclass
class _Course:
    """One shift under one variant, as far as it is known.

    before: by bed, the truths that something has changed, each with when. done, signals: by bed. taken: of all that was
    done, in the order of time.
    """

    measured: MeasuredShifts
    variant: Variant
    ppv: PpvByLevel
    draw: int
    before: dict[int, list[tuple[float, KnownTruth]]] = field(default_factory=dict)
    done: dict[int, list[Done]] = field(default_factory=dict)
    signals: dict[int, BedSignals] = field(default_factory=dict)
    births: dict[int, float] = field(default_factory=dict)
    taken: int = 0
    played: Played | None = None

    def go_on(self) -> int | None:
        """Play the shift, and let the women respond to what is done until something changes.

        Return the bed that then goes on otherwise; None at the end of the shift.
        """
        alarms = alarms_of(self.measured, [self.variant])
        self.played = play(
            self.measured, [self.variant], alarms, [[self.ppv]], [self._truth()], draw=self.draw, changes_course=True
        )
        done = sorted(self.played.staff[0, 0].done, key=lambda one: (one.t_s, one.bed))
        while self.taken < len(done):
            one = done[self.taken]
            self.taken += 1
            if one.bed not in self.births and self._changes(one):
                return one.bed
        return None

    def score(self) -> ShiftScore:
        """Return the score of the shift once it has been played to its end."""
        if self.played is None:
            raise TypeError("A shift is played before it is scored")
        truth = [BedTruth.of(t, self.variant.staff.true_positive) for t in self.measured.truth]
        return score(self.measured, 0, self.played, (0, 0), truth, self.births)

    def _truth(self) -> list[BedTruth | TruthOverTime]:
        criteria = self.variant.staff.true_positive
        return [
            TruthOverTime(
                [
                    *((until_s, BedTruth.of(truth, criteria)) for until_s, truth in self.before.get(bed, [])),
                    (np.inf, BedTruth.of(final, criteria)),
                ]
            )
            for bed, final in enumerate(self.measured.truth)
        ]

    def _changes(self, one: Done) -> bool:
        """Take in something that was done; return whether the bed goes on otherwise."""
        case, bed, truth = self.measured.cases[0], one.bed, self.measured.truth[one.bed]
        if one.is_birth:
            self.births[bed] = one.t_s
            self._becomes(one, None if truth is None else until(truth, one.t_s), int(one.t_s))
            return True
        own = self.done.setdefault(bed, [])
        earlier = self.signals.get(bed) or simulate_bed(case, bed, own)
        own.append(one)
        later = self.signals[bed] = simulate_bed(case, bed, own)
        if later.truth == truth and _alike(later.fhr, earlier.fhr) and _alike(later.ua, earlier.ua):
            return False
        self._becomes(one, later.truth, len(later.fhr) // HZ)
        return True

    def _becomes(self, one: Done, truth: KnownTruth | None, seconds: int) -> None:
        old, bed = self.measured, one.bed
        before = old.truth[bed]
        if before is not None:
            self.before.setdefault(bed, []).append((one.t_s, before))
        fhr, length, truths = old.fhr.copy(), old.seconds.copy(), list(old.truth)
        if bed in self.signals:
            fhr[bed] = self.signals[bed].fhr
        fhr[bed, seconds * HZ :] = np.nan
        length[bed], truths[bed] = seconds, truth
        self.measured = MeasuredShifts(old.cases, old.evaluations, fhr, length, truths)

    def measure(self, bed: int, measured: Evaluations, place: int) -> None:
        """Take in what the detector measures at a bed that goes on otherwise: where it is one of those side by side."""
        old = self.measured
        evaluations = old.evaluations.with_bed(bed, measured, place)
        self.measured = MeasuredShifts(old.cases, evaluations, old.fhr, old.seconds, old.truth)

    def end(self, bed: int) -> None:
        """Let nothing be measured at a bed after a birth."""
        old = self.measured
        evaluations = old.evaluations.without(bed, from_s=self.births[bed])
        self.measured = MeasuredShifts(old.cases, evaluations, old.fhr, old.seconds, old.truth)


def simulate_shifts(
    measured: MeasuredShifts,
    variants: Sequence[Variant],
    ppv: Sequence[Sequence[PpvByLevel]],
    rules: Rules,
    moved: Callable[[float], None] = lambda _: None,
    draw: int = 1,
) -> list[list[ShiftScore]]:
    """Return the score of every shift under each variant. measured: with nobody doing anything; ppv: what staff expect,
    by variant and shift.

    moved: called with the share of all that has been done since it was called last. draw: which one of the staff.
    """
    courses = [
        _Course(measured.one(s), variant, own[s], draw)
        for variant, own in zip(variants, ppv, strict=True)
        for s in range(len(measured.cases))
    ]
    waiting = courses
    while waiting:
        changed = [(course, bed) for course in waiting if (bed := course.go_on()) is not None]
        moved((len(waiting) - len(changed)) / len(courses))
        again = [(course, bed) for course, bed in changed if bed not in course.births]
        if again:
            found = evaluate([course.signals[bed] for course, bed in again], rules)
            for place, (course, bed) in enumerate(again):
                course.measure(bed, found, place)
        for course, bed in changed:
            if bed in course.births:
                course.end(bed)
        waiting = [course for course, _ in changed]
    n = len(measured.cases)
    return [[course.score() for course in courses[v * n : (v + 1) * n]] for v in range(len(variants))]


def _alike(here: Floats, there: Floats) -> bool:
    return np.array_equal(here, there, equal_nan=True)
