"""Pure: what is kept of one bed's last hours."""

from msgspec import Struct

from dashboard.strips import Floats
from quietward.messages import HZ, Event


class Hours(Struct, frozen=True):
    """One bed's last hours. first_s: second of the first sample, by the bed's clock; log, trend: oldest first.

    fhr (bpm) and ua: shape (n,), 4 Hz, NaN where there is no value.
    """

    bed: str
    first_s: int
    fhr: Floats
    ua: Floats
    log: list[Event]
    trend: list[Event]

    @property
    def last_s(self) -> float:
        """The end of the signal, by the bed's clock."""
        return self.first_s + len(self.fhr) / HZ
