"""The first of twins is read as a single fetus would be; and however the input is cut, both say the same."""

from typing import Any

import msgspec
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, Input, Tick
from quietward.contracts.log import Event
from quietward.simulator import bed as simulated
from quietward.simulator.scenario import load, names
from tests.property.test_streaming_core import RELAXED, SECONDS, labours, work

BETWEEN = " · "


@st.composite
def second_rates(draw: st.DrawFn) -> list[list[float | None] | None]:
    """The rate of another fetus, second by second, with gaps; None where the device has no second channel."""
    labour = simulated.simulate(load(draw(st.sampled_from(names()))), draw(st.integers(10_001, 20_000)), SECONDS)
    fhr = labour.fhr.reshape(-1, HZ).copy()
    for _ in range(draw(st.integers(0, 3))):
        first, length = draw(st.integers(0, SECONDS)), draw(st.integers(1, 200))
        fhr[first : first + length] = np.nan
    begins = draw(st.integers(0, SECONDS // 2))
    found: list[list[float | None] | None] = [
        [None if np.isnan(x) else float(x) for x in second] for second in fhr.tolist()
    ]
    return [None] * begins + found[begins:]


def with_second(blocks: list[Block], rates: list[list[float | None] | None]) -> list[Block]:
    return [msgspec.structs.replace(block, fhr2=rates[block.seq]) for block in blocks]


def with_ticks(blocks: list[Block]) -> list[Input]:
    return [item for block in blocks for item in (block, Tick(block.at))]


def of_first(events: list[Event]) -> list[tuple[Any, ...]]:
    """What is said of the first fetus and of the bed, without what says which: a line has less room then."""
    return [
        (e.t, e.kind, plain(e.text), {k: plain(v) for k, v in e.detail.items() if k != "fetus" and "second " not in k})
        for e in events
        if e.detail.get("fetus") != 2.0
    ]


def plain(value: Any) -> Any:
    return value.replace("first twin: ", "").split(BETWEEN)[0] if isinstance(value, str) else value


@given(labours(), second_rates())
@RELAXED
def test_the_first_of_twins_is_read_as_a_single_fetus_is(
    blocks: list[Block], rates: list[list[float | None] | None]
) -> None:
    alone = work(with_ticks(blocks))
    both = work(with_ticks(with_second(blocks, rates)))
    assert of_first(both) == of_first(alone)
    heard = [b.seq for b in blocks if any(bpm is not None for bpm in rates[b.seq] or [])]
    if heard and heard[0] < SECONDS - 120:
        assert [e for e in both if "second baseline_bpm" in e.detail]


@given(labours(), second_rates(), st.lists(st.integers(0, 2 * SECONDS), max_size=6), st.booleans())
@RELAXED
def test_however_it_is_cut_twins_say_the_same(
    blocks: list[Block], rates: list[list[float | None] | None], cuts: list[int], through_checkpoints: bool
) -> None:
    inputs = with_ticks(with_second(blocks, rates))
    assert work(inputs, [min(cut, len(inputs)) for cut in cuts], through_checkpoints) == work(inputs)
