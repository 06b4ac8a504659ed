"""Pictures of the strips on which the concern is farthest from the experts, to be looked at: who is right, and why?

`python -m tests.bench.disagreements FOLDER OUT [--most 20]` reads open recordings with expert votes from FOLDER, as
`detect/calibrate.py` does, and draws up to 27 minutes before the end of each such window into OUT/index.html. How far:
the concern, 0 to 100, less the mean vote on the same scale (normal 0, suspicious 50, pathological 100). The pictures
are of others' data: they stay where they are drawn.
"""

import argparse
from pathlib import Path
from typing import NamedTuple

import numpy as np

import quietward
from quietward.contracts.notice import NOTICE
from quietward.detect import rule_file
from quietward.detect.calibrate import PER_VOTE, Window, read, score, windows
from quietward.recordings.files import read_recording
from tests.bench.calls import page

SHOWN_S = 1620
CLASSES = ("normal", "suspicious", "pathological")


class Disagreement(NamedTuple):
    """A window, the concern at its end, and the points that each finding adds to it."""

    window: Window
    concern: float
    parts: dict[str, float]

    @property
    def too_high(self) -> float:
        """How much the concern is above the mean vote."""
        return self.concern - PER_VOTE * (float(np.mean(self.window.votes)) - 1)


def farthest(folder: Path, most: int) -> list[Disagreement]:
    """Return the windows with the largest disagreement, that one first."""
    judged, rules = windows(folder), rule_file.load()
    shares, _ = read(folder, judged, rules)
    points = np.array([f.points for f in rules.concern.finding])
    values = score(shares, points, rules.concern.start)
    names = [f.name for f in rules.concern.finding]
    found = [
        Disagreement(window, float(value), dict(zip(names, (share * points).tolist(), strict=True)))
        for window, value, share in zip(judged, values, shares, strict=True)
    ]
    return sorted(found, key=lambda one: -abs(one.too_high))[:most]


def told(one: Disagreement) -> tuple[str, str, str]:
    """Return in words which strip it is, what we said of it, and what they said."""
    votes = ", ".join(f"{one.window.votes.count(k + 1)} {name}" for k, name in enumerate(CLASSES))
    parts = ", ".join(f"{name} {points:.0f}" for name, points in one.parts.items() if points >= 1)
    w = one.window
    return f"{w.record}, step {w.step}, to minute {w.end_s / 60:g}", f"{one.concern:.0f} ({parts})", votes


def drawn(folder: Path, window: Window) -> str:
    """Return the strip as SVG."""
    r = read_recording(folder / f"{window.record}.hea")
    found = quietward.assess(r.fhr, r.ua, second_stage_from_s=r.labour.second_stage_from_s, name=window.record)
    return found.strip(max(0.0, min(window.end_s, found.duration_s) - SHOWN_S))


def main() -> None:
    """Print the table, and draw."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--most", type=int, default=20, help="how many")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    print(NOTICE, "| strip | concern | votes |", "| --- | --- | --- |", sep="\n")
    strips = []
    for one in farthest(options.folder, options.most):
        which, ours, theirs = told(one)
        print(f"| {which} | {ours} | {theirs} |", flush=True)
        strips.append((which, f"Concern {ours}. Experts: {theirs}.", drawn(options.folder, one.window)))
    (options.out / "index.html").write_text(page("Farthest from the experts", strips))


if __name__ == "__main__":
    main()
