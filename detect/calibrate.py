"""Makes the weights of the concern from open expert votes: `python -m quietward.detect.calibrate FOLDER [--write]`.

FOLDER holds WFDB records, `experts.csv` (record, expert, rating, step1 to step3: 1 normal, 2 suspicious,
3 pathological) and `windows.csv` (record, step, start_sample, stop_sample), as the open CTU-UHB half is laid out.

Each finding of `concern.toml` keeps its measure, limits and sign; only its points are fitted, by non-negative least
squares to the mean vote of each window, so no finding can count against its sense. Class limits are those that agree
best with the majority. Agreement is reported by cross-validation with folds by record: no record is judged by weights
it helped to make.
"""

import argparse
import csv
import re
from collections import Counter, defaultdict
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import msgspec
import numpy as np

from quietward.contracts.errors import extra
from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.core.alerting.concern import Concern
from quietward.detect.core.arrays import Floats, Ints
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State
from quietward.recordings.files import read_recording
from quietward.recordings.recording import Recording

FOLDS, REPEATS, SEED = 5, 5, 0
LEAST_VOTES = 3
PER_VOTE = 50.0
"""Points for one step of the votes: a mean vote of 1 is a concern of 0, of 3 is 100."""


class Window(msgspec.Struct, frozen=True):
    """One judged window: its record, its step (1 to 3), its end, and what the experts said (first ratings only)."""

    record: str
    step: int
    end_s: int
    votes: list[int]

    @property
    def majority(self) -> int:
        """Most votes; ties to the worse class."""
        counts = Counter(self.votes)
        return max(rank for rank, n in counts.items() if n == max(counts.values()))


