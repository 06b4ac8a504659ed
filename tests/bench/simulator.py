"""Speed of the simulator: `python -m tests.bench.simulator`. Bed-hours a minute of one core, simulated and written."""

import tempfile
import time
from pathlib import Path

from quietward.recordings import FORMATS
from quietward.simulator import output, scenario

HOURS = 8


def main() -> None:
    """Measure and print."""
    names = scenario.names()
    orders = [output.RecordingOrder(name, scenario.load(name), 1, HOURS * 3600) for name in names]
    for one in FORMATS:
        with tempfile.TemporaryDirectory() as folder:
            began = time.process_time()
            output.write(Path(folder), orders, one.suffix)
            used_s = time.process_time() - began
        hours = HOURS * len(names)
        print(f"{one.name}: {hours} bed-hours in {used_s:.1f} s of CPU: {hours / used_s * 60:.0f} bed-hours a minute")


if __name__ == "__main__":
    main()
