"""A plain reader of one bed, with lists and loops instead of arrays: the oracle for the array engine.

From raw seconds it finds what may be used, baseline, variability, resting tone, departures of the FHR, contractions,
and the kinds of decelerations and accelerations. It is written from the descriptions in the core's modules and rule
files, and shares nothing with them but the numbers. The measures are worked out in `tests/reference_measures.py`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate
from statistics import fmean
from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ, UA_LOWEST
from quietward.detect.core.alerting.rule_sets import RuleSet
from quietward.detect.core.parameters import ExcursionNumbers
from tests.traces import RULES

READING = RULES.reading
NOTHING = math.nan
LONG_AGO = -(2**60)
DOWN, UP, UA = 0, 1, 2
SIGN = {DOWN: -1, UP: 1}


def is_there(x: float) -> bool:
    return not math.isnan(x)


def more(value: float, limit: float, strict: bool) -> bool:
    """Compare with the limit of a definition: above it where the rule set says `more than`, else from it on."""
    return value > limit if strict else value >= limit


@dataclass
class Departure:
    """One that is over. Positions are sample indices; `end` is the first sample after it."""

    row: int
    onset: int
    reached: int  # where the slope was over, ripples left out
    peak: int
    end: int
    height: float
    area: float
    new_level: bool
    kept: bool
    cut: bool = False  # ended by a gap
    exact: bool = True  # False: onset, extreme and end were read from smoothed flanks

    @property
    def length_s(self) -> float:
        return (self.end - self.onset) / HZ

    @property
    def slope_s(self) -> float:
        return (self.reached - self.onset + 1) / HZ

    @property
    def back_s(self) -> float:
        return (self.end - self.peak) / HZ


@dataclass(frozen=True)
class Contraction:
    """over_at: when it was seen to be over, or now."""

    onset: int
    peak: int
    end: int
    over_at: int


@dataclass(frozen=True)
class Fall:
    """A deceleration under at least one rule set; kinds by rule set."""

    onset: int
    end: int
    depth: float
    area: float
    lowest: float
    kinds: dict[str, str]

    @property
    def length_s(self) -> float:
        return (self.end - self.onset) / HZ


@dataclass(frozen=True)
class Rise:
    """An acceleration under at least one rule set; kinds by rule set."""

    onset: int
    end: int
    kinds: dict[str, str]


@dataclass(frozen=True)
class Stretch:
    """A few seconds of the FHR: how many samples were there, their mean, and how much that weighs for the baseline."""

    samples: int
    bpm: float
    weight: int


@dataclass
class Machine:
    """Departures of one sign, sample by sample."""

    row: int
    numbers: ExcursionNumbers
    open: bool = False
    onset: int = 0
    height: float = 0.0
    peak: int = 0
    reach: float = 0.0
    reached: int = 0
    opened_at: int = 0
    closing: int = -1
    away_since: int = -1
    last_base: int = LONG_AGO
    last_near: int = LONG_AGO
    last_there: int = LONG_AGO
    heights: list[tuple[int, float]] = field(default_factory=list)  # since the signal was last at its reference

    @property
    def area(self) -> float:
        return sum(max(y, 0.0) / HZ for at, y in self.heights if at >= self.onset) if self.open else 0.0

    @property
    def mean_height(self) -> float:
        """Of what is going on, over the samples that were there."""
        there = [y for at, y in self.heights if at >= self.onset]
        return sum(max(y, 0.0) for y in there) / len(there) if self.open else 0.0

    def sample(self, now: int, y: float, tolerance: float, enter: float) -> Departure | None:
        """Take one height, NaN where there is none."""
        n = self.numbers
        there = is_there(y)
        silent = now - self.last_there > n.bridge_s * HZ
        if there:
            self.heights.append((now, y))
        if there and silent:
            self.last_base = self.last_near = now - 1
            if not self.open:
                self.heights = [(now, y)]
        expired = self.open and silent
        if there and not expired:
            self._follow(now, y, tolerance, enter)
        if there and y <= tolerance:
            self.away_since = -1
        elif self.open and self.away_since < 0:
            self.away_since = self.onset
        closed = self._close(now, y, tolerance, there, expired)
        if there and y <= tolerance:
            self.last_base = now
            if not self.open:
                self.heights = []
        if there and y <= max(n.near, tolerance):
            self.last_near = now
        if there:
            self.last_there = now
        return closed

    def _follow(self, now: int, y: float, tolerance: float, enter: float) -> None:
        """Begin, or go on."""
        if not self.open and y >= enter:
            hovered = self.last_near - self.last_base > self.numbers.slack_s * HZ
            self.onset = (self.last_near if hovered else self.last_base) + 1
            self.open, self.closing = True, -1
            self.height, self.peak, self.opened_at = y, now, now
            self.reach, self.reached = y, now
        elif self.open and y > self.height:
            self.height, self.peak = y, now
        if self.open and y > self.reach + tolerance / 2:
            self.reach, self.reached = y, now

    def _close(self, now: int, y: float, tolerance: float, there: bool, expired: bool) -> Departure | None:
        n = self.numbers
        if not self.open:
            return None
        end = None
        running = there and not expired
        low = running and y <= max(tolerance, min(n.leave_share * self.height, n.leave_at_most))
        if running:
            self.closing = (self.closing if self.closing >= 0 else now) if low else -1
        drifted = now - self.onset >= n.shallow_longest_s * HZ and self.height < n.shallow_below
        new_level = self.away_since >= 0 and (now - self.away_since >= n.longest_s * HZ or drifted)
        if expired:
            end = self.last_there + 1
        elif running and y <= tolerance:
            end = now
        elif running and self.closing >= 0 and now - self.closing >= n.settle_s * HZ:
            end = self.closing
        elif new_level:
            end = now
        if end is None:
            return None
        after_gap = [self.heights.pop()] if expired and there else []  # none of it, but of what may come next
        area = self.area
        self.open, self.heights = False, after_gap
        if new_level:
            self.away_since = -1
        if not expired:
            self.last_base = self.last_near = end
        kept = not new_level and self.height >= n.min_height and end - self.onset >= n.min_length_s * HZ
        return Departure(
            self.row, self.onset, self.reached, self.peak, end, self.height, area, new_level, kept, expired
        )


HELD_S = 58
"""What is in doubt is held back for so long at the most."""


@dataclass
class Doubt:
    """Which FHR samples are held back because they jumped away, and for how long."""

    last_bpm: float = NOTHING  # newest sample that was used
    last_at: int = LONG_AGO
    before_bpm: float = NOTHING  # where the FHR was before it jumped to where it is now
    run: dict[int, float] = field(default_factory=dict)  # what is held back, by sample
    after_gap: bool = False
    stepped: bool = False

    @property
    def is_on(self) -> bool:
        return bool(self.run)

    def use(self, now: int, bpm: float, reference: float) -> dict[int, float]:
        """Return what is used now: the sample, and what had been held back before it and turned out to be real."""
        n = READING.signal
        if not n.fhr_lowest_bpm <= bpm <= n.fhr_highest_bpm:
            return {}
        at_reference = abs(bpm - reference) <= n.jump_bpm
        is_back = abs(bpm - self.before_bpm) <= n.jump_bpm
        if at_reference:
            self.stepped, self.before_bpm = False, NOTHING
        run = self.run
        began, newest_at = min(run, default=now), max(run, default=now)
        goes_on = bool(run) and abs(bpm - run[newest_at]) <= n.jump_bpm
        if abs(bpm - self.last_bpm) > n.jump_bpm and (goes_on or now - self.last_at <= n.gap_within_s * HZ):
            if not goes_on:
                run, began = {}, now
                self.after_gap = now - self.last_at > n.jump_within_s * HZ
            self.run = run | {now: bpm}
            if now - began < self._patience_s(bpm, reference) * HZ:
                self.last_at = self.last_at if self.after_gap else now
                return {}
            is_half = not is_back and abs(bpm / self.last_bpm - 0.5) <= 0.5 * n.ratio_within
            self.stepped |= not at_reference and (is_half or not self.after_gap)
            self.before_bpm = NOTHING if at_reference or is_back else self.last_bpm
            used = self.run
        elif (
            bool(run)
            and self.after_gap
            and now - began >= n.suspect_after_gap_s * HZ
            and now - newest_at <= n.jump_within_s * HZ
            and abs(bpm - run[newest_at]) <= n.goes_on_bpm
        ):
            used = run | {now: bpm}
        else:
            used = {now: bpm}
        self.run, self.last_bpm, self.last_at = {}, bpm, now
        return used

    def _patience_s(self, bpm: float, reference: float) -> float:
        n = READING.signal
        if any(abs(bpm - level) <= n.jump_bpm for level in (reference, self.before_bpm)):
            return n.suspect_for_s
        odd_rate = any(abs(bpm / self.last_bpm - times) <= times * n.ratio_within for times in (0.5, 2.0))
        if bpm - reference > n.improbable_rise_bpm or (odd_rate and not self.after_gap):
            return n.doubtful_for_s
        if not self.after_gap:
            return n.suspect_for_s
        has_moved = max(self.run.values()) - min(self.run.values()) >= n.moves_by_bpm
        return n.doubtful_for_s if bpm < self.last_bpm and not has_moved else n.suspect_after_gap_s


@dataclass
class Stepped:
    """A level that the FHR of one bed was not seen to go to, while it is in doubt. Seconds are the bed's own."""

    fhr: dict[int, float]  # all that is usable, by sample
    levels: tuple[float, float] | None = None  # before and after the step
    told_at: int = LONG_AGO
    over_at: int = LONG_AGO
    looked: set[int] = field(default_factory=set)
    means: dict[int, float] = field(default_factory=dict)  # of seconds that are whole

    def follow(self, number: int, reference: float) -> None:
        """Look at every second after which enough is known now, once."""
        n = READING.step
        for at in range(max(1, number + 2 - 2 * n.after_s), number + 2 - n.after_s):
            if at not in self.looked:
                self.looked.add(at)
                if at > self.over_at:
                    self._look(at, number, reference)
        if self.levels is None:
            return
        now = self._means(number + 1 - n.back_s, number + 1)
        is_back = 2 * len(now) >= n.back_s and self._is_before(fmean(now))
        if is_back or number - self.told_at >= n.longest_s:
            self.levels, self.over_at = None, number

    def _look(self, at: int, number: int, reference: float) -> None:
        n = READING.step
        if not self._means(at, at + 1):
            return
        last = next((s for s in reversed(range(at - 1 - n.gap_s, at)) if self._means(s, s + 1)), None)
        if last is None:
            return
        first = at + (last == at - 1)
        near_s = 1 if first > at else 2
        low, high = self._means(last + 1 - near_s, last + 1), self._means(first, first + near_s)
        before, after = self._means(last + 1 - n.before_s, last + 1), self._means(first, at + n.after_s)
        if not high or len(before) < n.seen_share * n.before_s or len(after) < n.seen_share * n.after_s:
            return
        jump, step = fmean(high) - fmean(low), fmean(after) - fmean(before)
        if abs(step) < n.least_bpm or jump * step <= 0 or abs(jump) < n.sharp_share * abs(step):
            return
        if max(np.std(before), np.std(after)) > n.scatter_share * abs(step):
            return
        is_double = abs(np.mean(high) - 2 * np.mean(low)) <= n.double_within * np.mean(low)
        was_off, is_off = abs(np.mean(before) - reference), abs(np.mean(after) - reference)
        is_away = is_off > was_off and is_off >= n.sharp_share * n.least_bpm
        if (self.levels and self._is_before(float(np.mean(after)))) or not (is_double or is_away):
            return
        kept = self.levels[0] if self.levels and not is_double else float(np.mean(before))
        self.levels, self.told_at = (kept, float(np.mean(after))), number

    def _is_before(self, bpm: float) -> bool:
        before, after = self.levels or (NOTHING, NOTHING)
        return abs(bpm - before) < READING.step.nearer_share * abs(bpm - after)

    def _means(self, first: int, end: int) -> list[float]:
        """Return the means of the seconds of which half is there, of samples in quarters."""
        return [mean for mean in map(self._mean, range(first, end)) if mean is not None]

    def _mean(self, second: int) -> float | None:
        if second in self.means:
            return self.means[second]
        there = [self.fhr[i] for i in range(second * HZ, (second + 1) * HZ) if i in self.fhr]
        if 2 * len(there) < HZ:
            return None
        mean = float(np.mean(np.round(np.array(there) * 4) / 4))
        if len(there) == HZ:  # else a sample may still be used late
            self.means[second] = mean
        return mean


