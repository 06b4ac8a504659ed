"""From scores of shifts to a row for every variant, with uncertainty, and the choice of one.

A choice is made on one half of the shifts and everything is reported on the other, which knows nothing of the choice:
the least of many is least by luck, too, and on the shifts it was chosen on it looks better than it is.

Uncertainty of rates: shifts are resampled with replacement, kind by kind, the same draw for all variants, so that
differences between variants are those of the same shifts (paired bootstrap). Of shares: the exact interval, as of fewer
where needs or calls of a shift belong together. Between variants: exact tests, paired. Where a shift is played with
several draws of its staff, all of them count and belong together with their shift. A rate is the mean over the draws,
and its interval is that of such a mean: shifts, and beside them draws of the staff with what these have learnt of
calls, are drawn again.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from msgspec import Struct, field

from quietward.contracts.summary import Level
from quietward.detect.core.alerting.policy import LEVELS
from quietward.study.plan import BASE, Reached, Study, StudyLimit, Variant, with_other_staff
from quietward.study.run import Result, halves
from quietward.study.score import CallCount, Episode, Outcome, ShiftScore
from quietward.study.statistics import (
    BETWEEN,
    LEVEL,
    Matrix,
    Permutation,
    clustered_interval,
    draw_shifts_and_staff,
    mcnemar_p,
    none_seen_at_most,
    paired_p,
)

DRAWS = 2000
USED_UP = 0.97
"""From here on a simulated heart rate falls and stays down (`gives_out_at` in `simulator/physiology.toml`)."""
CLINICIANS_WITHIN_MIN = (5, 10)
"""A need for the team is met by clinicians, whom a nurse at the bed has still to call; no source for the times."""
MOST_FREQUENT = 10
POLICY = "policy"

Verdict = Literal["yes", "yes, not certain", "no, not certain", "no"]
"""Whether a limit is met by what was seen; certain where the whole 95 % intervals say the same."""


class Counted(NamedTuple):
    """What counts as reached, in words: a need has been ..., which is that ...; how long it takes to ..."""

    verb: str
    means: str
    to: str


COUNTED: dict[Reached, Counted] = {
    "anybody": Counted("reached", "somebody is at the bed", "bed"),
    "answer": Counted("answered", "somebody is at the bed who came for a call, and not on the round", "answer"),
    "clinicians": Counted("reached by clinicians", "clinicians are at the bed", "clinicians"),
}
"""By what a limit says of it (`StudyLimit`)."""


class Estimate(Struct, frozen=True):
    """A number with its 95 % interval; None where it is not known."""

    value: float | None
    low: float | None
    high: float | None


class Share(Struct, frozen=True):
    """So many of so many, with the 95 % interval of the share; None where there were none."""

    count: int
    of: int
    value: float | None
    low: float | None
    high: float | None


class Paired(Struct, frozen=True):
    """The same needs under two variants: how many were late under one alone, and the p of McNemar's exact test.

    With several draws of the staff each need is there as often, so that shifts are compared: a permutation test.
    is_exact: no assignments of it were drawn.
    """

    late_here_only: int
    late_there_only: int
    p: float
    is_exact: bool = True


class Delays(Struct, frozen=True):
    """Seconds from the beginning of a need: percentiles, in which None is infinite: it never came."""

    p10: float | None
    p50: float | None
    p90: float | None
    never: int


class ShiftKindRow(Struct, frozen=True):
    """One kind of shift by itself."""

    interruptions_per_nurse_hour: Estimate
    late: Share


class ReasonRow(Struct, frozen=True):
    """Calls of one reason and level: number, rate per bed-hour, and rate per nurse-hour as nurses hear them."""

    why: str
    level: str
    calls: int
    per_bed_hour: Estimate
    per_nurse_hour: Estimate


class NeedRow(Struct, frozen=True):
    """Needs of one kind under one variant. by: who came first: for a call, on the round, clinicians; "": nobody.

    reached: by what the limit counts. late_once_shown: as in `VariantRow`; shown: when the trace itself shows the need.
    """

    what: str
    late: Share
    late_once_shown: Share
    shown: Delays
    flagged: Delays
    called: Delays
    reached: Delays
    clinicians: Delays
    by: dict[str, int]
    clinicians_within: dict[str, Share] = {}
    answered_in_time: Share = Share(0, 0, None, None, None)


class OutcomeRow(Struct, frozen=True):
    """How it went with those who had an emergency, where care changes the course.

    births: before the end of the shift; most_used: the greatest share of the reserve that was used, on average;
    used_at_end: the share that was used at the birth, or at the end of what was watched; against today: difference, and
    p of a permutation test, shift by shift, for which assignments were drawn unless it is exact. gave_out: reserves
    that were used up.
    """

    births: int
    most_used: Estimate
    most_used_against_today: Estimate
    p: float
    gave_out: Share
    gave_out_against_today: Paired
    p_is_exact: bool = True
    used_at_end: Estimate = Estimate(None, None, None)
    used_at_end_against_today: Estimate = Estimate(None, None, None)
    used_at_end_p: float = 1.0
    used_at_end_p_is_exact: bool = True


class VariantRow(Struct, frozen=True):
    """One variant. Rates are per bed-hour or nurse-hour, of all levels and by level.

    noted: share of the bed-hours in which a bed called nobody and was not quiet.
    ppv: positive predictive value, by level. late: needs of the limit's level that were not reached in time; what is
    reached, here and in `reached`, the limit says.
    late_once_shown: of those that the trace itself shows while they last, by a published definition, the ones that were
    not reached in time from then on. meets:
    whether the limit is met by what was seen; verdict: the same, with how certain that is. per_10_min to
    top_ten: borrowed from process industry, see `study/score.py`; per call, per nurse. is_own_staff: its staff are the
    study's; with others it is shown, and neither chosen nor on the front: how many nurses there are, and what they
    believe, are assumptions. clinicians_within: of needs for the team those that clinicians had reached within so many
    minutes, empty where the limit is of others. answered_in_time: needs with somebody there within the limit who came
    for a call; a visit on the round is none, nor are clinicians who were called from it.
    """

    name: str
    kind: str
    numbers: dict[str, float]
    calls_per_bed_hour: dict[str, Estimate]
    noted: Estimate
    interruptions_per_nurse_hour: Estimate
    interruptions_by_level: dict[str, Estimate]
    interruptions_against_today: Estimate
    ppv: dict[str, Share] = field(name="worth")
    needs: int
    flagged: Delays
    called: Delays
    flagged_before: Share
    reached: Delays
    reached_by: dict[str, int]
    clinicians: Delays
    by_need: list[NeedRow]
    late: Share
    late_once_shown: Share
    late_against_today: Paired
    by_shift: dict[str, ShiftKindRow]
    longest_wait_s: float
    meets: bool
    verdict: Verdict
    on_front: bool
    per_10_min: float
    peak_in_10_min: int
    flood_share: float
    chattering_share: float
    fleeting_share: float
    stale: int
    levels: dict[str, float]
    reasons: list[ReasonRow]
    top_ten: list[tuple[str, int]]
    outcomes: OutcomeRow | None = None
    is_own_staff: bool = True
    clinicians_within: dict[str, Share] = {}
    answered_in_time: Share = Share(0, 0, None, None, None)


class LateNeed(Struct, frozen=True):
    """One need that was not reached in time. why: see below; delays in seconds from its beginning, None: never.

    reached_s: to anybody; counted_s: to what the limit counts.
    """

    shift: str
    seed: int
    bed: int
    what: str
    from_s: float
    lasts_s: float
    shown_s: float | None
    flagged_s: float | None
    called_s: float | None
    reached_s: float | None
    reached_by: str
    why: str
    draw: int = 1
    counted_s: float | None = None


NOT_FLAGGED, ONLY_LOOK = "no flag in time", "no more than a look in time"
NOT_COME: dict[Reached, str] = {
    "anybody": "called in time, nobody came in time",
    "answer": "called in time, nobody answered in time",
    "clinicians": "called in time, no clinicians in time",
}


class StaffRow(Struct, frozen=True):
    """A variant with other staff: what its figures hang on."""

    name: str
    staff_is: str
    interruptions_per_nurse_hour: Estimate
    late: Share
    late_once_shown: Share
    median_s: float | None


class Choice(Struct, frozen=True):
    """The policy to recommend. name: None where none can be, and `why` says why.

    chosen_on: how many shifts; rate, late: of the chosen one on those. alike: the policies that cannot be told apart
    from it, neither by what is late nor by interruptions; as_late: those that cannot by what is late; of: so many
    others. Where none is chosen, those are of today's.
    """

    name: str | None
    why: str
    chosen_on: int
    rate: Estimate | None = None
    late: Share | None = None
    alike: list[str] = []
    as_late: list[str] = []
    of: int = 0


@dataclass(frozen=True)
class Summary:
    """reported: the half that the rows are of, one for every variant in their order. late: needs, under the base."""

    reported: Result
    rows: list[VariantRow]
    choice: Choice
    other_staff: list[StaffRow]
    late: list[LateNeed]
    today_on_all: StaffRow
    """The base on all shifts: it was there before the choice, which so cannot flatter it."""
    draws: int = DRAWS
    """So often shifts and staff were drawn again for the intervals of rates."""


def summarize(result: Result, draws: int = DRAWS) -> Summary:
    """Return the choice, made on one half of the shifts, and the rows of all variants on the other."""
    chosen_on, reported = halves([case.shift for case in result.cases])
    half = result.of(reported)
    sums = _sums(half, draws)
    base = next(s for s in sums if s.variant.name == BASE)
    on_front = front([(s.rate[0], s.late[0] if s.has_staff_of(base) else np.nan) for s in sums])
    rows = [s.row(base, is_on) for s, is_on in zip(sums, on_front, strict=True)]
    choice = _choose(_sums(result.of(chosen_on), draws), sums, result.planned.study.seed)
    (on_all,) = _staff_rows(result, [base.variant], result.with_staff[:1], draws)
    others = _staff_rows(half, result.planned.other_staff, half.other_staff, draws)
    return Summary(half, rows, choice, others, _late_needs(half), on_all, draws)


def _sums(result: Result, draws: int) -> "list[_VariantSums]":
    return _sums_of(result, result.planned.variants, result.with_staff, result.unanswered, draws)


def _sums_of(
    result: Result,
    variants: Sequence[Variant],
    with_staff: Sequence[Sequence[ShiftScore]],
    unanswered: Sequence[Sequence[ShiftScore]],
    draws: int,
) -> "list[_VariantSums]":
    kinds = [case.shift for case in result.cases]
    return [
        _VariantSums(v, of, nobody, kinds, result.planned.study, draws)
        for v, of, nobody in zip(variants, with_staff, unanswered, strict=True)
    ]


def _staff_rows(
    result: Result, variants: Sequence[Variant], scores: Sequence[Sequence[ShiftScore]], draws: int
) -> list[StaffRow]:
    nobody: list[list[ShiftScore]] = [[] for _ in variants]
    return [
        StaffRow(
            s.variant.name, s.variant.staff_is, s.rate_estimate, s.late_share, s.late_once_shown,
            _delays([reached_s(e, result.planned.study.limit) for of in s.meant for e in of]).p50,
        )
        for s in _sums_of(result, variants, scores, nobody, draws)
    ]  # fmt: skip


def _late_needs(result: Result) -> list[LateNeed]:
    """Return the needs of the limit's level that the base was late for, and why."""
    limit, within_s = result.planned.study.limit, result.planned.study.limit.reached_within_min * 60

    def why(episode: Episode) -> str:
        if episode.flagged_s is None or episode.flagged_s > within_s:
            return NOT_FLAGGED
        is_called = episode.called_s is not None and episode.called_s <= within_s
        return NOT_COME[limit.reached] if is_called else ONLY_LOOK

    return [
        LateNeed(
            case.shift, case.seed, e.bed + 1, e.what, e.from_s, e.lasts_s, e.shown_s, e.flagged_s, e.called_s,
            e.reached_s, e.reached_by, why(e), place // len(result.cases) + 1, reached_s(e, limit),
        )
        for place, shift in enumerate(result.with_staff[0])
        for case in [result.cases[place % len(result.cases)]]
        for e in shift.episodes
        if e.level == limit.level and not _within(e, limit, within_s)
    ]  # fmt: skip


