"""Pure: bumps, of which contractions, accelerations and decelerations are made."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.fields import HZ

Signal = NDArray[np.float64]


@dataclass(frozen=True)
class Bump:
    """Rises from `start_s`, holds, falls; flanks are half cosines to the power of `peaked`. size: signed."""

    start_s: float
    rise_s: float
    hold_s: float
    fall_s: float
    size: float
    peaked: float = 1.0

    @property
    def end_s(self) -> float:
        """When it is over."""
        return self.start_s + self.rise_s + self.hold_s + self.fall_s

    def at(self, t_s: float) -> float:
        """Return its value at one moment."""
        if not self.start_s < t_s < self.end_s:
            return 0.0
        up = (t_s - self.start_s) / max(self.rise_s, 0.25)
        down = (self.end_s - t_s) / max(self.fall_s, 0.25)
        way = max(0.0, min(1.0, up, down))
        return float(self.size * ((1 - math.cos(math.pi * way)) / 2) ** self.peaked)


def render(bumps: Iterable[Bump], first: int, out: Signal) -> None:
    """Add bumps to `out`, whose first sample is number `first` at 4 Hz."""
    for bump in bumps:
        begin = max(first, math.ceil(bump.start_s * HZ))
        end = min(first + len(out), int(bump.end_s * HZ))
        if begin >= end:
            continue
        t = np.arange(begin, end) / HZ
        up = (t - bump.start_s) / max(bump.rise_s, 0.25)
        down = (bump.end_s - t) / max(bump.fall_s, 0.25)
        bell = (1 - np.cos(np.pi * np.clip(np.minimum(up, down), 0, 1))) / 2
        out[begin - first : end - first] += bump.size * (bell if bump.peaked == 1 else bell**bump.peaked)
