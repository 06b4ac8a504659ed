"""What is only a return from a burst of variability, read from a reference some bpm off, is no deceleration."""

import numpy as np
import pytest

from tests.abnormalities import wave
from tests.traces import Signal, flat, put, ramp, run


def restless(seed: int, seconds: float = 3600) -> Signal:
    """An hour at 140 whose variability comes in bursts, up to three times what it is else; nothing happens."""
    random = np.random.default_rng(seed)
    bursts = np.repeat(random.lognormal(0, 0.5, round(seconds / 20)), 80)
    slow = 6 * np.sin(np.arange(len(bursts)) / len(bursts) * 2 * np.pi * 9)
    return np.asarray(np.round((flat(140, seconds) + slow + 14 * bursts * wave(random, seconds)) * 4) / 4)


def test_bursts_of_variability_are_hardly_ever_falls_or_rises() -> None:
    found = [run(restless(seed)) for seed in range(6)]
    assert sum(len(x.of("deceleration")) for x in found) <= 6, "in six hours"
    assert sum(len(x.of("acceleration")) for x in found) <= 6


@pytest.mark.parametrize("way", [-1, 1])
@pytest.mark.parametrize("size", [18, 25, 60])
def test_true_ones_on_a_calm_trace_stay(way: int, size: int) -> None:
    random = np.random.default_rng(size)
    trace = flat(140, 1200) + 8 * wave(random, 1200)
    for at in range(400, 1100, 120):
        trace = put(trace, at, ramp(way * size, 8, 20, 10))
    assert len(run(trace).of("deceleration" if way < 0 else "acceleration")) == 6


def test_falls_that_fill_most_of_the_time_do_not_hide_each_other() -> None:
    """What was there before a fall counts after the end of the one before only."""
    random = np.random.default_rng(0)
    trace = flat(140, 2400) + 6 * wave(random, 2400)
    for at in range(600, 2300, 100):
        trace = put(trace, at, ramp(-20, 8, 30, 10))
    assert len(run(trace).of("deceleration")) >= 16
