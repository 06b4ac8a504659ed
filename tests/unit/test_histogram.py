"""The rolling histogram against numpy's own, over the samples that lie in its window."""

import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.detect.core import arrays
from quietward.detect.core.signal import histogram, minute
from quietward.detect.core.signal.histogram import STEPS, Histogram, Window
from quietward.detect.core.signal.minute import FHR, Minute
from tests.compiled import called

push, catch_up, count_up, value_at = (
    called(f) for f in (minute.push, histogram.catch_up, histogram.count_up, histogram.value_at)
)
LOWEST, HIGHEST, WINDOW_S, BEDS, SECONDS = 30.0, 240.0, 120, 4, 400


def signal(rng: np.random.Generator) -> np.ndarray:
    """Seconds of quarters of a bpm, shape (SECONDS, 4, BEDS), with gaps."""
    bpm = np.clip(np.round((140 + rng.normal(0, 25, (SECONDS, HZ, BEDS))) * STEPS) / STEPS, LOWEST, HIGHEST)
    bpm[rng.random(bpm.shape) < 0.1] = np.nan
    return bpm


def take(recent: Minute, second: int, bpm: np.ndarray) -> None:
    """Let a second of all beds come, shape (4, BEDS)."""
    for k in range(HZ):
        for n in range(BEDS):
            push(recent, n, second * HZ + k, float(bpm[k, n]), float(bpm[k, n]))


@pytest.mark.parametrize("seed", range(3))
def test_it_holds_the_window_however_late_each_lane_catches_up(seed: int) -> None:
    rng = np.random.default_rng(seed)
    bpm, begins = signal(rng), rng.integers(0, 1_000_000)
    sizes = histogram.sizes(WINDOW_S, LOWEST, HIGHEST)
    h, alone = arrays.empty(Histogram, BEDS, sizes), arrays.empty(Window, BEDS, sizes)
    recent = arrays.empty(Minute, BEDS, {})
    every = np.arange(BEDS)
    for k in range(SECONDS):
        take(recent, int(begins + k), bpm[k])
        due = every if k % 50 == 49 else np.flatnonzero(rng.random(BEDS) < 0.15)
        for n in due.tolist():
            count_up(h, recent, FHR, n, int(begins + k), LOWEST)
            catch_up(alone, recent, FHR, n, int(begins + k), LOWEST)
            window = bpm[max(0, k + 1 - WINDOW_S) : k + 1, :, n].ravel()
            edges = np.arange(LOWEST, HIGHEST + 2)
            expected, _ = np.histogram(window, edges)
            assert h.counts[1:, n].tolist() == expected.tolist()
            first = (begins + max(0, k + 1 - WINDOW_S)) * HZ
            for w in (h.window, alone):
                kept = [value_at(w, n, i, LOWEST) for i in range(int(first), int((begins + k + 1) * HZ))]
                np.testing.assert_array_equal(kept, window)
