"""What is said of decelerations while they go on: `python -m tests.bench.ongoing [FOLDER] [--seeds 500-505]`.

Simulated labours of ten hours (`tests/truth.py`), and with FOLDER open recordings. By rule set: how often the kind of
one changes before it is over, if it is taken anew every second from what is there, and as it is said; of how many a
kind is said, how long after the onset, and how often the one they have in the end is another. Withdrawn is what was
said to go on and is no deceleration.
"""

import argparse
from collections import defaultdict
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np

from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.contracts.notice import NOTICE
from quietward.detect.calibrate import windows
from quietward.detect.core import engine
from quietward.detect.core.arrays import LONG_AGO
from quietward.detect.core.patterns import history
from quietward.detect.core.patterns.decelerations import Kind, kind
from quietward.detect.core.patterns.excursions import DOWN, Excursion
from quietward.detect.core.state.state import State
from quietward.recordings.files import read_recording
from quietward.recordings.recording import Recording
from tests import truth
from tests.traces import RULES

NO_KIND = (Kind.NONE, Kind.UNDETERMINED)


@dataclass
class Said:
    """Of one fall under one rule set: kinds second by second, without those in which none is known."""

    anew: list[int] = field(default_factory=list)
    said: list[int] = field(default_factory=list)
    first_s: float = float("nan")  # from the onset until a kind was said

    @staticmethod
    def changes(kinds: list[int]) -> int:
        return sum(a != b for a, b in pairwise(kinds))


@dataclass
class Found:
    """What became of all falls that were said to go on. said: by bed, onset (sample) and rule set; over: how those
    ended that were decelerations, by bed and onset.
    """

    said: dict[tuple[str, int, int], Said]
    over: dict[tuple[str, int], Event]
    withdrawn: list[Event]
    hours: float


def follow(found: list[Recording]) -> Found:
    """Run the core over recordings side by side, and look at what is open after every second."""
    state = State(RULES, [str(i) for i in range(len(found))], [""] * len(found))
    signals = [r.by_second() for r in found]
    said: dict[tuple[str, int, int], Said] = defaultdict(Said)
    over: dict[tuple[str, int], Event] = {}
    withdrawn: list[Event] = []
    for second in range(max(r.seconds for r in found)):
        beds = np.array([i for i, r in enumerate(found) if r.seconds > second])
        fhr = np.stack([signals[i][0][second] for i in beds], axis=-1)
        ua = np.stack([signals[i][1][second] for i in beds], axis=-1)
        before, events = state.all.ongoing.onset.tolist(), list[Event]()
        engine.advance(state, beds, np.full(len(beds), second), fhr, ua, np.full(len(beds), np.nan), events)
        over |= {(e.bed, before[int(e.bed)]): e for e in events if e.kind == "deceleration"}
        withdrawn += [e for e in events if e.kind == "withdrawn"]
        for n in beds[state.all.ongoing.onset[beds] != LONG_AGO].tolist():
            _look(state, n, (second + 1) * HZ, said)
    return Found(said, over, withdrawn, sum(r.seconds for r in found) / 3600)


def _look(state: State, n: int, now: int, said: dict[tuple[str, int, int], Said]) -> None:
    e, reading = state.excursions, RULES.reading
    onset, reached = int(e.onset[DOWN, n]), int(e.reached_at[DOWN, n])
    x = Excursion(
        n, DOWN, now, onset, reached, reached, now, float(e.height[DOWN, n]), 0.0, 1.0, False, False, True, False
    )
    contraction_end = history.find_contraction(
        state.history, x, history.going_on(e, n, now, reading.kind), reading.kind
    )
    for i, rules in enumerate(RULES.rule_sets):
        one = said[state.beds[n], onset, i]
        if (anew := kind(x, contraction_end, rules.deceleration, reading.kind)) not in NO_KIND:
            one.anew.append(anew)
        if (now_said := int(state.all.ongoing.kind[i, n])) != Kind.NONE:
            one.first_s = one.first_s if one.said else (now - onset) / HZ
            one.said.append(now_said)


def report(title: str, found: Found) -> str:
    """Return what was found in words and numbers."""
    lines = []
    for i, rules in enumerate(RULES.rule_sets):
        all_of = {key: one for key, one in found.said.items() if key[2] == i}
        ended = [
            (one, str(found.over[key[:2]].detail[f"kind {rules.name}"]))
            for key, one in all_of.items()
            if key[:2] in found.over
        ]
        named = [(one, last) for one, last in ended if one.said]
        same = sum(Kind(one.said[-1]).word == last for one, last in named)
        anew, said = ([one.changes(getattr(one, of)) for one in all_of.values()] for of in ("anew", "said"))
        lines.append(
            f"  {rules.name}: {len(all_of)} falls said to go on; changes of the kind each, taken anew every second "
            f"{np.mean(anew):.2f} (most {max(anew)}), as said {np.mean(said):.2f} (most {max(said)}); of {len(ended)} "
            f"decelerations a kind was said of {len(named)}, after {np.median([o.first_s for o, _ in named]):.0f} s "
            f"(median), and was the last one of {same} ({same / max(1, len(named)):.0%})"
        )
    why: dict[str, int] = defaultdict(int)
    for e in found.withdrawn:
        why[str(e.detail["reason"])] += 1
    reasons = ", ".join(f"{reason} {n}" for reason, n in sorted(why.items(), key=lambda one: -one[1]))
    n = len(found.withdrawn)
    lines.append(f"  withdrawn: {n}, {n / found.hours:.2f} an hour: {reasons}")
    return "\n".join([f"{title}, {found.hours:.0f} h", *lines])


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--seeds", default="500-505", help="first and last")
    options = parser.parse_args()
    first, last = (int(x) for x in options.seeds.split("-"))
    print(NOTICE)
    for signal, loss in (("good", 0.05), ("poor", 0.2)):
        labours = [truth.labour(10, loss, seed) for seed in range(first, last + 1)]
        made = [Recording(str(i), one.fhr, one.ua) for i, one in enumerate(labours)]
        print(report(f"simulated, {signal} signal, seeds {options.seeds}", follow(made)))
    if options.folder is not None:
        names = sorted({w.record for w in windows(options.folder)})
        print(report("open recordings", follow([read_recording(options.folder / f"{n}.hea") for n in names])))


if __name__ == "__main__":
    main()
