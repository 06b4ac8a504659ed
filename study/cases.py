"""The shifts of a study: their beds' signals, their truth, and what the detector measures. Kept on disk."""

import hashlib
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

import msgspec
import numpy as np

from quietward.contracts.errors import BadRecording, BadStudy, QuietwardError
from quietward.contracts.fields import HZ
from quietward.contracts.summary import Level
from quietward.detect.core.arrays import Floats, Ints
from quietward.detect.core.state.rules import Rules
from quietward.recordings import name_of
from quietward.recordings.files import find_recordings, read_recording
from quietward.recordings.recording import NOTHING_KNOWN, LabourContext
from quietward.simulator import emergency, scenario, shift
from quietward.simulator.bed import TICK_S, Bed
from quietward.simulator.emergency import Onset
from quietward.simulator.truth import TruthFile
from quietward.study import definitions, truth
from quietward.study.evaluations import Evaluations, evaluate_beds, policy_measures
from quietward.study.plan import Cases, Study
from quietward.study.staff_model import Done
from quietward.study.truth import KnownTruth

TOGETHER = 16
"""Shifts that are measured side by side: enough beds to spread the cost of a step, few enough for memory."""


OWN_CODE = ("cases.py", "definitions.py", "evaluations.py", "truth.py")
"""Of this package, what measures depend on; the rest is in the digest of jobs."""


class Case(NamedTuple):
    """One shift. beds: scenario and first second of each, or recordings: the path of each, with its length.

    emergencies: what befalls some of its beds.
    """

    shift: str
    hours: float
    seed: int
    beds: tuple[tuple[str, int], ...] = ()
    recordings: tuple[str, ...] = ()
    recorded_s: tuple[int, ...] = ()
    emergencies: tuple[Onset, ...] = ()

    @property
    def names(self) -> list[str]:
        """The names of the beds: of the scenario, or of the recording."""
        return [name for name, _ in self.beds] + [name_of(Path(path)) for path in self.recordings]

    @property
    def bed_s(self) -> list[int]:
        """How long each bed's signal lasts, in seconds."""
        most = round(self.hours * 3600)
        return [most] * len(self.beds) + [min(most, seconds) for seconds in self.recorded_s]

    def what(self, bed: int, t_s: float) -> str:
        """Return what is wrong at a bed at a moment: the emergency that has begun, or what its labour is."""
        begun = (onset.kind for onset in self.emergencies if onset.bed == bed and onset.at_s <= t_s)
        return next(begun, self.names[bed])


@dataclass(frozen=True)
class MeasuredShifts:
    """Some shifts with the same number of beds; beds are beds, shift by shift.

    fhr: bpm, 4 Hz, shape (beds, n), NaN where there is no value; seconds (length), truth: by bed; truth is None for a
    recording without a truth file.
    """

    cases: list[Case]
    evaluations: Evaluations
    fhr: Floats
    seconds: Ints
    truth: list[KnownTruth | None]

    @property
    def beds(self) -> int:
        """How many beds each shift has."""
        return self.evaluations.beds // len(self.cases)

    def one(self, place: int) -> "MeasuredShifts":
        """Return one of the shifts by itself."""
        own = slice(place * self.beds, (place + 1) * self.beds)
        evaluations = self.evaluations.of(range(own.start, own.stop))
        return MeasuredShifts([self.cases[place]], evaluations, self.fhr[own], self.seconds[own], self.truth[own])


def group_cases(study: Study, tell: Callable[[QuietwardError], None] = lambda _: None) -> list[list[Case]]:
    """Return the shifts of a study in groups that are measured together; the number of workers has no influence.

    tell: called with what is wrong with each recording that cannot be read; it is passed over.
    Raises BadStudy where a folder has no other.
    """
    groups: list[list[Case]] = []
    for cases in study.cases:
        of_these = _recorded(cases, tell) if cases.recordings else _simulated(cases)
        for _, alike in groupby(of_these, key=lambda case: len(case.beds) + len(case.recordings)):
            own = list(alike)
            groups += [own[i : i + TOGETHER] for i in range(0, len(own), TOGETHER)]
    return groups


def _simulated(cases: Cases) -> list[Case]:
    if cases.shift is None:
        beds = tuple((one, 0) for one in cases.scenarios)
    else:
        places = shift.load(cases.shift).bed
        beds = tuple((place.scenario, round(place.start_min * 60)) for place in places)
    first, last = cases.seeds or (0, 0)
    expected = cases.emergencies()
    return [
        Case(cases.kind, cases.hours, seed, beds,
             emergencies=() if expected is None else tuple(emergency.onsets(expected, len(beds), seed)))
        for seed in range(first, last + 1)
    ]  # fmt: skip


