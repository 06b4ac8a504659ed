"""Speed of the detection core: `python -m tests.bench.core [--json]`.

Microseconds of CPU per bed-second at several sizes of the ward, the same with another length of the baseline's window
(the work must not grow with it), replay in bed-hours per core-second, and the ratio to the same reader without arrays
side by side: one bed at a time through the same code, numpy call by numpy call. All in one run: machines are noisy,
ratios are not.
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
WARM_S, SECONDS_AT_MOST, LABOURS = 660, 240, 16


def ward(beds: int, seconds: int) -> tuple[np.ndarray, np.ndarray]:
    """FHR and UA of so many beds, shape (seconds, 4, beds): labours of all scenarios, over and over."""
    names = scenario.names()
    made = [bed.simulate(scenario.load(names[i % len(names)]), i, seconds) for i in range(min(beds, LABOURS))]
    which = np.arange(beds) % len(made)
    return tuple(np.stack([getattr(x, s).reshape(-1, HZ) for x in made], axis=-1)[:, :, which] for s in ("fhr", "ua"))  # type: ignore[return-value]


def us_per_bed_second(rules: Rules, beds: int, seconds: int) -> float:
    """Time the core in the middle of a shift."""
    fhr, ua = ward(beds, WARM_S + seconds)
    state = State(rules, [str(i) for i in range(beds)], [""] * beds)
    every_bed, nothing = np.arange(beds), np.full(beds, np.nan)
    events: list[Event] = []
    started = 0.0
    for second in range(WARM_S + seconds):
        if second == WARM_S:
            started = time.process_time()
        engine.advance(state, every_bed, np.full(beds, second), fhr[second], ua[second], nothing, events)
        events.clear()
    return (time.process_time() - started) / seconds / beds * 1e6


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    rules = rule_file.load()
    baseline = msgspec.structs.replace(rules.reading.baseline, window_s=2 * rules.reading.baseline.window_s)
    reading = msgspec.structs.replace(rules.reading, baseline=baseline)
    longer = Rules(reading, rules.rule_sets, rules.concern, rules.policy, "bench", rules.stay)
    alone = us_per_bed_second(rules, 1, SECONDS_AT_MOST)
    found: dict[str, float] = {}
    for beds in BEDS:
        seconds = max(60, min(SECONDS_AT_MOST, 240_000 // beds))
        found[f"{beds} beds"] = us_per_bed_second(rules, beds, seconds)
    found["1000 beds, window twice as long"] = us_per_bed_second(longer, 1000, SECONDS_AT_MOST)
    found["bed by bed"] = alone
    if options.json:
        print(json.dumps(found))
        return
    for name, us in found.items():
        print(f"{name:34} {us:8.2f} us per bed-second {3600 / us / 1e-6 / 3600 / 3600:10.1f} bed-hours per core-second")
    print(f"bed by bed costs {alone / found['1000 beds']:.0f} times as much as 1000 beds side by side")


if __name__ == "__main__":
    main()