def chosen_with_other_staff(result: Result) -> list[Variant]:
    """Return the policy that will be chosen with staff who trust otherwise; none where that is today's, or none is.

    None either where care changes the course: there each row costs as much as a study of its own.
    """
    if result.planned.study.care_changes_course:
        return []
    chosen_on, _ = halves([case.shift for case in result.cases])
    on = _sums(result.of(chosen_on), 0)
    best = [on[place].variant for place in _best(on)]
    return with_other_staff([variant for variant in best if variant.name != BASE])


def _may_be_chosen(sums: "Sequence[_VariantSums]") -> list[bool]:
    """Return which are policies with the study's own staff: a study compares policies, and assumes its staff."""
    base = next(s for s in sums if s.variant.name == BASE)
    return [s.variant.policy is not None and s.has_staff_of(base) for s in sums]


def _best(on: "Sequence[_VariantSums]") -> list[int]:
    """Return the place of the policy that meets the limit, is the least late and then the quietest; empty: none is."""
    if not on[0].of_draw or not on[0].needs:
        return []
    meeting = [i for i, may_be in enumerate(_may_be_chosen(on)) if may_be and on[i].meets]
    return sorted(meeting, key=lambda i: (on[i].late[0], on[i].rate[0]))[:1]


def _choose(on: "Sequence[_VariantSums]", reported: "Sequence[_VariantSums]", seed: int) -> Choice:
    """Return the policy that meets the limit and is the least late, then the quietest, on one half.

    Which others cannot be told apart from it, or from today's where there is none, is looked at on the other half, with
    as many comparisons taken into account as there are (Bonferroni).
    """
    shifts, best = on[0].of_draw, _best(on)
    place = best[0] if best else next(i for i, s in enumerate(reported) if s.variant.name == BASE)
    one = reported[place]
    others = [s for s, may_be in zip(reported, _may_be_chosen(reported), strict=True) if may_be and s is not one]
    as_late = [s for s in others if one.paired_late(s).p * len(others) >= LEVEL]
    alike = [s for s in as_late if paired_p(one.more_interruptions(s), seed).p * len(others) >= LEVEL]
    told = [s.variant.name for s in alike], [s.variant.name for s in as_late], len(others)
    if best:
        return Choice(one.variant.name, "", shifts, estimate(on[place].rate), on[place].late_share, *told)
    if not shifts:
        why = "there is one shift of a kind at most, and none is left to choose on"
    elif not on[0].needs:
        why = "in the shifts to choose on nobody is known to have been needed at this level"
    else:
        why = "none of the policies meets the limit on the shifts to choose on"
    return Choice(None, why, shifts, None, None, *told)