def _recorded(cases: Cases, tell: Callable[[QuietwardError], None]) -> list[Case]:
    folder = Path(cases.recordings or "")
    seconds: dict[str, int] = {}
    paths = find_recordings([folder])
    for path in paths:
        try:
            _known_truth(path)
            recording = read_recording(path)
            if recording.fhr2 is not None:
                raise BadRecording(str(path), "FHR2", "Is of twins, of whom a study would watch the first alone")
            seconds[str(path)] = recording.seconds
        except QuietwardError as error:
            tell(error)
    if not seconds:
        remedy = f"None of its {len(paths)} recordings can be read; see the message for each"
        raise BadStudy("cases: recordings", str(folder), remedy)
    names = list(seconds)
    chunks = [tuple(names[i : i + cases.beds]) for i in range(0, len(names), cases.beds)]
    return [
        Case(cases.kind, cases.hours, i, recordings=chunk, recorded_s=tuple(seconds[name] for name in chunk))
        for i, chunk in enumerate(chunks)
    ]


def _known_truth(recording: Path) -> KnownTruth | None:
    path = recording.with_name(f"{name_of(recording)}.truth.json")
    return truth.read(path) if path.exists() else None


def measure_shifts(
    group: list[Case], rules: Rules, folder: Path, moved: Callable[[int], None] = lambda _: None
) -> MeasuredShifts:
    """Return a group's measures, from the folder if they are there. moved: called with bed-seconds that are done.

    Raises BadScenario, BadRecording.
    """
    path = folder / f"{digest(group, rules)}.npz"
    truth_path = path.with_suffix(".truth.json")
    if path.exists() and truth_path.exists():
        known = msgspec.json.decode(truth_path.read_bytes(), type=list[KnownTruth | None])
        return MeasuredShifts(group, Evaluations.load(path), *_load_signals(path), known)
    beds = [bed for case in group for bed in (_read(case, moved) if case.recordings else _simulate(case, moved))]
    known = [bed.truth for bed in beds]
    measured = evaluate(beds, rules, moved)
    seconds = np.array([len(bed.fhr) // HZ for bed in beds])
    fhr = np.full((len(beds), round(max(case.hours for case in group) * 3600) * HZ), np.nan)
    for n, bed in enumerate(beds):
        fhr[n, : len(bed.fhr)] = bed.fhr
    folder.mkdir(parents=True, exist_ok=True)
    measured.save(path)
    np.savez_compressed(path.with_suffix(".fhr.npz"), fhr=fhr, seconds=seconds)
    truth_path.write_bytes(msgspec.json.encode(known))  # the last: it marks the others as complete
    return MeasuredShifts(group, measured, fhr, seconds, known)


def evaluate(beds: "Sequence[BedSignals]", rules: Rules, moved: Callable[[int], None] = lambda _: None) -> Evaluations:
    """Return what the detector measures at some beds side by side."""
    second_stage, weeks = [], []
    for bed in beds:
        stage_s, of_truth = (None, 0) if bed.truth is None else (bed.truth.second_stage_from_s, bed.truth.weeks)
        second_stage.append(bed.labour.second_stage_from_s if stage_s is None else stage_s)
        weeks.append(of_truth or bed.labour.weeks)
    return evaluate_beds([bed.fhr for bed in beds], [bed.ua for bed in beds], second_stage, weeks, rules, moved)


def with_births(measured: MeasuredShifts, after_s: float) -> MeasuredShifts:
    """Return the same where children are born so long after the team was first needed for an emergency."""
    fhr, seconds, known = measured.fhr.copy(), measured.seconds.copy(), list(measured.truth)
    ends_s = np.full(len(known), np.inf)
    for place, case in enumerate(measured.cases):
        for onset in case.emergencies:
            bed = place * measured.beds + onset.bed
            before = known[bed]
            needs = [] if before is None else before.needs
            born_s = after_s + min((n.from_s for n in needs if n.what == Level.TEAM.value), default=math.inf)
            if before is not None and born_s < seconds[bed]:
                seconds[bed], known[bed], ends_s[bed] = int(born_s), truth.until(before, born_s), born_s
                fhr[bed, int(born_s) * HZ :] = np.nan
    return MeasuredShifts(measured.cases, measured.evaluations.until(ends_s), fhr, seconds, known)


class BedSignals(NamedTuple):
    """fhr (bpm), ua: 4 Hz, NaN where there is no value; truth: None where it is not known.

    labour: what a recording says, where the truth says nothing of it.
    """

    fhr: Floats
    ua: Floats
    truth: KnownTruth | None
    labour: LabourContext = NOTHING_KNOWN


def _simulate(case: Case, moved: Callable[[int], None]) -> Iterator[BedSignals]:
    for bed in range(len(case.beds)):
        yield simulate_bed(case, bed)
        moved(round(case.hours * 3600))


def simulate_bed(case: Case, bed: int, care: Sequence[Done] = ()) -> BedSignals:
    """Return what happens at one bed of a simulated shift. care: what is done there, in the order of time."""
    name, skip_s = case.beds[bed]
    seed, lived = shift.bed_seed(case.seed, bed), scenario.load(name)
    for onset in case.emergencies:
        if onset.bed == bed:
            lived = emergency.struck(lived, onset, skip_s, seed)
    labour = Bed(lived, seed)
    seconds = round(case.hours * 3600)
    parts = []

    def go_on(until_s: float) -> None:
        if ticks := math.ceil((until_s - labour.t_s) / TICK_S):
            parts.append(labour.advance(ticks))

    for one in care:
        go_on(skip_s + one.t_s)
        for what in one.what:
            labour.did(what)
    go_on(skip_s + seconds)
    kept = slice(skip_s * HZ, (skip_s + seconds) * HZ)
    fhr, ua = (np.concatenate(signals)[kept] for signals in ([p.fhr for p in parts], [p.ua for p in parts]))
    return BedSignals(fhr, ua, _known(labour.truth().since(skip_s, seconds)))


def _known(t: TruthFile) -> KnownTruth:
    return KnownTruth(
        t.needs, t.states, t.artefacts, t.weeks, t.second_stage_from_s, t.minutes, definitions.pathological(t)
    )


def _read(case: Case, moved: Callable[[int], None]) -> Iterator[BedSignals]:
    for name in case.recordings:
        path = Path(name)
        recording = read_recording(path)
        seconds = min(recording.seconds, round(case.hours * 3600))
        moved(seconds)
        fhr, ua = (signal.reshape(-1)[: seconds * HZ] for signal in recording.by_second())
        yield BedSignals(fhr, ua, _known_truth(path), recording.labour)


def _load_signals(path: Path) -> tuple[Floats, Ints]:
    with np.load(path.with_suffix(".fhr.npz")) as arrays:
        return arrays["fhr"], arrays["seconds"]


def digest(group: list[Case], rules: Rules) -> str:
    """Return a digest of all that a group's measures depend on.

    That is the shifts, the files of recordings with their truth, the signal parameters, and the code of both.
    """
    h = hashlib.sha256(repr((group, rules.reading, rules.rule_sets, rules.concern)).encode())
    h.update(repr(policy_measures(rules.policy)).encode())
    for name in sorted({name for case in group for name, _ in case.beds}):
        h.update(repr(scenario.load(name)).encode())
    for kind in sorted({onset.kind for case in group for onset in case.emergencies}):
        h.update(repr(emergency.load(kind)).encode())
    for name in (name for case in group for name in case.recordings):
        for path in _files_of(Path(name)):
            about = path.stat()
            h.update(f"{path} {about.st_size} {about.st_mtime_ns}".encode())
    h.update(_code())
    return h.hexdigest()[:16]


def _files_of(recording: Path) -> list[Path]:
    """Return all files of a recording: itself, its truth, and where a WFDB header stands for it, its data."""
    return sorted(path for path in recording.parent.iterdir() if path.name.startswith(f"{name_of(recording)}."))


@cache
def _code() -> bytes:
    h = hashlib.sha256()
    for source in _code_files():
        h.update(source.read_bytes())
    return h.digest()


def _code_files() -> list[Traversable]:
    """Return the code, and the tables beside it, by which measures come from shifts."""
    own = [one for one in files("quietward.study").iterdir() if one.name in OWN_CODE]
    others = [
        source
        for package in ("quietward.simulator", "quietward.detect", "quietward.recordings")
        for source in _sources(files(package))
    ]
    return sorted(own + others, key=str)


def _sources(folder: Traversable) -> list[Traversable]:
    sources = []
    for path in folder.iterdir():
        if path.is_dir():
            sources += _sources(path)
        elif path.name.endswith(".py") or path.name in ("physiology.toml", "responses.toml"):
            sources.append(path)
    return sources
