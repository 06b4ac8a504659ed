"""How well the concern agrees with experts: `python -m tests.bench.concern FOLDER [--seed 0]`, 40 s of a core.

FOLDER holds open recordings with expert votes, as `detect/calibrate.py` reads them. Every figure is of records that the
points and class limits have not seen: folds by record, repeated with other folds, means of the repeats. Intervals are
percentiles of a bootstrap over records. Beside the concern as it is stand: each finding left out, fewer records to fit
it on, tree ensembles on the same findings (what a transparent sum costs), and forms that look at the second stage for
itself; of these, one is chosen inside each fold and measured outside (nested).
"""

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import numpy as np
from scipy.stats import spearmanr
from sklearn.base import RegressorMixin
from sklearn.ensemble import GradientBoostingRegressor, RandomForestRegressor
from sklearn.model_selection import GroupKFold, cross_val_predict

from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.detect import rule_file
from quietward.detect.calibrate import Window, at_ends, class_limits, fit, ranks, score, weighted_kappa, windows
from quietward.detect.core.alerting.concern import Concern
from quietward.detect.core.arrays import Bools, Floats, Ints
from quietward.detect.core.state.rules import Rules
from quietward.recordings.files import read_recording
from quietward.recordings.recording import Recording

FOLDS, REPEATS, INNER_FOLDS = 5, 5, 4
DRAWS, RANK_DRAWS = 2000, 200
CURVE = (0.1, 0.2, 0.35, 0.5, 0.75, 1.0)
HALF_HOUR_S = 1800
PLATEAU_PERCENTILE, BELOW_PLATEAU_BPM, FULL_SHARE = 75, 30, 0.35
"""The plateau: what a quarter of the half hour's FHR is above. Share of the time below it that counts in full."""
LEAST_SAMPLES = 120

Model = Callable[[Floats, "Votes", Floats], tuple[Floats, Ints]]
"""Takes shares and votes it may see and shares it is asked about; returns values and classes of these."""


@dataclass(frozen=True)
class Votes:
    """What is known of each window, shape (windows,). record: number of its record; mean: of the votes, 1 to 3."""

    record: Ints
    majority: Ints
    mean: Floats

    @classmethod
    def of(cls, judged: list[Window]) -> Self:
        _, record = np.unique([w.record for w in judged], return_inverse=True)
        mean = np.array([np.mean(w.votes) for w in judged])
        return cls(record, np.array([w.majority for w in judged]), mean)

    def at(self, windows: Bools | Ints) -> "Votes":
        return Votes(self.record[windows], self.majority[windows], self.mean[windows])


@dataclass(frozen=True)
class Said:
    """What was said of windows by what has not seen their records, shape (repeats, windows)."""

    value: Floats
    rank: Ints


def linear(x: Floats, votes: Votes, asked: Floats) -> tuple[Floats, Ints]:
    """The concern: non-negative points, two limits."""
    points, start, two, three = fit(x, votes.mean, votes.majority)
    value = score(asked, points, start)
    return value, ranks(value, two, three)


def ensemble(make: Callable[[], RegressorMixin]) -> Model:
    """Return a model of trees; its limits come from records that the trees had not seen."""

    def model(x: Floats, votes: Votes, asked: Floats) -> tuple[Floats, Ints]:
        unseen = cross_val_predict(make(), x, votes.mean, groups=votes.record, cv=GroupKFold(INNER_FOLDS))
        value = make().fit(x, votes.mean).predict(asked)
        return value, ranks(value, *class_limits(unseen, votes.majority))

    return model


def forest() -> RegressorMixin:
    return RandomForestRegressor(100, min_samples_leaf=5, max_features=0.5, random_state=0, n_jobs=1)


def boosting() -> RegressorMixin:
    return GradientBoostingRegressor(n_estimators=150, learning_rate=0.05, max_depth=3, subsample=0.5, random_state=0)


def parted(record: Ints, folds: int, random: np.random.Generator) -> list[Ints]:
    """Return the windows left out in each fold; a record's windows stay together."""
    order = random.permutation(np.unique(record))
    return [np.flatnonzero(np.isin(record, order[k::folds])) for k in range(folds)]