def windows(folder: Path) -> list[Window]:
    """Return the windows with enough votes."""
    votes: dict[tuple[str, str], list[int]] = defaultdict(list)
    with (folder / "experts.csv").open() as file:
        for row in csv.DictReader(file):
            if row["rating"] == "1":
                for step in "123":
                    if int(row[f"step{step}"]) > 0:
                        votes[row["record"], step].append(int(row[f"step{step}"]))
    with (folder / "windows.csv").open() as file:
        windows = [
            Window(r["record"], int(r["step"]), int(r["stop_sample"]) // HZ, votes[r["record"], r["step"]])
            for r in csv.DictReader(file)
        ]
    return [w for w in windows if len(w.votes) >= LEAST_VOTES]


def read(folder: Path, judged: list[Window], rules: Rules) -> tuple[Floats, Ints]:
    """Return what the detector says at the end of each window, as `at_ends` does."""
    names = sorted({w.record for w in judged})
    recordings = [read_recording(folder / f"{name}.hea") for name in names]
    return at_ends(recordings, [(names.index(w.record), w.end_s) for w in judged], rules)


def at_ends(recordings: list[Recording], ends: list[tuple[int, int]], rules: Rules) -> tuple[Floats, Ints]:
    """Return what the detector says at some ends: places of recordings, and seconds from their beginning.

    Each finding's share (0 to 1), shape (ends, findings), and the class under each rule set, shape (ends, rule sets);
    a class that cannot be said counts as 2.
    """
    beds = np.arange(len(recordings))
    longest = max(r.seconds for r in recordings)
    fhr, ua = np.full((2, longest, HZ, len(recordings)), np.nan)
    for i, recording in enumerate(recordings):
        fhr[: recording.seconds, :, i], ua[: recording.seconds, :, i] = recording.by_second()
    at: dict[int, list[int]] = defaultdict(list)
    for place, (_, end_s) in enumerate(ends):
        at[end_s - 1].append(place)
    unit = msgspec.structs.replace(
        rules.concern, finding=[msgspec.structs.replace(f, points=1.0) for f in rules.concern.finding]
    )
    rules = replace(rules, concern=unit)
    state = State(rules, [str(i) for i in beds], [""] * len(beds))
    found_shares = np.zeros((len(ends), len(unit.finding)))
    literal = np.zeros((len(ends), len(rules.rule_sets)), dtype=np.int64)
    events: list[Event] = []
    nothing = np.full(len(beds), np.nan)
    for second in range(longest):
        engine.advance(state, beds, np.full(len(beds), second), fhr[second], ua[second], nothing, events)
        if places := at[second]:
            ended = np.array([ends[place][0] for place in places])
            found_shares[places] = state.findings.points[:, ended].T
            literal[places] = [[c.rank or 2 for c in classes] for classes in summaries.classes_of(state, ended)]
        events.clear()
    return found_shares, literal


def weighted_kappa(a: Ints, b: Ints) -> float:
    """Return quadratic weighted kappa of two ratings from 1 to 3 (Cohen 1968)."""
    observed = np.zeros((3, 3))
    np.add.at(observed, (a - 1, b - 1), 1)
    return float(_kappa(observed))


def _kappa(observed: Floats) -> Floats:
    """Return weighted kappa of tables of counts, shape (3, 3, ...), one for each of the last axes."""
    weight = np.subtract.outer(np.arange(3), np.arange(3)) ** 2 / 4
    expected = np.einsum("i...,j...->ij...", observed.sum(axis=1), observed.sum(axis=0)) / observed.sum(axis=(0, 1))
    kappa: Floats = 1 - np.tensordot(weight, observed) / np.tensordot(weight, expected)
    return kappa


def fit(x: Floats, mean_vote: Floats, majority: Ints) -> tuple[Floats, float, float, float]:
    """Return points of each finding, the start, and the limits of class 2 and 3."""
    with extra("studies", "calibrate"):
        from scipy.optimize import nnls

    target = (mean_vote - 1) * PER_VOTE
    points, _ = nnls(np.column_stack([x, np.ones(len(x))]), target)
    two, three = class_limits(score(x, points[:-1], points[-1]), majority)
    return points[:-1], float(points[-1]), two, three


def class_limits(value: Floats, majority: Ints) -> tuple[float, float]:
    """Return from which values on class 2 and 3 agree best with the majority."""
    grid = np.unique(np.percentile(value, np.arange(5, 100, 2.5)))
    below = np.array([(value[majority == rank, None] < grid).sum(axis=0) for rank in (1, 2, 3)])  # (3, limits)
    all_of_class = np.array([[np.sum(majority == rank)] for rank in (1, 2, 3)])
    two, three = np.triu_indices(len(grid), 1)
    tables = np.stack([below[:, two], below[:, three] - below[:, two], all_of_class - below[:, three]], axis=1)
    best = int(np.argmax(_kappa(tables)))
    return float(grid[two[best]]), float(grid[three[best]])


def score(x: Floats, points: Floats, start: float) -> Floats:
    """Return the concern."""
    return np.clip(start + x @ points, 0, 100)


def ranks(value: Floats, two: float, three: float) -> Ints:
    """Return classes."""
    return 1 + (value >= two).astype(np.int64) + (value >= three)


def cross_validated(x: Floats, judged: list[Window]) -> tuple[float, float, float]:
    """Return kappa against the majority, share of pathological called normal, and of normal called pathological."""
    record = np.array([w.record for w in judged])
    majority = np.array([w.majority for w in judged])
    mean_vote = np.array([np.mean(w.votes) for w in judged])
    rng = np.random.default_rng(SEED)
    rounds = []
    for _ in range(REPEATS):
        order = rng.permutation(np.unique(record))
        said = np.zeros(len(record), dtype=np.int64)
        for fold in range(FOLDS):
            held_out = np.isin(record, order[fold::FOLDS])
            points, start, two, three = fit(x[~held_out], mean_vote[~held_out], majority[~held_out])
            said[held_out] = ranks(score(x[held_out], points, start), two, three)
        missed = np.mean(said[majority == 3] == 1)
        alarmed = np.mean(said[majority == 1] == 3)
        rounds.append((weighted_kappa(majority, said), float(missed), float(alarmed)))
    kappa, missed, alarmed = np.mean(rounds, axis=0)
    return float(kappa), float(missed), float(alarmed)


def rewritten(text: str, old: Concern, points: Floats, start: float, two: float, three: float, said: str) -> str:
    """Return concern.toml with new numbers; everything else, comments included, stays."""
    text = re.sub(r"^calibration = .*$", f'calibration = "{said}"', text, flags=re.MULTILINE)
    for name, value in (("start", start), ("class_2_from", two), ("class_3_from", three)):
        text = re.sub(rf"^{name} = .*$", f"{name} = {value:.1f}", text, flags=re.MULTILINE)
    for finding, value in zip(old.finding, points, strict=True):
        head = re.escape(f'name = "{finding.name}"')
        text = re.sub(rf"({head}.*?\npoints = )[\d.]+", rf"\g<1>{value:.1f}", text, count=1, flags=re.DOTALL)
    return text


def main() -> None:
    """Fit, report, and write if asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--write", action="store_true", help="write the numbers into detect/rules/concern.toml")
    options = parser.parse_args()
    rules = rule_file.load()
    judged = windows(options.folder)
    x, literal = read(options.folder, judged, rules)
    majority = np.array([w.majority for w in judged])
    kappa, missed, alarmed = cross_validated(x, judged)
    wording = ", ".join(
        f"{rule_set.name} {weighted_kappa(majority, classes):.3f}"
        for rule_set, classes in zip(rules.rule_sets, literal.T, strict=True)
    )
    said = (
        f"CTU-UHB development half, {len(judged)} windows, first ratings; quadratic weighted kappa against the "
        f"majority {kappa:.3f}, pathological called normal {missed:.1%}, normal called pathological {alarmed:.1%} "
        f"({FOLDS}-fold cross-validation by record, mean of {REPEATS}); for comparison the published wording taken "
        f"literally: {wording}"
    )
    points, start, two, three = fit(x, np.array([np.mean(w.votes) for w in judged]), majority)
    print(said)
    for finding, value in zip(rules.concern.finding, points, strict=True):
        print(f"{finding.name:24} {value:6.1f} points")
    print(f"{'start':24} {start:6.1f}\nclass 2 from {two:.1f}, class 3 from {three:.1f}")
    if options.write:
        path = Path(str(files("quietward.detect") / "rules" / "concern.toml"))
        path.write_text(rewritten(path.read_text(), rules.concern, points, start, two, three, said))


if __name__ == "__main__":
    main()
