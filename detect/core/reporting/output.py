"""What a step of the core has brought."""

from collections import Counter
from dataclasses import dataclass, field

from quietward.contracts.inputs import TransferAnswer
from quietward.contracts.log import Event


@dataclass
class Output:
    """events: in order. updated: the beds whose summary is new. copied: of women who were moved here, what their logs
    and trends said before, as it is in the log of this bed. answers: to other beds.
    """

    events: list[Event] = field(default_factory=list)
    updated: set[int] = field(default_factory=set)
    copied: list[Event] = field(default_factory=list)
    answers: list[TransferAnswer] = field(default_factory=list)
    ended: dict[tuple[str, int], bool] = field(default_factory=dict)  # bed, stay -> it has ended; False: it goes on
    refused: Counter[tuple[str, str]] = field(default_factory=Counter)  # (bed, why) -> seconds not used