@dataclass
class Left:
    """Levels of one bed that its FHR has left. Seconds are the bed's own."""

    before_fall: float = NOTHING
    fell_at: float = -math.inf
    seen: int = 0  # seconds in which there was an FHR since that fall was over
    back: int = 0  # those in which it was about where it had been
    closed_at: float = -math.inf
    goes_on: bool = False  # what is going on now is that fall, over a gap
    recovered_at: float = -math.inf
    before_rise: float = NOTHING
    rose_at: float = -math.inf

    def leave(self, x: "Departure", level: float, is_new: bool) -> None:
        """A departure from this level is over. is_new: the FHR stays where it went."""
        limits, at = READING.earlier, x.onset // HZ
        lasting = is_new and x.length_s >= limits.least_rise_s
        way_back = is_there(self.before_fall) or at - self.recovered_at < limits.remembered_s
        if x.row == UP and lasting and not way_back and level >= limits.usual_from_bpm:
            if not is_there(self.before_rise):
                self.rose_at = at
            self.before_rise = min(x for x in (level, self.before_rise) if is_there(x))
        if x.row == DOWN and (is_new or x.cut) and x.height >= limits.least_fall_bpm:
            usual = min(x for x in (level, self.before_rise) if is_there(x))
            if is_there(self.before_fall) and at - self.fell_at < limits.remembered_s:
                usual = max(usual, self.before_fall)
            if not (self.goes_on and self.is_down):
                self.fell_at = at
            self.goes_on = False
            self.before_fall, self.seen, self.back, self.closed_at = usual, 0, 0, x.end // HZ

    @property
    def is_down(self) -> bool:
        """It has fallen, and was seen back for no more than a glimpse."""
        return is_there(self.before_fall) and self.back < READING.earlier.glimpse_s

    @property
    def end_is_unseen(self) -> bool:
        """Whether too little has come since the last fall to say that it is over."""
        return is_there(self.before_fall) and self.seen < READING.earlier.back_for_s

    def follow(self, second: int, baseline: float, fhr: float, falls_since: float) -> None:
        limits = READING.earlier
        if is_there(falls_since):
            is_same = falls_since - self.closed_at <= limits.same_within_s
            self.goes_on |= self.end_is_unseen and self.is_down and is_same
        elif not self.end_is_unseen:
            self.goes_on = False
        self.seen += READING.look.every_s if is_there(fhr) else 0
        self.back += READING.look.every_s if fhr >= self.before_fall - 2 * limits.back_within_bpm else 0
        if self.back >= limits.back_for_s and baseline >= self.before_fall - limits.back_within_bpm:
            self.before_fall, self.recovered_at = NOTHING, second
        is_old = second - self.rose_at >= limits.remembered_s
        if is_old or baseline <= self.before_rise + limits.back_within_bpm:
            self.before_rise = NOTHING


