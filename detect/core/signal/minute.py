"""The last minute of each bed, sample by sample: what may be used, and which of it belongs to an excursion."""

from dataclasses import dataclass

import numpy as np

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import EACH_SAMPLE, Bools, Floats, Ints, Lanes, lane, switch

MINUTE_S = 60
LENGTH = MINUTE_S * HZ
FHR, UA = 0, 1


@dataclass(init=False, eq=False)
class Minute(Lanes):
    """Rings of one minute; sample i is at i % LENGTH."""

    samples: Floats = lane(np.nan, 2, LENGTH)  # FHR and UA, NaN where nothing is to be used
    apart: Bools = switch(LENGTH)  # the FHR belongs to an excursion


def push(m: Minute, lanes: Ints, second: Ints, samples: Floats, in_excursion: Bools) -> None:
    """Take one second: samples of shape (2, 4, lanes), in_excursion (4, lanes)."""
    rows = second % MINUTE_S * HZ + EACH_SAMPLE
    m.samples[:, rows, lanes] = samples
    m.apart[rows, lanes] = in_excursion


def set_apart(m: Minute, n: int, first: int, end: int, second: int, apart: bool) -> None:
    """Mark the samples [first, end) of lane n as part of an excursion, or not, as far as they are still there.

    second: the lane's newest; what is a minute older than its end has been overwritten.
    """
    still_there = np.arange(max(first, (second + 1 - MINUTE_S) * HZ), end)
    m.apart[still_there % LENGTH, n] = apart
