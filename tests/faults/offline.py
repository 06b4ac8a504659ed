"""Run devices that have been without a network: `python -m tests.faults.offline SECONDS quietward-arguments`.

They are so many seconds behind. On SIGUSR1 they have all of these seconds at once, as if they had gone on by themselves
while nothing could be sent, and from then on they are up to date.
"""

import signal
import sys
from typing import Any

from quietward.cli import main
from quietward.runtime.clock import now_ms
from quietward.simulator import device, service


def be_behind(seconds: int) -> None:
    """Let every device of this process be behind until SIGUSR1."""
    devices: list[device.Device] = []

    class Behind(device.Device):
        def __init__(self, *what: Any) -> None:
            super().__init__(*what)
            devices.append(self)

    def have_all(*_: object) -> None:
        for one in devices:
            one.head_start_s += seconds  # what is sent at once, from the beginning of its signal on

    vars(device)["now_ms"] = lambda: now_ms() - seconds * 1000
    vars(service)["Device"] = Behind
    signal.signal(signal.SIGUSR1, have_all)


if __name__ == "__main__":
    be_behind(int(sys.argv[1]))
    sys.argv = ["quietward", *sys.argv[2:]]
    main()
