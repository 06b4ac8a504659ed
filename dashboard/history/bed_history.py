"""Pure: the signals and events of one bed over its last hours."""

from msgspec import Struct

from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.contracts.policy_info import PolicyInfo
from quietward.dashboard.view.signal_buffer import Floats


class BedHistory(Struct, frozen=True):
    """The last hours of one bed; all times are seconds by the bed's clock.

    fhr (bpm) and ua (0 to 100): shape (n,), HZ samples a second from `first_s` on, NaN where there is no value.
    fhr2: of a second twin, None without. log, trend: oldest first. weeks: completed weeks of gestation, None if its
    device has not sent them. second_stage_from_s: None if its device has not reported the second stage of labour.
    policy: the running one, None if no detector has told it.
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
    policy: PolicyInfo | None = None
    fhr2: Floats | None = None

    @property
    def last_s(self) -> float:
        """End of the signal."""
        return self.first_s + len(self.fhr) / HZ
