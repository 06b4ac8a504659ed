"""The second look at an ended excursion: drawn-out flanks, rounded and flat bottoms, and what cannot be told."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.fields import HZ
from quietward.detect.core.patterns.excursions import DOWN, Excursion
from tests.compiled import refine
from tests.traces import RULES, Signal, bell, flat, put, ramp

SHAPE = RULES.reading.flanks
AT_S = 40


def seen(onset: int, end: int) -> Excursion:
    return Excursion(0, DOWN, end, onset, onset, onset, end, 30.0, 0.0, 1.0, False, False, True)


def height(piece: Signal) -> Signal:
    return put(flat(0, AT_S + len(piece) / HZ + 40), AT_S, piece)


def test_a_rounded_fall_seen_late_is_drawn_out_to_its_beginning() -> None:
    """A cosine of 80 s, of which the machine has seen the part between 10 and 70 s."""
    x = refine(seen((AT_S + 10) * HZ, (AT_S + 70) * HZ), 0, height(bell(30, 80)), SHAPE)
    assert x.onset / HZ == pytest.approx(AT_S, abs=5)
    assert x.peak_at / HZ == pytest.approx(AT_S + 40, abs=1)
    assert x.end / HZ == pytest.approx(AT_S + 80, abs=5)
    assert not x.exact


def test_the_extreme_of_a_flat_bottom_is_its_beginning() -> None:
    x = refine(seen((AT_S + 3) * HZ, (AT_S + 75) * HZ), 0, height(ramp(40, 10, 60, 10)), SHAPE)
    assert x.peak_at / HZ == pytest.approx(AT_S + 10, abs=4)


def test_onset_and_end_do_not_move_far() -> None:
    narrow = seen((AT_S + 30) * HZ, (AT_S + 50) * HZ)
    x = refine(narrow, 0, height(bell(30, 80)), SHAPE)
    drawn_out = SHAPE.extend_share * (narrow.end - narrow.onset)
    room = drawn_out + SHAPE.extend_share * (narrow.end - narrow.onset + 2 * drawn_out)
    assert narrow.onset - room - HZ <= x.onset <= narrow.onset
    assert narrow.end <= x.end <= narrow.end + room + HZ


def test_a_fall_that_was_seen_too_early_begins_where_it_does() -> None:
    """The FHR had been just below its reference for 15 s: the fall is steep all the same."""
    early = put(height(ramp(40, 10, 5, 20)), AT_S - 15, np.full(15 * HZ, 3.0))
    x = refine(seen((AT_S - 15) * HZ, (AT_S + 34) * HZ), 0, early, SHAPE)
    assert x.onset / HZ == pytest.approx(AT_S, abs=2)
    assert x.peak_at / HZ == pytest.approx(AT_S + 12, abs=3)


def test_what_is_there_between_gaps_is_enough() -> None:
    """A cosine of 80 s of which every second piece of 8 s is missing."""
    trace = height(bell(30, 80))
    for at in range(0, len(trace), 16 * HZ):
        trace[at : at + 8 * HZ] = np.nan
    x = refine(seen((AT_S + 10) * HZ, (AT_S + 70) * HZ), 0, trace, SHAPE)
    assert x.onset / HZ == pytest.approx(AT_S, abs=5)
    assert x.peak_at / HZ == pytest.approx(AT_S + 40, abs=4)


def test_what_has_left_the_window_stays_as_it_was() -> None:
    x = seen(10, 200)
    assert refine(x, 20, flat(20, 60), SHAPE) == x
    assert refine(x, 0, np.full(240, np.nan), SHAPE) == x


@given(
    st.lists(st.one_of(st.just(np.nan), st.floats(-40, 60)), min_size=40, max_size=400),
    st.integers(0, 30),
    st.integers(1, 400),
)
def test_any_samples_are_survived(values: list[float], begin: int, length: int) -> None:
    end = min(len(values), begin + length)
    x = refine(seen(begin, end), 0, np.array(values), SHAPE)
    assert 0 <= x.onset <= x.end <= len(values)
    assert x.onset <= x.peak_at < x.end
