"""Real or not: `python -m tests.bench.likeness FOLDER [--records N] [--seed S] [--plot FILE.png] [--json]`.

FOLDER holds WFDB records as `detect/calibrate.py` reads them. Simulated labours are set beside them, first and second
stages apart: how each summary of a recording is spread among real and among simulated ones, how all single values are,
and how well a classifier that was shown both tells recordings it was not shown. An area under the curve (AUC) of .5
is a guess, 1 is no error. What makes them differ says what to mend in the simulator; what does not differ in these
summaries may still differ in others.

Recordings are as long as they are: how long is no summary. A value that a recording does not have (the depth of
decelerations where there are none) is the median and a mark that it is missing, for real and simulated ones alike.
"""

import argparse
import json
import re
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray
from rich.console import Console
from rich.progress import Progress
from scipy.stats import ks_2samp
from sklearn.ensemble import RandomForestClassifier
from sklearn.impute import SimpleImputer
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import StratifiedKFold
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler

from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.detect import rule_file
from quietward.detect.assess import assess
from quietward.detect.assessment import Assessment
from quietward.recordings.files import read_recording
from quietward.recordings.recording import Recording
from quietward.simulator import bed, scenario
from tests import likeness

Matrix = NDArray[np.float64]

FIRST_S = 3600
FIRST_SAMPLES = FIRST_S * HZ
POPULATION = "mixed-last-hours"
LEAST_VALID = 1200
"""The open data's own rule for a second stage that was shown to the experts: five minutes of FHR."""
SECOND_MIN, SECOND_SHARE = (10, 15, 20, 25, 30), (0.44, 0.2, 0.18, 0.08, 0.1)
"""Lengths of second stages, about as often as among the open records."""
FOLDS, TREES, LEAST_LEAF, TELLING = 5, 300, 5, 10
CHANCE = 1.36
"""Times the root of 1/n + 1/m: the KS distance that chance alone exceeds in one case of twenty."""
FOREST = "random forest"
PARTS = {
    "FHR gaps": ("FHR gap", "FHR missing", "FHR between", "FHR change across"),
    "FHR samples": ("FHR step", "FHR run", "FHR whole", "FHR changes", "FHR change after"),
    "FHR spectrum": ("FHR power", "FHR lag"),
    "FHR findings": ("baseline", "variability", "deceleration", "acceleration", "half or double"),
    "contractions": ("contraction",),
    "UA": ("UA",),
}
"""Summaries that are also judged by themselves: with all of them together, one bad part hides the others."""
NAMED = (
    "FHR missing, share", "FHR gap median, s", "FHR gap 95 %, s", "FHR step 0, share", "FHR step, mean abs, bpm",
    "FHR step not 0 median, bpm", "FHR power", "baseline", "variability", "decelerations, per hour",
    "deceleration depth", "deceleration length", "contractions, per 10 min", "contraction length median, s",
)  # fmt: skip
"""What a strip is described by: gaps, steps, spectrum, baseline, variability, decelerations, contractions. All others
are about how recorders write and hold values, how toco and FHR go together, and what is lost where.
"""
REAL_COLOUR, SIMULATED_COLOUR = "tab:blue", "tab:orange"
STAGES = ("first", "second")


@dataclass(frozen=True)
class Pair:
    """One labour: the last 60 min of its first stage, and its second stage if there was one with enough signal."""

    first: Recording
    second: Recording | None


def simulated(count: int, seed: int) -> list[Pair]:
    """Return simulated labours; the same seed gives the same."""
    of = scenario.load(POPULATION)
    rng = np.random.default_rng(seed)
    found = []
    for i in range(count):
        minutes = int(rng.choice(SECOND_MIN, p=SECOND_SHARE))
        made = bed.simulate(of, seed + i, FIRST_S + minutes * 60)
        first, second = (
            Recording(f"simulated-{i}", made.fhr[part], made.ua[part])
            for part in (slice(0, FIRST_SAMPLES), slice(FIRST_SAMPLES, None))
        )
        found.append(Pair(first, second))
    return found


def real(folder: Path) -> list[Pair]:
    """Return the open records by name."""
    found = []
    for path in sorted(folder.glob("*.hea")):
        whole = read_recording(path)
        position = re.search(r"^#Pos\. II\.st\.\s+(-?\d+)", path.read_text(), re.MULTILINE)
        start = int(position[1]) if position else -1
        second = Recording(whole.name, whole.fhr[start:], whole.ua[start:]) if start > 0 else None
        if second and np.count_nonzero(~np.isnan(second.fhr)) < LEAST_VALID:
            second = None
        found.append(Pair(Recording(whole.name, whole.fhr[:FIRST_SAMPLES], whole.ua[:FIRST_SAMPLES]), second))
    return found


