"""Pure: recursive filters of low order, sample by sample, that go on from where they stopped."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float64]

ORDER = 3
"""The highest order; lower ones are filled up with zeros."""


class Filter:
    """A rational transfer function b / a in z^-1 of order 3 or less, a[0] = 1; direct form II, transposed.

    The order of additions is that of `scipy.signal.lfilter`, so that the samples are the same bit for bit (a test).
    """

    def __init__(self, b: Iterable[float], a: Iterable[float], state: float = 0.0) -> None:
        """Begin at rest, or, for a filter of first order, with a `state` carried over from before the first sample."""
        self._b, self._a = ([*map(float, of), *[0.0] * ORDER][: ORDER + 1] for of in (b, a))
        self._state = (state, 0.0, 0.0)

    def __call__(self, samples: Signal) -> Signal:
        """Return the filtered samples, shape (n,)."""
        b0, b1, b2, b3 = self._b
        _, a1, a2, a3 = self._a
        z1, z2, z3 = self._state
        filtered = []
        if not any((b1, b2, b3, a3, z3)):  # as most are: the same samples for half the work
            for x in samples.tolist():
                y = z1 + b0 * x
                z1 = z2 - a1 * y
                z2 = -a2 * y
                filtered.append(y)
            self._state = z1, z2, 0.0
            return np.array(filtered)
        for x in samples.tolist():
            y = z1 + b0 * x
            z1 = z2 + b1 * x - a1 * y
            z2 = z3 + b2 * x - a2 * y
            z3 = b3 * x - a3 * y
            filtered.append(y)
        self._state = z1, z2, z3
        return np.array(filtered)
