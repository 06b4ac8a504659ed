"""However a labour is cut into steps, it is the same to the bit: what is simulated live is what is written to files."""

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from quietward.simulator.bed import Bed
from quietward.simulator.scenario import load, names
from tests.property.test_streaming_core import RELAXED

TICKS = 240


@settings(RELAXED, max_examples=10 * RELAXED.max_examples)
@given(
    st.sampled_from(names()), st.integers(0, 10_000), st.lists(st.integers(1, TICKS - 1), unique=True, max_size=12),
    st.one_of(st.none(), st.integers(1, TICKS - 1)),
)  # fmt: skip
def test_cuts_change_nothing(name: str, seed: int, cuts: list[int], cared_at: int | None) -> None:
    """Care at the same moment, too; and what lies before the care knows nothing of it."""
    scenario = load(name)
    edges = [0, *sorted({*cuts, *([cared_at] if cared_at else [])}), TICKS]
    coarse = [0, *([cared_at] if cared_at else []), TICKS]
    made = []
    for bounds in (edges, coarse):
        bed, parts = Bed(scenario, seed), []
        for a, b in pairwise(bounds):
            if a == cared_at:
                bed.did("turned")
            parts.append(bed.advance(b - a))
        made.append((bed.truth(), *(np.concatenate([getattr(p, s) for p in parts]) for s in ("fhr", "ua", "baseline"))))
    assert made[0][0] == made[1][0]
    for one, other in zip(made[0][1:], made[1][1:], strict=True):
        np.testing.assert_array_equal(one, other)
