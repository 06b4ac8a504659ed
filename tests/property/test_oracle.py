"""The array engine against a plain reader of one bed, on any trace that hypothesis can think of."""

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.messages import HZ, Event
from quietward.detect.core import engine
from quietward.detect.core.patterns.excursions import DOWN
from quietward.detect.core.state.state import State
from tests.oracle import PlainBed
from tests.property.test_streaming_core import RELAXED
from tests.traces import RULES, bell, flat, put, ripple

SECONDS = 1500


@st.composite
def traces(draw: st.DrawFn) -> np.ndarray:
    """A level with variability, falls and rises of any size, a new level, and gaps; no jumps from sample to sample."""
    trace = flat(draw(st.integers(115, 160)), SECONDS) + ripple(
        SECONDS, draw(st.integers(0, 24)), draw(st.integers(6, 20))
    )
    for _ in range(draw(st.integers(0, 14))):
        size, length = draw(st.integers(-60, 40)), draw(st.integers(12, 300))
        trace = put(trace, draw(st.integers(0, SECONDS - length - 1)), bell(size, length))
    step_at = draw(st.integers(0, SECONDS - 1)) * HZ
    trace[step_at:] += np.minimum(np.arange(len(trace) - step_at) / 40, draw(st.integers(0, 25)))
    for _ in range(draw(st.integers(0, 6))):
        first = draw(st.integers(0, len(trace) - 1))
        trace[first : first + draw(st.integers(1, 800))] = np.nan
    return np.clip(np.round(trace * 4) / 4, 35, 235)


@RELAXED
@given(traces(), st.integers(1, 4))
def test_arrays_and_loops_find_the_same(trace: np.ndarray, beds: int) -> None:
    """Every baseline at every second, every named departure to the sample; beside neighbours that are shifted."""
    plain = PlainBed()
    state = State(RULES, [f"b{i}" for i in range(beds)], [""] * beds)
    side_by_side = np.stack([np.roll(trace, 97 * i) for i in range(beds)], axis=-1)
    lanes, nothing = np.arange(beds), np.full(beds, np.nan)
    quiet = np.full((HZ, beds), 10.0)
    events: list[Event] = []
    for second in range(SECONDS):
        part = slice(second * HZ, (second + 1) * HZ)
        engine.advance(state, lanes, np.full(beds, second), side_by_side[part], quiet, nothing, events)
        plain.second(second, trace[part].tolist())
        assert same(plain.baseline, float(state.present.baseline.bpm[0])), second
        assert same(plain.reference, float(state.present.baseline.reference_bpm[0])), second
        assert same(plain.variability, float(state.variability.bpm[0])), second
    own = [e for e in events if e.bed == "b0"]
    falls = [(e.detail["onset_s"], e.detail["end_s"]) for e in own if e.kind == "deceleration"]
    named = {(onset / HZ, end / HZ) for row, onset, end, _ in plain.found if row == DOWN}
    assert set(falls) <= named
    rises = [(e.detail["onset_s"], e.detail["end_s"]) for e in own if e.kind == "acceleration"]
    assert set(rises) <= {(onset / HZ, end / HZ) for row, onset, end, _ in plain.found if row != DOWN}


def same(a: float, b: float) -> bool:
    return (math.isnan(a) and math.isnan(b)) or abs(a - b) < 1e-6
