"""Pure: what is kept of one bed's last hours."""

from msgspec import Struct

from quietward.contracts.messages import HZ, Event, PolicyInfo
from quietward.dashboard.view.strips import Floats


class Hours(Struct, frozen=True):
    """One bed's last hours. first_s: second of the first sample, now_s: now, both by the bed's clock.

    fhr (bpm) and ua: shape (n,), 4 Hz, NaN where there is no value. log, trend: oldest first. weeks: of gestation,
    second_stage_from_s: by the bed's clock; None where its device has not said so.
    sheet: of the policy that runs, None where nobody has said it.
    """

    bed: str
    first_s: int
    fhr: Floats
    ua: Floats
    log: list[Event]
    trend: list[Event]
    now_s: float = 0.0
    weeks: int | None = None
    second_stage_from_s: float | None = None
    sheet: PolicyInfo | None = None

    @property
    def last_s(self) -> float:
        """The end of the signal, by the bed's clock."""
        return self.first_s + len(self.fhr) / HZ
