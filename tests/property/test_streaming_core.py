"""What must hold for any signal: order of batches, cuts, checkpoints, shifts, gaps and neighbours change nothing."""

import os
from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, Input, Tick
from quietward.contracts.log import Event
from quietward.detect.core import engine
from quietward.detect.core.state.state import State
from quietward.simulator import bed as simulated
from quietward.simulator.scenario import load, names
from tests.traces import RULES

SECONDS = 900
T0 = 1_790_000_000
RELAXED = settings(
    max_examples=int(os.environ.get("QUIETWARD_EXAMPLES", "3")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.large_base_example, HealthCheck.data_too_large],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # shrinking a labour takes longer than reading the failure
)
"""Few examples in the gate; set QUIETWARD_EXAMPLES for a long run."""


@st.composite
def labours(draw: st.DrawFn, most_lost: int = 20) -> list[Block]:
    """A bed's blocks: a simulated labour in the middle of its course, with gaps of any kind cut into it."""
    scenario = load(draw(st.sampled_from(names())))
    seed = draw(st.integers(0, 10_000))
    labour = simulated.simulate(scenario, seed, 3000)
    start = draw(st.integers(0, 3000 - SECONDS))
    fhr = labour.fhr.reshape(-1, HZ)[start : start + SECONDS].copy()
    ua = labour.ua.reshape(-1, HZ)[start : start + SECONDS].copy()
    for _ in range(draw(st.integers(0, 6))):
        first, length = draw(st.integers(0, SECONDS)), draw(st.integers(1, 120))
        which = draw(st.sampled_from([fhr, ua]))
        which[first : first + length] = np.nan
    missing = {draw(st.integers(0, SECONDS - 1)) for _ in range(draw(st.integers(0, most_lost)))}
    return [
        Block("bed-1", "s", seq, (T0 + seq) * 1000, (T0 + seq) * 1000 + 5, _list(fhr[seq]), _list(ua[seq]))
        for seq in range(SECONDS)
        if seq not in missing
    ]


def _list(values: np.ndarray[Any, Any]) -> list[float | None]:
    return [None if np.isnan(x) else float(x) for x in values]


def work(
    inputs: list[Input], cuts: list[int] | None = None, checkpoint: bool = False, state: State | None = None
) -> list[Event]:
    """Run the core over inputs, in batches that end at `cuts`; through a checkpoint at every cut if asked for."""
    state = state or State(RULES)
    events: list[Event] = []
    bounds = [0, *sorted(cuts or []), len(inputs)]
    for a, b in pairwise(bounds):
        events += engine.step(state, inputs[a:b]).events
        if checkpoint:
            restored = State.from_bytes(state.to_bytes(), RULES)
            assert restored is not None
            state = restored
    return events


cuts = st.lists(st.integers(0, SECONDS), max_size=30)


@RELAXED
@given(labours(), cuts)
def test_where_batches_end_changes_nothing(blocks: list[Block], at: list[int]) -> None:
    assert work(list(blocks), at) == work(list(blocks), list(range(len(blocks))))


@RELAXED
@given(labours(), st.lists(st.integers(0, SECONDS), max_size=5))
def test_a_checkpoint_anywhere_changes_nothing(blocks: list[Block], at: list[int]) -> None:
    assert work(list(blocks), at, checkpoint=True) == work(list(blocks))


