"""Pure: FHR and UA, and the truth about them, from a scenario and a seed.

Shares no code and no threshold with the detector. FHR is a baseline that drifts, noise in the band that variability
has, accelerations, and decelerations tied to contractions; UA is a resting tone with bells on it.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter

from quietward.messages import HZ
from simulator import sensors
from simulator.scenario import Fall, Phase, Scenario
from simulator.truth import Truth

Signal = NDArray[np.float64]

RESTING_TONE = 10.0
RANGE_PER_SD = 3.7
"""Peak to trough within a minute of this noise, in standard deviations (measured)."""


@dataclass
class Labour:
    """fhr: bpm; ua: relative units; both of shape (n,), 4 Hz, NaN where the sensor gave nothing.

    baseline: the true one, bpm, of the same shape.
    """

    fhr: Signal
    ua: Signal
    baseline: Signal
    truth: list[Truth] = field(default_factory=list)


def simulate(scenario: Scenario, seed: int, seconds: int) -> Labour:
    """Return the first `seconds` of a labour; the same seed gives the same labour."""
    rng = np.random.default_rng([seed, *scenario.name.encode()])
    n = seconds * HZ
    t = np.arange(n) / HZ
    course = {
        name: np.interp(t, [p.from_min * 60 for p in scenario.phase], [getattr(p, name) for p in scenario.phase])
        for name in ("baseline_bpm", "variability_bpm", "contraction_interval_s", "contraction_duration_s",
                     "contraction_height", "accelerations_per_h", "fhr_loss_share", "spikes_per_h", "wrong_rate_per_h",
                     "coughs_per_h", "toco_moves_per_h")
    }  # fmt: skip
    baseline = course["baseline_bpm"] + _noise(rng, n, 0.0005, 0.002) * 1.5
    beat = _noise(rng, n, 0.03, 0.16) * course["variability_bpm"] / RANGE_PER_SD
    labour = Labour(baseline + beat, RESTING_TONE + _noise(rng, n, 0.01, 0.3) * 0.8, baseline)
    _contract(rng, labour, scenario, course, seconds)
    _accelerate(rng, labour, course, seconds)
    labour.fhr = np.clip(np.round(labour.fhr * 4) / 4, 50, 220)
    labour.truth += sensors.wrong_rate(rng, labour.fhr, course["wrong_rate_per_h"])
    sensors.spike(rng, labour.fhr, course["spikes_per_h"])
    labour.fhr[sensors.lost(rng, course["fhr_loss_share"])] = np.nan
    labour.ua = sensors.disturb_toco(rng, labour.ua, course["coughs_per_h"], course["toco_moves_per_h"])
    labour.ua = np.clip(np.round(labour.ua * 2) / 2, 0, 127)
    labour.truth.sort(key=lambda event: event.onset_s)
    return labour


def _noise(rng: np.random.Generator, n: int, low_hz: float, high_hz: float) -> Signal:
    b, a = butter(1, [low_hz, high_hz], btype="band", fs=HZ)
    lead_in = 600 * HZ
    noise: Signal = lfilter(b, a, rng.standard_normal(n + lead_in))[lead_in:]
    return noise / max(float(noise.std()), 1e-9)


def _contract(
    rng: np.random.Generator, labour: Labour, scenario: Scenario, course: dict[str, Signal], seconds: int
) -> None:
    at, over_at = float(rng.uniform(20, 120)), 0.0
    while at < seconds - 1:
        i = int(at * HZ)
        duration = float(course["contraction_duration_s"][i] * rng.uniform(0.85, 1.15))
        height = float(course["contraction_height"][i] * rng.uniform(0.8, 1.2))
        peak = at + duration * float(rng.uniform(0.42, 0.52))
        _add(labour.ua, at, peak, at + duration, height)
        if height > 0:
            labour.truth.append(Truth("contraction", at, peak, at + duration, height))
        phase = [p for p in scenario.phase if p.from_min * 60 <= at][-1]
        if at >= over_at:  # the heart falls once at a time
            over_at = _fall(rng, labour, phase, at, peak, at + duration)
        at += float(course["contraction_interval_s"][i] * rng.uniform(0.85, 1.15))


def _fall(rng: np.random.Generator, labour: Labour, phase: Phase, onset: float, peak: float, end: float) -> float:
    """Add the fall that comes with a contraction, if one does; return when it is over."""
    draw = float(rng.uniform())
    for fall in phase.falls:
        if draw < fall.share:
            start, nadir, stop = _shape(rng, fall, onset, peak, end)
            depth = fall.depth_bpm * float(rng.uniform(0.8, 1.2))
            _add(labour.fhr, start, nadir, stop, -depth, flat=fall.kind in {"variable", "prolonged"})
            labour.truth.append(Truth(f"{fall.kind} deceleration", start, nadir, stop, depth))
            return stop
        draw -= fall.share
    return 0.0


def _shape(rng: np.random.Generator, fall: Fall, onset: float, peak: float, end: float) -> tuple[float, float, float]:
    length = fall.length_s * float(rng.uniform(0.85, 1.15))
    match fall.kind:
        case "early":
            return onset, peak, end
        case "late":
            start = onset + float(rng.uniform(25, 35))
            nadir = max(peak + float(rng.uniform(22, 35)), start + 36)
            return start, nadir, max(end + 15, nadir + 35)
        case "variable":
            start = onset + float(rng.uniform(-5, 20))
            return start, start + float(rng.uniform(8, 18)), start + length
        case _:
            start = onset + float(rng.uniform(0, 20))
            return start, start + float(rng.uniform(20, 28)), start + length


def _add(signal: Signal, start: float, extreme: float, end: float, size: float, *, flat: bool = False) -> None:
    """Add a bell from start over extreme to end; flat: stay at the extreme until the way back must begin."""
    first, last = max(0, int(np.ceil(start * HZ))), min(len(signal), int(end * HZ))
    t = np.arange(first, last) / HZ
    down = np.clip((t - start) / max(extreme - start, 0.25), 0, 1)
    back = max(extreme, end - 2 * (extreme - start)) if flat else extreme
    up = np.clip((end - t) / max(end - back, 0.25), 0, 1)
    signal[first:last] += size * (1 - np.cos(np.pi * np.minimum(down, up))) / 2


def _accelerate(rng: np.random.Generator, labour: Labour, course: dict[str, Signal], seconds: int) -> None:
    falls = [(e.onset_s - 20, e.end_s + 20) for e in labour.truth if "deceleration" in e.what]
    for at in range(30, seconds - 60, 30):
        if rng.uniform() >= course["accelerations_per_h"][at * HZ] / 120:
            continue
        start = at + float(rng.uniform(0, 10))
        length, size = float(rng.uniform(20, 45)), float(rng.uniform(17, 28))
        if any(start < stop and start + length > begin for begin, stop in falls):
            continue
        peak = start + length * 0.4
        _add(labour.fhr, start, peak, start + length, size)
        labour.truth.append(Truth("acceleration", start, peak, start + length, size))
