"""The last minute of each bed, sample by sample: what may be used, and which of it belongs to an excursion."""

from typing import NamedTuple

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.arrays import Bools, Floats, array, switch
from quietward.detect.core.compiled import compiled

MINUTE_S = 60
LENGTH = MINUTE_S * HZ
FHR, UA = 0, 1


class Minute(NamedTuple):
    """Rings of one minute; sample i is at i % LENGTH."""

    samples: Floats = array(np.nan, 2, LENGTH)  # FHR and UA, NaN where nothing is to be used
    in_excursion: Bools = switch(LENGTH)  # the FHR belongs to an excursion


@compiled
def push(m: Minute, n: int, now: int, fhr_bpm: float, ua: float) -> None:
    """Take the sample with index `now` of bed n; whether it belongs to an excursion is said by `mark`."""
    place = now % LENGTH
    m.samples[FHR, place, n] = fhr_bpm
    m.samples[UA, place, n] = ua
    m.in_excursion[place, n] = False


@compiled
def mark(m: Minute, n: int, first: int, end: int, second: int, in_excursion: bool) -> None:
    """Say of the samples [first, end) of bed n that they belong to an excursion, or not, as far as they are there.

    second: the bed's newest; what is a minute older than its end has been overwritten.
    """
    for sample in range(max(first, (second + 1 - MINUTE_S) * HZ), end):
        m.in_excursion[sample % LENGTH, n] = in_excursion
