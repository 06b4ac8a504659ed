"""How soon it is said that both sensors are on one of two twins, and how often where they are not.

    python -m tests.bench.twins --seeds 5100-5119

Simulated labours: `twins-both-on-first` from minute 30 on, the same without that, and `twins-second-late`.
"""

from argparse import ArgumentParser
from statistics import median

import numpy as np
from msgspec.structs import replace

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.core.arrays import Floats
from quietward.detect.core.measures.findings import asked_of
from quietward.detect.core.reporting.twins import SAME_RATE
from quietward.detect.core.state.state import State
from quietward.simulator.bed import simulate
from quietward.simulator.scenario import Scenario, load

T0_S = 1_790_000_000
BEGINS_S, ENDS_S = 30 * 60, 90 * 60
"""From when to when both are on the first, in the scenario."""
EVERY_S = 5


def block_of(fhr: Floats, ua: Floats, fhr2: Floats, second: int) -> Block:
    """Return a second of the signals."""
    values: list[list[float | None]] = [
        [None if np.isnan(x) else float(x) for x in signal[second * HZ : (second + 1) * HZ]]
        for signal in (fhr, ua, fhr2)
    ]
    at = (T0_S + second) * 1000
    return Block("bed", "s", second, at, at, values[0], values[1], fhr2=values[2])


def told(scenario: Scenario, seed: int, seconds: int) -> tuple[list[int], list[int]]:
    """Return the seconds at which somebody was called for it, and at which both signals were called doubtful."""
    labour, rules = simulate(scenario, seed, seconds), rule_file.load()
    assert labour.fhr2 is not None
    state = State(rules)
    called: list[int] = []
    doubtful: list[int] = []
    for begin in range(0, seconds, EVERY_S):
        blocks = [block_of(labour.fhr, labour.ua, labour.fhr2, s) for s in range(begin, begin + EVERY_S)]
        flags = [e for e in engine.step(state, blocks).events if e.kind.startswith("flag-")]
        called += [e.t // 1000 - T0_S for e in flags if SAME_RATE in e.text]
        second = state.second_of(0)
        if second is not None:
            share = asked_of(state.findings, second)["same_as_twin_1min"]
            is_doubtful = share >= rules.reading.twins.doubtful_share
            doubtful += [begin + EVERY_S] if is_doubtful else []
    return called, doubtful


def main() -> None:
    """Print what the module says."""
    parser = ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="5100-5119")
    first, last = map(int, parser.parse_args().seeds.split("-"))
    seeds = range(first, last + 1)
    on = load("twins-both-on-first")
    calls: list[int] = []
    doubts: list[int] = []
    false = 0
    for seed in seeds:
        called, doubtful = told(on, seed, ENDS_S)
        false += sum(s < BEGINS_S for s in called)
        calls += [s - BEGINS_S for s in called if s >= BEGINS_S][:1]
        doubts += [s - BEGINS_S for s in doubtful if s >= BEGINS_S][:1]
    print(f"both on the first: somebody called in {len(calls)} of {len(seeds)}, {false} times before it began")
    for what, found in (("called", calls), ("doubtful", doubts)):
        if found:
            print(f"  {what} after {median(found):.0f} s (median), {max(found)} s at the latest")
    for name, scenario in (("two well", replace(on, happening=[])), ("second late", load("twins-second-late"))):
        seconds = int(scenario.lasts_min * 60)
        found_in = [told(scenario, seed, seconds) for seed in seeds]
        hours = len(seeds) * seconds / 3600
        doubtful_s = EVERY_S * sum(len(doubtful) for _, doubtful in found_in) / hours
        print(f"{name}: {sum(len(c) for c, _ in found_in)} calls in {hours:.0f} h, doubtful {doubtful_s:.1f} s an hour")


if __name__ == "__main__":
    main()
