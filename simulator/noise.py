"""Pure: noise that goes on seamlessly, however it is cut into pieces."""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from quietward.messages import HZ

Signal = NDArray[np.float64]

LONGEST_LEAD_IN_S = 1200


class Noise:
    """Gaussian noise of variance 1: independent low-passes of second order, each with its share of the variance.

    corners_hz: where each begins to fall, with the fourth power of the frequency. shares: of the variance; same length.
    """

    def __init__(self, seed: list[int], corners_hz: tuple[float, ...], shares: tuple[float, ...]) -> None:
        self._rng = np.random.default_rng(seed)
        keeps = np.exp(-2 * np.pi * np.asarray(corners_hz) / HZ)
        # variance of white noise through 1 / (1 - keep z^-1)^2 is (1 + keep^2) / (1 - keep^2)^3
        sizes = np.sqrt(np.asarray(shares) / np.sum(shares) * (1 - keeps**2) ** 3 / (1 + keeps**2))
        self._filters = [([size], [1, -2 * keep, keep**2]) for size, keep in zip(sizes, keeps, strict=True)]
        self._states = [np.zeros(2) for _ in corners_hz]
        self.take(min(LONGEST_LEAD_IN_S, int(2 / min(corners_hz))) * HZ)  # as if it had been going on for ever

    def take(self, n: int) -> Signal:
        """Return the next n samples, shape (n,)."""
        white = self._rng.standard_normal((n, len(self._filters)))
        total = np.zeros(n)
        for i, (b, a) in enumerate(self._filters):
            part, self._states[i] = lfilter(b, a, white[:, i], zi=self._states[i])
            total += part
        return total
