"""Likeness: summaries of signals drawn by hand are what can be worked out by hand; the classifiers can and cannot."""

import math

import numpy as np
import pytest
from msgspec import structs
from numpy.typing import NDArray

from quietward.contracts.fields import HZ
from quietward.detect.assessment import Assessment, Contraction, Gaps, SignalQuality
from quietward.recordings.recording import Recording
from tests import likeness
from tests.bench import likeness as bench
from tests.traces import flat, ripple

NAN = np.nan
TREES = 30
NOTHING_FOUND = Assessment(
    "x", "figo-2015", 0, SignalQuality(1, 1, Gaps(0, 0, 0, 0, 0)), [], [], [], [], [], [], [], [], [], [], []
)


def quarter_of_hour(level: float) -> NDArray[np.float64]:
    return flat(level, 900)


def test_missing_and_gaps() -> None:
    fhr = quarter_of_hour(140)
    fhr[100:108] = NAN  # 2 s
    fhr[1000:1016] = NAN  # 4 s
    fhr[2000:2400] = NAN  # 100 s
    found = likeness.fhr_features(fhr)
    assert found["FHR missing, share"] == pytest.approx(106 / 900)
    assert found["FHR gaps, per hour"] == pytest.approx(12)
    assert found["FHR gap median, s"] == 4
    assert found["FHR gap 95 %, s"] == pytest.approx(4 + 0.9 * 96)
    assert found["FHR missing in gaps > 60 s, share"] == pytest.approx(100 / 106)
    assert likeness.pooled(Recording("x", fhr, fhr), NOTHING_FOUND)["FHR gap, s"].tolist() == [2, 4, 100]


def test_steps_are_taken_between_valid_neighbours_only() -> None:
    fhr = np.array([140, 140, 140.25, NAN, 200, 200, 160, 160.5])
    found = likeness.fhr_features(fhr)
    # 0, 0.25 | 0, -40, 0.5
    assert likeness.steps(fhr).tolist() == [0, 0.25, 0, -40, 0.5]
    assert found["FHR step 0, share"] == pytest.approx(2 / 5)
    assert found["FHR step 0.25, share"] == pytest.approx(1 / 5)
    assert found["FHR step, mean abs, bpm"] == pytest.approx(40.75 / 5)
    assert found["FHR step > 25 bpm, share"] == pytest.approx(1 / 5)
    assert found["FHR step not 0 median, bpm"] == 0.5
    assert found["FHR whole numbers, share"] == pytest.approx(5 / 7)
    assert found["FHR change across gaps, median bpm"] == 59.75


def test_runs_end_at_a_change_and_at_a_gap() -> None:
    assert likeness.held(np.array([1.0, 1, 2, 2, 2, NAN, NAN, 2, NAN, 3])).tolist() == [2, 3, 1, 1]
    assert likeness.held(np.array([NAN, NAN])).tolist() == []
    assert likeness.held(np.array([NAN, 5.0, 5])).tolist() == [2]


def test_changes_per_beat_of_values_that_change_with_each_beat() -> None:
    fhr = np.repeat(120 + np.arange(1000) % 2 * 0.25, 2)  # at 120 bpm a beat is two samples
    found = likeness.fhr_features(fhr)
    assert found["FHR changes per beat"] == pytest.approx(1, abs=0.005)
    assert found["FHR change after change, share"] == 0
    assert found["FHR run of equal is 2, share"] == 1


@pytest.mark.parametrize(
    ("hz", "band"), [(1 / 64, "0-0.03"), (0.0625, "0.03-0.15"), (0.25, "0.15-0.5"), (0.75, "0.5-1"), (1.5, "1-2")]
)
def test_the_power_of_a_sine_is_in_its_band(hz: float, band: str) -> None:
    found = likeness.fhr_features(140 + ripple(900, 10, 1 / hz))
    if band == "0-0.03":  # one bin wide: the window smears a part into the next, the straight line takes another
        assert found[f"FHR power {band} Hz, share"] > 0.5
    else:
        assert found[f"FHR power {band} Hz, share"] > 0.99
        assert found["FHR power, bpm rms"] == pytest.approx(5 / math.sqrt(2), rel=0.01)


def test_shares_of_the_power_add_up_to_one() -> None:
    found = likeness.fhr_features(140 + np.random.default_rng(1).standard_normal(3600))
    shares = [x for name, x in found.items() if name.startswith("FHR power") and name.endswith("share")]
    assert sum(shares) == pytest.approx(1)
    assert shares[-1] == pytest.approx(0.5, abs=0.05)  # white: half of it lies above 1 Hz


