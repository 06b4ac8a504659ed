"""Pure: noise that goes on seamlessly, however it is cut into pieces."""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.fields import HZ
from quietward.simulator.filters import Filter

Signal = NDArray[np.float64]

LONGEST_LEAD_IN_S = 1200


class Noise:
    """Gaussian noise of variance 1: independent low-passes of second order, each with its share of the variance.

    corners_hz: where each begins to fall, with the fourth power of the frequency. shares: of the variance; same length.
    from_hz: below it there is less and less; 0: it goes on to the slowest.
    """

    def __init__(
        self, seed: list[int], corners_hz: tuple[float, ...], shares: tuple[float, ...], from_hz: float = 0.0
    ) -> None:
        self._rng = np.random.default_rng(seed)
        lead_in = min(LONGEST_LEAD_IN_S, int(2 / min(corners_hz))) * HZ
        self._filters: list[Filter] = []
        for corner_hz, share in zip(corners_hz, shares, strict=True):
            b, a, variance = _low_pass(corner_hz, from_hz, lead_in)
            self._filters.append(Filter(np.sqrt(share / sum(shares) / variance) * np.asarray(b), a))
        self.take(lead_in)  # as if it had been going on for ever

    def take(self, n: int) -> Signal:
        """Return the next n samples, shape (n,)."""
        white = self._rng.standard_normal((n, len(self._filters)))
        total = np.zeros(n)
        for i, low_pass in enumerate(self._filters):
            total += low_pass(white[:, i])
        return total


@cache
def _low_pass(corner_hz: float, from_hz: float, lead_in: int) -> tuple[list[float], Signal, np.float64]:
    """Return coefficients b and a, and the variance of what comes out of white noise of variance 1.

    Kept, since every bed has the same ones.
    """
    keep, slow = (np.exp(-2 * np.pi * f / HZ) for f in (corner_hz, from_hz))
    b, a = ([1.0], [1.0]) if from_hz == 0 else ([1.0, -1.0], [1.0, -slow])
    poles = np.polymul(a, [1, -2 * keep, keep**2])
    impulse = np.concatenate([[1.0], np.zeros(lead_in)])
    return b, poles, np.sum(Filter(b, poles)(impulse) ** 2)
