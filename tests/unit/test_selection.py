"""Order statistics against sorting."""

import numpy as np
import pytest

from quietward.detect.core.signal import selection
from tests.compiled import called

kth_smallest, kth_from_end = called(selection.kth_smallest), called(selection.kth_from_end)


@pytest.mark.parametrize("seed", range(20))
def test_both_ways_find_what_stands_there_in_order(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 250))
    values = np.rint(rng.normal(140, 6, n) * 4) / 4  # many are equal, as in a trace
    if seed % 4 == 0:
        values = np.sort(values)[:: 1 if seed % 8 else -1].copy()
    order, room = np.sort(values), np.append(values, [-1.0, 999.0])  # what lies behind them does not count
    for k in {0, min(6, n - 1), n // 2, n - 1}:
        assert kth_smallest(room.copy(), n, k) == order[k]
        assert kth_from_end(room.copy(), n, k, -1) == order[k]
        assert kth_from_end(room.copy(), n, k, 1) == order[n - 1 - k]


def test_one_after_the_other_on_the_same_numbers() -> None:
    """As a bandwidth is measured: the first search leaves all of them there, in another order."""
    values = np.random.default_rng(1).permutation(240).astype(np.float64)
    assert kth_from_end(values, 240, 6, 1) == 233
    assert kth_from_end(values, 240, 6, -1) == 6
    assert np.array_equal(np.sort(values), np.arange(240.0))