def test_short_gaps_are_bridged_for_the_spectrum_and_longer_ones_are_not() -> None:
    signal = np.arange(40.0)
    signal[3:11] = NAN  # 2 s
    signal[20:29] = NAN  # 2.25 s
    signal[39] = NAN  # at the end there is nothing to lead to
    found = likeness.bridged(signal)
    assert found[:20].tolist() == list(range(20))
    assert np.flatnonzero(np.isnan(found)).tolist() == [*range(20, 29), 39]


def test_ua() -> None:
    ua = np.concatenate([np.zeros(400), np.tile([10.0, 10.5], 200), np.full(200, 127.5)])
    found = likeness.ua_features(ua)
    assert found["UA step 0, share"] == pytest.approx((399 + 199) / 999)
    assert found["UA flat >= 60 s, share"] == pytest.approx(0.4)  # 50 s at the top are too short
    assert found["UA at 0, share"] == pytest.approx(0.4)
    assert found["UA at the top, share"] == pytest.approx(0.2)
    assert found["UA whole numbers, share"] == pytest.approx(1 / 3)
    assert found["UA step > 10, share"] == pytest.approx(1 / 999)  # from 10.5 to 127.5; from 0 to 10 is not more
    assert likeness.ua_features(np.repeat(np.arange(50.0), 2))["UA changes at every second sample only"] == 1


def test_contractions_rise_above_what_is_around_them() -> None:
    ua = flat(12, 300)
    ua[400:640] += 40
    row = structs.replace(NOTHING_FOUND, contractions=[Contraction(95.0, 130.0, 170.0)])
    assert likeness.heights(ua, row.contractions).tolist() == [40]
    found = likeness.event_features(Recording("x", flat(140, 300), ua), row)
    assert found["contraction length median, s"] == 75
    assert found["contractions, per 10 min"] == pytest.approx(2)
    assert math.isnan(found["deceleration depth median, bpm"])
    assert found["contractions with a deceleration, share"] == 0


def test_unconnected_ends_are_cut() -> None:
    fhr = np.array([NAN, NAN, 140, NAN, 141, NAN, NAN])
    ua = np.array([0, NAN, 0, NAN, 0, 3, 0])
    cut = likeness.trimmed(Recording("x", fhr, ua))
    np.testing.assert_array_equal(cut.fhr, [140, NAN, 141, NAN])
    assert cut.ua.tolist() == [0, 0, 0, 3]
    assert len(likeness.trimmed(Recording("x", fhr * NAN, ua * 0)).fhr) == 0


def noisy(count: int, level: float, size: float, seed: int) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    made = level + size * np.round(rng.standard_normal((count, 300 * HZ)) * rng.uniform(0.5, 2, (count, 1)) * 4) / 4
    made[: count // 3, :400] = NAN
    return np.array([list(likeness.fhr_features(fhr).values()) for fhr in made])


def test_classifiers_tell_what_differs_and_only_that() -> None:
    a, b, shifted = noisy(40, 140, 1, 1), noisy(40, 140, 1, 2), noisy(40, 140, 3, 3)
    names = list(likeness.fhr_features(flat(140, 60)))
    for name, classifier in bench.classifiers(1, TREES).items():
        same, other = (bench.tell(classifier, a, x, names, 1, name) for x in (b, shifted))
        assert 0.3 < same.auc < 0.7
        assert other.auc > 0.98
        assert len(other.telling) == bench.TELLING
        assert all(0 < weight < 1 for _, weight in other.telling)


def test_what_is_missing_tells_only_if_it_is_missing_on_one_side() -> None:
    rng = np.random.default_rng(4)
    a, b = rng.standard_normal((2, 60, 1))
    with_gaps = b.copy()
    with_gaps[::2] = NAN
    forest = bench.classifiers(1, TREES)[bench.FOREST]
    assert bench.tell(forest, a, with_gaps, ["x"], 1, "").auc > 0.65
    a[::2] = NAN
    assert 0.3 < bench.tell(forest, a, with_gaps, ["x"], 1, "").auc < 0.65


def test_distance_of_distributions() -> None:
    a, b = np.arange(100.0), np.arange(100.0) + 50
    assert bench.compared("x", a, b).ks == pytest.approx(0.5)
    assert bench.compared("x", np.append(a, NAN), a).ks == 0
    assert math.isnan(bench.compared("x", a, a * NAN).ks)
    assert bench.alone(np.concatenate([a, a + 100]), np.repeat([True, False], 100)) == 1
