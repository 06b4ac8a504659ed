"""The shifts of a study: their beds' signals, what is true of them, and what the detector measures. Kept on disk."""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

import msgspec
import numpy as np
from msgspec import structs

from quietward.contracts.messages import HZ
from quietward.detect.core.arrays import Floats, Ints
from quietward.detect.core.state.rules import Rules
from quietward.recordings.files import find_recordings, read_recording
from quietward.simulator import bed, scenario, shift, truth
from quietward.simulator.truth import TruthFile
from quietward.study import looks
from quietward.study.looks import Looks
from quietward.study.plan import Cases, Study

TOGETHER = 16
"""Shifts that are measured side by side: enough lanes to spread the cost of a step, few enough for memory."""


class Case(NamedTuple):
    """One shift. beds: scenario and first second of each, or recordings: the path of each."""

    shift: str
    hours: float
    seed: int
    beds: tuple[tuple[str, int], ...] = ()
    recordings: tuple[str, ...] = ()

    @property
    def names(self) -> list[str]:
        """What each bed is called: by its scenario, or by its recording."""
        return [name for name, _ in self.beds] + [Path(path).stem for path in self.recordings]


@dataclass(frozen=True)
class Measured:
    """Some shifts with as many beds, their lanes shift by shift.

    fhr: bpm, 4 Hz, shape (lanes, n), NaN where there is no value; seconds (how long each is), truth: by lane; None for
    a recording of which nothing is known.
    """

    cases: list[Case]
    looks: Looks
    fhr: Floats
    seconds: Ints
    truth: list[TruthFile | None]

    @property
    def beds(self) -> int:
        """How many beds each shift has."""
        return self.looks.lanes // len(self.cases)


def groups(study: Study) -> list[list[Case]]:
    """Return the shifts of a study in groups that are measured together; they do not depend on who does the work."""
    found: list[list[Case]] = []
    for cases in study.cases:
        all_of = _recorded(cases) if cases.recordings else _simulated(cases)
        for _, alike in groupby(all_of, key=lambda case: len(case.beds) + len(case.recordings)):
            own = list(alike)
            found += [own[i : i + TOGETHER] for i in range(0, len(own), TOGETHER)]
    return found


def _simulated(cases: Cases) -> list[Case]:
    if cases.shift is None:
        name, beds = "scenarios", tuple((one, 0) for one in cases.scenarios)
    else:
        places = shift.load(cases.shift).bed
        name, beds = cases.shift, tuple((place.scenario, round(place.start_min * 60)) for place in places)
    first, last = cases.seeds or (0, 0)
    return [Case(name, cases.hours, seed, beds) for seed in range(first, last + 1)]


def _recorded(cases: Cases) -> list[Case]:
    folder = Path(cases.recordings or "")
    paths = [str(path) for path in find_recordings([folder])]
    chunks = [tuple(paths[i : i + cases.beds]) for i in range(0, len(paths), cases.beds)]
    return [Case(folder.name, cases.hours, i, recordings=chunk) for i, chunk in enumerate(chunks)]


def measured(group: list[Case], rules: Rules, folder: Path, moved: Callable[[int], None] = lambda _: None) -> Measured:
    """Return a group's measures, from the folder where they are there already. moved: told of bed-seconds.

    Raises BadScenario, BadRecording.
    """
    path = folder / f"{_digest(group, rules)}.npz"
    truth_path = path.with_suffix(".truth.json")
    if path.exists() and truth_path.exists():
        known = msgspec.json.decode(truth_path.read_bytes(), type=list[TruthFile | None])
        return Measured(group, Looks.load(path), *_signals(path), known)
    labours = [one for case in group for one in (_read(case, moved) if case.recordings else _simulate(case, moved))]
    known = [one.truth and structs.replace(one.truth, events=[], minutes=[]) for one in labours]
    second_stage = [np.inf if t is None or t.second_stage_from_s is None else t.second_stage_from_s for t in known]
    weeks = [0 if t is None else t.weeks for t in known]
    seen = looks.take([one.fhr for one in labours], [one.ua for one in labours], second_stage, weeks, rules, moved)
    seconds = np.array([len(one.fhr) // HZ for one in labours])
    fhr = np.full((len(labours), round(max(case.hours for case in group) * 3600) * HZ), np.nan)
    for lane, one in enumerate(labours):
        fhr[lane, : len(one.fhr)] = one.fhr
    folder.mkdir(parents=True, exist_ok=True)
    seen.save(path)
    np.savez_compressed(path.with_suffix(".fhr.npz"), fhr=fhr, seconds=seconds)
    truth_path.write_bytes(msgspec.json.encode(known))  # the last: all of it is there
    return Measured(group, seen, fhr, seconds, known)


class _Labour(NamedTuple):
    fhr: Floats
    ua: Floats
    truth: TruthFile | None


def _simulate(case: Case, moved: Callable[[int], None]) -> Iterator[_Labour]:
    seconds = round(case.hours * 3600)
    for i, (name, skip_s) in enumerate(case.beds):
        labour = bed.simulate(scenario.load(name), case.seed * 1000 + i, skip_s + seconds)
        moved(seconds)
        part = slice(skip_s * HZ, None)
        yield _Labour(labour.fhr[part], labour.ua[part], labour.truth.since(skip_s, seconds))


def _read(case: Case, moved: Callable[[int], None]) -> Iterator[_Labour]:
    for name in case.recordings:
        path = Path(name)
        found = read_recording(path)
        seconds = min(found.seconds, round(case.hours * 3600))
        moved(seconds)
        fhr, ua = (signal.reshape(-1)[: seconds * HZ] for signal in found.by_second())
        told = path.with_suffix(".truth.json")
        yield _Labour(fhr, ua, truth.read(told) if told.exists() else None)


def _signals(path: Path) -> tuple[Floats, Ints]:
    with np.load(path.with_suffix(".fhr.npz")) as found:
        return found["fhr"], found["seconds"]


def _digest(group: list[Case], rules: Rules) -> str:
    """Return what a group's measures depend on: the shifts, how signals are read, and the code that does both."""
    h = hashlib.sha256(repr((group, rules.reading, rules.rule_sets, rules.concern)).encode())
    h.update(repr(looks.measures_for(rules.policy)).encode())
    for name in sorted({name for case in group for name, _ in case.beds}):
        h.update(repr(scenario.load(name)).encode())
    for name in (name for case in group for name in case.recordings):
        about = Path(name).stat()
        h.update(f"{name} {about.st_size} {about.st_mtime_ns}".encode())
    for package in ("quietward.simulator", "quietward.detect"):
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
