"""Pure: clocks that disagree, in words."""

from collections import deque

from quietward.contracts.summary import Summary

DEVICE_AGREES_MS = 5_000
"""Transport takes time; a larger difference is the device's own clock."""
DEVICE_FAR_OFF_MS = 60_000
"""From this difference on, times read from the strip mislead, so that the Ward page says it too."""
STEADY_MS, STEADY_FOR_MS = 1_000, 60_000
"""By how much a clock that is only wrong may seem to move, within what time: transport varies."""
WATCHED_FOR_MS = 15_000
"""So long a bed must have been seen before its clock may be called wrong, and what it sends not late."""


class Lateness:
    """Tells what comes late from a clock that is wrong: a device that sends what it had kept comes nearer to now."""

    def __init__(self) -> None:
        self._behind: dict[str, deque[tuple[int, int]]] = {}

    def is_late(self, s: Summary, now_ms: int) -> bool:
        """Return True if a bed's newest second is old, or may be: not known until it has been watched for a while."""
        behind_ms = device_behind_ms(s)
        seen = self._behind.setdefault(s.bed, deque())
        seen.append((now_ms, behind_ms))
        while len(seen) > 1 and seen[1][0] <= now_ms - STEADY_FOR_MS:
            seen.popleft()  # one that is older stays: what changed since counts
        if behind_ms <= DEVICE_FAR_OFF_MS:
            return False
        moved_ms = max(b for _, b in seen) - min(b for _, b in seen)
        return moved_ms > STEADY_MS or seen[0][0] > now_ms - WATCHED_FOR_MS


def never_usable(s: Summary) -> bool:
    """Return True if the bed has never sent anything usable: it has no clock of its own yet."""
    return s.t <= 0 or not s.session


def bed_now_ms(s: Summary) -> int:
    """Return the time of the last evaluation by the bed's clock, which also runs while nothing arrives."""
    return s.t + max(0, s.looked_at - s.at)


def device_behind_ms(s: Summary) -> int:
    """Return by how much the bed's clock was behind the server's when its newest second arrived; negative: ahead."""
    return 0 if never_usable(s) else s.at - s.t


def device_clock(s: Summary) -> str:
    """Return in words how the bed's clock differs from the server's; empty while they agree.

    A recording or simulated bed that is played faster than real time gets a little further ahead every second.
    """
    behind_ms = device_behind_ms(s)
    if abs(behind_ms) <= DEVICE_AGREES_MS:
        return ""
    off = _length(abs(behind_ms))
    return f"its clock is {off} behind the server's" if behind_ms > 0 else f"its clock is {off} ahead of the server's"


def far_clock(s: Summary) -> str:
    """Return the same in fewer words; empty unless times read from the strip would mislead."""
    behind_ms = device_behind_ms(s)
    if abs(behind_ms) <= DEVICE_FAR_OFF_MS:
        return ""
    off = _length(abs(behind_ms))
    return f"clock {off} behind" if behind_ms > 0 else f"clock {off} ahead"


def lateness(s: Summary) -> str:
    """Return how old the newest second is, in words."""
    return _length(device_behind_ms(s))


def _length(ms: int) -> str:
    seconds = ms / 1000
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 48 * 3600 else f"{seconds / 86400:.0f} days"
