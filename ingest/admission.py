"""Pure: which beds a ward takes, and how much of each."""

import re
from collections.abc import Iterable
from fnmatch import translate

from quietward.contracts.bounds import AT_ONCE, BACKLOG, BURST_PER_S

MS = 1000


class Expected:
    """The beds that a ward expects. beds: names or patterns such as `bed-*`, by commas; empty: any."""

    def __init__(self, beds: str) -> None:
        patterns = [translate(name.strip()) for name in beds.split(",") if name.strip()]
        self._pattern = re.compile("|".join(patterns)) if patterns else None

    def __contains__(self, bed: str) -> bool:
        return self._pattern is None or self._pattern.match(bed) is not None


class Rates:
    """How many messages each bed may still send: two allowances that fill up again, one for a moment, one for a day.

    per_s: on average. Both allow for devices and brokers that hand over what has piled up.
    """

    def __init__(self, per_s: float) -> None:
        self.per_s = per_s
        self._left: dict[str, tuple[float, float, int]] = {}  # bed -> for a moment, for a day, when that was
        self._catches_up_until = 0

    def catch_up(self, until_ms: int) -> None:
        """Let only the day's allowance count until then: a broker hands over what came while nobody listened."""
        self._catches_up_until = until_ms

    def take(self, bed: str, now_ms: int) -> bool:
        """Return whether a message of a bed may pass. now_ms: of a clock that nobody sets."""
        moment, day, before_ms = self._left.get(bed, (AT_ONCE, BACKLOG, now_ms))
        passed_s = (now_ms - before_ms) / MS
        moment = min(AT_ONCE, moment + passed_s * max(BURST_PER_S, self.per_s))
        day = min(BACKLOG, day + passed_s * self.per_s)
        may_pass = day >= 1 and (moment >= 1 or now_ms < self._catches_up_until)
        if may_pass:
            moment, day = max(0.0, moment - 1), day - 1
        self._left[bed] = moment, day, now_ms
        return may_pass


def told_of(names: Iterable[str], at_most: int = 5) -> str:
    """Return some names in words."""
    found = sorted(set(names))
    return ", ".join(found[:at_most]) + (f" and {len(found) - at_most} more" if len(found) > at_most else "")
