"""From scores of shifts to a row for every variant, with uncertainty, and the choice of one.

Uncertainty: shifts are resampled with replacement, the same draw for all variants, so that differences between variants
are those of the same shifts (paired bootstrap).
"""

from collections import Counter
from collections.abc import Sequence

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from quietward.detect.core.alerting.attention import LEVELS
from quietward.study.plan import BASE, StudyLimit, Variant
from quietward.study.run import Result
from quietward.study.score import CallCount, Episode, ShiftScore

DRAWS = 2000
BETWEEN = (0.025, 0.975)
MOST_FREQUENT = 10
POLICY = "policy"

Matrix = NDArray[np.float64]


class Estimate(Struct, frozen=True):
    """A number with its 95 % interval over the draws; None where it is not known."""

    value: float | None
    low: float | None
    high: float | None


class Delays(Struct, frozen=True):
    """Seconds from the beginning of a need: percentiles, in which None is infinite: it never came."""

    p10: float | None
    p50: float | None
    p90: float | None
    never: int


class ShiftKindRow(Struct, frozen=True):
    """One kind of shift by itself."""

    interruptions_per_nurse_hour: Estimate
    needs: int
    late: Estimate


class ReasonRow(Struct, frozen=True):
    """Calls of one reason and level: number, rate per bed-hour, and rate per nurse-hour as nurses hear them."""

    why: str
    level: str
    calls: int
    per_bed_hour: Estimate
    per_nurse_hour: Estimate


class VariantRow(Struct, frozen=True):
    """One variant. Rates are per bed-hour or nurse-hour, of all levels and by level.

    ppv: positive predictive value, by level. late: share of needs of the limit's level that were not reached in time.
    sure: share of draws in which it meets the limit. per_10_min to top_ten: borrowed from process industry, see
    `study/score.py`; per call, per nurse.
    """

    name: str
    kind: str
    numbers: dict[str, float]
    calls_per_bed_hour: dict[str, Estimate]
    interruptions_per_nurse_hour: Estimate
    interruptions_by_level: dict[str, Estimate]
    interruptions_against_today: Estimate
    ppv: dict[str, Estimate] = field(name="worth")
    needs: int
    flagged: Delays
    called: Delays
    flagged_before: Estimate
    reached: Delays
    late: Estimate
    late_against_today: Estimate
    by_shift: dict[str, ShiftKindRow]
    longest_wait_s: float
    meets: bool
    sure: float
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


def summarize(result: Result, draws: int = DRAWS) -> list[VariantRow]:
    """Return a row for every variant, in their order."""
    limit = result.planned.study.limit
    shifts = len(result.cases)
    rng = np.random.default_rng(result.planned.study.seed)
    drawn = rng.multinomial(shifts, np.full(shifts, 1 / shifts), size=draws).astype(np.float64)
    kinds = [case.shift for case in result.cases]
    sums = [_VariantSums(v, of, unanswered, kinds, limit, drawn) for v, of, unanswered in zip(
        result.planned.variants, result.with_staff, result.unanswered, strict=True)]  # fmt: skip
    base = next(s for s in sums if s.variant.name == BASE)
    on_front = front([(s.rate[0], s.late[0]) for s in sums])
    return [s.row(base, limit, is_on) for s, is_on in zip(sums, on_front, strict=True)]


def choose(rows: Sequence[VariantRow]) -> VariantRow | None:
    """Return the policy to recommend: of those that meet the limit the least late, then the quietest; or None."""
    meeting = [row for row in rows if row.meets and row.kind == POLICY]
    return min(meeting, key=lambda r: (r.late.value, r.interruptions_per_nurse_hour.value), default=None)


