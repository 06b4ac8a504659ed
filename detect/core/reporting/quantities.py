"""Numbers as they stand in sentences: lengths of time in whole minutes, and a word for what is not known."""

import math

LONGEST_IN_S, LONGEST_IN_MIN = 100, 100
UNKNOWN = "unknown"
WORDS = frozenset({"because", "pattern", "lasting"})
"""What a text of the policy may name beside measures."""


class Quantity(float):
    """A measure in a text of the rule files. Format `time`: seconds as people say them."""

    def __format__(self, spec: str) -> str:
        if math.isnan(self):
            return UNKNOWN
        return time_in_words(self) if spec == "time" else super().__format__(spec)


def time_in_words(seconds: float) -> str:
    """Return a length of time as people say it; what has begun and is not over is not counted."""
    if seconds < LONGEST_IN_S:
        return f"{seconds:.0f} s"
    minutes = int(seconds // 60)
    return f"{minutes} min" if minutes < LONGEST_IN_MIN else f"{minutes // 60} h {minutes % 60} min"
