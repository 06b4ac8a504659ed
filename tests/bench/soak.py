"""Memory of every part of a demo, embedded broker and store included: `python -m tests.bench.soak [--minutes 20]`.

Prints what each process holds once a minute, and at the end how much it has grown since a third of the time was over,
by message that went through the ward.
"""

import argparse
import signal
import subprocess
import time

import psutil

from quietward.runtime.embedded import free_port
from quietward.runtime.process import command_of

SETTLED = 1 / 3
"""Buffers and windows fill in the first third: it is left out."""


def held(demo: psutil.Process) -> dict[str, float]:
    """Return what each process holds, in MB, by what it is."""
    found: dict[str, float] = {}
    for process in demo.children(recursive=True):
        words = process.cmdline()
        name = words[words.index("quietward") + 1] if "quietward" in words else process.name()
        found[name] = process.memory_info().rss / 1e6
    return found


def main() -> None:
    """Run a demo, and watch it."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=20)
    parser.add_argument("--speed", type=float, default=20)
    parser.add_argument("--beds", type=int, default=8)
    given = parser.parse_args()
    line = command_of("demo", "--beds", str(given.beds), "--speed", str(given.speed), "--no-browser")
    demo = subprocess.Popen([*line, "--port", str(free_port())], stdout=subprocess.DEVNULL)
    rows: list[tuple[float, dict[str, float]]] = []
    try:
        began = time.monotonic()
        while (elapsed_s := time.monotonic() - began) < given.minutes * 60:
            time.sleep(min(60, given.minutes * 60 - elapsed_s))
            rows.append((time.monotonic() - began, held(psutil.Process(demo.pid))))
            told = ", ".join(f"{name} {mb:.1f}" for name, mb in sorted(rows[-1][1].items()))
            print(f"{rows[-1][0] / 60:4.1f} min: {told} MB", flush=True)
    finally:
        demo.send_signal(signal.SIGTERM)
        demo.wait(60)
    first_s, first = next(row for row in rows if row[0] >= given.minutes * 60 * SETTLED)
    last_s, last = rows[-1]
    messages = (last_s - first_s) * given.beds * given.speed
    print(f"\nsince minute {first_s / 60:.1f}, over {messages:,.0f} messages:")
    for name in sorted(first.keys() & last.keys()):
        grown = last[name] - first[name]
        print(f"  {name:16} {grown:+7.2f} MB, {grown * 1e6 / messages:+7.1f} bytes a message")


if __name__ == "__main__":
    main()
