"""Pure: one simulated bed: mother, fetus and sensors, step by step, with care in between.

`Bed.advance` goes on by as many ticks as asked for; however a labour is cut into steps, it is the same to the bit.
Shares no code and no threshold with the detector.
"""

import math
import random
from collections import deque
from dataclasses import dataclass
from typing import Literal

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from quietward.contracts.commands import CareKind
from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.simulator.care import Care
from quietward.simulator.fetus import PROLONGED_S, Around, Fetus
from quietward.simulator.noise import Noise
from quietward.simulator.physiology import physiology
from quietward.simulator.scenario import NUMBERS, Cause, Happening, Phase, Scenario, load, one_bed, single
from quietward.simulator.sensors import Plan, Sensors, Strain
from quietward.simulator.shapes import Bump, render
from quietward.simulator.truth import Helped, MinuteTruth, Span, Truth, TruthFile
from quietward.simulator.uterus import UterineContraction, Uterus

Signal = NDArray[np.float64]

TICK_S = 10
"""Everything but the samples themselves is decided so often; care acts from the next tick on."""

PER_TICK = TICK_S * HZ
SINUSOIDAL_HZ = 4 / 60
"""3 to 5 cycles a minute (NICHD 2008)."""

WAVE_COMES_IN_S = 60.0

LARGEST_FALL_BPM = 5.0
"""A lasting compression is called a deceleration from here to here."""


@dataclass(frozen=True)
class BedSignals:
    """Signals of some seconds: fhr (bpm, NaN: no value) and ua, shape (n,), 4 Hz; baseline: the true one.

    fhr2: with twins, the rate of the second; None without.
    """

    fhr: Signal
    ua: Signal
    baseline: Signal
    stage: Literal[1, 2]
    mothers_bpm: float | None
    fhr2: Signal | None = None


class _UterusOfBoth:
    """What the uterus did in each tick, for the second of twins to live through, too."""

    def __init__(self) -> None:
        self.drive = 0.0
        self._contracted = 0.0
        self._ticks: deque[tuple[list[UterineContraction], float, float]] = deque()

    def note(self, contractions: list[UterineContraction], contracted: float, drive: float) -> None:
        self._ticks.append((contractions, contracted, drive))

    def tick(self, *_: float, pushes: bool) -> list[UterineContraction]:  # noqa: ARG002
        contractions, self._contracted, self.drive = self._ticks.popleft()
        return contractions

    def contracted(self, _: float) -> float:
        return self._contracted