def out_of_fold(
    x: Floats, votes: Votes, model: Model, seed: int, folds: int = FOLDS, repeats: int = REPEATS, share: float = 1.0
) -> Said:
    """Return what a model says of records it has not seen. share: of the other records, what it may see."""
    random = np.random.default_rng(seed)
    value, rank = np.zeros((repeats, len(x))), np.zeros((repeats, len(x)), dtype=np.int64)
    for repeat in range(repeats):
        for left_out in parted(votes.record, folds, random):
            others = np.setdiff1d(votes.record, votes.record[left_out])
            seen = np.isin(votes.record, random.permutation(others)[: round(share * len(others))])
            value[repeat, left_out], rank[repeat, left_out] = model(x[seen], votes.at(seen), x[left_out])
    return Said(value, rank)


def nested(forms: dict[str, Floats], votes: Votes, seed: int) -> tuple[Said, Counter[str]]:
    """Return what is said of each record by the form that the other records chose, and how often each was chosen."""
    random = np.random.default_rng(seed)
    n = len(votes.record)
    value, rank = np.zeros((REPEATS, n)), np.zeros((REPEATS, n), dtype=np.int64)
    picked: Counter[str] = Counter()
    for repeat in range(REPEATS):
        for left_out in parted(votes.record, FOLDS, random):
            seen = np.setdiff1d(np.arange(n), left_out)
            own, inner_seed = votes.at(seen), int(random.integers(2**31))
            agree = {
                name: kappa(own, out_of_fold(x[seen], own, linear, inner_seed, INNER_FOLDS, 1))
                for name, x in forms.items()
            }
            best = max(forms, key=lambda name: agree[name])
            picked[best] += 1
            value[repeat, left_out], rank[repeat, left_out] = linear(forms[best][seen], own, forms[best][left_out])
    return Said(value, rank), picked


def kappa(votes: Votes, said: Said) -> float:
    return float(np.mean([weighted_kappa(votes.majority, rank) for rank in said.rank]))


def spearman(votes: Votes, said: Said) -> float:
    return float(np.mean([spearmanr(value, votes.mean)[0] for value in said.value]))


def called_normal(votes: Votes, said: Said) -> float:
    """Return the share of windows called pathological by the majority and normal by us."""
    return float(np.mean(said.rank[:, votes.majority == 3] == 1))


def interval(votes: Votes, said: Said, measure: Callable[[Votes, Said], float], seed: int, draws: int) -> str:
    """Return the middle 95 % over resampled records, in words."""
    random = np.random.default_rng(seed)
    own = [np.flatnonzero(votes.record == record) for record in np.unique(votes.record)]
    found = []
    for _ in range(draws):
        drawn = np.concatenate([own[i] for i in random.integers(0, len(own), len(own))])
        found.append(measure(votes.at(drawn), Said(said.value[:, drawn], said.rank[:, drawn])))
    low, high = np.percentile(found, (2.5, 97.5))
    return f"{low:.3f} to {high:.3f}"


def below_plateau(recordings: list[Recording], ends: list[tuple[int, int]]) -> Floats:
    """Return how much of the half hour before each end is far below its plateau, 0 to 1 of what counts in full."""
    shares = np.zeros(len(ends))
    for place, (i, end_s) in enumerate(ends):
        fhr = recordings[i].fhr[max(0, end_s - HALF_HOUR_S) * HZ : end_s * HZ]
        fhr = fhr[~np.isnan(fhr)]
        if len(fhr) >= LEAST_SAMPLES:
            far = fhr < np.percentile(fhr, PLATEAU_PERCENTILE) - BELOW_PLATEAU_BPM
            shares[place] = min(1.0, far.mean() / FULL_SHARE)
    return shares


