"""A plain reader of one bed, with lists and loops instead of arrays: the oracle for the array engine.

It reads the FHR only: usable samples, baseline, variability, and the departures from the baseline. Written from the
descriptions in the core's modules, sharing none of their code but the numbers and the second look at an ended shape.
"""

import math
from dataclasses import dataclass, field

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.parameters import ExcursionNumbers
from quietward.detect.core.patterns.excursions import DOWN, UP, Excursion
from quietward.detect.core.patterns.shape import refine
from tests.traces import RULES

READING = RULES.reading
NOTHING = math.nan


@dataclass
class Machine:
    """Departures of one sign."""

    row: int
    numbers: ExcursionNumbers
    open: bool = False
    onset: int = 0
    height: float = 0.0
    peak_at: int = 0
    opened_at: int = 0
    closing: int = -1
    away_since: int = -1
    last_base: int = -(2**60)
    last_near: int = -(2**60)
    last_there: int = -(2**60)

    def sample(self, now: int, y: float, tolerance: float, enter: float) -> Excursion | None:
        """Take one height, NaN where there is none."""
        n = self.numbers
        there = not math.isnan(y)
        silent = now - self.last_there > n.bridge_s * HZ
        if there and silent:
            self.last_base = self.last_near = now - 1
        expired = self.open and silent
        if there and not self.open and y >= enter:
            hovered = self.last_near - self.last_base > n.slack_s * HZ
            self.onset = (self.last_near if hovered else self.last_base) + 1
            self.open, self.height, self.peak_at, self.opened_at, self.closing = True, y, now, now, -1
        elif self.open and there and not expired and y > self.height:
            self.height, self.peak_at = y, now
        if there and y <= tolerance:
            self.away_since = -1
        elif self.open and self.away_since < 0:
            self.away_since = self.onset
        closed = self._close(now, y, tolerance, there, expired)
        if there and y <= tolerance:
            self.last_base = now
        if there and y <= max(n.near, tolerance):
            self.last_near = now
        if there:
            self.last_there = now
        return closed

    def _close(self, now: int, y: float, tolerance: float, there: bool, expired: bool) -> Excursion | None:
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
        self.open = False
        if new_level:
            self.away_since = -1
        self.last_base = self.last_near = end
        kept = not new_level and self.height >= n.min_height and end - self.onset >= n.min_length_s * HZ
        return Excursion(
            self.row, 0, self.onset, self.peak_at, self.peak_at, end, self.height, 0.0, 1.0, expired, new_level, kept
        )