@RELAXED
@given(labours(), st.integers(-1_000_000, 1_000_000))
def test_shifting_time_by_whole_minutes_shifts_the_findings_and_nothing_else(blocks: list[Block], minutes: int) -> None:
    state = State(RULES)
    plain = work(list(blocks), state=state)
    for by in (minutes * 60_000, -(T0 // 60) * 60_000):  # the second: to the first minute of all, as recordings begin
        moved: list[Input] = [
            Block(b.bed, b.session, b.seq, b.t + by, b.at + by, b.fhr, b.ua, b.mhr, b.stage) for b in blocks
        ]
        other = State(RULES)
        found = [(e.id, e.kind, e.text, e.t) for e in work(moved, state=other)]
        assert found == [(e.id, e.kind, e.text, e.t + by) for e in plain]
        np.testing.assert_array_equal(other.findings.values, state.findings.values)


@RELAXED
@given(labours(), st.integers(1, 7), st.randoms(use_true_random=False))
def test_neighbours_change_nothing(blocks: list[Block], neighbours: int, random: Any) -> None:
    """A bed by itself gives what it gives among others, whose seconds come in any order between its own."""
    others = [
        Block(f"other-{n}", "o", b.seq, b.t, b.at, b.fhr[::-1], b.ua, b.mhr, b.stage)
        for n in range(neighbours)
        for b in blocks[: 300 * n]
    ]
    mixed: list[Input] = []
    own, rest = iter(blocks), iter(others)
    left_own, left_rest = len(blocks), len(others)
    while left_own or left_rest:
        if random.random() < left_own / (left_own + left_rest):
            mixed.append(next(own))
            left_own -= 1
        else:
            mixed.append(next(rest))
            left_rest -= 1
    assert [e for e in work(mixed) if e.bed == "bed-1"] == work(list(blocks))


@RELAXED
@given(labours(), st.lists(st.integers(0, SECONDS - 1), max_size=40))
def test_repeated_seconds_change_nothing(blocks: list[Block], again: list[int]) -> None:
    repeated: list[Input] = []
    for i, block in enumerate(blocks):
        repeated.append(block)
        repeated += [blocks[max(0, i - 3)] for j in again if j == i]
    assert work(repeated) == work(list(blocks))


@RELAXED
@given(labours(most_lost=0), st.randoms(use_true_random=False))
def test_the_order_of_late_seconds_does_not_matter(blocks: list[Block], random: Any) -> None:
    """Each second comes up to two places late; what follows it waits."""
    late = [0, *(random.choice([0, 0, 0, 1, 2]) for _ in blocks[1:])]
    order = sorted(range(len(blocks)), key=lambda i: (i + late[i], -i))
    assert work([blocks[i] for i in order]) == work(list(blocks))


@RELAXED
@given(st.lists(st.one_of(st.none(), st.floats(20, 300)), min_size=4, max_size=400))
def test_any_numbers_and_gaps_are_survived_and_give_no_nan(values: list[float | None]) -> None:
    whole = (values * 30)[: 1200 * HZ]
    blocks: list[Input] = [
        Block("b", "s", i, (T0 + i) * 1000, (T0 + i) * 1000, whole[i * HZ : i * HZ + HZ], [None] * HZ)
        for i in range(len(whole) // HZ)
    ]
    blocks.append(Tick((T0 + len(whole)) * 1000))
    for event in work(blocks):
        numbers = [x for x in event.detail.values() if isinstance(x, float)]
        assert all(np.isfinite(numbers)), event


@RELAXED
@given(labours(), labours())
def test_as_good_as_new_once_a_long_gap_is_over(blocks: list[Block], earlier: list[Block]) -> None:
    """After a gap as long as the longest window nothing of what was before it is left in the findings.

    Flags and what is noted go on, and a signal that was lost before the gap is said to be back.
    """
    back = (int(RULES.reading.signal.forget_after_s) + 1 + SECONDS) * 1000
    before = [Block("bed-1", "old", b.seq, b.t - back, b.at - back, b.fhr, b.ua) for b in earlier]
    first_ms = blocks[0].t

    def found(inputs: list[Input]) -> list[tuple[str, int, str]]:
        return [
            (e.kind, e.t, e.text) for e in work(inputs) if e.t >= first_ms and not e.kind.startswith(("flag", "noted"))
        ]

    again, alone = found([*before, *blocks]), found(list(blocks))
    if len(again) > len(alone):  # that what was lost is back is said once
        back = next(i for i, event in enumerate(again) if event[0] == "signal")
        assert again[back][2].startswith("signal is back"), again[back]
        del again[back]
    assert again == alone


def test_the_generator_makes_every_kind_of_event() -> None:
    """A test of the tests: what is never generated is never checked."""
    seen = set()
    for seed, name in ((1, "lively"), (3, "cord-not-recovering")):
        labour = simulated.simulate(load(name), seed, 5400)
        fhr, ua = labour.fhr.reshape(-1, HZ), labour.ua.reshape(-1, HZ)
        blocks: list[Input] = [
            Block("b", "s", i, (T0 + i) * 1000, (T0 + i) * 1000, _list(fhr[i]), _list(ua[i])) for i in range(5400)
        ]
        seen |= {e.kind for e in work(blocks)}
    assert seen >= {"contraction", "acceleration", "deceleration", "minute", "flag-raised", "flag-escalated"}
