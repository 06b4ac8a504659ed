"""The simulator's filters give what the reference library gives, bit for bit, however the samples are cut."""

import numpy as np
import pytest
from scipy.signal import lfilter

from quietward.simulator.filters import Filter


@pytest.mark.parametrize(
    ("b", "a"),
    [
        ([0.25], [1, -0.75]),
        ([0.5], [1, -1.6, 0.64]),
        ([0.5, -0.5], [1, -2.59, 2.224, -0.6336]),
        ([0.1, 0.2, 0.3, 0.4], [1, -0.5, 0.25, -0.1]),
    ],
)
def test_samples_are_those_of_the_reference(b: list[float], a: list[float]) -> None:
    samples = np.random.default_rng(1).standard_normal(5000)
    expected = lfilter(b, a, samples)
    own = Filter(b, a)
    pieces = [own(piece) for piece in np.split(samples, [1, 7, 40, 1000])]
    np.testing.assert_array_equal(np.concatenate(pieces), expected)


def test_a_state_is_carried_over_from_before_the_first_sample() -> None:
    samples = np.random.default_rng(2).standard_normal(100)
    expected, _ = lfilter([0.25], [1, -0.75], samples, zi=[105.0])
    np.testing.assert_array_equal(Filter([0.25], [1, -0.75], state=105.0)(samples), expected)
