"""How long a learner waits: `python -m tests.bench.practice [--seed N]`.

For every scenario of one fetus, nothing kept of it yet: the strip is made, and what the detector says of it worked
out. Median and longest, ms of time passed. Exit code 1 where one of the two takes longer than a second. The compiled
core is read first, as the page's server does at its start. A machine that is shared is noisy.
"""

import argparse
import sys
import time
from collections.abc import Callable
from functools import partial
from statistics import median

from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.practice import simulated
from quietward.simulator import scenario

LONGEST_MS = 1000.0


def main() -> int:
    """Measure, print, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1, help="number of the strip")
    given = parser.parse_args()
    rules = rule_file.load()
    engine.prepare(rules)
    names = [name for name in scenario.names() if not scenario.load(name).second_twin]
    rule_set = rules.rule_sets[0].name
    made, asked = {}, {}
    for name in names:
        code = simulated.code_of(name, given.seed)
        forget()
        made[name] = took_ms(partial(simulated.make, code))
        asked[name] = took_ms(partial(simulated.ask_detector, code, rule_set))
    for what, by_name in (("a strip is made", made), ("the detector is asked", asked)):
        slowest = max(by_name, key=lambda name: by_name[name])
        print(f"{what:>22}: median {median(by_name.values()):.0f} ms, longest {by_name[slowest]:.0f} ms ({slowest})")
    return 1 if max(*made.values(), *asked.values()) > LONGEST_MS else 0


def forget() -> None:
    """Let nothing be kept of strips."""
    for kept in (simulated.make, simulated.ask_detector, simulated._labour):
        kept.cache_clear()


def took_ms(act: Callable[[], object]) -> float:
    """Return how long something takes."""
    began = time.perf_counter()
    act()
    return (time.perf_counter() - began) * 1000


if __name__ == "__main__":
    sys.exit(main())
