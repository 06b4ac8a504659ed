"""A rate that may not be the fetus's own is doubted within a minute; a trace without FHR is said to be nothing."""

import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.contracts.summary import SignalState
from quietward.detect.assess import assess
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.state import State
from quietward.recordings.recording import Recording
from tests.abnormalities import wave
from tests.property.test_ongoing import blocks_of
from tests.traces import RULES, Signal, bell, flat, put, ramp, ripple
from tests.unit.test_after_gaps import calm

AT_S, LONG_S = 900, 300


def states(fhr: Signal, ua: Signal) -> list[tuple[SignalState, str]]:
    """Return the signal's state after every second."""
    state = State(RULES)
    found = []
    for block in blocks_of(fhr, ua):
        summary = summaries.of(state, engine.step(state, [block]))[-1]
        found.append((summary.signal, summary.signal_reason))
    return found


@pytest.mark.parametrize("gap_s", [0, 1, 5, 20])
def test_a_halved_tachycardia_is_doubted_within_a_minute(gap_s: int) -> None:
    """A true rate of 180 of which every second beat is missed, at once or after a gap: no baseline of 90."""
    fhr = flat(180, AT_S + LONG_S) + ripple(AT_S + LONG_S, 6)
    fhr[AT_S * HZ :] /= 2
    fhr[AT_S * HZ : (AT_S + gap_s) * HZ] = np.nan
    found = states(fhr, flat(10, AT_S + LONG_S))
    assert {state for state, _ in found[60:AT_S]} == {SignalState.GOOD}
    assert {state for state, _ in found[AT_S + gap_s + 40 : AT_S + LONG_S]} == {SignalState.POOR}


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("gap_s", [0, 3, 20])
def test_the_mothers_pulse_is_doubted_within_a_minute(gap_s: int, seed: int) -> None:
    """120 is shown where the fetus is at 140, at once or after a gap, with no pulse on the wire; until it is back."""
    random = np.random.default_rng(seed)
    fhr = calm(random, AT_S + LONG_S + 60)
    fhr[AT_S * HZ : (AT_S + LONG_S) * HZ] = (120 + 5 * wave(random, LONG_S))[: LONG_S * HZ]
    fhr[AT_S * HZ : (AT_S + gap_s) * HZ] = np.nan
    found = [state for state, _ in states(fhr, flat(10, AT_S + LONG_S + 60))]
    assert set(found[AT_S + gap_s + 60 : AT_S + LONG_S]) == {SignalState.POOR}
    assert found[-1] == SignalState.GOOD


@pytest.mark.parametrize("gap_s", [0, 3, 20])
def test_a_doubled_rate_over_a_fall_is_doubted_within_a_minute(gap_s: int) -> None:
    """The rate has gone down to 70, and is shown as 140 from there on."""
    fhr = put(calm(np.random.default_rng(gap_s), AT_S + LONG_S), AT_S - 40, ramp(-70, 20, LONG_S, 20))
    fhr[AT_S * HZ :] *= 2
    fhr[AT_S * HZ : (AT_S + gap_s) * HZ] = np.nan
    found = [state for state, _ in states(fhr, flat(10, AT_S + LONG_S))]
    assert set(found[AT_S + gap_s + 60 :]) == {SignalState.POOR}


@pytest.mark.parametrize("gap_s", [0, 5])
@pytest.mark.parametrize(
    "true",
    [
        pytest.param(ramp(-50, 4, 20, 15), id="abrupt fall"),
        pytest.param(ramp(-40, 8, 170, 20), id="prolonged fall"),
        pytest.param(ramp(-70, 10, 120, 20), id="fall to half"),
        pytest.param(ramp(25, 4, 30, 10), id="rise"),
        pytest.param(ramp(25, 60, 240, 0), id="tachycardia"),
        pytest.param(bell(-30, 80), id="gradual fall"),
    ],
)
def test_what_the_heart_does_is_not_doubted(true: Signal, gap_s: int) -> None:
    """Seen in whole, or with a gap at its beginning."""
    fhr = put(calm(np.random.default_rng(gap_s), AT_S + LONG_S), AT_S, true)
    fhr[AT_S * HZ : (AT_S + gap_s) * HZ] = np.nan
    reasons = {reason for _, reason in states(fhr, flat(10, AT_S + LONG_S))}
    assert not any("jumped" in reason for reason in reasons)


def test_a_fall_to_half_the_rate_is_not_doubted() -> None:
    """What goes down by itself is a fall, however deep."""
    fhr = put(flat(140, 1200) + ripple(1200, 6), 900, bell(-68, 120))
    assert {state for state, _ in states(fhr, flat(10, 1200))[60:]} == {SignalState.GOOD}


def test_without_fhr_there_is_no_class_and_no_concern() -> None:
    """However much the toco says, in an assessment as at a bed."""
    seconds = 2400
    ua = flat(10, seconds)
    for at in range(60, seconds - 80, 150):
        ua = put(ua, at, bell(50, 60))
    (found,) = assess([Recording("x", np.full(seconds * HZ, np.nan), ua)], RULES, "figo-2015")
    assert found.assessments == []
    assert len(found.not_assessed) == seconds // 60
    assert {one.concern for one in found.not_assessed} == {None}
    assert {rank for one in found.not_assessed for rank in one.classes.values()} == {None}
    state = State(RULES)
    for block in blocks_of(np.full(seconds * HZ, np.nan), ua):
        said = summaries.of(state, engine.step(state, [block]))[-1]
        assert said.concern is None
        assert {one.rank for one in said.classes} == {0}
