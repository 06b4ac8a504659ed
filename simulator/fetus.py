"""Pure: how one fetus' heart rate goes on: baseline, variability, accelerations, decelerations, and the reserve behind.

Decelerations have causes. Each uses some of the reserve, which comes back at rest; with the reserve used the baseline
rises, variability falls, and decelerations grow deeper, longer and later. So a strip develops by itself.
"""

import math
import random
from dataclasses import dataclass, field

from quietward.simulator.physiology import Physiology
from quietward.simulator.scenario import Cause, single
from quietward.simulator.shapes import Bump
from quietward.simulator.truth import Truth
from quietward.simulator.uterus import UterineContraction

PROLONGED_S = 120.0
"""NICHD 2008 (Macones et al., Obstet Gynecol 2008;112:661): from 2 minutes a deceleration is prolonged."""

GRADUAL_S = 34.0
"""Early and late decelerations take 30 s or more to their nadir (NICHD 2008); a little more, to leave no doubt."""

MUST_REMAIN_BPM = 20.0
"""However low the baseline is, a fall can be seen."""

KINDS = {"head": "early", "cord": "variable", "placenta": "late"}


@dataclass
class Around:
    """What acts on the fetus in one tick. compressed_bpm: what a lasting cord compression takes off.

    starved_per_min: share of the reserve that a failing placenta takes in a minute; above 0, none comes back.
    """

    baseline_bpm: float
    variability_bpm: float
    accelerations_per_h: float
    dips_per_h: float
    causes: list[Cause]
    contractions: list[UterineContraction]
    contracted: float
    warmer_bpm: float = 0.0
    compressed_bpm: float = 0.0
    starved_per_min: float = 0.0
    is_sinusoidal: bool = False
    pushes: bool = False
    cord_is_relieved: bool = False
    placenta_is_relieved: bool = False


