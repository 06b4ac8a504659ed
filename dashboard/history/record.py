"""What is kept of one bed, as it was read."""

from msgspec import Struct

from quietward.contracts.messages import Block, Event, PolicyInfo, Summary


class Record(Struct, frozen=True):
    """All that is kept of one bed.

    log: oldest first. on_record_since: t of the oldest line of log and trend. newest: the last second its device has
    sent. sheet: of the policy that runs.
    """

    bed: str
    summary: Summary | None
    log: list[Event]
    on_record_since: int | None
    newest: Block | None
    sheet: PolicyInfo | None

    @property
    def is_empty(self) -> bool:
        """True when nothing has ever come from such a bed."""
        return self.summary is None and not self.log and self.newest is None
