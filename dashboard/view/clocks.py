"""Pure: clocks that disagree and parts that are silent, in words."""

from quietward.contracts.messages import Summary

PART_DEAD_AFTER_MS = 5_000
CLOCKS_AGREE_MS = 2_000
"""A look or a heartbeat that lies further ahead of our own time is of unknown age, and so not believed."""
DEVICE_AGREES_MS = 5_000
"""Transport takes its time; a device's clock that is further off than this is off by itself."""
DEVICE_FAR_MS = 60_000
"""From here on times read from the strip mislead, so that the ward says it, too."""


def never_usable(s: Summary) -> bool:
    """Return True when nothing usable has ever come from a bed: it has no time of its own yet."""
    return s.t <= 0 or not s.session


def bed_now_ms(s: Summary) -> int:
    """Return the time of the last look by the bed's own clock, which goes on while nothing comes."""
    return s.t + max(0, s.looked_at - s.at)


def device_behind_ms(s: Summary) -> int:
    """Return how far a bed's clock was behind the server's when its newest second came; negative: ahead."""
    return 0 if never_usable(s) else s.at - s.t


def device_clock(s: Summary) -> str:
    """Return in words how a bed's clock differs from the server's; empty while they agree.

    A recording or simulated bed that is played faster than real time runs ahead a little more every second.
    """
    behind_ms = device_behind_ms(s)
    if abs(behind_ms) <= DEVICE_AGREES_MS:
        return ""
    return f"its clock is {_length(abs(behind_ms))} {'behind' if behind_ms > 0 else 'ahead of'} the server's"


def far_clock(s: Summary) -> str:
    """Return the same in a few words, and only when times read from the strip would mislead."""
    behind_ms = device_behind_ms(s)
    if abs(behind_ms) <= DEVICE_FAR_MS:
        return ""
    return f"clock {_length(abs(behind_ms))} {'behind' if behind_ms > 0 else 'ahead'}"


def _length(ms: int) -> str:
    seconds = ms / 1000
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 48 * 3600 else f"{seconds / 86400:.0f} days"


def dead_parts(heartbeats: dict[str, int], expected: tuple[str, ...], now_ms: int) -> list[str]:
    """Return which parts have not been heard of lately, in words."""
    said = []
    for part in expected:
        at = heartbeats.get(part)
        if at is None:
            said.append(f"{part} has never been heard of")
        elif now_ms - at < -CLOCKS_AGREE_MS:
            said.append(f"clocks disagree: {part} is {(at - now_ms) / 1000:.0f} s ahead of this server")
        elif now_ms - at > PART_DEAD_AFTER_MS:
            said.append(f"{part} has been silent for {(now_ms - at) / 1000:.0f} s")
    return said