class Bed:
    """A labour that goes on. The same scenario, seed and care give the same labour.

    uterus: of the second of twins, what the first lives through.
    """

    def __init__(self, scenario: Scenario, seed: int, uterus: _UterusOfBoth | None = None) -> None:
        key = f"{scenario.name} {seed}"
        noise_seed = [seed, *scenario.name.encode()]
        self.seed = seed
        self.scenario = one_bed(scenario, random.Random(f"{key} bed"))
        self.numbers = physiology()
        self.care = Care(f"{key} care")
        self._uterus = uterus or Uterus(self.numbers, f"{key} uterus")
        s = self.scenario
        self._fetus = Fetus(
            self.numbers, random.Random(f"{key} fetus"), single(s.capacity_bpm_min), single(s.recovers_in_min),
            single(s.asleep_share), single(s.phase[0].baseline_bpm),
        )  # fmt: skip
        self._sensors = Sensors(self.numbers, s.recorder, f"{key} sensors", noise_seed)
        beat = self.numbers.beat
        self._slow, self._fine = (
            Noise([*noise_seed, 0, i], (corner_hz,), (1.0,), beat.from_hz)
            for i, corner_hz in enumerate(beat.corners_hz)
        )
        self._variability_rng = random.Random(f"{key} stirs")
        self._hf_bed_gain = self._variability_rng.lognormvariate(0, beat.hf_beds_spread)
        self._burst_gain, self._hf_gain_log = 1.0, 0.0
        self._course = _Course(s.phase)
        self._tick = 0
        self._last = [
            self._fetus.baseline,
            *self._swings(single(s.phase[0].variability_bpm)),
            0.0,
            0.0,
            self._course.at(0)["resting_tone"],
        ]
        self._wave, self._wave_s = 0.0, 0
        self._raised_tone = 0.0
        self._rate_bumps: list[Bump] = []
        self._ua_bumps: list[Bump] = []
        self.events: list[Truth] = []
        self._states: dict[str, list[Span]] = {}
        self._needs: dict[str, list[Span]] = {}
        self._minutes: list[MinuteTruth] = []
        self._below_since: float | None = None
        self._compressed_since: float | None = None
        self._deepest = (0.0, 0.0)
        self._both_on_first: list[bool] = []
        self._uterus_of_both = _UterusOfBoth()
        self._second = Bed(self._scenario_of_second(), seed, self._uterus_of_both) if s.second_twin else None

    def _scenario_of_second(self) -> Scenario:
        s = self.scenario
        of_second = load(s.second_twin)
        return replace(
            of_second, name=f"{s.name} {of_second.name}", second_stage_from_min=s.second_stage_from_min,
            recorder=s.recorder, mothers_pulse_bpm=s.mothers_pulse_bpm, weeks=s.weeks,
        )  # fmt: skip

    @property
    def t_s(self) -> int:
        """Seconds since the start."""
        return self._tick * TICK_S

    def did(self, what: CareKind) -> Helped:
        """Staff did something, now; return what it will relieve."""
        if self._second is not None:
            self._second.did(what)
        return self.care.did(what, float(self.t_s))

    def advance(self, ticks: int, heard_instead: tuple[Signal, list[bool]] | None = None) -> BedSignals:
        """Go on by `ticks` ticks of 10 s and return their signals.

        heard_instead: a rate, and in which of the ticks the sensor hears that.
        """
        first = self._tick * PER_TICK
        plan = Plan()
        levels = [self._last, *(self._step(plan) for _ in range(ticks))]
        self._last = levels[-1]
        baseline, slow, fine, compression, sinusoidal, tone = (_between(x, ticks) for x in zip(*levels, strict=True))
        n = ticks * PER_TICK
        t = np.arange(first, first + n) / HZ
        away = np.zeros(n)
        render(self._rate_bumps, first, away)
        # a cord that is pressed for good takes no more off than the deeper of the two
        away = np.where(away < 0, np.minimum(away, -compression), away - compression)
        lively = 1 + self.numbers.fall.livelier * np.clip(-away / 30, 0, 2)
        beat = (self._slow.take(n) * slow + self._fine.take(n) * fine) * lively
        cycles = SINUSOIDAL_HZ * t + 0.15 * np.sin(2 * np.pi * t / 170)  # never quite even
        wave = sinusoidal / 2 * np.sin(2 * np.pi * cycles)
        fhr = np.clip(baseline + away + beat + wave, 45, 230)
        ua = np.zeros(n)
        render(self._ua_bumps, first, ua)
        heard = fhr
        if heard_instead is not None:
            heard = np.where(np.repeat(heard_instead[1], PER_TICK), heard_instead[0], fhr)
        seen, toco = self._sensors.record(first, heard, ua, tone, self.scenario.mothers_pulse_bpm, plan)
        fhr2 = None
        if self._second is not None:
            fhr2 = self._second.advance(ticks, (fhr, self._both_on_first)).fhr
            self._both_on_first = []
        end = self.t_s
        self._rate_bumps = [b for b in self._rate_bumps if b.end_s > end]
        self._ua_bumps = [b for b in self._ua_bumps if b.end_s > end]
        shown = self.scenario.mothers_pulse_bpm if self.scenario.shows_mothers_pulse else None
        return BedSignals(seen, toco, baseline, self._stage(end - TICK_S), shown, fhr2)

    def forget(self) -> None:
        """Drop what was true and is over: a bed that goes on for days and is never asked keeps none of it."""
        t = self.t_s
        self.events = [e for e in self.events if e.end_s >= t]
        self._minutes.clear()
        for kinds in (self._states, self._needs):
            for what, spans in kinds.items():
                kinds[what] = [x for x in spans if x.until_s >= t]
        self._sensors.forget(t)
        self.care.forget(t)
        if self._second is not None:
            self._second.forget()

    def truth(self) -> TruthFile:
        """Return all that is true so far, or since it was last told to forget.

        With twins: who is needed for either, all else of the first.
        """
        s, end = self.scenario, float(self.t_s)
        running = [] if self._compressed_since is None else [self._fall(end)]
        stage = s.second_stage_from_min
        states, needs = ([x for spans in kinds.values() for x in spans] for kinds in (self._states, self._needs))
        if self._second is not None:
            needs += self._second.truth().needs
        return TruthFile(
            NOTICE, s.name, s.purpose, s.good_watcher, self.seed, HZ, self.t_s, s.weeks,
            None if stage is None else single(stage) * 60,
            sorted((e for e in [*self.events, *running] if e.onset_s < end), key=lambda e: e.onset_s),
            sorted(states, key=lambda x: x.from_s),
            sorted((a for a in self._sensors.artefacts if a.from_s < end), key=lambda x: x.from_s),
            sorted(needs, key=lambda x: x.from_s), self.care.done, self._minutes,
        )  # fmt: skip

    def _stage(self, t_s: float) -> Literal[1, 2]:
        begins = self.scenario.second_stage_from_min
        return 2 if begins is not None and t_s >= single(begins) * 60 else 1

    def _step(self, plan: Plan) -> list[float]:
        t, n = float(self.t_s), self.numbers
        now = self._course.at(self._tick)
        on = sorted((h for h in self.scenario.happening if _is_on(h, t)), key=lambda h: h.size)
        happens: dict[str, Happening] = {h.what: h for h in on}  # of two of a kind the larger
        is_second = self._stage(t) == 2
        cord, placenta, signal = (self.care.relieves(x, t) for x in ("cord", "placenta", "signal"))
        infusion = happens["oxytocin"].size if "oxytocin" in happens else 0.0
        if self.care.relieves("oxytocin", t):
            infusion *= 0.25
        irritable = happens["irritable-uterus"].size if "irritable-uterus" in happens else 0.0
        raised = happens["raised-tone"].size if "raised-tone" in happens else 0.0
        self._raised_tone += (raised - self._raised_tone) * (1 - math.exp(-TICK_S / n.placenta.tone_rises_in_s))
        contractions = self._uterus.tick(
            t, TICK_S, now["contraction_interval_s"], now["contraction_duration_s"], now["contraction_height"],
            now["contraction_spread"], max(infusion, irritable), pushes=is_second,
        )  # fmt: skip
        for c in contractions:
            self._ua_bumps += c.bumps(n.contraction.peaked)
            if c.height > 0:
                self.events.append(Truth("contraction", c.onset_s, c.peak_s, c.end_s, c.height))
        contracted = self._uterus.contracted(t)
        if self._second is not None:
            self._uterus_of_both.note(contractions, contracted, self._uterus.drive)
            self._both_on_first.append("both-on-first" in happens and not signal)
        pressed = happens.get("cord-compressed")
        starved = happens["placenta-fails"].size / 10 if "placenta-fails" in happens else 0.0
        around = Around(
            now["baseline_bpm"], now["variability_bpm"], now["accelerations_per_h"],
            now["dips_per_h"], self._course.causes(self._tick),
            contractions, contracted,
            warmer_bpm=happens["fever"].size if "fever" in happens else 0.0,
            compressed_bpm=pressed.size if pressed is not None and not cord else 0.0,
            starved_per_min=starved * (n.placenta.failing_when_relieved if placenta else 1.0),
            is_sinusoidal="sinusoidal" in happens, pushes=is_second,
            cord_is_relieved=cord, placenta_is_relieved=placenta,
        )  # fmt: skip
        truths, bumps = self._fetus.tick(t, TICK_S, around)
        self.events += truths
        self._rate_bumps += bumps
        below = self._fetus.below_bpm(t + TICK_S)
        self._sensors.tick(t, TICK_S, self._strain(now, happens, below, signal, is_second), plan)
        wanted = happens["sinusoidal"].size if "sinusoidal" in happens else 0.0
        self._wave += (wanted - self._wave) * (1 - math.exp(-TICK_S / WAVE_COMES_IN_S))
        self._wave_s = self._wave_s + TICK_S if wanted else 0
        self._tick += 1
        self._note(t + TICK_S, happens, below, contracted, is_second)
        fetus = self._fetus
        tone = now["resting_tone"] + self._raised_tone
        return [fetus.baseline, *self._swings(fetus.variability), fetus.compression, self._wave, tone]

    def _swings(self, variability: float) -> tuple[float, float]:
        """Return the standard deviations of the slow and the HF part of the variability at the end of a tick, bpm."""
        n, draw = self.numbers.beat, self._variability_rng.gauss
        self._burst_gain = math.exp(draw(0, n.burst_gain_spread))
        keeps = math.exp(-TICK_S / 60 / n.hf_gain_minutes)
        self._hf_gain_log = self._hf_gain_log * keeps + draw(0, n.hf_gain_spread * math.sqrt(1 - keeps**2))
        fine = n.hf_bpm * (variability / n.hf_at_bpm) ** n.hf_exponent * self._hf_bed_gain * math.exp(self._hf_gain_log)
        return variability / n.range_per_sd * self._burst_gain, fine * self._burst_gain

    def _strain(
        self, now: dict[str, float], happens: dict[str, Happening], below: float, signal: bool, is_second: bool
    ) -> Strain:
        loss = now["fhr_loss_share"] * (self.numbers.pushing.loss_factor if is_second else 1.0)
        slipped = happens["drifts-off"].size if "drifts-off" in happens and not signal else 0.0
        return Strain(
            min(loss, 0.97), now["spikes_per_h"], now["wrong_rate_per_h"], now["toco_noise"], now["coughs_per_h"],
            now["toco_moves_per_h"], now["toco_off_per_h"], now["off_per_h"], below, self._fetus.baseline - below,
            lively=self._burst_gain * (self.numbers.pushing.stray_rate_factor if is_second else 1.0),
            motion=self.numbers.pushing.motion if is_second else 1.0, slipped_share=min(slipped, 0.97),
            off="monitor-off" in happens, toco_off="toco-off" in happens,
            is_mother="mothers-pulse" in happens and not signal, relieved=signal,
        )  # fmt: skip

    def _note(self, t: float, happens: dict[str, Happening], below: float, contracted: float, is_second: bool) -> None:
        """Keep what is true at the end of a tick."""
        fetus, needs = self._fetus, self.numbers.needs
        if below >= needs.fall_bpm:
            self._below_since = t if self._below_since is None else self._below_since
        else:
            self._below_since = None
        falling_s = 0.0 if self._below_since is None else t - self._below_since
        team = (
            fetus.used >= needs.team_used or fetus.has_given_out or falling_s >= needs.team_fall_s
            or self._wave_s >= needs.team_sinusoidal_s
        )  # fmt: skip
        bedside = fetus.used >= needs.bedside_used or falling_s >= needs.bedside_fall_s
        if team or bedside:
            _hold(self._needs, "team" if team else "bedside", t)
        for what, is_so in (
            ("asleep", fetus.is_asleep),
            ("second stage", is_second), ("gives out", fetus.has_given_out),
            ("fever", fetus.warmer > 3),
            ("oxytocin drives", self._uterus.drive > 0.1 and "irritable-uterus" not in happens),
            ("placenta fails", "placenta-fails" in happens),
            ("contractions too close", contracted > self.numbers.reserve.crowded_from),
            ("sinusoidal", "sinusoidal" in happens), ("cord compressed", fetus.compression > LARGEST_FALL_BPM),
            ("reserve used", fetus.used >= self.numbers.reserve.late_from),
            ("mother's pulse", "mothers-pulse" in happens and not self.care.relieves("signal", t - TICK_S)),
        ):  # fmt: skip
            if is_so:
                _hold(self._states, what, t)
        self._compressed(t)
        if self._tick % (60 // TICK_S) == 0:
            self._minutes.append(
                MinuteTruth(t, round(fetus.baseline, 2), round(fetus.variability, 2), round(fetus.used, 4))
            )

    def _compressed(self, t: float) -> None:
        """Write a lasting compression down as one deceleration, when it is over."""
        deep = self._fetus.compression
        if deep > LARGEST_FALL_BPM:
            self._compressed_since = t - TICK_S if self._compressed_since is None else self._compressed_since
            self._deepest = max(self._deepest, (deep, t))
        elif self._compressed_since is not None:
            self.events.append(self._fall(t))
            self._compressed_since, self._deepest = None, (0.0, 0.0)

    def _fall(self, t: float) -> Truth:
        onset = t if self._compressed_since is None else self._compressed_since
        kind = "prolonged" if t - onset >= PROLONGED_S else "variable"
        return Truth(f"{kind} deceleration", onset, self._deepest[1], t, self._deepest[0], "cord")


class _Course:
    """The phases' numbers at every tick."""

    def __init__(self, phases: list[Phase]) -> None:
        self._phases = phases
        self._starts = [p.from_min * 60 for p in phases]

    def at(self, tick: int) -> dict[str, float]:
        t = tick * TICK_S
        i = self._index(t)
        now = self._phases[i]
        if i + 1 == len(self._phases):
            return {name: getattr(now, name) for name in NUMBERS}
        then = self._phases[i + 1]
        way = (t - self._starts[i]) / (self._starts[i + 1] - self._starts[i])
        return {name: (a := getattr(now, name)) + (getattr(then, name) - a) * way for name in NUMBERS}

    def causes(self, tick: int) -> list[Cause]:
        return self._phases[self._index(tick * TICK_S)].causes or []

    def _index(self, t: float) -> int:
        return max(i for i, start in enumerate(self._starts) if start <= t)


def _hold(kinds: dict[str, list[Span]], what: str, t: float) -> None:
    """Note that something is so in the tick that ends at `t`: a new span, or the last one goes on."""
    spans = kinds.setdefault(what, [])
    if spans and spans[-1].until_s >= t - TICK_S:
        spans[-1] = Span(what, spans[-1].from_s, t)
    else:
        spans.append(Span(what, t - TICK_S, t))


def _is_on(h: Happening, t: float) -> bool:
    begins = single(h.at_min) * 60
    return begins <= t < begins + single(h.for_min) * 60


def _between(edges: tuple[float, ...], ticks: int) -> Signal:
    """Return samples that move evenly from edge to edge; shape (ticks * 40,)."""
    at = np.asarray(edges)
    way = np.arange(PER_TICK) / PER_TICK
    samples: Signal = (at[:-1, None] + (at[1:] - at[:-1])[:, None] * way).reshape(ticks * PER_TICK)
    return samples


@dataclass
class SimulatedLabour:
    """A whole simulated labour: signals as in `BedSignals`, and its truth."""

    fhr: Signal
    ua: Signal
    baseline: Signal
    truth: TruthFile
    fhr2: Signal | None = None


def simulate(scenario: Scenario, seed: int, seconds: int) -> SimulatedLabour:
    """Return the first `seconds` of a labour with nobody doing anything."""
    bed = Bed(scenario, seed)
    stretch = bed.advance(-(-seconds // TICK_S))
    n = seconds * HZ
    fhr2 = None if stretch.fhr2 is None else stretch.fhr2[:n]
    return SimulatedLabour(stretch.fhr[:n], stretch.ua[:n], stretch.baseline[:n], bed.truth(), fhr2)