class GoingOn(NamedTuple):
    """A deceleration that is not over."""

    length_s: float
    height: float
    area: float
    mean_height: float


class SeenFall(NamedTuple):
    """A deceleration not known to be over when it was last seen. at_s: so many seconds had been taken by then.

    missed_s: for how long it had not been seen before that, less what was seen since.
    """

    at_s: int
    missed_s: float
    length_s: float
    below: float


@dataclass
class PlainBed:
    """State of one bed. Samples and seconds are counted from 0; what was, is kept for the measures."""

    fhr: dict[int, float] = field(default_factory=dict)  # all usable FHR
    stretches: list["Stretch"] = field(default_factory=list)  # from the beginning on
    ua: dict[int, float] = field(default_factory=dict)  # all UA
    units: list[int | None] = field(default_factory=list)  # the same in whole units, sample by sample
    unread: list[int] = field(default_factory=list)  # samples of the FHR that wait because there is doubt
    tocos: list[float] = field(default_factory=list)  # UA, without what is missing
    values: list[float] = field(default_factory=list)  # all FHR that came, usable or not, without what is missing
    near_mother: set[int] = field(default_factory=set)  # usable FHR near the mother's pulse
    baselines: list[float] = field(default_factory=list)  # in each second, as last measured before it
    ua_was_useful: list[bool] = field(default_factory=list)
    apart: dict[int, bool] = field(default_factory=dict)
    reference: float = NOTHING
    before: float = NOTHING
    baseline: float = NOTHING
    bandwidths: list[float] = field(default_factory=list)  # of each minute, excursions left out
    fine: list[float] = field(default_factory=list)  # of each minute, without what is slow
    waves: list[bool | None] = field(default_factory=list)  # whether each minute was sinusoidal; None: too little there
    smooth: float = NOTHING
    levels: list[list[float]] = field(
        default_factory=list
    )  # smoothed UA at each second's end, evaluation by evaluation
    rest: float = NOTHING
    span: float = NOTHING
    ua_is_useful: bool = False
    stage: int = 1
    weeks: int = 0
    silent_s: int = 0  # seconds in a row without a usable sample of the FHR
    until: int = LONG_AGO
    falls: list[Fall] = field(default_factory=list)
    rises: list[Rise] = field(default_factory=list)
    contractions: list[Contraction] = field(default_factory=list)
    left: Left = field(default_factory=Left)
    seen_fall: SeenFall | None = None
    first: "PlainBed | None" = None  # the first twin, which has taken its second before, where this is the second

    def __post_init__(self) -> None:
        self.doubt = Doubt()
        self.stepped = Stepped(self.fhr)
        self.machines = {
            DOWN: Machine(DOWN, READING.deceleration),
            UP: Machine(UP, READING.acceleration),
            UA: Machine(UA, READING.contraction),
        }

    @property
    def seconds(self) -> int:
        return len(self.baselines)

    @property
    def now(self) -> int:
        """Index of the next sample."""
        return self.seconds * HZ

    @property
    def risen(self) -> float:
        """How far the reference is above what was usual before a rise within the last hour."""
        by = self.reference - self.left.before_rise
        return by if by > 0 else 0.0

    @property
    def going_on(self) -> GoingOn | None:
        """The deceleration that is going on; a level that rose within the last hour is no level to fall from."""
        now, risen = self.machines[DOWN], self.risen
        if not now.open:
            return None
        own_s = length_s = (self.now - now.onset) / HZ
        if self.left.goes_on and self.left.is_down:
            length_s = max(own_s, self.seconds - self.left.fell_at)
        if not risen:
            return GoingOn(length_s, now.height, now.area, now.mean_height)
        if now.height - risen < READING.notable.deceleration_bpm:
            return None
        area = max(now.area - risen * own_s, 0.0)
        return GoingOn(length_s, now.height - risen, area, area / now.area * now.mean_height)

    @property
    def variability(self) -> float:
        return self.variability_after(len(self.bandwidths))

    def variability_after(self, minutes: int) -> float:
        """Mean bandwidth of the last ten of the first so many minutes."""
        known = [m for m in self.bandwidths[max(0, minutes - READING.variability.mean_over_min) : minutes] if m == m]
        return sum(known) / len(known) if known else NOTHING

    def second(
        self,
        fhr: Sequence[float],
        ua: Sequence[float],
        mhr: float = NOTHING,
        stage: int = 0,
        weeks: int = 0,
    ) -> bool:
        """Take the next second; return whether it was evaluated at its end."""
        number = self.seconds
        closed = self._samples(number, fhr, ua, mhr)
        self.baselines.append(self.baseline)
        self.ua_was_useful.append(self.ua_is_useful)
        self.stage, self.weeks = stage or self.stage, weeks or self.weeks
        self.silent_s = 0 if any(number * HZ + k in self.fhr for k in range(HZ)) else self.silent_s + 1
        if self.silent_s > READING.signal.forget_after_s:
            self.reference = NOTHING
        at_once = [self._ended(x, number) for x in closed]
        if number % 60 == 59:
            self._minute(number)
        is_evaluated = number % READING.look.every_s == READING.look.every_s - 1 or any(at_once) or number == 0
        if is_evaluated:
            self._evaluate(number, level_is_new=any(at_once))
        return is_evaluated

    def _limits(self, row: int) -> tuple[float, float]:
        """Return tolerance and enter height: they grow with what the signal does anyway."""
        n = self.machines[row].numbers
        assumed = 0.0 if row == UA else READING.variability.assumed_bpm
        usual = self.span if row == UA else self.variability
        usual = usual if is_there(usual) else assumed
        tolerance = min(max(n.tolerance_share * usual, n.tolerance_least), n.tolerance_at_most)
        return tolerance, min(max(n.enter_share * usual, n.enter), n.enter_at_most)

    def _samples(self, number: int, fhr: Sequence[float], ua: Sequence[float], mhr: float) -> list[Departure]:
        closed: list[Departure] = []
        limits = {row: self._limits(row) for row in self.machines}
        first_ua = next((x for x in ua if is_there(x)), NOTHING)
        if not is_there(self.smooth):
            self.smooth = first_ua
        for k in range(HZ):
            now = number * HZ + k
            self._rate(now, fhr[k], mhr)
            self.unread.append(now)
            while self.unread and (not self.doubt.is_on or self.unread[0] <= now - HELD_S * HZ):
                closed += self._departures(self.unread.pop(0), limits)
            x = self.machines[UA].sample(now, self._toco(now, ua[k]) - self.rest, *limits[UA])
            closed += [x] if x is not None else []
        if (number + 1) % READING.baseline.stretch_s == 0:
            self.stretches.append(self._stretch(number + 1))
        if number % READING.look.every_s == 0:
            self.levels.append([])
        if is_there(ua[-1]):
            self.levels[-1].append(self.smooth)
        return closed

    def _rate(self, now: int, bpm: float, mhr: float) -> None:
        """Take the FHR where it may be used."""
        if READING.signal.fhr_lowest_bpm <= bpm <= READING.signal.fhr_highest_bpm:
            self.values.append(bpm)
        for at, used in self.doubt.use(now, bpm, self.reference).items():
            if at == now or at in self.unread:
                self.fhr[at] = used
                if abs(used - mhr) <= READING.signal.mother_within_bpm:
                    self.near_mother.add(at)

    def _departures(self, now: int, limits: dict[int, tuple[float, float]]) -> list[Departure]:
        """Go on with falls and rises by one sample."""
        closed = []
        was_open = self.machines[DOWN].open or self.machines[UP].open
        for row in (DOWN, UP):
            machine = self.machines[row]
            x = machine.sample(now, SIGN[row] * (self.fhr.get(now, NOTHING) - self.reference), *limits[row])
            closed += [x] if x is not None else []
            if machine.open and machine.opened_at == now:  # apart from its onset on
                self.apart |= dict.fromkeys(range(machine.onset, now), True)
        self.apart[now] = self.machines[DOWN].open or self.machines[UP].open
        if self.apart[now] and not was_open:
            self.before = self.reference
        return closed

    def _toco(self, now: int, ua: float) -> float:
        """Return the UA evened out."""
        self.units.append(math.floor(round(ua * 4) / 4 - UA_LOWEST) if is_there(ua) else None)
        if not is_there(ua):
            return NOTHING
        self.tocos.append(ua)
        self.ua[now] = ua
        self.smooth += 1 / (READING.tone.smooth_s * HZ) * (ua - self.smooth)
        return self.smooth

    def _ended(self, x: Departure, number: int) -> bool:
        """Name what is over; return whether the level has changed."""
        if x.row == UA:
            if x.kept:
                x = self._again(x, number)
                onset = max([x.onset, *[c.end for c in self.contractions[-1:]]])
                self.contractions.append(Contraction(onset, x.peak, x.end, self.now))
            return False
        moved = abs(self.reference - self.before) > READING.baseline.moved_bpm
        if x.kept and not moved and not self._stands_out(x):
            x.kept = False
        if x.kept and not moved:
            if not self.variability < READING.flanks.from_variability_bpm:
                x = self._again(x, number)
            self.until = x.end
            self._name(x)
            if x.cut:
                self.left.leave(x, self.before, is_new=False)
            return False
        for i in range(x.onset, x.end):
            self.apart[i] = False
        if x.new_level or (x.kept and moved):
            self.left.leave(x, self.before, is_new=True)
            return True
        if x.cut:
            self.left.leave(x, self.before, is_new=False)
        return False

    def _stands_out(self, x: Departure) -> bool:
        """Say whether it is apart from what was there before it, too."""
        n = READING.confirmation
        before = range(max(x.onset - int(n.before_s * HZ), self.until), x.onset)
        usual = sorted(round(self.fhr[i] * 4) / 4 for i in before if i in self.fhr)
        if x.height >= n.sure_bpm or len(usual) < n.least_s * HZ:
            return True
        width = int(n.mean_s * HZ)
        for end in range(x.onset + 1, x.end + 1):
            there = [round(self.fhr[i] * 4) / 4 for i in range(max(x.onset, end - width), end) if i in self.fhr]
            off = SIGN[x.row] * (sum(there) / max(len(there), 1) - usual[len(usual) // 2])
            if 2 * len(there) >= width and off >= min(n.off_bpm, n.off_share * x.height):
                return True
        return False

    def _name(self, x: Departure) -> None:
        if x.row == UP:
            kinds = {rules.name: rise_kind(x, rules, self.weeks) for rules in RULES.rule_sets}
            if set(kinds.values()) != {"none"}:
                self.rises.append(Rise(x.onset, x.end, kinds))
            return
        own = contraction_of(x, self._contractions())
        kinds = {rules.name: fall_kind(x, own, rules) for rules in RULES.rule_sets}
        if set(kinds.values()) != {"none"}:
            self.falls.append(Fall(x.onset, x.end, x.height, x.area, self.before - x.height, kinds))

    def _contractions(self) -> list[Contraction]:
        """Those that are over, and the one that is going on."""
        machine = self.machines[UA]
        if not machine.open:
            return self.contractions
        seen = machine.closing if machine.closing >= 0 else self.now
        x = Departure(UA, machine.onset, machine.peak, machine.peak, seen, machine.height, 0.0, False, True)
        x = self._again(x, self.seconds - 1, ahead=self.now - machine.onset)
        onset, end = max([x.onset, *[c.end for c in self.contractions[-1:]]]), x.end
        if machine.closing < 0 and end == seen:
            end = max(seen, x.peak + int(READING.kind.falls_as_long * (x.peak - onset)))
        return [*self.contractions, Contraction(onset, x.peak, end, self.now)]

    def _again(self, x: Departure, number: int, ahead: int = 0) -> Departure:
        newest = (number + 1) * HZ
        first = x.onset - int(READING.flanks.before_s * HZ)
        if x.row == UA:
            before = [min(c.end, x.onset) for c in self.contractions[-1:]]
            first = max([first, newest - READING.tone.window_s * HZ, *before])
            height = [round(self.ua.get(i, NOTHING) * 4) / 4 - self.rest if i in self.ua else NOTHING
                      for i in range(first, newest)]  # fmt: skip
            return second_look(x, first, height, ahead)
        first = max(first, min(self.until, x.onset), newest - READING.baseline.window_s * HZ)
        other = self.machines[UP if x.row == DOWN else DOWN]
        newest = max(x.end, other.onset) if other.open else newest
        # Kept as exactly as devices store it.
        height = [SIGN[x.row] * (round(self.fhr.get(i, NOTHING) * 4) / 4 - self.before) if i in self.fhr else NOTHING
                  for i in range(first, newest)]  # fmt: skip
        ahead = 0 if other.open or x.cut else int(READING.flanks.ahead_share * (x.end - x.onset))
        return second_look(x, first, height, ahead)

    def _minute(self, number: int) -> None:
        last = range((number - 59) * HZ, (number + 1) * HZ)
        whole = [self.fhr.get(i, NOTHING) for i in last]
        self.bandwidths.append(bandwidth([x for i, x in zip(last, whole, strict=True) if not self.apart.get(i)]))
        short, long = (
            moving_mean(whole, int(s * HZ) // 2)
            for s in (READING.variability.fine_short_s, READING.variability.fine_long_s)
        )
        self.fine.append(bandwidth([a - b for x, a, b in zip(whole, short, long, strict=True) if is_there(x)]))
        there = bandwidth(whole)
        self.waves.append(None if math.isnan(there) else is_wave(whole))

    def _evaluate(self, number: int, *, level_is_new: bool) -> None:
        self._tone(number)
        measured = self._level()
        down = self.machines[DOWN]
        falls = down.open and not level_is_new
        is_above, by = self.machines[UP].open, measured - self.reference
        stays = falls and down.height >= READING.baseline.hold_depth_bpm
        stays |= not is_above and ((falls and by > 0) or by > READING.baseline.apart_bpm)
        if not (stays and is_there(self.baseline)):
            self.baseline = measured
        if is_there(measured) and not (stays and is_there(self.reference)):
            self.reference = measured
        self.left.follow(number, self.baseline, self.newest, down.onset // HZ if down.open else NOTHING)
        self._see_fall()
        self.stepped.follow(number, self.reference)

    def _see_fall(self) -> None:
        fall, before = self.going_on, self.seen_fall
        is_same = before is None or self.left.closed_at >= before.at_s - 1 - before.length_s
        is_down = self.left.is_down and is_same
        below = self.reference - self.risen - self.newest
        if not fall and is_down:
            below = self.left.before_fall - self.newest
        is_back = self.newest >= self.left.before_fall - 2 * READING.earlier.back_within_bpm
        if not fall and not (is_down and before):
            self.seen_fall = None
        elif not fall and before and is_back:  # a glimpse of what may be its end: that time does not count
            self.seen_fall = before._replace(at_s=min(before.at_s + READING.look.every_s, self.seconds))
        elif is_there(below):
            length_s, missed_s = fall.length_s if fall else 0.0, 0.0
            if before:
                since_s = self.seconds - before.at_s
                newest = range((self.seconds - min(since_s, READING.look.every_s)) * HZ, self.seconds * HZ)
                seen_s = sum(i in self.fhr for i in newest) / HZ
                limits = READING.earlier
                missed_s = before.missed_s + since_s - seen_s - limits.seen_counts * seen_s
                missed_s = max(0.0, min(missed_s, limits.seen_counts * limits.back_for_s))
            if is_down and before:
                length_s = max(length_s, before.length_s + self.seconds - before.at_s)
            self.seen_fall = SeenFall(self.seconds, missed_s, length_s, below)
            if not fall and missed_s == 0 and not self.left.end_is_unseen:
                self.seen_fall = None  # it is the baseline, and in full view

    @property
    def newest(self) -> float:
        """The newest FHR, where there was one since the last evaluation by the clock."""
        last = range(self.now - 1, self.now - READING.look.every_s * HZ - 1, -1)
        return next((self.fhr[i] for i in last if i in self.fhr), NOTHING)

    def _stretch(self, end: int) -> "Stretch":
        """Return the one that ends before this second."""
        limits = READING.baseline
        there = [self.fhr[i] for i in range((end - limits.stretch_s) * HZ, end * HZ) if i in self.fhr]
        around = [self.fhr[i] for i in range((end - limits.flat_over_s) * HZ, end * HZ) if i in self.fhr]
        if not there:
            return Stretch(0, NOTHING, 0)
        flat = limits.flat_bpm / (limits.flat_bpm + max(around) - min(around))
        # Means are kept in sixteenths, weights as whole numbers: the same to the last bit as in the engine.
        mean = round((sum(there) / len(there) - READING.signal.fhr_lowest_bpm) * 16) / 16
        return Stretch(len(there), mean + READING.signal.fhr_lowest_bpm, round(len(there) * 64 * flat))

    def _level(self) -> float:
        """Mean of the stretches around the level at which most weight lies, NaN where there is too little anywhere."""
        limits, lowest = READING.baseline, READING.signal.fhr_lowest_bpm
        slots = limits.window_s // limits.stretch_s
        window = self.stretches[-slots:]
        units = range(int(READING.signal.fhr_highest_bpm - lowest) + 1)
        samples, weight, newer = [0 for _ in units], [0 for _ in units], [0 for _ in units]
        for age, x in enumerate(reversed(window)):
            if x.samples:
                unit = int(x.bpm - lowest)
                samples[unit] += x.samples
                weight[unit] += x.weight
                newer[unit] += x.weight if age < slots - slots // 2 else 0
        around_all, around_recent = (around(c, limits.level_within_bpm) for c in (weight, newer))

        def counts(unit: int) -> float:
            all_of, recent = around_all[unit], around_recent[unit]
            if unit < self.reference - lowest - limits.apart_bpm:
                return all_of / limits.higher_counts
            if unit > self.reference - lowest + limits.apart_bpm:
                return all_of + 2 * min(recent, all_of - recent) * (limits.higher_counts - 1)
            return all_of

        seen = around(samples, limits.identifiable_within_bpm)
        enough = [unit for unit in units if seen[unit] >= limits.identifiable_s * HZ]
        if not enough:
            return NOTHING
        counted = {unit: counts(unit) for unit in enough}
        most = max(counted.values())
        if most == 0:
            return NOTHING  # two levels further apart, too little of each
        first, *_, last = [unit for unit in enough if counted[unit] == most] * 2
        level = last if last - first > 2 * limits.level_within_bpm else (first + last) // 2
        near = [x for x in window if x.samples and abs(int(x.bpm - lowest) - level) <= limits.mean_within_bpm]
        return sum(x.weight * (x.bpm - lowest) for x in near) / sum(x.weight for x in near) + lowest

    def _tone(self, number: int) -> None:
        """Resting tone, and whether the UA does anything."""
        limits = READING.tone
        recent = sorted([unit for unit in self.units[-limits.window_s * HZ :] if unit is not None])
        enough = len(recent) >= 60 * HZ
        self.span = _share(recent, limits.high_share) - _share(recent, limits.low_share)
        last = self.tocos[-limits.still_s * HZ :]
        still = len(last) == limits.still_s * HZ and len(set(last)) == 1
        self.ua_is_useful = enough and self.span >= limits.flat_range and not still
        # One level for each evaluation of the last minutes; that of the evaluations to come is that of before.
        whole = self.levels if number % READING.look.every_s == READING.look.every_s - 1 else self.levels[:-1]
        lowest = sorted(sum(x) / len(x) for x in whole[-(limits.rest_window_s // READING.look.every_s) :] if x)
        self.rest = lowest[int(limits.rest_share * len(lowest))] if enough and lowest else NOTHING


def around(counts: list[int], within: int) -> list[int]:
    """Return for each unit what is counted at it and so many units to either side."""
    beside = [0] * within
    totals = [0, *accumulate([*beside, *counts, *beside])]
    return [after - before for before, after in zip(totals, totals[2 * within + 1 :], strict=False)]


def _share(ordered: list[int], share: float) -> int:
    """Return the value up to which so much of the samples lies, in whole units."""
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)] if ordered else 0


def bandwidth(minute: list[float]) -> float:
    """Peak to trough of a minute's samples, a few at either end left out."""
    there = sorted(x for x in minute if is_there(x))
    cut = int(READING.variability.trim_share * len(there))
    return there[-1 - cut] - there[cut] if len(there) >= READING.variability.least_s * HZ else NOTHING


def is_wave(minute: list[float]) -> bool:
    """Say whether a wave of 3 to 5 cycles explains most of a minute, its slope left out: by numpy's least squares."""
    n = READING.sinusoidal
    at = np.array([i for i, x in enumerate(minute) if is_there(x)])
    there, turn = np.array(minute)[at], 2 * np.pi * at / (60 * HZ)
    line = np.column_stack([np.ones(len(at)), at])
    left = there - line @ np.linalg.lstsq(line, there)[0]
    fits = []
    for cycles in np.arange(n.slowest_per_min, n.fastest_per_min + 0.01, 0.25):
        wave = np.column_stack([np.cos(cycles * turn), np.sin(cycles * turn), np.ones(len(at))])
        weights = np.linalg.lstsq(wave, left)[0]
        share = 1 - np.sum((left - wave @ weights) ** 2) / max(np.sum(left**2), 1e-9)
        fits.append((share, 2 * math.hypot(weights[0], weights[1])))
    share, length = max(fits)
    return bool(round(share, 6) >= n.wave_share and n.lowest_bpm <= round(length, 6) <= n.highest_bpm)


def second_look(x: Departure, first: int, height: list[float], ahead: int = 0) -> Departure:
    """Draw the smoothed flanks out to the reference, and find the extreme of the smoothed trace.

    height: samples from index `first` on, NaN where there is none. ahead: so many samples behind them the end may lie.
    """
    n = READING.flanks
    if x.onset < first:
        return x
    half = (round(min(n.smooth_share * x.length_s, n.smooth_at_most_s) * HZ) | 1) // 2
    smooth = moving_mean(height, half)
    begin, stop = x.onset - first, x.end - first
    inside = [i for i in range(begin, stop) if is_there(smooth[i])]
    if not inside:
        return x
    top = max(inside, key=lambda i: (smooth[i], -i))
    high = smooth[top]
    if high <= 0:
        return x
    shoulder = n.shoulder_ua if x.row == UA else n.shoulder
    room = round(n.extend_share * (stop - begin))
    onset, end, steep = begin, stop, None
    fall = flank(smooth[top::-1], high)
    if fall is not None:
        low, steep = fall
        onset = min(begin, max(0, begin - room, round(top - (low + steep * shoulder))))
    back = way_back(smooth[top:], high, x.row)
    if back is not None:
        end = max(stop, min(len(height) + ahead, stop + room, round(top + back)))
    bottom = [i for i in range(onset, min(end, len(height))) if smooth[i] >= n.bottom_share * high]
    is_flat = steep is not None and len(bottom) > n.flat_from * steep
    extreme = first + (bottom[0] if is_flat else (bottom[0] + bottom[-1]) // 2)
    drawn = replace(x, onset=first + onset, reached=extreme, peak=extreme, end=first + end, exact=False)
    return drawn if x.row == UA else by_outline(drawn, first, height, ahead)


Corners = tuple[int, int, int, int]
"""Seconds at which an outline leaves the reference, is down, turns back, and is at the reference again."""
AT_LEAST_S = 3


def by_outline(x: Departure, first: int, height: list[float], ahead: int) -> Departure:
    """Read onset, extreme and end from the outline that explains most of the heights, second by second."""
    n = READING.flanks
    parts = [[y for y in height[i : i + HZ] if is_there(y)] for i in range(0, len(height) // HZ * HZ, HZ)]
    totals = [(float(len(part)), added(part)) for part in parts]
    onset, end = (x.onset - first) // HZ, (x.end - first) // HZ
    if end - onset < 2 * AT_LEAST_S:
        return x
    reached = min(max(onset + AT_LEAST_S, (x.reached - first) // HZ), end - AT_LEAST_S)
    room = int(n.extend_share * (end - onset))
    earliest, last = max(onset - room, 0), max(end, min((len(height) + ahead) // HZ, end + room))
    middle = (onset + end) // 2
    starts = ((onset, reached, reached, end), (onset, middle, middle, end))
    found = [climb(start, totals, earliest, last) for start in starts]
    a, b, c, d = max(found, key=lambda corners: explained(corners, totals))
    extreme = first + HZ * (b if c - b > n.flat_outline * (b - a) else (b + c) // 2)
    return replace(x, onset=first + a * HZ, reached=extreme, peak=extreme, end=first + d * HZ)


def added(values: Sequence[float]) -> float:
    """Return their sum, added one after the other: which of two outlines explains more may be a matter of last bits."""
    total = 0.0
    for value in values:
        total += value
    return total


def climb(corners: Corners, totals: list[tuple[float, float]], earliest: int, last: int) -> Corners:
    """Move one corner, or a whole flank, while that explains more; by 8 s, then 4, 2 and 1."""
    most = explained(corners, totals)
    for step in (8, 4, 2, 1):
        before = None
        while before != corners:
            before = corners
            for moved in ({0}, {1}, {2}, {3}, {0, 1}, {1, 2}):
                for by in (step, -step):
                    a, b, c, d = (at + by * (i in moved) for i, at in enumerate(corners))
                    is_outline = a + AT_LEAST_S <= b <= c <= d - AT_LEAST_S and earliest <= a and d <= last
                    if is_outline and (value := explained((a, b, c, d), totals)) > most:
                        most, corners = value, (a, b, c, d)
    return corners


def explained(corners: Corners, totals: list[tuple[float, float]]) -> float:
    """Return what a line through the outline takes away from the sum of squares around the mean.

    `reference_s` of samples at the reference are thought to lie beside the others.
    """
    a, b, c, d = corners
    n, x, xx, y, xy = READING.flanks.reference_s * HZ, 0.0, 0.0, 0.0, 0.0
    for i, (count, total) in enumerate(totals):
        if count:
            at = i + 0.5
            share = (at - a) / (b - a) if at < b else (d - at) / (d - c) if at > c else 1.0
            way = share * share * (3 - 2 * share) if share > 0 else 0.0
            n, x, xx, y, xy = n + count, x + count * way, xx + count * way * way, y + total, xy + total * way
    spread, together = xx - x * x / n, xy - x * y / n
    return together * together / spread if spread > 0 and together > 0 else 0.0


def moving_mean(x: list[float], half: int) -> list[float]:
    """Return the mean of what is there around each sample, NaN where nothing is.

    From running totals, as the engine works it out: which of two equal samples is the highest is a matter of last bits.
    """
    totals = [0.0, *accumulate(y if is_there(y) else 0.0 for y in x)]
    there = [0, *accumulate(is_there(y) for y in x)]
    found = []
    for i in range(len(x)):
        first, end = max(i - half, 0), min(i + half + 1, len(x))
        n = there[end] - there[first]
        found.append((totals[end] - totals[first]) / n if n else NOTHING)
    return found


def flank(outwards: list[float], high: float) -> tuple[int, int] | None:
    """Return where a flank is low, counted from the extreme, and the length of its steep part; None: it never is."""
    low = next((i for i, y in enumerate(outwards) if y <= READING.flanks.low_share * high), None)
    if low is None:
        return None
    last_high = max(i for i in range(low + 1) if outwards[i] >= READING.flanks.high_share * high)
    return low, low - last_high


def way_back(outwards: list[float], high: float, row: int) -> float | None:
    """Return how far from the extreme the way back reaches the reference, counted in samples; None: it never does."""
    n = READING.flanks
    shoulder = n.shoulder_ua if row == UA else n.shoulder_back
    back = flank(outwards, high)
    if back is not None:
        return back[0] + back[1] * shoulder
    share = outwards[-1] / high
    if not share <= n.seen_share:
        return None
    last_high = max(i for i, y in enumerate(outwards) if y >= n.high_share * high)
    steep = (len(outwards) - 1 - last_high) * (n.high_share - n.low_share) / (n.high_share - share)
    return last_high + steep * (1 + shoulder)


def contraction_of(x: Departure, contractions: list[Contraction]) -> Contraction | None:
    """Return the last contraction that began before the nadir and was not long over when the fall began."""
    late = READING.kind.late_within_s * HZ
    own = [c for c in contractions if c.onset <= x.peak and x.onset <= c.end + late]
    return max(own, key=lambda c: c.onset) if own else None


def fall_kind(x: Departure, contraction: Contraction | None, rules: RuleSet) -> str:
    """Return the kind of a deceleration, or none, as the rule set defines it."""
    d = rules.deceleration
    deep = more(x.height, d.depth_bpm, d.strict)
    if deep and more(x.length_s, d.prolonged_s, d.strict):
        return "prolonged"
    if not more(x.length_s, d.length_s, d.strict):
        return "none"
    doubt_s = 0.0 if x.exact else READING.kind.doubt_s
    after = is_after(x, contraction, rules, doubt_s)
    place = "undetermined"
    if contraction is not None:
        near = abs(x.peak - contraction.peak) / HZ <= READING.kind.early_within_s
        place = "early" if near else "late" if after else "undetermined"
    if place == "undetermined":  # seen through variability: only what is clearly gradual is
        abrupt = x.slope_s < d.abrupt_below_s + doubt_s
    elif x.back_s >= d.abrupt_below_s:
        abrupt = x.slope_s < d.abrupt_below_s - doubt_s
    else:
        abrupt = x.slope_s < d.abrupt_below_s
    if abrupt and deep and after and d.late_return_over_s > 0 and x.back_s > d.late_return_over_s - doubt_s:
        return "late"
    if abrupt:
        return "variable" if deep else "none"
    if place == "undetermined" and not deep:
        return "none"
    return place if more(x.height, d.gradual_depth_bpm, d.strict) else "none"


def is_after(x: Departure, contraction: Contraction | None, rules: RuleSet, doubt_s: float) -> bool:
    if contraction is None:
        return False
    begins_s = (x.onset - contraction.onset) / HZ
    begins_late = begins_s > max(0.0, rules.deceleration.late_onset_after_s - doubt_s)
    return begins_late and x.peak > contraction.peak and x.end > contraction.end


def rise_kind(x: Departure, rules: RuleSet, weeks: int) -> str:
    """Return the kind of an acceleration, or none, as the rule set defines it for so many weeks (0: not said)."""
    a = rules.acceleration
    early = weeks != 0 and weeks < a.early_before_weeks
    height, length_s = (a.early_height_bpm, a.early_length_s) if early else (a.height_bpm, a.length_s)
    if not (more(x.height, height, a.strict) and more(x.length_s, length_s, a.strict)):
        return "none"
    if x.slope_s >= a.rise_below_s:
        return "none"
    return "prolonged acceleration" if x.length_s >= a.prolonged_s else "acceleration"