@dataclass(frozen=True)
class Group:
    """Recordings of one kind and one stage; features: shape (recordings, names); pooled: all single values by name."""

    recordings: list[Recording]
    names: list[str]
    features: Matrix
    pooled: dict[str, Matrix]


@dataclass(frozen=True)
class Compared:
    """One quantity. real, simulated: 10, 50 and 90 %; count: of values; auc: of this alone, None for pooled values."""

    name: str
    real: list[float]
    simulated: list[float]
    count: list[int]
    ks: float
    auc: float | None = None


@dataclass(frozen=True)
class Told:
    """How well a classifier tells them: AUC over folds, and what counts most with it, as shares of all."""

    name: str
    auc: float
    sd: float
    telling: list[tuple[str, float]]


@dataclass(frozen=True)
class Stage:
    """What was found of one stage."""

    name: str
    real: int
    simulated: int
    features: list[Compared]
    pooled: list[Compared]
    classifiers: list[Told]


def quantiles(values: Matrix) -> list[float]:
    """Return 10, 50 and 90 % of what is not NaN."""
    known = values[~np.isnan(values)]
    return np.quantile(known, (0.1, 0.5, 0.9)).tolist() if known.size else [float("nan")] * 3


def compared(name: str, a: Matrix, b: Matrix, auc: float | None = None) -> Compared:
    """Compare real values `a` with simulated ones `b`; NaN are left out, so a value one side never has gives no KS."""
    known = [x[~np.isnan(x)] for x in (a, b)]
    ks = float(ks_2samp(*known, method="asymp").statistic) if all(x.size for x in known) else float("nan")
    return Compared(name, quantiles(a), quantiles(b), [x.size for x in known], ks, auc)


def alone(values: Matrix, is_simulated: NDArray[np.bool_]) -> float:
    """Return the AUC of one summary, whichever of the two kinds has more of it; NaN count as the median."""
    known = values[~np.isnan(values)]
    filled = np.where(np.isnan(values), np.median(known) if known.size else 0.0, values)
    auc = float(roc_auc_score(is_simulated, filled))
    return max(auc, 1 - auc)


def classifiers(seed: int, trees: int = TREES) -> dict[str, Pipeline]:
    """Return the two untaught classifiers by name; all that is learnt from data is learnt inside a fold."""
    median = {"strategy": "median", "add_indicator": True, "keep_empty_features": True}
    forest = RandomForestClassifier(trees, min_samples_leaf=LEAST_LEAF, random_state=seed)
    linear = LogisticRegression(max_iter=5000)
    return {
        "logistic regression": make_pipeline(SimpleImputer(**median), StandardScaler(), linear),
        FOREST: make_pipeline(SimpleImputer(**median), forest),
    }


def tell(classifier: Pipeline, a: Matrix, b: Matrix, names: list[str], seed: int, title: str) -> Told:
    """Teach on four fifths and judge on the rest, five times; a, b: real and simulated, shape (recordings, names)."""
    x, y = np.concatenate([a, b]), np.repeat([0, 1], [len(a), len(b)])
    aucs, weights = [], []
    for shown, kept in StratifiedKFold(FOLDS, shuffle=True, random_state=seed).split(x, y):
        classifier.fit(x[shown], y[shown])
        aucs.append(float(roc_auc_score(y[kept], classifier.predict_proba(x[kept])[:, 1])))
        weights.append(_weights(classifier, len(names)))
    mean = np.mean(weights, axis=0)
    telling = [(names[i], float(mean[i])) for i in np.argsort(-mean)[:TELLING]]
    return Told(title, float(np.mean(aucs)), float(np.std(aucs)), telling)


def _weights(taught: Pipeline, count: int) -> Matrix:
    """Return how much each summary counts, shape (count,), in sum 1; what its absence counts is added to it.

    Taken from within the classifier and not from how much worse it is with one summary shuffled: as long as several
    tell the two kinds apart, none is missed.
    """
    last = taught[-1]
    found = np.abs(last.coef_[0]) if isinstance(last, LogisticRegression) else last.feature_importances_
    weights: Matrix = found[:count].copy()
    np.add.at(weights, taught[0].indicator_.features_, found[count:])
    return weights / weights.sum() if weights.sum() > 0 else weights