class _VariantSums:
    """The sums of one variant. In arrays the first element is what was measured, the others are the draws."""

    def __init__(
        self,
        variant: Variant,
        shifts: Sequence[ShiftScore],
        unanswered: Sequence[ShiftScore],
        kinds: Sequence[str],
        limit: StudyLimit,
        drawn: Matrix,
    ) -> None:
        self.variant, self.shifts, self.unanswered, self._kinds = variant, shifts, unanswered, kinds
        self._weights = np.concatenate([np.ones((1, len(shifts))), drawn])
        self.meant = [[e for e in s.episodes if e.level == limit.level] for s in shifts]
        in_time = [[_within(e, limit.reached_within_min * 60) for e in of] for of in self.meant]
        self._late, self._meant = [sum(not x for x in of) for of in in_time], [len(of) for of in in_time]
        self._interruptions = [s.interruptions for s in shifts]
        self._nurse_hours = [s.nurse_hours for s in shifts]
        self.rate = self._ratio(self._interruptions, self._nurse_hours)
        self.late = self._ratio(self._late, self._meant)
        self.before = self._ratio(
            [sum(e.flagged_s is not None and e.flagged_s <= 0 for e in of) for of in self.meant],
            [len(of) for of in self.meant],
        )

    def _ratio(self, above: Sequence[float], below: Sequence[float], kind: str | None = None) -> Matrix:
        """Return the ratio of two sums over the shifts, or over those of one kind."""
        meant = np.array([kind in (None, k) for k in self._kinds])
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio: Matrix = (self._weights @ (meant * np.asarray(above))) / (
                self._weights @ (meant * np.asarray(below))
            )
        return ratio

    def _shift_kind(self, kind: str) -> ShiftKindRow:
        return ShiftKindRow(
            estimate(self._ratio(self._interruptions, self._nurse_hours, kind)),
            sum(n for n, k in zip(self._meant, self._kinds, strict=True) if k == kind),
            estimate(self._ratio(self._late, self._meant, kind)),
        )

    def _per_bed_hour(self, rank: int | None = None, why: str | None = None) -> Estimate:
        counts = [sum(c.count for c in _calls_of(s, rank, why)) for s in self.shifts]
        return estimate(self._ratio(counts, [s.bed_hours for s in self.shifts]))

    def _per_nurse_hour(self, rank: int | None = None, why: str | None = None) -> Estimate:
        return estimate(
            self._ratio([sum(c.heard for c in _calls_of(s, rank, why)) for s in self.shifts], self._nurse_hours)
        )

    def _by_reason(self) -> list[ReasonRow]:
        """Return the calls of each reason and level, the most frequent first."""
        counts: Counter[tuple[str, int]] = Counter()
        for calls in (calls for s in self.shifts for calls in s.calls):
            counts[calls.why, calls.level] += calls.count
        return [
            ReasonRow(why, LEVELS[rank].value, n, self._per_bed_hour(rank, why), self._per_nurse_hour(rank, why))
            for (why, rank), n in counts.most_common()
        ]

    def row(self, base: "_VariantSums", limit: StudyLimit, on_front: bool) -> VariantRow:
        shifts = self.shifts
        count = sum(calls.count for s in shifts for calls in s.calls)
        asking = [(rank, level.value) for rank, level in enumerate(LEVELS) if rank]
        ppv = {
            name: estimate(
                self._ratio(_count(self.unanswered, rank, {True}), _count(self.unanswered, rank, {True, False}))
            )
            for rank, name in asking
        }
        meets = (self.rate <= limit.interruptions_per_nurse_hour) & (1 - self.late >= limit.reached_share)
        nurse_s = sum(s.nurse_hours for s in shifts) * 3600
        by_bed: Counter[str] = Counter()
        for s in shifts:
            by_bed.update(s.by_bed)
        meant = [e for of in self.meant for e in of]
        return VariantRow(
            self.variant.name, POLICY if self.variant.policy else "plain alarm", self.variant.numbers,
            {"all": self._per_bed_hour(), **{name: self._per_bed_hour(rank) for rank, name in asking}},
            estimate(self.rate), {name: self._per_nurse_hour(rank) for rank, name in asking},
            estimate(self.rate - base.rate), ppv, len(meant),
            _delays([e.flagged_s for e in meant]), _delays([e.called_s for e in meant]), estimate(self.before),
            _delays([e.reached_s for e in meant]), estimate(self.late), estimate(self.late - base.late),
            {kind: self._shift_kind(kind) for kind in dict.fromkeys(self._kinds)},
            max((s.longest_wait_s for s in shifts), default=0.0), bool(meets[0]), float(meets[1:].mean()), on_front,
            sum(s.interruptions for s in shifts) / nurse_s * 600, max(s.peak_in_10_min for s in shifts),
            sum(s.flood_s for s in shifts) / nurse_s,
            sum(s.chattering for s in shifts) / max(1, count), sum(s.fleeting for s in shifts) / max(1, count),
            sum(s.stale for s in shifts),
            {name: sum(_count(shifts, rank, {True, False, None})) / max(1, count) for rank, name in asking},
            self._by_reason(), by_bed.most_common(MOST_FREQUENT),
        )  # fmt: skip


def _calls_of(shift: ShiftScore, rank: int | None, why: str | None) -> list[CallCount]:
    """Return the calls of a shift, of one level and one reason if these are given."""
    return [c for c in shift.calls if rank in (None, c.level) and why in (None, c.why)]


def _count(shifts: Sequence[ShiftScore], rank: int, true_positive: set[bool | None]) -> list[int]:
    """Return the number of calls of a level in each shift that are true positives, false, or not known (None)."""
    return [sum(c.count for c in _calls_of(s, rank, None) if c.true_positive in true_positive) for s in shifts]


def _within(episode: Episode, seconds: float) -> bool:
    """Return whether somebody was there in time; a need that ended before that without anybody was not reached."""
    return episode.reached_s is not None and episode.reached_s <= seconds


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
