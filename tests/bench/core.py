"""Speed of the detection core: `python -m tests.bench.core [--json]`.

Microseconds per bed-second at several sizes of the ward, the same with another length of the baseline's window (the
work must not grow with it), replay in bed-hours per core-second, and what one bed by itself costs against many.

A machine that is shared is noisy, and one pass says more of it than of the core: so the same minutes are worked through
several times from one checkpoint, and of each second the least time counts. Evaluations, which come every five seconds,
are among them. Compare versions on one machine, in one session.
"""

import argparse
import json
import time

import msgspec
import numpy as np

from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State
from quietward.simulator import bed, scenario

BEDS = (10, 48, 100, 1000, 5000)
WARM_S, SECONDS, LABOURS = 660, 120, 16
REPEATS, REPEATS_OF_FEW = 5, 40
FEW = 100
"""Beds whose seconds are so short that they can be taken many times."""


def ward(beds: int, seconds: int) -> tuple[np.ndarray, np.ndarray]:
    """FHR and UA of so many beds, shape (seconds, 4, beds): labours of all scenarios, over and over."""
    names = scenario.names()
    made = [bed.simulate(scenario.load(names[i % len(names)]), i, seconds) for i in range(min(beds, LABOURS))]
    which = np.arange(beds) % len(made)
    return tuple(np.stack([getattr(x, s).reshape(-1, HZ) for x in made], axis=-1)[:, :, which] for s in ("fhr", "ua"))  # type: ignore[return-value]


def us_per_bed_second(rules: Rules, beds: int) -> float:
    """Time the core in the middle of a shift."""
    fhr, ua = ward(beds, WARM_S + SECONDS)
    every_bed, nothing = np.arange(beds), np.full(beds, np.nan)
    seconds = [np.full(beds, second) for second in range(WARM_S + SECONDS)]
    events: list[Event] = []

    def took(state: State, second: int) -> float:
        events.clear()
        started = time.perf_counter()
        engine.advance(state, every_bed, seconds[second], fhr[second], ua[second], nothing, events)
        return time.perf_counter() - started

    warm = State(rules, [str(i) for i in range(beds)], [""] * beds)
    for second in range(WARM_S):
        took(warm, second)
    checkpoint = warm.to_bytes()
    least = np.full(SECONDS, np.inf)
    for _ in range(REPEATS_OF_FEW if beds <= FEW else REPEATS):
        state = State.from_bytes(checkpoint, rules)
        assert state is not None
        none = every_bed[:0]  # a first call, for what is done once for each state
        engine.advance(state, none, none, fhr[0][:, :0], ua[0][:, :0], nothing[:0], events)
        least = np.minimum(least, [took(state, WARM_S + second) for second in range(SECONDS)])
    return float(least.mean()) / beds * 1e6


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    rules = rule_file.load()
    baseline = msgspec.structs.replace(rules.reading.baseline, window_s=2 * rules.reading.baseline.window_s)
    reading = msgspec.structs.replace(rules.reading, baseline=baseline)
    longer = Rules(reading, rules.rule_sets, rules.concern, rules.policy, "bench", rules.stay)
    found = {"1 bed": us_per_bed_second(rules, 1)}
    for beds in BEDS:
        found[f"{beds} beds"] = us_per_bed_second(rules, beds)
    found["1000 beds, window twice as long"] = us_per_bed_second(longer, 1000)
    if options.json:
        print(json.dumps(found))
        return
    for name, us in found.items():
        print(f"{name:34} {us:8.2f} us per bed-second {3600 / us / 1e-6 / 3600 / 3600:10.1f} bed-hours per core-second")
    print(f"a bed by itself costs {found['1 bed'] / found['1000 beds']:.0f} times as much as one of 1000 side by side")


if __name__ == "__main__":
    main()