def grouped(found: list[Recording], rows: list[Assessment]) -> Group:
    """Summarise trimmed recordings with what the detector said of each."""
    summaries = [likeness.features(r, row) for r, row in zip(found, rows, strict=True)]
    values = [likeness.pooled(r, row) for r, row in zip(found, rows, strict=True)]
    names = list(summaries[0])
    pooled = {name: np.concatenate([v[name] for v in values]) for name in values[0]}
    return Group(found, names, np.array([[s[name] for name in names] for s in summaries]), pooled)


def compare(title: str, a: Group, b: Group, seed: int) -> Stage:
    """Compare real with simulated recordings of one stage."""
    x, y = np.concatenate([a.features, b.features]), np.repeat([False, True], [len(a.features), len(b.features)])
    features = [compared(name, a.features[:, i], b.features[:, i], alone(x[:, i], y)) for i, name in enumerate(a.names)]
    pooled = [compared(name, a.pooled[name], b.pooled[name]) for name in a.pooled]
    told = [tell(c, a.features, b.features, a.names, seed, kind) for kind, c in classifiers(seed).items()]
    few = [i for i, name in enumerate(a.names) if name.startswith(NAMED)]
    for kind, c in classifiers(seed).items():
        title_of = f"{kind}, {len(few)} that describe a strip"
        told.append(tell(c, a.features[:, few], b.features[:, few], [a.names[i] for i in few], seed, title_of))
    for part, prefixes in PARTS.items():
        some = [i for i, name in enumerate(a.names) if name.startswith(prefixes)]
        forest, chosen = classifiers(seed)[FOREST], [a.names[i] for i in some]
        told.append(tell(forest, a.features[:, some], b.features[:, some], chosen, seed, f"{FOREST}, only {part}"))

    def most(rows: list[Compared]) -> list[Compared]:
        # A value that one side never has cannot be compared, and that is the largest difference of all.
        return sorted(rows, key=lambda c: -np.inf if np.isnan(c.ks) else -c.ks)

    return Stage(title, len(a.recordings), len(b.recordings), most(features), most(pooled), told)


def measure(
    folder: Path, count: int | None, seed: int, progress: Progress
) -> tuple[list[Stage], dict[str, tuple[Group, Group]]]:
    """Compare so many (None: all) records with as many simulated labours; return also the groups by stage."""
    reading = progress.add_task("reading and simulating", total=None)
    open_ones = real(folder)
    if count is not None and count < len(open_ones):
        chosen = np.random.default_rng(seed).choice(len(open_ones), count, replace=False)
        open_ones = [open_ones[i] for i in sorted(chosen)]
    made = simulated(len(open_ones), seed)
    progress.remove_task(reading)
    rules = rule_file.load()
    stages, groups = [], {}
    for stage in STAGES:
        found = [
            [likeness.trimmed(r) for pair in kind if (r := getattr(pair, stage)) is not None]
            for kind in (open_ones, made)
        ]
        together = [*found[0], *found[1]]
        task = progress.add_task(f"{stage} stages: detector", total=sum(r.seconds for r in together))
        rows = assess(together, rules, "figo-2015", lambda n, task=task: progress.advance(task, n))  # type: ignore[misc]
        task = progress.add_task(f"{stage} stages: summaries, classifiers", total=None)
        groups[stage] = (grouped(found[0], rows[: len(found[0])]), grouped(found[1], rows[len(found[0]) :]))
        stages.append(compare(stage, *groups[stage], seed))
        progress.update(task, total=1, completed=1)
    return stages, groups


def show(stage: Stage) -> None:
    """Print what was found of one stage."""
    print(f"\n{stage.name.upper()} STAGE: {stage.real} real, {stage.simulated} simulated recordings")
    by_chance = CHANCE * np.sqrt(1 / stage.real + 1 / stage.simulated)
    print(f"  chance alone makes a KS of more than {by_chance:.2f} in one of twenty summaries")
    for told in stage.classifiers:
        print(f"  {told.name}: AUC {told.auc:.3f} (sd over {FOLDS} folds {told.sd:.3f})")
        print("".join(f"    {weight:6.1%}  {name}\n" for name, weight in told.telling), end="")
    for title, rows in (("summaries of recordings", stage.features), ("all single values", stage.pooled)):
        print(f"  {title:52} {'real 50 % [10, 90 %]':34} {'simulated':34}    KS   AUC")
        for row in rows:
            cells = [f"{q[1]:9.4g} [{q[0]:9.4g}, {q[2]:9.4g}]" for q in (row.real, row.simulated)]
            auc = "" if row.auc is None else f"{row.auc:6.3f}"
            print(f"  {row.name:52} {cells[0]:34} {cells[1]:34} {row.ks:5.3f} {auc}")


