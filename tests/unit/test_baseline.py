"""What the baseline must not be led astray by: a rise of the level, decelerations that fill most of the time.

Strips are drawn by seed. A deceleration is found if one is named whose nadir lies within it.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.detect.core import engine
from quietward.detect.core.measures.findings import BASELINE_BPM
from quietward.detect.core.state.state import State
from tests.abnormalities import wave
from tests.traces import RULES, Signal, flat, put, ramp

SECONDS, RISES_AT_S, SETTLED_AFTER_S = 3600, 1200, 480
SEEDS = range(12)


@dataclass(frozen=True)
class Drawn:
    """A strip and what is true of it. level: the baseline, sample by sample; falls: first and last second of each."""

    fhr: Signal
    level: Signal
    falls: list[tuple[float, float]]


@dataclass(frozen=True)
class Seen:
    """What the core found in it. baseline: at the end of every second."""

    baseline: Signal
    decelerations: list[Event]
    accelerations: list[Event]

    def recall(self, falls: list[tuple[float, float]]) -> float:
        nadirs = [float(str(e.detail["nadir_s"])) for e in self.decelerations]
        return float(np.mean([any(first <= at <= last for at in nadirs) for first, last in falls]))


def noise(random: np.random.Generator) -> Signal:
    return float(random.uniform(6, 12)) * wave(random, SECONDS)


def quarters(fhr: Signal) -> Signal:
    return np.asarray(np.round(fhr * 4) / 4)


def rising(seed: int, rise_bpm: float) -> Drawn:
    """A level that rises and stays, and a deceleration of 20 to 25 bpm every 95 s or so."""
    random = np.random.default_rng([seed, int(rise_bpm)])
    level = put(flat(random.uniform(125, 145), SECONDS), RISES_AT_S, ramp(rise_bpm, 30, SECONDS - RISES_AT_S - 30, 0))
    fhr, falls, at = level + noise(random), list[tuple[float, float]](), 240.0
    while at < SECONDS - 60:
        stays_s = random.uniform(12, 22)
        fhr = put(fhr, at, ramp(-random.uniform(20, 25), 8, stays_s, 10))
        falls.append((at, at + stays_s + 18))
        at += random.uniform(90, 100)
    return Drawn(quarters(fhr), level, falls)


def falling(seed: int, share: float, from_s: float = 600) -> Drawn:
    """Flat falls of 30 to 50 bpm that fill this share of the time from a second on."""
    random = np.random.default_rng([seed, int(share * 100)])
    level = flat(random.uniform(130, 150), SECONDS)
    fhr, falls, at, every_s = level + noise(random), list[tuple[float, float]](), from_s, random.uniform(150, 240)
    while at < SECONDS - every_s:
        length_s = share * every_s
        fhr = put(fhr, at, ramp(-random.uniform(30, 50), 8, length_s - 20, 12))
        falls.append((at, at + length_s))
        at += every_s
    return Drawn(quarters(fhr), level, falls)


def ending(seed: int, size_bpm: float) -> Drawn:
    """A tachycardia of 12 to 30 minutes that ends within some minutes."""
    random = np.random.default_rng([seed, int(size_bpm)])
    lasts_s = random.uniform(720, 1500)
    rise = ramp(size_bpm, 60, lasts_s, random.uniform(30, 240))
    level = put(flat(random.uniform(130, 145), SECONDS), 600, rise)
    return Drawn(quarters(level + noise(random)), level, [])


def seen(strips: list[Drawn]) -> list[Seen]:
    """Run the core over strips, side by side."""
    beds = np.arange(len(strips))
    state, events = State(RULES, [str(n) for n in beds], [""] * len(beds)), list[Event]()
    fhr = np.stack([drawn.fhr.reshape(-1, HZ) for drawn in strips], axis=-1)
    ua, nothing = np.full((HZ, len(beds)), 10.0), np.full(len(beds), np.nan)
    baselines = []
    for second in range(SECONDS):
        engine.advance(state, beds, np.full(len(beds), second), fhr[second], ua, nothing, events)
        baselines.append(state.findings.values[0, BASELINE_BPM].copy())

    def of(n: int, kind: str) -> list[Event]:
        return [e for e in events if e.bed == str(n) and e.kind == kind]

    return [Seen(bpm, of(n, "deceleration"), of(n, "acceleration")) for n, bpm in enumerate(np.array(baselines).T)]


def off_bpm(found: Seen, drawn: Drawn, from_s: int) -> Signal:
    """How far the baseline is from the truth, every half a minute from a second on; infinite while undetermined."""
    at = np.arange(from_s, SECONDS, 30)
    return np.nan_to_num(np.abs(found.baseline[at] - drawn.level[at * HZ]), nan=np.inf)


@pytest.mark.parametrize("rise_bpm", [12, 15, 20, 30, 40])
def test_a_level_that_rises_is_followed_through_decelerations(rise_bpm: int) -> None:
    strips = [rising(seed, rise_bpm) for seed in SEEDS]
    after = RISES_AT_S + SETTLED_AFTER_S
    for drawn, found in zip(strips, seen(strips), strict=True):
        assert off_bpm(found, drawn, after).max() <= 3
        assert found.recall([fall for fall in drawn.falls if fall[0] > after]) >= 0.9
        assert found.recall(drawn.falls) >= 0.7
        assert len(found.accelerations) <= 4, "while it is not yet the baseline"


@pytest.mark.parametrize("share", [0.4, 0.5, 0.6, 0.7])
def test_flat_falls_that_fill_most_of_the_time_do_not_become_the_baseline(share: float) -> None:
    strips = [falling(seed, share) for seed in SEEDS]
    for drawn, found in zip(strips, seen(strips), strict=True):
        assert off_bpm(found, drawn, 600).max() <= 3
        assert found.recall(drawn.falls) >= 0.9


def test_a_bed_that_begins_amid_flat_falls_finds_its_baseline() -> None:
    strips = [falling(seed, 0.6, from_s=0) for seed in SEEDS]
    for drawn, found in zip(strips, seen(strips), strict=True):
        assert off_bpm(found, drawn, 600).max() <= 3


@pytest.mark.parametrize("size_bpm", [20, 30, 40])
def test_a_tachycardia_that_ends_is_no_deceleration(size_bpm: int) -> None:
    strips = [ending(seed, size_bpm) for seed in SEEDS]
    for drawn, found in zip(strips, seen(strips), strict=True):
        assert not found.decelerations
        last_s = SECONDS - SETTLED_AFTER_S
        assert off_bpm(found, drawn, last_s).max() <= 3


def test_a_long_rise_is_no_baseline_before_it_has_lasted() -> None:
    """Nor is a fall: what comes within a few minutes is measured against what was there before."""
    level = put(flat(140, SECONDS), 1200, ramp(30, 10, 180, 10))
    drawn = Drawn(quarters(level + 8 * wave(np.random.default_rng(1), SECONDS)), flat(140, SECONDS), [])
    (found,) = seen([drawn])
    assert off_bpm(found, drawn, 300).max() <= 3
    assert len(found.accelerations) == 1
    assert not found.decelerations
