"""Pure: which bed sends which second when, and when its rate falls. The same for devices and for who measures them.

Every bed sends once a second, at a place of its own within the second, with jitter. Second k of a bed holds the signal
before it is due. Seconds before 0 are sent at once by the beds whose rate falls later, as a device does that was cut
off: the detector must know their baseline by then.
"""

from functools import cached_property
from typing import Annotated

import numpy as np
from msgspec import Meta, Struct
from numpy.typing import NDArray

from quietward.contracts.fields import HZ

Numbers = NDArray[np.int64]

JITTER_MS = 40
HISTORY_S = 300
MOST_FALLING = 100
FALL_BPM = 60.0
FALLS_WITHIN_S = 5
"""A rate that was 60 bpm lower from one sample to the next would be doubted: it may be counted at half rate."""
FALL_GOES_ON_S = 40
"""A fall goes on for so long after the policy's time, then the rate is back."""
SETTLES_S = 7
"""So long before the end the last fall must have been long enough to be seen: a bed is evaluated every 5 s."""
PRIMES = 618, 2_654_435_761, 40_503  # spread places and jitter over the beds without a pattern


class Schedule(Struct, frozen=True, dict=True):
    """All of a trial. start_ms: when second 0 is due (whole seconds, epoch); warm_s, seconds: what is left out and what
    is measured; falls_for_s: what the policy's shortest condition for a running deceleration asks for; joins_s: the
    beds begin one after the other within so long.
    """

    ward: str
    beds: Annotated[int, Meta(ge=1, le=100_000)]
    start_ms: int
    warm_s: int
    seconds: int
    falls_for_s: int
    joins_s: int = 0

    @property
    def end_s(self) -> int:
        """Seconds of every bed, from 0."""
        return self.warm_s + self.seconds

    @cached_property
    def names(self) -> list[str]:
        """The beds."""
        return [f"bed-{i + 1}" for i in range(self.beds)]

    def place_ms(self, bed: Numbers) -> Numbers:
        """Return at which ms of the second a bed's turn is."""
        return (bed * PRIMES[0]) % (1000 - JITTER_MS)

    def due_ms(self, bed: Numbers, k: Numbers) -> Numbers:
        """Return when second k of a bed is to be sent, epoch."""
        jitter = ((bed * PRIMES[1] + k * PRIMES[2]) >> 7) % JITTER_MS
        return self.t_ms(bed, k) + 1000 + jitter

    def t_ms(self, bed: Numbers, k: Numbers) -> Numbers:
        """Return the device's time of the first sample of second k: it can be sent when the second is over."""
        return self.start_ms + (k - 1) * 1000 + self.place_ms(bed)

    def joins_at(self, bed: Numbers) -> Numbers:
        """Return the first second that a bed sends when it is due."""
        return bed * self.joins_s // self.beds

    @cached_property
    def falling(self) -> Numbers:
        """Which beds fall, none of them while beds still join."""
        if self.joins_s:
            return np.empty(0, dtype=np.int64)
        return np.arange(0, self.beds, -(-self.beds // MOST_FALLING))

    @cached_property
    def falls_at(self) -> Numbers:
        """The first low second of each of the beds that fall: their times come due evenly over what is measured."""
        last = max(1, self.seconds - SETTLES_S)
        turn = np.arange(len(self.falling)) * last // max(1, len(self.falling))
        first_low: Numbers = self.warm_s + turn - self.falls_for_s
        return first_low

    @property
    def sent(self) -> int:
        """How many seconds all beds send together."""
        live = self.end_s - self.joins_at(np.arange(self.beds))
        return int(live.sum()) + len(self.falling) * HISTORY_S


class DeviceShare(Struct, frozen=True):
    """What one process of devices does: the beds from `first` on, every `step`th."""

    schedule: Schedule
    broker: str
    first: int
    step: int


def fallen(fhr: NDArray[np.float64], for_s: int) -> NDArray[np.float64]:
    """Return a rate in the nth second of its fall."""
    return fhr - FALL_BPM * min(1.0, for_s / FALLS_WITHIN_S)


def per_second(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return whole seconds, shape (n, 4)."""
    return signal[: len(signal) // HZ * HZ].reshape(-1, HZ)