ROWS, COLUMNS, STRIPS, STRIP_S = 6, 5, 4, 1200


def draw(stages: list[Stage], groups: dict[str, tuple[Group, Group]], seed: int) -> Figure:
    """Draw all pooled values, the summaries that differ most, and strips of some recordings."""
    figure = Figure(figsize=(20, 58), layout="constrained")
    parts = np.atleast_1d(
        np.asarray(figure.subfigures(2 * len(stages), 1, height_ratios=[ROWS * 3, STRIPS * 3] * len(stages)))
    )
    rng = np.random.default_rng(seed)
    for k, stage in enumerate(stages):
        a, b = groups[stage.name]
        upper, lower = parts[2 * k], parts[2 * k + 1]
        aucs = ", ".join(f"{t.name} AUC {t.auc:.3f}" for t in stage.classifiers[:2])
        upper.suptitle(
            f"{stage.name.capitalize()} stage, {stage.real} real and {stage.simulated} simulated: {aucs}\n{NOTICE}",
            fontsize=14,
        )
        panels = upper.subplots(ROWS, COLUMNS).ravel()
        values = [(row, a.pooled[row.name], b.pooled[row.name]) for row in stage.pooled]
        columns = {name: i for i, name in enumerate(a.names)}
        values += [(row, a.features[:, columns[row.name]], b.features[:, columns[row.name]]) for row in stage.features]
        for panel, (row, x, y) in zip(panels, values, strict=False):
            _overlay(panel, row, x, y)
        strips = lower.subplots(STRIPS * 2, 2, sharex=True, height_ratios=[2, 1] * STRIPS)
        for column, (title, group, colour) in enumerate((("real", a, REAL_COLOUR), ("simulated", b, SIMULATED_COLOUR))):
            strips[0, column].set_title(f"{title}, {stage.name} stage, {STRIP_S // 60} min")
            picked = rng.choice(len(group.recordings), min(STRIPS, len(group.recordings)), replace=False)
            for place, i in enumerate(picked):
                _strip(strips[2 * place, column], strips[2 * place + 1, column], group.recordings[i], colour)
    return figure


def _overlay(panel: Axes, row: Compared, x: Matrix, y: Matrix) -> None:
    x, y = x[~np.isnan(x)], y[~np.isnan(y)]
    panel.set_title(f"{row.name}: KS {row.ks:.2f}", fontsize=9)
    if not x.size or not y.size:
        return
    low, high = (float(f(np.quantile(x, q), np.quantile(y, q))) for f, q in ((np.minimum, 0.01), (np.maximum, 0.99)))
    # What lies outside is shown in the outermost bins: nothing is cut away.
    bins = np.linspace(low, high if high > low else low + 1, 41)
    for z, colour, label in ((x, REAL_COLOUR, "real"), (y, SIMULATED_COLOUR, "simulated")):
        weights = np.full(len(z), 1 / len(z))
        panel.hist(np.clip(z, bins[0], bins[-1]), bins.tolist(), weights=weights, color=colour, alpha=0.5, label=label)
    panel.set_yticks([])
    panel.legend(fontsize=7)


def _strip(upper: Axes, lower: Axes, recording: Recording, colour: str) -> None:
    n = min(STRIP_S * HZ, len(recording.fhr))
    minutes = np.arange(n) / HZ / 60
    upper.plot(minutes, recording.fhr[-n:], color=colour, lw=0.6)
    lower.plot(minutes, recording.ua[-n:], color=colour, lw=0.6)
    upper.set(ylim=(50, 210), ylabel="FHR, bpm")
    lower.set(ylim=(0, 128), ylabel="UA")
    for panel in (upper, lower):
        panel.grid(alpha=0.4)


def _told(stages: list[Stage], seed: int) -> dict[str, Any]:
    return {"notice": NOTICE, "seed": seed, "stages": {stage.name: asdict(stage) for stage in stages}}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--records", type=int, help="so many open records, by chance; all if not given")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plot", type=Path)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    with Progress(console=Console(stderr=True)) as progress:
        stages, groups = measure(options.folder, options.records, options.seed, progress)
    if options.json:
        # msgspec writes NaN as null, so that any reader of JSON can read it
        print(json.dumps(json.loads(msgspec.json.encode(_told(stages, options.seed))), indent=1))
    else:
        print(NOTICE)
        for stage in stages:
            show(stage)
    if options.plot:
        draw(stages, groups, options.seed).savefig(options.plot, dpi=70)
        print(f"drawn: {options.plot}", file=sys.stderr)


if __name__ == "__main__":
    main()