def forms_of(folder: Path, judged: list[Window], rules: Rules) -> dict[str, Floats]:
    """Return the shares of the findings at each window, shape (windows, findings), in each form; the first is as it is.

    The score of half an hour before is made with the points as they are, which have seen all records.
    """
    names = sorted({w.record for w in judged})
    recordings = [read_recording(folder / f"{name}.hea") for name in names]
    ends = [(names.index(w.record), w.end_s) for w in judged]
    x, _ = at_ends(recordings, ends, rules)
    told("the windows have been read")
    before, _ = at_ends(recordings, [(i, max(1, end_s - HALF_HOUR_S)) for i, end_s in ends], rules)
    told("and half an hour before")
    begins = [recordings[i].labour.second_stage_from_s for i, _ in ends]
    second = np.array([end_s > begin for (_, end_s), begin in zip(ends, begins, strict=True)])
    cut, cut_ends = [], []
    for k in np.flatnonzero(second).tolist():
        (i, end_s), begin = ends[k], int(begins[k])
        cut.append(Recording(names[i], recordings[i].fhr[begin * HZ :], recordings[i].ua[begin * HZ :]))
        cut_ends.append((len(cut) - 1, end_s - begin))
    alone = x.copy()
    alone[second], _ = at_ends(cut, cut_ends, rules)
    told("and the second stage alone")
    points = np.array([f.points for f in rules.concern.finding])
    earlier = score(before, points, rules.concern.start)[:, None] / 100
    return {
        "as it is": x,
        "the first stage as a finding": np.column_stack([x, ~second]),
        "nothing from before the second stage": alone,
        "time 30 bpm below the plateau as a finding": np.column_stack([x, below_plateau(recordings, ends)]),
        "the score of 30 min before as a finding": np.column_stack([x, earlier]),
    }


def told(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def row(name: str, votes: Votes, said: Said) -> str:
    return f"| {name} | {kappa(votes, said):.3f} | {called_normal(votes, said):.1%} | {spearman(votes, said):.3f} |"


HEAD = ["", "| | kappa | pathological called normal | Spearman |", "| --- | --- | --- | --- |"]


def tables(judged: list[Window], forms: dict[str, Floats], concern: Concern, seed: int) -> str:
    """Return all figures as Markdown."""
    votes, x = Votes.of(judged), forms["as it is"]
    said = out_of_fold(x, votes, linear, seed)
    told("cross-validated")
    lines = [
        f"{len(judged)} windows of {len(np.unique(votes.record))} records, seed {seed}.",
        "",
        "| | measured | 95 % of resampled records |",
        "| --- | --- | --- |",
        *(
            f"| {name} | {measure(votes, said):.3f} | {interval(votes, said, measure, seed, draws)} |"
            for name, measure, draws in (
                ("quadratic weighted kappa", kappa, DRAWS),
                ("pathological called normal", called_normal, DRAWS),
                ("Spearman with the mean vote", spearman, RANK_DRAWS),
            )
        ),
    ]
    told("bootstrapped")
    lines += [*HEAD, row("as it is", votes, said)]
    for i, finding in enumerate(concern.finding):
        lines.append(row(f"without {finding.name}", votes, out_of_fold(np.delete(x, i, 1), votes, linear, seed)))
    told("each finding left out")
    lines += HEAD
    for share in CURVE:
        records = round(share * len(np.unique(votes.record)) * (FOLDS - 1) / FOLDS)
        lines.append(row(f"fitted on {records} records", votes, out_of_fold(x, votes, linear, seed, share=share)))
    told("learning curve")
    lines += HEAD
    for name, make in (("random forest", forest), ("boosted trees", boosting)):
        lines.append(row(name, votes, out_of_fold(x, votes, ensemble(make), seed)))
        told(name)
    lines += HEAD
    for name, shares in forms.items():
        lines.append(row(name, votes, out_of_fold(shares, votes, linear, seed)))
    told("forms")
    chosen, picked = nested(forms, votes, seed)
    often = ", ".join(f"{name} {times}" for name, times in picked.most_common())
    lines += [row("chosen inside, nested", votes, chosen), "", f"Chosen in {FOLDS * REPEATS} folds: {often}."]
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=0, help="of the folds and of resampled records")
    options = parser.parse_args()
    told(NOTICE)
    judged, rules = windows(options.folder), rule_file.load()
    print(tables(judged, forms_of(options.folder, judged, rules), rules.concern, options.seed))


if __name__ == "__main__":
    main()
