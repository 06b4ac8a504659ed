"""The server's clock: the one place where it is read for times that are written down."""

import time


def now_ms() -> int:
    """Return the server's time in ms since the epoch."""
    return time.time_ns() // 1_000_000
