"""What a step of the core has brought."""

from dataclasses import dataclass, field

from quietward.contracts.messages import Event


@dataclass
class Output:
    """events: in order. updated: the beds whose summary is new."""

    events: list[Event] = field(default_factory=list)
    updated: set[int] = field(default_factory=set)
    refused: dict[tuple[str, str], int] = field(default_factory=dict)  # (bed, why) -> seconds not used
