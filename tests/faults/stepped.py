"""Run a part on a machine whose clock is set: `python -m tests.faults.stepped FILE quietward-arguments`.

FILE holds by how many seconds the clock is off. What the part reads as the time of day is moved by it; time that passes
(`time.monotonic`) is not, as on a machine whose clock is set.
"""

import sys
import time
from pathlib import Path

from quietward.cli import main

READ_EVERY_NS = 100_000_000


def step(file: Path) -> None:
    """Move the time of day of this process by what a file says."""
    real_ns, steady_ns = time.time_ns, time.monotonic_ns
    read_at, off_ns = 0, 0

    def time_ns() -> int:
        nonlocal read_at, off_ns
        if steady_ns() - read_at > READ_EVERY_NS:
            read_at, off_ns = steady_ns(), int(file.read_text() or 0) * 1_000_000_000
        return real_ns() + off_ns

    time.time_ns = time_ns
    time.time = lambda: time_ns() / 1e9


if __name__ == "__main__":
    step(Path(sys.argv[1]))
    sys.argv = ["quietward", *sys.argv[2:]]
    main()
