"""What the store holds of one bed."""

from msgspec import Struct

from quietward.contracts.inputs import Block
from quietward.contracts.log import Event
from quietward.contracts.policy_info import PolicyInfo
from quietward.contracts.summary import Summary


class BedRecord(Struct, frozen=True):
    """The state of one bed, and the whole log of the present stay.

    log: oldest first. on_record_since: ms by the bed's clock, of the oldest entry of log and trend. newest: the last
    second that its device has sent. policy: the one that runs, None if no detector does.
    """

    bed: str
    summary: Summary | None
    log: list[Event]
    on_record_since: int | None
    newest: Block | None
    policy: PolicyInfo | None

    @property
    def is_empty(self) -> bool:
        """True if the bed has never sent anything."""
        return self.summary is None and not self.log and self.newest is None
