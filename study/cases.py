"""The shifts of a study: their beds' signals, what is true of them, and what the detector measures. Kept on disk."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import NamedTuple

import msgspec
import numpy as np
from msgspec import structs

from detect.core.lanes import Floats
from detect.core.rules import Rules
from quietward.messages import HZ
from simulator import bed, shift
from simulator.truth import TruthFile
from study import looks
from study.looks import Looks
from study.plan import Study

TOGETHER = 16
"""Shifts that are measured side by side: enough lanes to spread the cost of a step, few enough for memory."""


class Case(NamedTuple):
    """One simulated shift."""

    shift: str
    hours: float
    seed: int


@dataclass(frozen=True)
class Measured:
    """Some shifts with the same beds. fhr: bpm, 4 Hz, shape (lanes, n); truth: by lane; lanes: shift by shift."""

    cases: list[Case]
    looks: Looks
    fhr: Floats
    truth: list[TruthFile]

    @property
    def beds(self) -> int:
        """How many beds each shift has."""
        return self.looks.lanes // len(self.cases)


def groups(study: Study) -> list[list[Case]]:
    """Return the shifts of a study in groups that are measured together; they do not depend on who does the work."""
    found: list[list[Case]] = []
    for cases in study.cases:
        all_of = [Case(cases.shift, cases.hours, seed) for seed in range(cases.seeds[0], cases.seeds[1] + 1)]
        found += [all_of[i : i + TOGETHER] for i in range(0, len(all_of), TOGETHER)]
    return found


def measured(group: list[Case], rules: Rules, folder: Path, moved: Callable[[int], None] = lambda _: None) -> Measured:
    """Return a group's measures, from the folder where they are there already. moved: told of bed-seconds."""
    path = folder / f"{_digest(group, rules)}.npz"
    truth_path = path.with_suffix(".truth.json")
    if path.exists() and truth_path.exists():
        truth = msgspec.json.decode(truth_path.read_bytes(), type=list[TruthFile])
        return Measured(group, Looks.load(path), _fhr(path), truth)
    fhr, ua, truth = [], [], []
    for case in group:
        seconds = round(case.hours * 3600)
        for i, (scenario, skip_s) in enumerate(shift.placed(shift.load(case.shift))):
            labour = bed.simulate(scenario, case.seed * 1000 + i, skip_s + seconds)
            fhr.append(labour.fhr[skip_s * HZ :])
            ua.append(labour.ua[skip_s * HZ :])
            truth.append(structs.replace(labour.truth.since(skip_s, seconds), events=[], minutes=[]))
            moved(seconds)
    second_stage = [np.inf if t.second_stage_from_s is None else t.second_stage_from_s for t in truth]
    seen = looks.take(fhr, ua, second_stage, [t.weeks for t in truth], rules, moved)
    folder.mkdir(parents=True, exist_ok=True)
    seen.save(path)
    np.savez_compressed(path.with_suffix(".fhr.npz"), fhr=np.array(fhr, dtype=np.float32))
    truth_path.write_bytes(msgspec.json.encode(truth))  # the last: all of it is there
    return Measured(group, seen, np.array(fhr), truth)


def _fhr(path: Path) -> Floats:
    with np.load(path.with_suffix(".fhr.npz")) as found:
        fhr: Floats = found["fhr"].astype(np.float64)
    return fhr


def _digest(group: list[Case], rules: Rules) -> str:
    """Return what a group's measures depend on: the shifts, how signals are read, and the code that does both."""
    h = hashlib.sha256(repr((group, rules.reading, rules.rule_sets, rules.concern)).encode())
    h.update(repr(looks.measures_for(rules.policy)).encode())
    for case in {case.shift for case in group}:
        h.update(repr(shift.placed(shift.load(case))).encode())
    for package in ("simulator", "detect"):
        for source in sorted(_sources(files(package)), key=lambda s: s.name):
            h.update(source.read_bytes())
    return h.hexdigest()[:16]


def _sources(folder: Traversable) -> list[Traversable]:
    found = []
    for path in folder.iterdir():
        if path.is_dir():
            found += _sources(path)
        elif path.name.endswith(".py") or path.name == "physiology.toml":
            found.append(path)
    return found
