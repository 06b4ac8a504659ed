"""What policies cost beside what measuring costs: `python -m tests.bench.studies [--shifts N] [--policies P]`.

One core, the same shifts: first they are simulated and measured, then run under one policy, then under many.
Counted is processor time. Many policies shall cost less than twice what one costs, measuring included.
"""

import argparse
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec

from quietward.study import cases
from quietward.study.plan import Study, plan_study
from quietward.study.simulation import ppv_by_level, simulate_shifts

TABLE = {
    "name": "bench",
    "purpose": "what policies cost",
    "limit": {"interruptions_per_nurse_hour": 2.0},
    "how": "sample",
    "vary": [
        {"key": "concern-high.limit", "values": [50, 66]},
        {"key": "long-fall.limit", "values": [60, 180]},
        {"key": "escalation.look_after_s", "values": [300, 2400]},
    ],
}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shifts", type=int, default=cases.TOGETHER)
    parser.add_argument("--policies", type=int, default=200)
    options = parser.parse_args()
    shifts = [{"shift": "night-shift", "hours": 8, "seeds": [1, options.shifts]}]
    plan = plan_study(msgspec.convert(TABLE | {"cases": shifts, "points": options.policies - 1}, Study), "bench")
    spent = {}
    with TemporaryDirectory() as folder:
        began = time.process_time()
        measured = cases.measure_shifts(cases.group_cases(plan.study)[0], plan.rules, Path(folder))
        spent["measuring"] = time.process_time() - began
    for count in (1, options.policies):
        began = time.process_time()
        variants = plan.variants[:count]
        unanswered = simulate_shifts(measured, variants, None)
        simulate_shifts(measured, variants, [[ppv_by_level(scores)] * len(scores) for scores in unanswered])
        spent[f"{count} policies"] = time.process_time() - began
    for what, seconds in spent.items():
        print(f"{what:>14}: {seconds:7.1f} s of one core")
    one, many = (spent["measuring"] + spent[f"{count} policies"] for count in (1, options.policies))
    bed_hours = measured.evaluations.beds * 8
    print(f"{options.policies} policies cost {many / one:.2f} times what one costs; {bed_hours} bed-hours")


if __name__ == "__main__":
    main()
