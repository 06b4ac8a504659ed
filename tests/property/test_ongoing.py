"""What is said of a deceleration while it goes on, for any signal; and contractions, which are one at a time."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block
from quietward.contracts.log import Event
from quietward.detect.assess import assess
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.state import State
from quietward.recordings.recording import Recording
from tests.property.test_oracle import SECONDS as TRACE_S
from tests.property.test_oracle import Trace, rates, tocos
from tests.property.test_streaming_core import RELAXED, T0
from tests.traces import RULES, bell, flat, put, ripple, run

ENDINGS = ("deceleration", "withdrawn", "baseline-change")


def blocks_of(fhr: Trace, ua: Trace) -> list[Block]:
    def values(trace: Trace, second: int) -> list[float | None]:
        return [None if np.isnan(x) else float(x) for x in trace[second * HZ : (second + 1) * HZ]]

    return [
        Block("b", "s", i, (T0 + i) * 1000, (T0 + i) * 1000, values(fhr, i), values(ua, i))
        for i in range(len(fhr) // HZ)
    ]


@RELAXED
@given(rates(), tocos(), st.integers(60, TRACE_S - 60))
def test_the_kind_changes_once_at_most_and_the_end_is_said(fhr: Trace, ua: Trace, anew_at: int) -> None:
    """Also where the device begins anew in the middle of one, after more than any gap that is filled."""
    blocks = blocks_of(fhr, ua)
    later = int(RULES.reading.signal.forget_after_s) * 1000 + 60_000
    blocks[anew_at:] = [Block("b", "t", i, b.t + later, b.at + later, b.fhr, b.ua)
                        for i, b in enumerate(blocks[anew_at:])]  # fmt: skip
    state, began, kinds = State(RULES), None, list[dict[str, str]]()
    for block in blocks:
        output = engine.step(state, [block])
        running = summaries.of(state, output)[-1].running
        begins = None if running is None else block.t + 1000 - 1000 * running.length_s
        if begins != began:
            for rules in RULES.rule_sets:
                said = [k[rules.name] for k in kinds if rules.name in k]
                changes = [(a, b) for a, b in pairwise(said) if a != b]
                assert len(changes) <= 1
                assert all(b == "prolonged" for _, b in changes)
            if began is not None:
                assert any(e.kind in ENDINGS for e in output.events)
            began, kinds = begins, []
        if running is not None:
            assert running.depth_bpm >= RULES.reading.notable.deceleration_bpm
            kinds.append(running.kinds)


@RELAXED
@given(rates(), tocos())
def test_contractions_never_overlap(fhr: Trace, ua: Trace) -> None:
    (found,) = assess([Recording("x", fhr, ua)], RULES, "figo-2015")
    for one in found.contractions:
        assert one.onset_s < one.peak_s < one.end_s
    for one, following in pairwise(found.contractions):
        assert one.end_s <= following.onset_s


def test_contractions_that_follow_at_once_do_not_overlap() -> None:
    ua = flat(10, 1200)
    for at in range(60, 1100, 62):
        ua = put(ua, at, bell(50, 60)) + ripple(1200, 0.5, 3)
    (found,) = assess([Recording("x", flat(140, 1200), ua)], RULES, "figo-2015")
    assert len(found.contractions) >= 10
    assert all(one.end_s <= following.onset_s for one, following in pairwise(found.contractions))


def withdrawn(fhr: Trace) -> list[Event]:
    return [e for e in run(fhr, flat(10, len(fhr) / HZ)).events if e.kind == "withdrawn"]


def test_what_was_said_and_is_no_deceleration_is_withdrawn() -> None:
    """A new level after three minutes, which the baseline follows within the next ones; assess counts it."""
    fhr = np.concatenate([flat(140, 180), flat(123, 900)]) + ripple(1080, 6)
    (event,) = withdrawn(fhr)
    assert event.text == "no deceleration after all: the baseline has moved there"
    (found,) = assess([Recording("x", fhr, flat(10, 1080))], RULES, "figo-2015")
    (one,) = found.withdrawn
    assert (one.t_s, one.reason) == (event.t // 1000, event.detail["reason"])
    assert one.onset_s == pytest.approx(180, abs=1)
    assert one.onset_s + 120 < one.end_s <= one.t_s + 1
    assert one.depth_bpm == pytest.approx(20, abs=1)
    assert found.decelerations == []


@pytest.mark.parametrize("depth_bpm", [14, 30])
def test_what_was_never_said_or_is_one_is_not(depth_bpm: float) -> None:
    assert withdrawn(put(flat(140, 900) + ripple(900, 6), 600, bell(-depth_bpm, 60))) == []
