"""Pure: what transducers and recorders do to the signals of one bed.

The FHR is sampled beat by beat and held between beats, as recorders do; it is lost in clusters, taken for half or
double of what it is, or for the mother's pulse; the toco drifts, is moved, coughed at and taken off.
"""

import math
import random
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.fields import HZ
from quietward.simulator.filters import Filter
from quietward.simulator.noise import Noise
from quietward.simulator.physiology import Physiology
from quietward.simulator.shapes import Bump, render
from quietward.simulator.truth import Span

Signal = NDArray[np.float64]

CHANGES_BY = 0.1
"""A loss that changes by so much is another situation."""

SAID_FROM_S = 5.0
"""Shorter gaps are not listed among the artefacts: the recording itself shows them."""


@dataclass
class Strain:
    """What acts on the sensors in one tick. off, toco_off: taken off on purpose, by the scenario.

    below_bpm: how far the rate is from its baseline; relieved: the transducer has been put to a better place.
    slipped_share: what is lost whatever the recorder is. lively: gain of the variability, 1 on average.
    motion: factor by which spells of good and of bad contact are shorter.
    """

    fhr_loss_share: float
    spikes_per_h: float
    wrong_rate_per_h: float
    toco_noise: float
    coughs_per_h: float
    toco_moves_per_h: float
    toco_off_per_h: float
    off_per_h: float
    below_bpm: float
    rate_bpm: float
    slipped_share: float = 0.0
    lively: float = 1.0
    motion: float = 1.0
    off: bool = False
    toco_off: bool = False
    is_mother: bool = False
    relieved: bool = False


@dataclass
class Plan:
    """What sensors will do in a stretch of ticks: one number per tick."""

    is_bad: list[float] = field(default_factory=list)
    gain: list[float] = field(default_factory=list)
    toco_noise: list[float] = field(default_factory=list)
    tone: list[float] = field(default_factory=list)
    is_mother: list[float] = field(default_factory=list)


