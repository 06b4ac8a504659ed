"""What really happened in a simulated labour."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Truth:
    """One thing that really happened; seconds from the start of the labour."""

    what: str
    onset_s: float
    extreme_s: float
    end_s: float
    size: float
