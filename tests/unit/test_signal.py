"""What is used of a raw signal, what is not, and what is said of it."""

import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.contracts.summary import SignalState, Summary
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.state import State
from tests.traces import RULES, flat, put, ramp, ripple, run

LEVEL = 144.0


def trace(seconds: float = 900) -> np.ndarray:
    return flat(LEVEL, seconds) + ripple(seconds, 8)


def with_run(value: float, at_s: float, length_s: float, gap_s: float = 0) -> np.ndarray:
    """A run at another value, with gaps before and after it if asked for."""
    fhr = trace()
    fhr[round((at_s - gap_s) * HZ) : round((at_s + length_s + gap_s) * HZ)] = np.nan
    fhr[round(at_s * HZ) : round((at_s + length_s) * HZ)] = value
    return fhr


@pytest.mark.parametrize(("value", "what"), [(72, "half rate"), (236, "double rate")])
def test_runs_at_half_and_double_rate_are_said_and_not_used(value: float, what: str) -> None:
    """Half of 144 is 72; double is beyond what is shown, so a slow heart is doubled here."""
    fhr = with_run(value, 500, 6) if what == "half rate" else with_run(value, 500, 6) - LEVEL + 118
    fhr = np.where(fhr > 200, value, fhr) if what == "double rate" else fhr
    found = run(fhr)
    (mark,) = found.of("signal-mark")
    assert (mark.detail["what"], mark.detail["onset_s"], mark.detail["end_s"]) == (what, 500.0, 506.0)
    assert found.of("deceleration") == found.of("acceleration") == []


def test_a_run_at_half_rate_that_lasts_is_taken_as_real_in_the_end() -> None:
    """No false calm: after half a minute it is a fall, whatever it looks like."""
    found = run(with_run(72, 500, 120))
    (fall,) = found.of("deceleration")
    assert float(str(fall.detail["depth_bpm"])) > 60


@pytest.mark.parametrize("length_s", [0.25, 1.0, 1.75])
def test_spikes_are_neither_accelerations_nor_decelerations(length_s: float) -> None:
    found = run(with_run(190, 500, length_s))
    assert found.of("acceleration") == found.of("deceleration") == []
    assert found.measure("variability_bpm") == 8


def test_a_piece_after_a_gap_that_fits_nothing_is_doubted() -> None:
    """Open data: such pieces are artefacts or the mother's pulse; a few seconds of them are no deceleration."""
    assert run(with_run(95, 500, 3.5, gap_s=5)).of("deceleration") == []
    assert run(with_run(95, 500, 20, gap_s=5)).of("deceleration") == []
    assert len(run(with_run(95, 500, 40, gap_s=5)).of("deceleration")) == 1, "but forty seconds are not hidden"


def test_no_heart_accelerates_by_seventy_beats_from_one_sample_to_the_next() -> None:
    assert run(with_run(215, 500, 20, gap_s=3)).of("acceleration") == []


def test_no_deceleration_is_invented_by_a_gap() -> None:
    fhr = put(trace(), 500, ramp(-9, 20, 5, 20))
    fhr[505 * HZ : 540 * HZ] = np.nan
    assert run(fhr).of("deceleration") == []


def summary_after(fhr: np.ndarray, ua: float = 10.0, mhr_bpm: float = np.nan) -> Summary:
    state = State(RULES, ["b"], ["s"])
    for second in range(len(fhr) // HZ):
        part = fhr[second * HZ : (second + 1) * HZ, None]
        ua_part = np.full((HZ, 1), ua) + (5 * np.sin(second / 20) if ua == 10.0 else 0)
        engine.advance(state, np.array([0]), np.array([second]), part, ua_part, np.array([mhr_bpm]), [])
    state.clock.second[0] = len(fhr) // HZ - 1
    (found,) = summaries.of(state, Output(updated={0}))
    return found


def test_a_lasting_jump_is_a_poor_signal_until_it_is_back() -> None:
    """Without a maternal channel a jump from one sample to the next that stays may be the mother's pulse."""
    assert summary_after(trace()).signal is SignalState.GOOD
    jumped = summary_after(with_run(90, 800, 100))
    assert jumped.signal is SignalState.POOR
    assert "mother's pulse" in jumped.signal_reason
    assert summary_after(with_run(90, 700, 100)).signal is SignalState.GOOD


def test_the_mothers_pulse_in_place_of_the_fetus_is_said() -> None:
    """Pinto 2015: within 5 bpm of the maternal rate is ambiguous."""
    found = summary_after(flat(92, 400) + ripple(400, 6), mhr_bpm=90.0)
    assert found.signal is SignalState.POOR
    assert found.signal_reason == "may be the mother's pulse"


def test_a_dead_toco_is_said() -> None:
    assert summary_after(trace(), ua=0.0).signal_reason == "the uterine activity is flat"
    assert summary_after(trace(), ua=127.0).signal_reason == "the uterine activity is flat"
    assert summary_after(trace()).signal_reason == ""