class Sensors:
    """The transducers and the recorder of one bed."""

    def __init__(self, numbers: Physiology, recorder: str | None, seed: str, noise_seed: list[int]) -> None:
        self._n, self._rng = numbers, random.Random(seed)
        self._blanks = random.Random(f"{seed} blanks")  # drawn while recording, not tick by tick
        self._stray_rng = random.Random(f"{seed} strays")
        self._noise = np.random.default_rng([*noise_seed, 1])
        self._chance = np.random.default_rng([*noise_seed, 2])
        self._mother = Noise([*noise_seed, 4], (0.01, 0.12), (0.5, 0.5))
        device, rng = numbers.device, self._rng
        kinds = [k for k in numbers.recorder if recorder in (None, k.name)]
        self._kind = rng.choices(kinds, [k.share for k in kinds])[0]
        self._jitter = (
            device.beat_jitter_bpm * self._kind.jitter_factor * rng.lognormvariate(0, device.jitter_beds_spread)
        )
        self._toco_top = 100.0 if rng.random() < device.toco_top_100_share else 127.0
        sizes = device.toco_sizes
        self._toco = Noise([*noise_seed, 3], device.toco_corners_hz, tuple(x**2 for x in sizes))
        self._toco_size = math.hypot(*sizes)
        self._breaths_hz, self._breath_phase = rng.uniform(0.22, 0.4), rng.uniform(0, 2 * math.pi)
        self._phase, self._held, self._shown, self._toco_held = rng.random(), math.nan, math.nan, 0.0
        self._smoother: Filter | None = None
        self._bad_until: tuple[bool, float] = (False, 0.0)
        self._next_gap_s, self._share = 0.0, 0.0
        self._longer = rng.lognormvariate(0, numbers.loss.beds_spread)
        self._edge = numbers.device.edge_median_bpm * rng.lognormvariate(0, numbers.device.edge_beds_spread)
        self._stray_rate_per_h = self._kind.stray_rate_per_h * self._stray_rng.lognormvariate(
            0, device.stray_rate_beds_spread
        )
        self._apart = rng.lognormvariate(0, numbers.loss.beds_spread)
        self._gain, self._tone = 1.0, 0.0
        self._gaps: list[Span] = []
        self._toco_gaps: list[Span] = []
        self._runs: list[Span] = []
        self._spikes: list[tuple[int, int, float]] = []
        self._coughs: list[Bump] = []
        self._edges: list[Bump] = []
        self._off_until_s = self._toco_off_until_s = 0.0
        self._rest_at = self._flat()
        self.artefacts: list[Span] = []

    def tick(self, t_s: float, length_s: float, strain: Strain, plan: Plan) -> None:
        """Decide what happens in the `length_s` seconds from `t_s`."""
        rng = self._rng
        self._contact(t_s, length_s, strain)
        self._off(t_s, length_s, strain)
        end = t_s + length_s

        def times(per_h: float) -> list[float]:
            """At most one in a tick: rates are far below that."""
            return [rng.uniform(t_s, end)] if rng.random() < per_h * length_s / 3600 else []

        for at in times(strain.spikes_per_h):
            self._spikes.append((int(at * HZ), rng.randint(1, 3), rng.choice((-1, 1)) * rng.uniform(35, 70)))
            self.artefacts.append(Span("spike", at, at + self._spikes[-1][1] / HZ, self._spikes[-1][2]))
        for at in times(strain.wrong_rate_per_h):
            if not self._runs or at > self._runs[-1].until_s + 1:
                run_s = min(20.0, max(1.0, self._n.loss.run_median_s * rng.lognormvariate(0, self._n.loss.run_spread)))
                factor = 2.0 if strain.rate_bpm < 110 else 0.5  # a doubled rate beyond 220 would not be shown at all
                self._runs.append(Span("half rate" if factor < 1 else "double rate", at, at + run_s, factor))
                self.artefacts.append(self._runs[-1])
        for at in times(strain.coughs_per_h):
            size, cough_s = rng.uniform(20, 60), rng.uniform(1, 3)
            self._coughs.append(Bump(at, cough_s / 2, 0, cough_s / 2, size))
            self.artefacts.append(Span("cough", at, at + cough_s, size))
        if times(strain.toco_moves_per_h):
            self._gain, self._tone = rng.uniform(0.6, 1.3), rng.uniform(-8, 18)
            self.artefacts.append(Span("toco moved", end, end, self._tone))
        self._stray(t_s, length_s, strain)
        plan.is_bad.append(float(self._bad_until[0]))
        plan.gain.append(self._gain)
        plan.toco_noise.append(strain.toco_noise)
        plan.tone.append(self._tone)
        plan.is_mother.append(float(strain.is_mother))

    def forget(self, t_s: float) -> None:
        """Drop the artefacts that were over at a moment."""
        self.artefacts = [x for x in self.artefacts if x.until_s >= t_s]

    def _contact(self, t_s: float, length_s: float, strain: Strain) -> None:
        """Let contact be good and bad in turn; while it is bad, gaps and values follow each other."""
        n, rng = self._n.loss, self._rng
        loss = strain.fhr_loss_share * self._kind.loss_factor * (0.3 if strain.relieved else 1.0)
        share = max(loss, strain.slipped_share)
        gap_median, valid_median = n.gap_median_s * self._longer, n.valid_median_s * self._apart
        gap_mean, valid_mean = n.gap_least_s + _mean(gap_median, n.gap_spread), _mean(valid_median, n.valid_spread)
        inside = max(gap_mean / (gap_mean + valid_mean), min(0.97, 1.25 * share))
        closer = math.sqrt(gap_mean * (1 - inside) / inside / valid_mean)
        is_bad, until = self._bad_until
        if is_bad and strain.relieved and strain.fhr_loss_share < 0.5:
            until = t_s  # put to a better place: contact is good now
        if abs(share - self._share) > CHANGES_BY:
            until = t_s  # lying or walking, in place or slipped: what went before says nothing of now
        if t_s >= until:
            self._share = share
            bad_share = min(1.0, share / inside)
            is_bad = rng.random() < bad_share if until == 0 else (not is_bad and share > 0) or bad_share >= 1
            bad_minutes = n.bad_minutes / strain.motion
            minutes = bad_minutes if is_bad else bad_minutes * (1 - bad_share) / max(bad_share, 1e-3)
            self._bad_until = (is_bad, t_s + 60 * min(600.0, rng.expovariate(1 / max(minutes, 0.2))))
            self._next_gap_s = t_s + (rng.uniform(0, 5) if is_bad else self._stray_s(strain))
        self._next_gap_s = max(self._next_gap_s, t_s)
        while self._next_gap_s < t_s + length_s:
            gap_s = min(120.0, n.gap_least_s + gap_median / closer * rng.lognormvariate(0, n.gap_spread))
            self._lose(Span("no FHR", self._next_gap_s, self._next_gap_s + gap_s), t_s)
            if is_bad:
                valid_s = closer * valid_median * rng.lognormvariate(0, n.valid_spread)
                valid_s /= 1 + n.falls_factor * abs(strain.below_bpm) / 30
            else:
                valid_s = self._stray_s(strain)
            self._next_gap_s += gap_s + valid_s

    def _stray_s(self, strain: Strain) -> float:
        if strain.fhr_loss_share <= 0:
            return 1e6
        more = 1 + self._n.loss.falls_factor * abs(strain.below_bpm) / 30
        return self._rng.expovariate(self._n.loss.gap_rate_per_h * more / 3600)

    def _lose(self, gap: Span, t_s: float) -> None:
        self._gaps.append(gap)
        device, rng = self._n.device, self._rng
        for at in (gap.from_s, gap.until_s):
            if rng.random() < device.edge_share:
                size = rng.choice((-1, 1)) * min(60.0, self._edge * rng.lognormvariate(0, device.edge_spread))
                lasts_s = device.edge_s + device.edge_s_per_bpm * abs(size)
                begins = max(t_s, at - lasts_s)
                self._edges.append(Bump(begins, at - begins, 0, lasts_s, size))
        if gap.until_s - gap.from_s >= SAID_FROM_S:
            self.artefacts.append(gap)

    def _stray(self, t_s: float, length_s: float, strain: Strain) -> None:
        """Let the recorder follow something else for a moment, with no gap beside it; at most once in a tick."""
        n, rng = self._n.device, self._stray_rng
        per_h = self._stray_rate_per_h * strain.lively if strain.fhr_loss_share > 0 else 0.0
        if rng.random() < per_h * length_s / 3600:
            size = rng.choice((-1, 1)) * min(60.0, n.stray_median_bpm * rng.lognormvariate(0, n.edge_spread))
            half_s = (n.edge_s + n.edge_s_per_bpm * abs(size)) / 2
            self._edges.append(Bump(t_s + rng.uniform(0, length_s), half_s, 0, half_s, size))

    def _off(self, t_s: float, length_s: float, strain: Strain) -> None:
        rng, off_min = self._rng, self._n.loss.off_min
        if t_s >= self._off_until_s and rng.random() < strain.off_per_h * length_s / 3600:
            self._off_until_s = t_s + 60 * rng.uniform(*off_min)
        if strain.off:
            self._off_until_s = max(self._off_until_s, t_s + length_s)
        if t_s >= self._toco_off_until_s and rng.random() < strain.toco_off_per_h * length_s / 3600:
            self._toco_off_until_s = t_s + 60 * rng.uniform(*off_min)
            self._rest_at = self._flat()
        if strain.toco_off:
            self._toco_off_until_s = max(self._toco_off_until_s, t_s + length_s)
        if t_s < self._off_until_s:
            _extend(self._gaps, Span("off", t_s, t_s + length_s), self.artefacts)
        if t_s < max(self._off_until_s, self._toco_off_until_s):
            _extend(self._toco_gaps, Span("toco off", t_s, t_s + length_s, self._rest_at), self.artefacts)

    def _flat(self) -> float:
        n, rng = self._n.loss, self._rng
        if rng.random() < n.flat_at_zero:
            return 0.0
        return min(40.0, round(2 * n.flat_median * rng.lognormvariate(0, n.flat_spread)) / 2)

    def record(
        self, first: int, fhr: Signal, ua: Signal, resting: Signal, mothers_bpm: float, plan: Plan
    ) -> tuple[Signal, Signal]:
        """Return the recorded FHR and UA of a stretch: shape (n,), NaN where there is no FHR. first: its first sample.

        fhr: the true rate, bpm. ua: contractions alone, above the `resting` tone.
        plan: of the ticks of this stretch.
        """
        each = len(fhr) // len(plan.is_bad)
        is_bad, gain, tone, noise, is_mother = (
            np.repeat(x, each) for x in (plan.is_bad, plan.gain, plan.tone, plan.toco_noise, plan.is_mother)
        )
        fhr = fhr.copy()
        render(self._edges, first, fhr)
        mothers = mothers_bpm + 4 * self._mother.take(len(fhr)) + 0.25 * ua
        heard = np.where(is_mother > 0, mothers, fhr)
        smooth = self._smoothed(heard)
        seen = self._sample(smooth, is_bad)
        for run in self._runs:
            seen[_part(run, first, len(seen))] *= run.size
        for at, count, size in self._spikes:
            part = slice(max(0, at - first), max(0, at + count - first))
            seen[part] = np.clip(seen[part] + size, 40, 230)
        grid = self._kind.grid_bpm
        seen = np.clip(np.round(seen / grid) * grid, 40, 240)
        for gap in self._gaps:
            seen[_part(gap, first, len(seen))] = np.nan
        if self._kind.blanks_bpm > 0:
            self._blank(first, seen, np.abs(heard - smooth) > self._kind.doubts_bpm)
        toco = self._record_toco(first, ua * gain + resting + tone, noise)
        end_s = (first + len(fhr)) / HZ
        self._gaps, self._toco_gaps, self._runs = (
            [s for s in spans if s.until_s >= end_s] for spans in (self._gaps, self._toco_gaps, self._runs)
        )
        self._spikes = [s for s in self._spikes if s[0] + s[1] > first + len(fhr)]
        self._coughs, self._edges = ([b for b in bumps if b.end_s > end_s] for bumps in (self._coughs, self._edges))
        return seen, toco

    def _smoothed(self, rate: Signal) -> Signal:
        """Return the mean over the last moments, as some recorders take it."""
        if self._kind.smooth_s == 0:
            return rate
        if self._smoother is None:
            keep = math.exp(-1 / HZ / self._kind.smooth_s)
            self._smoother = Filter([1 - keep], [1, -keep], state=keep * float(rate[0]))
        return self._smoother(rate)

    def _sample(self, rate: Signal, is_bad: Signal) -> Signal:
        """Show a new value with every beat that is seen, and hold it until the next."""
        device, n = self._n.device, len(rate)
        phase = np.cumsum(np.concatenate(([self._phase], rate / 60 / HZ)))
        beats = np.floor(phase)
        self._phase = float(phase[-1] - beats[-1])
        missed = device.missed_share + device.missed_per_bpm * np.maximum(rate - 120, 0) + device.missed_bad * is_bad
        missed *= self._kind.missed_factor
        shown = (np.diff(beats) > 0) & (self._chance.random(n) >= missed)
        jitter = self._jitter * np.where(is_bad > 0, device.jitter_bad_factor, 1.0)
        values = rate + jitter * self._noise.standard_normal(n)
        if self._kind.interval_ms > 0:
            intervals = 60_000 / self._kind.interval_ms / values
            values = (60_000 / self._kind.interval_ms / np.round(intervals)).astype(np.float64)
        values = np.concatenate(([self._held if np.isfinite(self._held) else values[0]], values))
        at = np.maximum.accumulate(np.concatenate(([0], np.where(shown, np.arange(1, n + 1), 0))))
        held = values[at][1:]
        self._held = float(held[-1])
        return held

    def _blank(self, first: int, seen: Signal, is_in_doubt: NDArray[np.bool_]) -> None:
        """Show nothing for a moment after every jump between neighbouring values, and where beats do not agree."""
        steps = np.abs(np.diff(np.concatenate(([self._shown], seen))))
        for at in np.flatnonzero((steps > self._kind.blanks_bpm) | is_in_doubt).tolist():
            before = seen[at - 1] if at > 0 else self._shown
            if np.isnan(seen[at]) or np.isnan(before):
                continue  # inside the blank of a jump just before, or at its end
            begin = (first + at) / HZ
            blank = Span("no FHR", begin, begin + self._longer * self._blanks.uniform(*self._n.loss.blank_s))
            self._gaps.append(blank)
            seen[_part(blank, first, len(seen))] = np.nan
        self._shown = float(seen[-1])

    def _record_toco(self, first: int, ua: Signal, noise: Signal) -> Signal:
        n = len(ua)
        t = np.arange(first, first + n) / HZ
        breath = self._n.device.breath * np.sin(2 * np.pi * self._breaths_hz * t + self._breath_phase)
        toco = ua + noise * (self._toco_size * self._toco.take(n) + breath)
        render(self._coughs, first, toco)
        toco = np.clip(toco, 0, self._toco_top)
        if self._kind.slow_toco:
            at = np.arange(first, first + n)
            even = np.maximum(at - at % 2 - first, 0)
            toco = np.rint(np.where(at - at % 2 >= first, toco[even], self._toco_held))
            self._toco_held = float(toco[-1])
        else:
            toco = np.round(toco * 2) / 2
        for gap in self._toco_gaps:
            part = _part(gap, first, n)
            toco[part] = gap.size
        return toco


def _extend(spans: list[Span], more: Span, artefacts: list[Span]) -> None:
    """Add a span, as one with that of its kind which it touches."""
    for place, old in enumerate(spans):
        if old.what == more.what and old.until_s == more.from_s:
            spans[place] = Span(old.what, old.from_s, more.until_s, old.size)
            artefacts[artefacts.index(old)] = spans[place]
            return
    spans.append(more)
    artefacts.append(more)


def _mean(median: float, spread: float) -> float:
    return median * math.exp(spread**2 / 2)


def _part(span: Span, first: int, n: int) -> slice:
    begin, end = math.ceil(span.from_s * HZ) - first, math.ceil(span.until_s * HZ) - first
    return slice(min(max(0, begin), n), min(max(0, end), n))
