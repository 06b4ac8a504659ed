"""Whether what a study takes for a need is what experts call pathological: `python -m tests.bench.needs FOLDER`.

FOLDER holds WFDB records with expert votes, as `detect/calibrate.py` reads them. A study's second clock begins when the
trace meets a published definition (`study/definitions.py`). Here the same function reads what the detector finds in the
recordings in place of what a simulation knows, and is compared with the majority of the experts, window by window; so
are falls of five minutes, which a simulation calls a need by themselves. What is used up of a reserve no recording
says. A minute whose baseline or variability is not known counts as the one before it. Intervals are percentiles of a
bootstrap over records.
"""

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np

from quietward.contracts.notice import NOTICE
from quietward.detect import rule_file
from quietward.detect.assess import assess
from quietward.detect.assessment import Assessment
from quietward.detect.calibrate import weighted_kappa, windows
from quietward.detect.core.arrays import Bools, Ints
from quietward.recordings.files import read_recording
from quietward.simulator.physiology import physiology
from quietward.simulator.truth import MinuteTruth, Span, Truth, TruthFile
from quietward.study import definitions

MINUTE_S = 60
WINDOW_S = 1800
PATHOLOGICAL, NORMAL = 3, 1
RULE_SET = "nichd-2008"
DRAWS, SEED = 2000, 0
FALL = "a deceleration of 5 min"


def as_truth(found: Assessment) -> TruthFile:
    """Return what the detector has found in a recording as if it were the truth of a simulation."""
    events = [Truth("contraction", c.onset_s, c.peak_s, c.end_s, 0) for c in found.contractions]
    events += [Truth(f"{d.kind} deceleration", d.onset_s, d.nadir_s, d.end_s, d.depth_bpm) for d in found.decelerations]
    baseline = {point.t_s: point.bpm for point in found.baseline if point.bpm is not None}
    variability = {point.t_s: point.bpm for point in found.variability}
    level, moves, minutes = np.nan, np.nan, []
    for t_s in range(MINUTE_S, int(found.duration_s) + 1, MINUTE_S):
        level, moves = baseline.get(t_s, level), variability.get(t_s, moves)
        minutes.append(MinuteTruth(t_s, level, moves, 0.0))
    known = [m for m in minutes if m.baseline_bpm == m.baseline_bpm and m.variability_bpm == m.variability_bpm]
    return TruthFile("", "", "", "", 0, 4, int(found.duration_s), 0, None, events, [], [], [], [], known)


def long_falls(truth: TruthFile) -> list[Span]:
    """Return what a simulation calls a need for the team by its length alone, from when on it does."""
    lasts_s = physiology().needs.team_fall_s
    falls = [e for e in truth.events if "deceleration" in e.what and e.end_s - e.onset_s >= lasts_s]
    return [Span(FALL, e.onset_s + lasts_s, e.end_s) for e in falls]


def holds(spans: list[Span], end_s: int) -> bool:
    """Return whether one of them is there within the half hour that ends at `end_s`."""
    return any(s.from_s < end_s and s.until_s > end_s - WINDOW_S for s in spans)


def told(title: str, said: Bools, majority: Ints, record: Ints) -> None:
    """Print how often something holds in windows of each majority, and how it agrees with `pathological`."""
    rng = np.random.default_rng(SEED)
    places = [np.flatnonzero(record == r) for r in np.unique(record)]
    drawn = [np.concatenate([places[i] for i in rng.integers(0, len(places), len(places))]) for _ in range(DRAWS)]

    def line(what: str, of: Callable[[Ints], float]) -> None:
        low, high = np.nanpercentile([of(own) for own in drawn], (2.5, 97.5))
        print(f"  {what:48} {of(np.arange(len(said))):6.3f} ({low:.2f} to {high:.2f})")

    print(title)
    for rank, word in ((NORMAL, "normal"), (2, "suspicious"), (PATHOLOGICAL, "pathological")):
        own = majority == rank
        line(
            f"of {own.sum()} windows called {word}: {said[own].sum()}",
            lambda at, own=own: float(said[at][own[at]].mean()),  # type: ignore[misc]
        )
    line(
        f"of {said.sum()} at which it holds, called pathological",
        lambda at: float((majority[at][said[at]] == PATHOLOGICAL).mean()),
    )
    line("kappa with `pathological`", lambda at: weighted_kappa(1 + said[at], 1 + (majority[at] == PATHOLOGICAL)))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    options = parser.parse_args()
    judged = windows(options.folder)
    names = sorted({w.record for w in judged})
    recordings = [read_recording(options.folder / f"{name}.hea") for name in names]
    truths = [as_truth(found) for found in assess(recordings, rule_file.load(), RULE_SET)]
    spans = [definitions.pathological(truth) for truth in truths]
    falls = [long_falls(truth) for truth in truths]
    record = np.array([names.index(w.record) for w in judged])
    majority = np.array([w.majority for w in judged])
    print(f"{len(judged)} windows of {len(names)} records. {NOTICE}")
    for title, of in (("a published definition holds", spans), (FALL, falls)):
        said = np.array([holds(of[i], w.end_s) for i, w in zip(record, judged, strict=True)])
        told(title, said, majority, record)
    for what in sorted({s.what for own in spans for s in own}):
        said = np.array(
            [holds([s for s in spans[i] if s.what == what], w.end_s) for i, w in zip(record, judged, strict=True)]
        )
        told(f"of these: {what}", said, majority, record)


if __name__ == "__main__":
    main()
