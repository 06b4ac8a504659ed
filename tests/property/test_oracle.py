"""The array engine against a plain reader of one bed, on any trace that hypothesis can think of.

Every number is compared in both directions: baseline, resting tone and variability at every second, every named event
with all that is said of it, every measure at many evaluations. Events are the same to the sample. Sums that are added
up in another order may differ in the last bits (1e-6 here), measures by `WITHIN`: there the engine keeps depths, areas
and the minutes' baselines in such steps.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.detect.core import engine
from quietward.detect.core.measures.findings import MEASURES, values_of
from quietward.detect.core.state.state import State
from tests.oracle import PlainBed
from tests.property.test_streaming_core import RELAXED
from tests.reference_measures import WITHIN, all_of, same
from tests.traces import RULES, bell, flat, put, ripple

SECONDS = 1500
MOST = 48
"""No more events of one kind are kept."""
Trace = np.ndarray[Any, Any]


@st.composite
def rates(draw: st.DrawFn) -> Trace:
    """A level with variability, falls and rises of any size, a new level, jumps to other rates, and gaps."""
    trace = flat(draw(st.integers(115, 160)), SECONDS) + ripple(
        SECONDS, draw(st.integers(0, 24)), draw(st.integers(6, 20))
    )
    for _ in range(draw(st.integers(0, 14))):
        size, length = draw(st.integers(-60, 40)), draw(st.integers(12, 300))
        trace = put(trace, draw(st.integers(0, SECONDS - length - 1)), bell(size, length))
    step_at = draw(st.integers(0, SECONDS - 1)) * HZ
    trace[step_at:] += np.minimum(np.arange(len(trace) - step_at) / 40, draw(st.integers(0, 25)))
    for _ in range(draw(st.integers(0, 4))):
        first = draw(st.integers(0, len(trace) - 1))
        trace[first : first + draw(st.integers(1, 200))] *= draw(st.sampled_from([0.5, 0.6, 0.75, 1.4, 2.0]))
    for _ in range(draw(st.integers(0, 6))):
        first = draw(st.integers(0, len(trace) - 1))
        trace[first : first + draw(st.integers(1, 800))] = np.nan
    return np.clip(np.round(trace * 4) / 4, 20, 250)


@st.composite
def tocos(draw: st.DrawFn) -> Trace:
    """A resting tone that may move, contractions of any size, and gaps."""
    trace = flat(draw(st.integers(1, 20)), SECONDS) + ripple(SECONDS, draw(st.integers(0, 3)), draw(st.integers(3, 20)))
    at, step = draw(st.integers(0, 200)), draw(st.integers(60, 300))
    size, length = draw(st.integers(0, 60)), draw(st.integers(20, 120))
    while at + length < SECONDS:
        trace = put(trace, at, bell(size, length))
        at += step
    moved_at = draw(st.integers(0, len(trace) - 1))
    trace[moved_at:] += draw(st.integers(-10, 20))
    for _ in range(draw(st.integers(0, 3))):
        first = draw(st.integers(0, len(trace) - 1))
        trace[first : first + draw(st.integers(1, 800))] = np.nan
    return np.clip(np.round(trace * 2) / 2, 0, 127)


@RELAXED
@given(rates(), tocos(), st.integers(60, 150), st.sampled_from([0, 30, 31, 32, 40]), st.integers(1, 4))
def test_arrays_and_loops_find_the_same(fhr: Trace, ua: Trace, mhr: int, weeks: int, beds: int) -> None:
    """Beside neighbours that are shifted, a bed's findings are those of the plain reader, no more and no less."""
    plain = PlainBed()
    state = State(RULES, [f"b{i}" for i in range(beds)], [""] * beds)
    rate, toco = (np.stack([np.roll(trace, 97 * i) for i in range(beds)], axis=-1) for trace in (fhr, ua))
    every_bed, every, pulse = np.arange(beds), np.ones(beds, dtype=np.int64), np.full(beds, float(mhr))
    events: list[Event] = []
    for second in range(SECONDS):
        part, stage = slice(second * HZ, (second + 1) * HZ), 1 + (second >= SECONDS // 2)
        engine.advance(
            state, every_bed, every * second, rate[part], toco[part], pulse, events, every * stage,
            every * weeks,
        )  # fmt: skip
        is_evaluated = plain.second(fhr[part].tolist(), ua[part].tolist(), mhr, stage, weeks)
        assert same(plain.baseline, float(state.baseline.bpm[0]), 1e-6), second
        assert same(plain.reference, float(state.baseline.reference_bpm[0]), 1e-6), second
        assert same(plain.variability, float(state.variability.bpm[0]), 1e-6), second
        assert same(plain.rest, float(state.all.tone.rest[0]), 1e-6), second
        if is_evaluated and second % 7 == 0 and most_found(plain) <= MOST:
            compare_measures(plain, state, second)
    assert_same_events(plain, [e for e in events if e.bed == "b0"])


def most_found(plain: PlainBed) -> int:
    return max(len(plain.falls), len(plain.rises), len(plain.contractions))


def compare_measures(plain: PlainBed, state: State, second: int) -> None:
    one = np.array([0])
    for s, rules in enumerate(RULES.rule_sets):
        (found,) = values_of(state.findings, s, one)
        expected = all_of(plain, rules)
        for name in MEASURES:
            assert same(found[name], expected[name], WITHIN), (name, rules.name, second)


def assert_same_events(plain: PlainBed, events: list[Event]) -> None:
    """Onset, extreme and end to the sample, kinds by rule set, heights and areas."""

    def said(kind: str, *keys: str) -> list[tuple[object, ...]]:
        names = [key for key in keys if key != "kinds"] + [f"kind {r.name}" for r in RULES.rule_sets if "kinds" in keys]
        return [tuple(rounded(e.detail[name] for name in names)) for e in events if e.kind == kind]

    def kinds(x: dict[str, str]) -> tuple[str, ...]:
        return tuple(x[r.name] for r in RULES.rule_sets)

    assert said("deceleration", "onset_s", "end_s", "depth_bpm", "area_bpm_s", "kinds") == [
        (*rounded([x.onset / HZ, x.end / HZ, x.depth, x.area]), *kinds(x.kinds)) for x in plain.falls
    ]
    assert said("acceleration", "onset_s", "end_s", "kinds") == [
        (x.onset / HZ, x.end / HZ, *kinds(x.kinds)) for x in plain.rises
    ]
    assert said("contraction", "onset_s", "peak_s", "end_s") == [
        (x.onset / HZ, x.peak / HZ, x.end / HZ) for x in plain.contractions
    ]


def rounded(values: Iterable[object]) -> list[object]:
    return [round(x, 6) if isinstance(x, float) else x for x in values]
