"""What the attention policy costs on open recordings: `python -m tests.bench.attention FOLDER [--policy NAME]`.

FOLDER holds WFDB records with expert votes, as `detect/calibrate.py` reads them, and the pH of the cord in the headers.
Nobody answers. Counted are the raisings of a level (raised, worsened, escalated) per bed-hour, on records whose first
two steps the majority of experts called normal and whose pH is 7.20 or more, and on those of which a step was called
pathological: of the first two, or of all three. The time of the first group is parted once more by what most experts
said of it, for their second stages were not all called normal. Beside it stand alarms with fixed limits, as studies
have them: FHR below 110 or above 160 bpm for a time without a value inside, over when it has been inside for 10 s. What
waiting takes away: 14 s took away 50 % and 19 s 67 % of ignored or ineffective alarms in an adult intensive care unit
(Görges, Markewitz, Westenskow, Anesth Analg 2009;108:1546).
"""

import argparse
import csv
import re
import sys
from collections import defaultdict
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

from scipy.stats import chi2

from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.detect import rule_file
from quietward.detect.assess import assess
from quietward.detect.assessment import Flag
from quietward.detect.calibrate import windows
from quietward.detect.core.state.rules import Rules
from quietward.recordings.files import read_recording
from quietward.recordings.recording import Recording
from quietward.study.alarms import limit_alarm_edges

NORMAL, PATHOLOGICAL = 1, 3
LEAST_PH = 7.20
LOW_BPM, HIGH_BPM = 110, 160
WAITING_S = (0, 10, 14, 19, 60)
LEVELS = ("look", "bedside", "team")
JUDGED = {1: "normal", 2: "suspicious", 3: "pathological", 0: "not judged"}


def groups(folder: Path) -> dict[str, list[str]]:
    """Return the names of the records in each group."""
    steps: dict[str, dict[int, int]] = defaultdict(dict)
    for window in windows(folder):
        steps[window.record][window.step] = window.majority
    normal = [
        name
        for name, said in steps.items()
        if said.get(1) == NORMAL == said.get(2) and _ph(folder / f"{name}.hea") >= LEAST_PH
    ]
    return {
        "normal": normal,
        "pathological in step 1 or 2": [n for n, said in steps.items() if PATHOLOGICAL in (said.get(1), said.get(2))],
        "pathological in any step": [n for n, said in steps.items() if PATHOLOGICAL in said.values()],
    }


def _ph(header: Path) -> float:
    found = re.search(r"^#pH\s+([\d.]+)", header.read_text(), re.MULTILINE)
    return float(found[1]) if found else float("nan")


def plain(recording: Recording, for_s: float) -> int:
    """Return how often an alarm with fixed limits begins."""
    return sum(turn.level > 0 for turn in limit_alarm_edges(recording.fhr, LOW_BPM, HIGH_BPM, for_s, 1, 0))


class Cost(NamedTuple):
    """What a policy costs in a group of records. per_hour: raisings by level; reached: records with more than look."""

    records: int
    hours: float
    per_hour: dict[str, float]
    reached: int

    @property
    def urgent_per_hour(self) -> float:
        """Raisings of bedside and team."""
        return self.per_hour["bedside"] + self.per_hour["team"]


def cost(flags: dict[str, list[Flag]], hours: dict[str, float], group: list[str]) -> Cost:
    """Count the raisings in a group."""
    total = sum(hours[name] for name in group)
    levels = [flag.level for name in group for flag in flags[name]]
    reached = sum(any(f.level != "look" for f in flags[name]) for name in group)
    return Cost(len(group), total, {level: levels.count(level) / total for level in LEVELS}, reached)


def judged(folder: Path, names: list[str], seconds: dict[str, int]) -> dict[int, list[tuple[str, float, float]]]:
    """Return the time of some records by what most experts said of it: record, from and to, in seconds."""
    majority = {(w.record, w.step): w.majority for w in windows(folder)}
    with (folder / "windows.csv").open() as file:
        rows = sorted((r for r in csv.DictReader(file) if r["record"] in names), key=lambda r: r["record"])
    found: dict[int, list[tuple[str, float, float]]] = defaultdict(list)
    for name, own in groupby(rows, key=lambda r: r["record"]):
        parts = sorted((int(r["start_sample"]) / HZ, int(r["stop_sample"]) / HZ, int(r["step"])) for r in own)
        until_s = 0.0
        for from_s, to_s, step in parts:
            found[0].append((name, until_s, from_s))
            found[majority.get((name, step), 0)].append((name, from_s, to_s))
            until_s = to_s
        found[0].append((name, until_s, seconds[name]))
    return found