@dataclass
class Fetus:
    """State of one fetus. used: share of the reserve that is used. compression: bpm below, by a lasting compression."""

    numbers: Physiology
    rng: random.Random
    capacity_bpm_min: float
    recovers_in_min: float
    asleep_share: float
    baseline: float
    used: float = 0.0
    drift: float = 0.0
    swell: float = 0.0
    warmer: float = 0.0
    compression: float = 0.0
    variability: float = 0.0
    is_asleep: bool = False
    changes_at_s: float = 0.0
    has_given_out: bool = False
    falls: list[tuple[Bump, float]] = field(default_factory=list)
    """What goes on, and how much of the reserve it uses in proportion."""
    busy_until_s: float = 0.0

    def __post_init__(self) -> None:
        self.drift = self.rng.gauss(0, self.numbers.drift.spread_bpm)
        self.is_asleep = self.rng.random() < self.asleep_share
        self.changes_at_s = self._phase_s() * self.rng.random()

    def tick(self, t_s: float, length_s: float, around: Around) -> tuple[list[Truth], list[Bump]]:
        """Go on by one tick; return what begins in it: its truth, and bumps to add to the rate."""
        self._sleep(t_s)
        truths, bumps = self._contractions(t_s, around)
        more_truths, more_bumps = self._accelerate(t_s, length_s, around)
        dip_truths, dips = self._dip(t_s, length_s, around)
        self._compress(length_s, around)
        self._use(t_s, length_s, around)
        self._levels(length_s, around)
        return truths + more_truths + dip_truths, bumps + more_bumps + dips

    def below_bpm(self, t_s: float) -> float:
        """Return how far the rate is below its baseline through decelerations."""
        self.falls = [fall for fall in self.falls if fall[0].end_s > t_s]
        return max(self.compression, -sum(bump.at(t_s) for bump, _ in self.falls))

    def _sleep(self, t_s: float) -> None:
        if t_s >= self.changes_at_s:
            self.is_asleep = not self.is_asleep and self.asleep_share > 0
            self.changes_at_s = t_s + self._phase_s()

    def _phase_s(self) -> float:
        asleep_s = 60 * self.rng.uniform(*self.numbers.sleep.asleep_min)
        if self.is_asleep or self.asleep_share <= 0:
            return asleep_s
        return asleep_s * (1 - self.asleep_share) / self.asleep_share

    def _compress(self, length_s: float, around: Around) -> None:
        n = self.numbers
        target = around.compressed_bpm
        if self.has_given_out:
            target = max(target, n.reserve.gives_out_depth_bpm)
        slow = n.cord.recovers_in_s * (1 + n.cord.slower_when_used * self.used)
        within = n.cord.falls_in_s if target > self.compression else slow
        self.compression += (target - self.compression) * (1 - math.exp(-length_s / within))
        if target == 0 and self.compression < 0.5:
            self.compression = 0.0

    def _use(self, t_s: float, length_s: float, around: Around) -> None:
        n, minutes = self.numbers.reserve, length_s / 60
        below = max(self.compression, -sum(bump.at(t_s) * uses for bump, uses in self.falls))
        taken = below * minutes / self.capacity_bpm_min
        crowded = max(0.0, around.contracted - n.crowded_from) / (1 - n.crowded_from)
        weakness = 900 / max(self.capacity_bpm_min, 100)
        taken += crowded * n.crowded_per_min * minutes * min(weakness, 3)
        rest = minutes / self.recovers_in_min * (1.5 if around.placenta_is_relieved else 1.0)
        if around.starved_per_min > 0:
            taken, rest = taken + around.starved_per_min * minutes, 0.0
        self.used = min(1.0, max(0.0, self.used * math.exp(-rest) + taken))
        if self.used >= n.gives_out_at:
            self.has_given_out = True
        elif self.used < n.gives_out_until or (around.cord_is_relieved and around.placenta_is_relieved):
            self.has_given_out = False

    def _levels(self, length_s: float, around: Around) -> None:
        n, minutes = self.numbers, length_s / 60
        keeps = math.exp(-minutes / n.drift.minutes)
        self.drift = self.drift * keeps + self.rng.gauss(0, n.drift.spread_bpm * math.sqrt(1 - keeps**2))
        keeps = math.exp(-minutes / n.beat.swell_minutes)
        self.swell = self.swell * keeps + self.rng.gauss(0, n.beat.swell_spread * math.sqrt(1 - keeps**2))
        self.warmer += (around.warmer_bpm - self.warmer) * (1 - math.exp(-minutes / n.fever.minutes))
        rise = n.reserve.rise_bpm * min(self.used, n.reserve.rises_until) / n.reserve.rises_until
        self.baseline = around.baseline_bpm + self.drift + self.warmer + rise
        lost = _between(self.used, n.reserve.variability_from, n.reserve.variability_until)
        left = 1 - lost * (1 - n.reserve.variability_least)
        asleep = n.sleep.variability_factor if self.is_asleep else 1.0
        smooth = 0.1 if around.is_sinusoidal else 1.0
        self.variability = around.variability_bpm * left * asleep * smooth * math.exp(self.swell)

    def _contractions(self, t_s: float, around: Around) -> tuple[list[Truth], list[Bump]]:
        truths: list[Truth] = []
        bumps: list[Bump] = []
        for contraction in around.contractions:
            if contraction.onset_s < self.busy_until_s or self.compression > 5:
                continue  # the heart falls once at a time
            cause = self._cause(around)
            if cause is None:
                continue
            fall = self._fall(cause, contraction, t_s)
            truths.append(self._begin(cause, fall))
            bumps += fall
        return truths, bumps

    def _cause(self, around: Around) -> Cause | None:
        n, draw = self.numbers, self.rng.random()
        for cause in around.causes:
            share = single(cause.share)
            if (cause.kind == "cord" and around.cord_is_relieved) or (
                cause.kind == "placenta" and around.placenta_is_relieved
            ):
                share *= 0.2
            if draw < share:
                return cause
            draw -= share
        late = _between(self.used, n.reserve.late_from, n.reserve.late_until) * n.reserve.late_share
        if around.placenta_is_relieved:
            late *= 0.3
        if self.rng.random() < late:
            return Cause("placenta", 1.0, self.rng.uniform(*n.reserve.late_depth_bpm), 60)
        if around.pushes and self.rng.random() < n.pushing.falls_share:
            return Cause("head", 1.0, self.rng.uniform(*n.pushing.falls_depth_bpm), 60)
        return None

    def _fall(self, cause: Cause, c: UterineContraction, t_s: float) -> list[Bump]:
        rng, n = self.rng, self.numbers.reserve
        depth = single(cause.depth_bpm) * rng.lognormvariate(0, cause.spread) * (1 + n.deeper * self.used)
        room = self._room()
        depth = min(depth * room, max(MUST_REMAIN_BPM, self.baseline - self.numbers.fall.lowest_bpm))
        length = single(cause.length_s) * rng.lognormvariate(0, cause.spread) * (1 + n.longer * self.used) * room
        match cause.kind:
            case "head":
                down = max(GRADUAL_S, c.peak_s - c.onset_s)
                start = max(t_s, c.peak_s - down)
                return [Bump(start, down, 0, max(GRADUAL_S, c.end_s - c.peak_s), -depth)]
            case "placenta":
                start = c.onset_s + rng.uniform(22, 36)
                nadir = max(c.peak_s + rng.uniform(20, 36), start + GRADUAL_S)
                end = max(c.end_s + 12, nadir + GRADUAL_S) + (length - 60) * 0.5 * (length > 60)
                return [Bump(start, nadir - start, 0, end - nadir, -depth)]
            case _:
                return self._cord(
                    cause.form, max(t_s, c.onset_s + rng.uniform(0.2, 1.5) * (c.peak_s - c.onset_s)), depth, length
                )

    def _room(self) -> float:
        """Return how large falls are at this baseline: 1, or less with less room above the lowest rate."""
        n = self.numbers.fall
        return max(n.least_room, min(1.0, (self.baseline - n.lowest_bpm) / (n.in_proportion_below_bpm - n.lowest_bpm)))

    def _cord(self, form: str, start: float, depth: float, length: float) -> list[Bump]:
        rng, n = self.rng, self.numbers.reserve
        down = min(rng.uniform(6, 20), length / 3)
        hold = (length - down) * rng.uniform(0, 0.5)
        if form == "slow-return" or self.used > n.late_from:
            hold *= 0.5
        up = length - down - hold
        if form == "w" and length >= 40:
            first = [Bump(start, down, hold * 0.3, up, -depth)]
            again = first[0].end_s - up * rng.uniform(0.4, 0.6)
            return [*first, Bump(again, down, hold * 0.3, up, -depth * rng.uniform(0.6, 1.0))]
        pointed = self.numbers.fall.pointed
        falls = [Bump(start, down, hold, up, -depth, pointed)]
        if form == "shoulders" and self.used < n.shoulders_until:
            falls = [Bump(start + 12, down, hold, up, -depth, pointed)]
            falls += [Bump(at, 6, 2, 6, rng.uniform(6, 13)) for at in (start, falls[0].end_s - 2)]
        return falls

    def _begin(self, cause: Cause, fall: list[Bump]) -> Truth:
        truth = _truth(cause, fall)
        self.busy_until_s = truth.end_s
        uses = self.numbers.reserve.head_uses if cause.kind == "head" else 1.0
        self.falls += [(bump, uses) for bump in fall if bump.size < 0]
        return truth

    def _dip(self, t_s: float, length_s: float, around: Around) -> tuple[list[Truth], list[Bump]]:
        n, rng = self.numbers.dip, self.rng
        if rng.random() >= around.dips_per_h * length_s / 3600:
            return [], []
        start, depth, length = t_s + rng.uniform(0, length_s), rng.uniform(*n.depth_bpm), rng.uniform(*n.length_s)
        usual = [single(c.depth_bpm) for c in around.causes if c.kind == "cord"]
        if usual:
            depth = usual[0] * rng.uniform(*n.of_cord)
        depth, length = depth * self._room(), length * self._room()
        if start < self.busy_until_s + 5 or self.compression > 5 or around.cord_is_relieved:
            return [], []
        fall = self._cord("plain", start, depth, length)
        return [self._begin(Cause("cord", 1.0, depth, length), fall)], fall

    def _accelerate(self, t_s: float, length_s: float, around: Around) -> tuple[list[Truth], list[Bump]]:
        n, rng = self.numbers, self.rng
        per_h = around.accelerations_per_h * max(0.0, 1 - self.used / n.reserve.accelerations_until)
        if self.is_asleep:
            per_h *= n.sleep.accelerations_factor
        if around.is_sinusoidal or rng.random() >= per_h * length_s / 3600:
            return [], []
        start = t_s + rng.uniform(0, length_s)
        if around.contractions and rng.random() < n.acceleration.with_contraction:
            start = around.contractions[0].onset_s + rng.uniform(0, 10)
        length, height = rng.uniform(*n.acceleration.length_s), rng.uniform(*n.acceleration.height_bpm)
        if start < self.busy_until_s + 15 or self.compression > 5:
            return [], []
        self.busy_until_s = start + length
        rise, hold = length * rng.uniform(0.25, 0.45), length * rng.uniform(0, 0.25)
        bump = Bump(start, rise, hold, length - rise - hold, height)
        return [Truth("acceleration", start, start + rise + hold / 2, start + length, height)], [bump]


def _truth(cause: Cause, bumps: list[Bump]) -> Truth:
    """Shoulders are no part of a deceleration; two dips are one."""
    dips = [bump for bump in bumps if bump.size < 0]
    deepest = min(dips, key=lambda bump: bump.size)
    onset, end = dips[0].start_s, max(bump.end_s for bump in dips)
    kind = "prolonged" if end - onset >= PROLONGED_S else KINDS[cause.kind]
    nadir = deepest.start_s + deepest.rise_s  # where it is reached; it may stay there for a while
    return Truth(f"{kind} deceleration", onset, nadir, end, -deepest.size, cause.kind)


def _between(x: float, low: float, high: float) -> float:
    return max(0.0, min(1.0, (x - low) / (high - low)))