@dataclass
class PlainBed:
    """State of one bed."""

    samples: dict[int, float] = field(default_factory=dict)  # usable ones, that are still in the baseline's window
    raw: dict[int, float] = field(default_factory=dict)  # all usable ones
    apart: dict[int, bool] = field(default_factory=dict)
    last_bpm: float = NOTHING
    last_at: int = -(2**60)
    reference: float = NOTHING
    before: float = NOTHING
    baseline: float = NOTHING
    known: list[tuple[int, float]] = field(default_factory=list)  # (look, last known baseline)
    renewed: bool = False
    minutes: list[float] = field(default_factory=list)
    none_since: int = -1
    until: int = -(2**60)
    found: list[tuple[int, int, int, float]] = field(default_factory=list)  # row, onset, end, height of the kept ones

    def __post_init__(self) -> None:
        self.down, self.up = Machine(DOWN, READING.deceleration), Machine(UP, READING.acceleration)

    @property
    def variability(self) -> float:
        recent = [m for m in self.minutes[-READING.variability.mean_over_min :] if not math.isnan(m)]
        return sum(recent) / len(recent) if recent else NOTHING

    def second(self, number: int, fhr: list[float]) -> None:
        """Take four samples. Without jumps between them: the oracle holds no sample back."""
        closed: list[Excursion] = []
        usual = READING.variability.assumed_bpm if math.isnan(self.variability) else self.variability
        n = READING.deceleration
        tolerance = min(max(n.tolerance_share * usual, n.tolerance_least), n.tolerance_at_most)
        enter = min(max(n.enter_share * usual, n.enter), n.enter_at_most)
        used = 0
        for k, bpm in enumerate(fhr):
            now = number * HZ + k
            if not math.isnan(bpm):
                self.samples[now] = self.raw[now] = bpm
                used += 1
            was_open = self.down.open or self.up.open
            for machine, sign in ((self.down, -1), (self.up, 1)):
                x = machine.sample(now, sign * (bpm - self.reference), tolerance, enter)
                if x is not None:
                    closed.append(x)
            is_open = self.down.open or self.up.open
            if is_open and not was_open:
                self.before = self.reference
            for machine in (self.down, self.up):
                if machine.open and machine.opened_at == now:
                    self.apart |= dict.fromkeys(range(machine.onset, number * HZ + HZ), True)
            self.apart[now] = is_open or self.apart.get(now, False)
        for now in range(number * HZ, number * HZ + HZ):  # what opened in this second is apart from its onset on
            self.samples.pop(now - READING.baseline.window_s * HZ, None)
        self.none_since = -1 if used else (number if self.none_since < 0 else self.none_since)
        at_once = [self._ended(x, number) for x in closed]
        if number % 60 == 59:
            self._minute(number)
        if number % READING.look.every_s == READING.look.every_s - 1 or any(at_once) or number == 0:
            self._look(number)

    def _ended(self, x: Excursion, number: int) -> bool:
        moved = abs(self.reference - self.before) > READING.baseline.moved_bpm
        if x.kept and not moved:
            x = self._again(x, number)
            self.until = x.end
            if x.row == DOWN or x.length_s <= READING.baseline.leave_out_rise_s:
                for i in range(x.onset, x.end):
                    self.samples.pop(i, None)
                self.renewed = True
            self.found.append((x.row, x.onset, x.end, x.height))
            return False
        for i in range(x.onset, x.end):
            self.apart[i] = False
        if x.new_level or (x.kept and moved):
            self.renewed = True
            return True
        return False

    def _again(self, x: Excursion, number: int) -> Excursion:
        if self.variability < READING.shape.from_variability_bpm:
            return x
        newest = (number + 1) * HZ
        first = max(x.onset - int(READING.shape.before_s * HZ), min(self.until, x.onset))
        first = max(first, newest - READING.baseline.window_s * HZ)
        other = self.up if x.row == DOWN else self.down
        newest = max(x.end, other.onset) if other.open else newest
        sign = -1 if x.row == DOWN else 1
        height = [sign * (self.samples.get(i, NOTHING) - self.before) for i in range(first, newest)]
        return refine(x, first, np.array(height), READING.shape)

    def _minute(self, number: int) -> None:
        last = range((number - 59) * HZ, (number + 1) * HZ)
        there = sorted(self.raw[i] for i in last if i in self.raw and not self.apart.get(i, False))
        cut = int(READING.variability.trim_share * len(there))
        enough = len(there) >= READING.variability.least_s * HZ
        self.minutes.append(there[-1 - cut] - there[cut] if enough else NOTHING)

    def _look(self, number: int) -> None:
        limits = READING.baseline
        measured = self._level()
        hold = self.down.open and self.down.height >= limits.hold_depth_bpm
        known = self.reference if math.isnan(measured) else measured
        look = number // READING.look.every_s
        slots = limits.lag_s // READING.look.every_s
        old = next((bpm for at, bpm in self.known if at == look - slots), NOTHING)
        # The oldest stays until the next slot: a look that is taken at once falls into the same one.
        self.known = [(at, bpm) for at, bpm in self.known if look - slots <= at < look]
        self.known.append((look, old if hold else known))
        if not (hold and not math.isnan(self.baseline) and not self.renewed):
            self.baseline = measured
        if not (hold and not math.isnan(self.reference)):
            self.reference = known if math.isnan(old) else old
        if self.renewed and not math.isnan(measured):
            self.known = [(at, measured) for at in range(look - slots, look + 1)]
            self.reference = measured
        self.renewed = False

    def _level(self) -> float:
        lowest, limits = READING.signal.fhr_lowest_bpm, READING.baseline
        bins: dict[int, list[float]] = {}
        for bpm in self.samples.values():
            bins.setdefault(int(bpm - lowest), []).append(bpm)
        count = {b: len(v) for b, v in bins.items()}
        span = range(int(READING.signal.fhr_highest_bpm - lowest) + 1)
        w = limits.level_within_bpm
        around = [sum(count.get(j, 0) for j in range(b - w, b + w + 1)) for b in span]
        top = [b for b in span if around[b] == max(around)]
        level = top[-1] if top[-1] - top[0] > limits.maxima_apart_bpm else (top[0] + top[-1]) // 2
        near = [
            x
            for b in range(level - limits.mean_within_bpm, level + limits.mean_within_bpm + 1)
            for x in bins.get(b, [])
        ]
        return sum(near) / len(near) if len(near) >= limits.identifiable_s * HZ else NOTHING