def in_both(own: Sequence[Episode], others: Sequence[Episode]) -> list[tuple[Episode, Episode]]:
    """Return the needs of a shift that two variants had, in pairs: what was wrong at which bed for which time.

    Where care changes the course, one may have been spared a need that the other had.
    """
    mine, theirs = _by_place(own), _by_place(others)
    return [(need, theirs[place]) for place, need in mine.items() if place in theirs]


def _by_place(needs: Sequence[Episode]) -> dict[tuple[int, str, int], Episode]:
    before: Counter[tuple[int, str]] = Counter()
    found = {}
    for need in needs:
        place = need.bed, need.what
        found[*place, before[place]] = need
        before[place] += 1
    return found


class _VariantSums:
    """The sums of one variant. In arrays the first element is what was measured, the others are the draws."""

    def __init__(
        self,
        variant: Variant,
        shifts: Sequence[ShiftScore],
        unanswered: Sequence[ShiftScore],
        kinds: Sequence[str],
        study: Study,
        drawn_again: int,
    ) -> None:
        limit = study.limit
        self._seed, self.of_draw = study.seed, len(kinds)
        draws = len(shifts) // len(kinds) if kinds else 1
        self.variant, self.shifts, self.unanswered, self._limit = variant, shifts, unanswered, limit
        self._kinds = [*kinds] * draws
        drawn = draw_shifts_and_staff(kinds, draws, drawn_again, study.seed)
        self._weights = np.concatenate([np.ones((1, len(shifts))), drawn])
        self.meant = [[e for e in s.episodes if e.level == limit.level] for s in shifts]
        self._late = [sum(map(self._is_late, of)) for of in self.meant]
        self._meant = [len(of) for of in self.meant]
        self._interruptions = [s.interruptions for s in shifts]
        self._nurse_hours = [s.nurse_hours for s in shifts]
        self.rate = self._ratio(self._interruptions, self._nurse_hours)
        self.late = self._ratio(self._late, self._meant)

    @property
    def needs(self) -> int:
        """How many needs of the limit's level there are."""
        return sum(self._meant)

    def has_staff_of(self, base: "_VariantSums") -> bool:
        """Whether its staff are those of the base."""
        return self.variant.staff == base.variant.staff

    def _is_late(self, need: Episode) -> bool:
        return not _within(need, self._limit, self._limit.reached_within_min * 60)

    @property
    def rate_estimate(self) -> Estimate:
        """Interruptions per nurse-hour."""
        return self._rate(self._interruptions, self._nurse_hours)

    def _by_need(self) -> list[NeedRow]:
        """Return the needs of the limit's level by what was wrong, the most frequent first."""
        counts = Counter(e.what for of in self.meant for e in of)
        return [self._need(what) for what, _ in counts.most_common()]

    def _need(self, what: str) -> NeedRow:
        by_shift = [[e for e in of if e.what == what] for of in self.meant]
        own = [e for of in by_shift for e in of]
        return NeedRow(
            what, self._share([sum(map(self._is_late, of)) for of in by_shift], list(map(len, by_shift))),
            self._once_shown(by_shift), _delays([e.shown_s for e in own]),
            _delays([e.flagged_s for e in own]), _delays([e.called_s for e in own]),
            _delays([reached_s(e, self._limit) for e in own]), _delays([e.clinicians_s for e in own]),
            dict(Counter(e.reached_by for e in own)), self._clinicians_within(by_shift),
            self._answered_in_time(by_shift),
        )  # fmt: skip

    def _clinicians_within(self, by_shift: Sequence[Sequence[Episode]]) -> dict[str, Share]:
        if self._limit.level != Level.TEAM.value:
            return {}
        return {
            f"{minutes}": self._there_within([[e.clinicians_s for e in of] for of in by_shift], minutes * 60)
            for minutes in CLINICIANS_WITHIN_MIN
        }

    def _answered_in_time(self, by_shift: Sequence[Sequence[Episode]]) -> Share:
        within_s = self._limit.reached_within_min * 60
        return self._there_within([[e.answered_s for e in of] for of in by_shift], within_s)

    def _there_within(self, delays_s: Sequence[Sequence[float | None]], seconds: float) -> Share:
        in_time = [sum(delay is not None and delay <= seconds for delay in of) for of in delays_s]
        return self._share(in_time, list(map(len, delays_s)))

    @property
    def late_share(self) -> Share:
        """The needs that were late."""
        return self._share(self._late, self._meant)

    @property
    def late_once_shown(self) -> Share:
        """The same of those that the trace shows, from when on it does."""
        return self._once_shown(self.meant)

    def _once_shown(self, by_shift: Sequence[Sequence[Episode]]) -> Share:
        within_s = self._limit.reached_within_min * 60
        shown = [[(e, e.shown_s) for e in of if e.shown_s is not None] for of in by_shift]
        late = [sum(not _within(e, self._limit, shown_s + within_s) for e, shown_s in of) for of in shown]
        return self._share(late, list(map(len, shown)))

    @property
    def meets(self) -> bool:
        """Whether the limit is met by what was seen."""
        limit = self._limit
        return bool(self.rate[0] <= limit.interruptions_per_nurse_hour and 1 - self.late[0] >= limit.reached_share)

    def paired_late(self, other: "_VariantSums") -> Paired:
        """Compare what is late, need by need; where care changes the course, of those that were there in both."""
        pairs = [
            [(self._is_late(here), self._is_late(there)) for here, there in in_both(own, others)]
            for own, others in zip(self.meant, other.meant, strict=True)
        ]
        return self._paired(pairs)

    def _paired(self, pairs: Sequence[Sequence[tuple[bool, bool]]]) -> Paired:
        """Compare pairs, given shift by shift."""
        here, there = (sum(of.count(one) for of in pairs) for one in ((True, False), (False, True)))
        if len(pairs) == self.of_draw:
            return Paired(here, there, mcnemar_p(here, there))
        more = self._by_shift([of.count((True, False)) - of.count((False, True)) for of in pairs])
        return Paired(here, there, *paired_p(more, self._seed))

    def _by_shift(self, values: Sequence[float]) -> list[float]:
        """Return the sum of each shift over the draws of its staff."""
        return [sum(values[i :: self.of_draw]) for i in range(self.of_draw)]

    def more_interruptions(self, other: "_VariantSums") -> list[float]:
        """Return the difference of interruptions per nurse-hour, shift by shift."""
        own, others = ([s.interruptions / s.nurse_hours for s in v.shifts] for v in (self, other))
        return self._by_shift([a - b for a, b in zip(own, others, strict=True)])

    def _ratio(self, above: Sequence[float], below: Sequence[float], kind: str | None = None) -> Matrix:
        """Return the ratio of two sums over the shifts, or over those of one kind."""
        meant = np.array([kind in (None, k) for k in self._kinds])
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio: Matrix = (self._weights @ (meant * np.asarray(above))) / (
                self._weights @ (meant * np.asarray(below))
            )
        return ratio

    def _estimate(self, values: Matrix, kind: str | None = None) -> Estimate:
        """Return a rate; its interval is not known where a kind of shift is there only once."""
        found = estimate(values)
        of_kind = Counter(k for k in self._kinds[: self.of_draw] if kind in (None, k))
        return Estimate(found.value, None, None) if 1 in of_kind.values() else found

    def _rate(self, counts: Sequence[int], hours: Sequence[float], kind: str | None = None) -> Estimate:
        found = self._estimate(self._ratio(counts, hours, kind), kind)
        if found.value == 0.0:  # drawn again, none are none: what was not seen in so many hours may still be
            of_one_draw = zip(hours[: self.of_draw], self._kinds[: self.of_draw], strict=True)
            return Estimate(0.0, 0.0, none_seen_at_most() / sum(h for h, k in of_one_draw if kind in (None, k)))
        return found

    def _share(self, count: Sequence[int], of: Sequence[int], kind: str | None = None) -> Share:
        here = [i for i, k in enumerate(self._kinds[: self.of_draw]) if kind in (None, k)]
        counts, totals = ([sum(each[i :: self.of_draw]) for i in here] for each in (count, of))
        n, total = sum(counts), sum(totals)
        if not total:
            return Share(0, 0, None, None, None)
        low, high = clustered_interval(counts, totals, [self._kinds[i] for i in here], len(of) // self.of_draw)
        return Share(n, total, n / total, low, high)

    def _shift_kind(self, kind: str) -> ShiftKindRow:
        return ShiftKindRow(
            self._rate(self._interruptions, self._nurse_hours, kind),
            self._share(self._late, self._meant, kind),
        )

    def _outcomes(self, base: "_VariantSums") -> OutcomeRow | None:
        own, others = ([s.outcomes for s in v.shifts] for v in (self, base))
        beds = [len(of) for of in own]
        if not sum(beds):
            return None

        def out(of: Sequence[Outcome]) -> list[bool]:
            return [o.most_used >= USED_UP for o in of]

        def compared(used: Callable[[Outcome], float]) -> tuple[Estimate, Estimate, Permutation]:
            """Return how much was used on average, how much more than under today's policy, and the p of that."""
            here, there = ([sum(map(used, of)) for of in outcomes] for outcomes in (own, others))
            more = self._by_shift([(a - b) / max(1, n) for a, b, n in zip(here, there, beds, strict=True)])
            ratio, of_others = self._ratio(here, beds), self._ratio(there, beds)
            return self._estimate(ratio), self._estimate(ratio - of_others), paired_p(more, self._seed)

        pairs = [list(zip(out(here), out(there), strict=True)) for here, there in zip(own, others, strict=True)]
        most_used, most_against, p = compared(lambda o: o.most_used)
        at_end, at_end_against, at_end_p = compared(lambda o: o.reserve_used)
        return OutcomeRow(
            sum(o.is_birth for of in own for o in of), most_used, most_against, p.p,
            self._share([sum(out(of)) for of in own], beds), self._paired(pairs), p.is_exact,
            at_end, at_end_against, at_end_p.p, at_end_p.is_exact,
        )  # fmt: skip

    def _per_bed_hour(self, rank: int | None = None, why: str | None = None) -> Estimate:
        counts = [sum(c.count for c in _calls_of(s, rank, why)) for s in self.shifts]
        return self._rate(counts, [s.bed_hours for s in self.shifts])

    def _per_nurse_hour(self, rank: int | None = None, why: str | None = None) -> Estimate:
        counts = [sum(c.heard for c in _calls_of(s, rank, why)) for s in self.shifts]
        return self._rate(counts, self._nurse_hours)

    def _by_reason(self) -> list[ReasonRow]:
        """Return the calls of each reason and level, the most frequent first."""
        counts: Counter[tuple[str, int]] = Counter()
        for calls in (calls for s in self.shifts for calls in s.calls):
            counts[calls.why, calls.level] += calls.count
        return [
            ReasonRow(why, LEVELS[rank].value, n, self._per_bed_hour(rank, why), self._per_nurse_hour(rank, why))
            for (why, rank), n in counts.most_common()
        ]

    def _verdict(self, rate: Estimate, late: Share) -> Verdict:
        if rate.high is None or rate.low is None or late.high is None or late.low is None:
            return "yes, not certain" if self.meets else "no, not certain"
        most, most_late = self._limit.interruptions_per_nurse_hour, 1 - self._limit.reached_share
        if self.meets:
            return "yes" if rate.high <= most and late.high <= most_late else "yes, not certain"
        return "no" if rate.low > most or late.low > most_late else "no, not certain"

    def row(self, base: "_VariantSums", on_front: bool) -> VariantRow:
        """Return what is reported of the variant."""
        shifts = self.shifts
        count = sum(calls.count for s in shifts for calls in s.calls)
        asking = [(rank, level.value) for rank, level in enumerate(LEVELS) if rank]
        ppv = {
            name: self._share(_count(self.unanswered, rank, {True}), _count(self.unanswered, rank, {True, False}))
            for rank, name in asking
        }
        nurse_s = sum(s.nurse_hours for s in shifts) * 3600
        by_bed: Counter[str] = Counter()
        for s in shifts:
            by_bed.update(s.by_bed)
        meant = [e for of in self.meant for e in of]
        before = [sum(e.flagged_s is not None and e.flagged_s <= 0 for e in of) for of in self.meant]
        rate, late = self.rate_estimate, self.late_share
        return VariantRow(
            self.variant.name, POLICY if self.variant.policy else "plain alarm", self.variant.numbers,
            {"all": self._per_bed_hour(), **{name: self._per_bed_hour(rank) for rank, name in asking}},
            self._estimate(self._ratio([s.noted_hours for s in shifts], [s.bed_hours for s in shifts])),
            rate, {name: self._per_nurse_hour(rank) for rank, name in asking},
            self._estimate(self.rate - base.rate), ppv, len(meant),
            _delays([e.flagged_s for e in meant]), _delays([e.called_s for e in meant]),
            self._share(before, self._meant),
            _delays([reached_s(e, self._limit) for e in meant]), dict(Counter(e.reached_by for e in meant)),
            _delays([e.clinicians_s for e in meant]), self._by_need(), late, self.late_once_shown,
            self.paired_late(base),
            {kind: self._shift_kind(kind) for kind in dict.fromkeys(self._kinds)},
            max((s.longest_wait_s for s in shifts), default=0.0), self.meets, self._verdict(rate, late), on_front,
            sum(s.interruptions for s in shifts) / nurse_s * 600, max(s.peak_in_10_min for s in shifts),
            sum(s.flood_s for s in shifts) / nurse_s,
            sum(s.chattering for s in shifts) / max(1, count), sum(s.fleeting for s in shifts) / max(1, count),
            sum(s.stale for s in shifts),
            {name: sum(_count(shifts, rank, {True, False, None})) / max(1, count) for rank, name in asking},
            self._by_reason(), by_bed.most_common(MOST_FREQUENT), self._outcomes(base),
            self.has_staff_of(base), self._clinicians_within(self.meant), self._answered_in_time(self.meant),
        )  # fmt: skip


def _calls_of(shift: ShiftScore, rank: int | None, why: str | None) -> list[CallCount]:
    """Return the calls of a shift, of one level and one reason if these are given."""
    return [c for c in shift.calls if rank in (None, c.level) and why in (None, c.why)]


def _count(shifts: Sequence[ShiftScore], rank: int, true_positive: set[bool | None]) -> list[int]:
    """Return the number of calls of a level in each shift that are true positives, false, or not known (None)."""
    return [sum(c.count for c in _calls_of(s, rank, None) if c.true_positive in true_positive) for s in shifts]


def reached_s(need: Episode, limit: StudyLimit) -> float | None:
    """Return the delay to what a limit counts as reached; None: never while the need lasted."""
    match limit.reached:
        case "anybody":
            return need.reached_s
        case "answer":
            return need.answered_s
        case "clinicians":
            return need.clinicians_s


def _within(need: Episode, limit: StudyLimit, seconds: float) -> bool:
    """Return whether a need was reached in time; one that ended before that was not."""
    delay_s = reached_s(need, limit)
    return delay_s is not None and delay_s <= seconds


def estimate(values: Matrix) -> Estimate:
    """Return the first value with its uncertainty from all others, the draws."""
    value, draws = float(values[0]), values[1:][~np.isnan(values[1:])]
    if np.isnan(value) or not len(draws):
        return Estimate(None, None, None)
    low, high = np.quantile(draws, BETWEEN)
    return Estimate(value, float(low), float(high))


def _delays(delays_s: Sequence[float | None]) -> Delays:
    times = np.array([np.inf if t is None else t for t in delays_s])
    if not len(times):
        return Delays(None, None, None, 0)
    cuts = np.quantile(times, (0.1, 0.5, 0.9), method="inverted_cdf")  # of one that came, never a mean with infinity
    p10, p50, p90 = (float(c) if np.isfinite(c) else None for c in cuts)
    return Delays(p10, p50, p90, int(np.isinf(times).sum()))


def front(points: Sequence[tuple[float, float]]) -> list[bool]:
    """Return which points no other dominates: one with no more interruptions, no more late, and less of either."""
    return [
        not np.isnan(late)
        and not any(r <= rate and x <= late and (r < rate or x < late) for r, x in points)
        for rate, late in points
    ]  # fmt: skip
