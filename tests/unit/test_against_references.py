"""The core against plain computations by general-purpose libraries (numpy, scipy) on the same samples."""

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d
from scipy.signal import find_peaks
from scipy.stats import trim_mean

from quietward.contracts.fields import HZ
from tests.traces import RULES, Signal, bell, flat, put, ramp, run


def lively(seconds: float, level: float, seed: int) -> Signal:
    """White noise evened out over 2 s, in steps of a quarter as devices store it."""
    noise = uniform_filter1d(np.random.default_rng(seed).standard_normal(round(seconds * HZ)), 2 * HZ)
    return np.asarray(np.round((level + 3 * noise / noise.std()) * 4) / 4)


@pytest.mark.parametrize("seed", range(4))
def test_baseline_of_an_undisturbed_window_is_its_mean(seed: int) -> None:
    """NICHD 2008: mean FHR of 10 minutes. Reference: numpy.mean and scipy.stats.trim_mean of the same samples."""
    fhr = lively(900, 137, seed)
    window = fhr[-600 * HZ :]
    found = run(fhr).measure("baseline_bpm")
    assert found == pytest.approx(float(window.mean()), abs=0.5)
    assert found == pytest.approx(float(trim_mean(window, 0.1)), abs=0.5)


def test_baseline_leaves_decelerations_out() -> None:
    """Reference: the mean of the window's samples outside the decelerations that were put in."""
    fhr = lively(1200, 142, 7)
    outside = np.ones(len(fhr), dtype=bool)
    for at in range(300, 1200, 150):
        fhr = put(fhr, at, ramp(-40, 10, 30, 20))
        outside[(at - 2) * HZ : (at + 62) * HZ] = False
    window = slice(600 * HZ, 1200 * HZ)
    assert run(fhr).measure("baseline_bpm") == pytest.approx(float(fhr[window][outside[window]].mean()), abs=1.0)


@pytest.mark.parametrize("seed", range(4))
def test_bandwidth_of_a_minute_is_its_percentile_range(seed: int) -> None:
    """FIGO 2015: bandwidth of one-minute segments. Reference: numpy.percentile of the same minute."""
    fhr = lively(660, 140, seed)
    trim = RULES.reading.variability.trim_share * 100
    last = fhr[-60 * HZ :]
    minutes: list[float] = []
    run(fhr, every=lambda state: minutes.append(float(state.variability.minute_bpm[0])))
    low, high = np.percentile(last, [trim, 100 - trim])
    assert minutes[-1] == pytest.approx(high - low, abs=0.5)


def test_contractions_are_where_scipy_finds_peaks() -> None:
    """Reference: scipy.signal.find_peaks on the evened-out UA, with the height that stands out of this trace."""
    rng = np.random.default_rng(3)
    ua = flat(10, 3600) + rng.normal(0, 0.7, 3600 * HZ)
    at = 200.0
    while at < 3400:
        ua = put(ua, at, bell(rng.uniform(25, 60), rng.uniform(55, 90)))
        at += rng.uniform(130, 260)
    smooth = uniform_filter1d(ua, 8 * HZ)
    peaks, _ = find_peaks(smooth, prominence=15, distance=60 * HZ)
    found = [float(str(e.detail["peak_s"])) for e in run(flat(140, 3600), ua).of("contraction")]
    assert len(found) == len(peaks)
    assert np.abs(np.array(found) - peaks / HZ).max() < 6


def test_decelerations_are_where_scipy_finds_peaks() -> None:
    """Reference: scipy.signal.find_peaks on what the FHR lacks to a level of 140."""
    fhr = lively(3000, 140, 11)
    rng = np.random.default_rng(5)
    for at in range(400, 2900, 180):
        fhr = put(fhr, at, -bell(rng.uniform(25, 60), rng.uniform(40, 100)))
    lack = 140 - uniform_filter1d(fhr, 5 * HZ)
    peaks, _ = find_peaks(lack, height=15, prominence=15, distance=60 * HZ)
    found = [float(str(e.detail["nadir_s"])) for e in run(fhr).of("deceleration")]
    assert len(found) == len(peaks) == len(range(400, 2900, 180))
    assert np.abs(np.array(found) - peaks / HZ).max() < 6