def by_judgement(
    folder: Path, flags: dict[str, list[Flag]], names: list[str], seconds: dict[str, int]
) -> dict[str, tuple[float, dict[str, int]]]:
    """Return hours and raisings by level of the time of some records, parted by what most experts said of it."""
    found = {}
    for rank, parts in judged(folder, names, seconds).items():
        levels = [f.level for name, from_s, to_s in parts for f in flags[name] if from_s <= f.raised_s < to_s]
        hours = sum(to_s - from_s for _, from_s, to_s in parts) / 3600
        found[JUDGED[rank]] = hours, {level: levels.count(level) for level in LEVELS}
    return found


def poisson_interval(count: int) -> tuple[float, float]:
    """Return the exact 95 % interval of what is counted."""
    low = float(chi2.ppf(0.025, 2 * count) / 2) if count else 0.0
    return low, float(chi2.ppf(0.975, 2 * count + 2) / 2)


class Measured(NamedTuple):
    """What was measured: the cost in each group, the first group's time by judgement, records by name, the rules."""

    costs: dict[str, Cost]
    by_judgement: dict[str, tuple[float, dict[str, int]]]
    read: dict[str, Recording]
    rules: Rules


def measure(folder: Path, policy: str = "attention") -> Measured:
    """Measure what a policy costs."""
    found = groups(folder)
    names = sorted({name for group in found.values() for name in group})
    read = {name: read_recording(folder / f"{name}.hea") for name in names}
    rules = rule_file.load(policy)
    flags = {row.record: row.flags for row in assess(list(read.values()), rules, "figo-2015")}
    hours = {name: r.seconds / 3600 for name, r in read.items()}
    costs = {title: cost(flags, hours, group) for title, group in found.items()}
    seconds = {name: r.seconds for name, r in read.items()}
    return Measured(costs, by_judgement(folder, flags, found["normal"], seconds), read, rules)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--policy", default="attention")
    options = parser.parse_args()
    costs, parted, read, rules = measure(options.folder, options.policy)
    print(f"policy {rules.policy.name}, rules {rules.digest}; {len(read)} records. {NOTICE}", file=sys.stderr)
    head = ", ".join(f"{s} s" for s in WAITING_S)
    print("raisings per bed-hour".ljust(38) + "".join(f"{w:>9}" for w in (*LEVELS, "all", "b+t")), end="")
    print(f"   records with bedside or team | FHR outside 110-160 for {head} (less than at once)")
    for (title, c), group in zip(costs.items(), groups(options.folder).values(), strict=True):
        fixed = [sum(plain(read[name], s) for name in group) / c.hours for s in WAITING_S]
        cells = [*c.per_hour.values(), sum(c.per_hour.values()), c.urgent_per_hour]
        beside = ", ".join(f"{x:.2f} ({x / fixed[0] - 1:.0%})" for x in fixed)
        print(f"{title:28} {c.records:3} {c.hours:5.1f}" + "".join(f"{x:9.3f}" for x in cells), end="")
        print(f"   {c.reached} of {c.records} ({c.reached / c.records:.1%}) | {beside}")
    print("time of the normal records that most experts called")
    for title in JUDGED.values():
        hours, count = parted.get(title, (0.0, dict.fromkeys(LEVELS, 0)))
        cells = [*count.values(), sum(count.values()), count["bedside"] + count["team"]]
        per_hour = "".join(f"{x / max(hours, 1e-9):9.3f}" for x in cells)
        low, high = (x / max(hours, 1e-9) for x in poisson_interval(int(cells[-1])))
        print(f"{title:32}{hours:5.1f}{per_hour}   {cells[-1]} of bedside and team: {low:.3f} to {high:.3f} an hour")


if __name__ == "__main__":
    main()
