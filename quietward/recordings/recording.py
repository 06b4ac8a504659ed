"""A recording in memory."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.messages import HZ

Signal = NDArray[np.float64]


@dataclass(frozen=True)
class Recording:
    """fhr: bpm; ua: relative units; shape (n,), 4 Hz, NaN where there is no value; note: what reading changed."""

    name: str
    fhr: Signal
    ua: Signal
    note: str = ""

    @property
    def seconds(self) -> int:
        """Length in whole seconds; an incomplete last second is padded with NaN."""
        return -(-len(self.fhr) // HZ)

    def by_second(self) -> tuple[Signal, Signal]:
        """Return FHR and UA, each of shape (seconds, 4)."""
        padding = (0, self.seconds * HZ - len(self.fhr))
        return tuple(  # type: ignore[return-value]
            np.pad(x, padding, constant_values=np.nan).reshape(-1, HZ) for x in (self.fhr, self.ua)
        )
