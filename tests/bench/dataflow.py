"""What a stream engine adds: `python -m tests.bench.dataflow [--beds 200] [--seconds 120]`.

The same inputs through the core alone, and through the step of `quietward.dataflow` in Bytewax; one thread.
"""

import argparse
import time
from typing import Any

from bytewax import operators as op
from bytewax.dataflow import Dataflow
from bytewax.testing import TestingSink, TestingSource, run_main

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, Input, Tick
from quietward.dataflow import detect
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.state import State

run: Any = run_main
T0 = 1_790_000_000


def main() -> None:
    """Print ms of processor per bed and second, both ways."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--beds", type=int, default=200)
    parser.add_argument("--seconds", type=int, default=120)
    asked = parser.parse_args()
    rules = rule_file.load()
    engine.prepare(rules)
    by_second: list[list[Input]] = []
    for second in range(asked.seconds):
        at = (T0 + second) * 1000
        rate: list[float | None] = [140.0 + second % 5] * HZ
        by_second.append([Block(f"bed-{n}", "s", second, at, at, rate, [10.0] * HZ) for n in range(asked.beds)])
        by_second[-1].append(Tick(at))

    def alone() -> None:
        state = State(rules)
        for inputs in by_second:
            summaries.of(state, engine.step(state, inputs))

    def in_an_engine() -> None:
        flow = Dataflow("bench")
        every: list[Input] = [item for inputs in by_second for item in inputs]
        source: Any = TestingSource(every, asked.beds + 1)
        found = detect("detect", op.input("in", flow, source), rules)
        op.output("out", found, TestingSink([]))
        run(flow)

    for name, work in (("the core alone", alone), ("in Bytewax", in_an_engine)):
        began = time.process_time()
        work()
        each_ms = (time.process_time() - began) * 1000 / asked.beds / asked.seconds
        print(f"{name}: {each_ms:.3f} ms of processor per bed and second")


if __name__ == "__main__":
    main()
