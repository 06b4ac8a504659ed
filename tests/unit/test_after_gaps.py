"""What is first seen after a gap: pieces at half rate or at the mother's are no deceleration, true falls are found."""

import numpy as np
import pytest

from quietward.contracts.fields import HZ
from tests.abnormalities import wave
from tests.traces import Signal, bell, flat, put, ramp, run

SECONDS = 1800
LEVEL_BPM = 140
SEEDS = range(8)


def calm(random: np.random.Generator, seconds: float = SECONDS, variability_bpm: float = 10) -> Signal:
    """A level with variability, in steps of a quarter."""
    return np.asarray(np.round((flat(LEVEL_BPM, seconds) + variability_bpm * wave(random, seconds)) * 4) / 4)


def with_pieces(seed: int) -> Signal:
    """Every two minutes or so a gap, and after it a piece of 5 to 30 s at half rate or at the mother's; then either
    another gap or the true rate at once.
    """
    random = np.random.default_rng(seed)
    fhr, at = calm(random), 300
    while at < SECONDS - 120:
        gap_s, piece_s = int(random.integers(3, 30)), int(random.integers(5, 31))
        begins, ends = at + gap_s, at + gap_s + piece_s
        fhr[at * HZ : begins * HZ] = np.nan
        piece = slice(begins * HZ, ends * HZ)
        mothers = random.uniform(70, 95) + 4 * wave(random, SECONDS)
        fhr[piece] = np.where(random.random() < 0.5, fhr[piece] / 2, mothers[piece])
        if random.random() < 0.5:
            fhr[ends * HZ : (ends + random.integers(1, 10)) * HZ] = np.nan
        at = ends + int(random.integers(60, 150))
    return fhr


@pytest.mark.parametrize("seed", SEEDS)
def test_pieces_at_half_rate_or_the_mothers_are_no_decelerations(seed: int) -> None:
    found = run(with_pieces(seed))
    assert [e.text for e in found.of("deceleration")] == []
    assert np.isclose(found.measure("low_fhr_share_30min"), 0)


@pytest.mark.parametrize("gap_s", [3, 8, 20])
@pytest.mark.parametrize(
    "fall",
    [
        pytest.param(ramp(-40, 8, 30, 15), id="variable, 40 bpm"),
        pytest.param(ramp(-70, 5, 40, 30), id="to half of what it was"),
        pytest.param(bell(-45, 90), id="gradual"),
        pytest.param(ramp(-55, 2, 170, 20), id="prolonged"),
    ],
)
def test_a_true_fall_that_is_first_seen_after_a_gap_is_found(fall: Signal, gap_s: int) -> None:
    """The gap hides the beginning of the way down; what was held back while in doubt counts once it is believed."""
    random = np.random.default_rng(gap_s)
    fhr = put(calm(random), 600, fall)
    fhr[598 * HZ : (600 + gap_s) * HZ] = np.nan
    found = run(fhr).of("deceleration")
    assert len(found) == 1
    seen_bpm = LEVEL_BPM - np.nanmin(fhr[590 * HZ : 900 * HZ])
    assert found[0].detail["depth_bpm"] == pytest.approx(seen_bpm, abs=15)
    assert 590 <= float(str(found[0].detail["onset_s"])) <= 600 + gap_s + 1
    assert found[0].detail["end_s"] == pytest.approx(600 + len(fall) / HZ, abs=15)


def test_half_a_rate_that_was_believed_does_not_hide_the_fall_behind_it() -> None:
    """A fall to 100, of which 40 s after a gap are seen at half, and the rest as it is."""
    random = np.random.default_rng(1)
    fhr = put(calm(random), 600, ramp(-40, 10, 200, 10))
    fhr[630 * HZ : 635 * HZ] = np.nan
    fhr[635 * HZ : 675 * HZ] /= 2
    found = run(fhr)
    seen = [second for second in range(680, 800) if found.measure_at(second, "running_s") > 0]
    assert len(seen) == 120
    assert found.measure_at(799, "fhr_usable_1min") == 1


def test_half_a_rate_within_a_fall_does_not_make_it_deeper() -> None:
    random = np.random.default_rng(2)
    fhr = put(calm(random), 600, ramp(-40, 10, 160, 10))
    fhr[650 * HZ : 652 * HZ] = np.nan
    fhr[652 * HZ : 662 * HZ] /= 2
    (found,) = run(fhr).of("deceleration")
    assert found.detail["depth_bpm"] == pytest.approx(40, abs=15)
    assert found.detail["end_s"] == pytest.approx(780, abs=10)
