"""How soon a wrong rate is doubted, how often a right one: `python -m tests.bench.doubt [FOLDER] [--seeds 820-823]`.

Simulated labours of ten hours (`tests/truth.py`), as they are and with stretches of 2 to 7 minutes at a wrong rate, at
once or after a gap of 4 or 20 s: the mother's pulse, 15 to 35 bpm below the baseline and no pulse on the wire; half of
a tachycardia; double of a rate that has fallen to 62 to 78 bpm. Told are how many are doubted within a minute, and the
share of all other time that is doubted. The mother's pulses that count are 15 bpm and more away from what was shown
before, and that near the baseline: what is hidden among falls cannot be seen. Of recordings in FOLDER nobody knows what
is wrong: the share of their time that is doubted.
"""

import argparse
from pathlib import Path

import numpy as np

from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.detect.core import engine
from quietward.detect.core.arrays import Floats
from quietward.detect.core.measures.findings import STEPPED
from quietward.detect.core.state.state import State
from quietward.recordings.files import read_recording
from quietward.recordings.recording import Recording
from quietward.simulator.bed import SimulatedLabour
from quietward.simulator.noise import Noise
from tests import truth
from tests.bench.events import HOURS, LOSSES
from tests.traces import RULES, Signal

Stretch = tuple[int, int]
"""First second at the wrong rate, and the one after it."""
WITHIN_S = 60
OVER_S = 15
"""So long after its end a doubt is not held against the detector."""
TACHYCARDIA_BPM = 38
FALLS_S, RETURNS_S = 20, 90
LEAST_BPM = 15
BEFORE_S, LEVEL_S = 12, 40
KINDS = ("as it is", "mother's pulse", "half", "double")


def spoilt(labour: SimulatedLabour, kind: str, random: np.random.Generator) -> tuple[Signal, list[Stretch]]:
    """Return the FHR with stretches at a wrong rate, and where they are."""
    fhr, stretches = labour.fhr + (TACHYCARDIA_BPM if kind == "half" else 0), []
    at, seconds = 900, len(fhr) // HZ
    t = np.arange(len(fhr)) / HZ
    while kind != "as it is" and at < seconds - 900:
        length_s, gap_s = int(random.integers(120, 420)), int(random.choice([0, 0, 4, 20]))
        begins, ends = at + gap_s, at + gap_s + length_s
        part = slice(begins * HZ, ends * HZ)
        level_bpm = float(labour.baseline[at * HZ])
        if kind == "mother's pulse":
            size = ends * HZ - begins * HZ
            noise = 4 * Noise([int(random.integers(2**30))], (0.01, 0.12), (0.5, 0.5)).take(size)
            mothers = level_bpm - random.uniform(15, 35) + noise + np.nan_to_num(labour.ua[part]) / 4
            fhr[part] = np.where(np.isnan(fhr[part]), np.nan, np.round(mothers * 4) / 4)
        elif kind == "half":
            fhr[part] /= 2
        else:
            corners = [at - FALLS_S, at, ends, ends + RETURNS_S]
            fhr -= (level_bpm - random.uniform(62, 78)) * np.interp(t, corners, [0, 1, 1, 0])
            fhr[part] *= 2
        fhr[at * HZ : begins * HZ] = np.nan
        stretches.append((begins, ends))
        at = ends + int(random.integers(600, 1200))
    return fhr, stretches


def doubted(recordings: list[Recording]) -> list[Floats]:
    """Return of each recording, second by second, whether the rate is doubted (1) or not (0)."""
    state = State(RULES, [str(i) for i in range(len(recordings))], [""] * len(recordings))
    longest = max(r.seconds for r in recordings)
    fhr, ua = np.full((2, longest, HZ, len(recordings)), np.nan)
    for i, r in enumerate(recordings):
        fhr[: r.seconds, :, i], ua[: r.seconds, :, i] = r.by_second()
    found = np.zeros((longest, len(recordings)))
    every, nothing = np.arange(len(recordings)), np.full(len(recordings), np.nan)
    for second in range(longest):
        engine.advance(state, every, every * 0 + second, fhr[second], ua[second], nothing, [])
        found[second] = state.findings.values[0, STEPPED]
    return [found[: r.seconds, i] for i, r in enumerate(recordings)]


def counts(fhr: Signal, baseline: Signal, stretch: Stretch) -> bool:
    """Return whether a stretch is away from what was shown before, and that was near the baseline."""
    before = fhr[: stretch[0] * HZ]
    shown = float(np.mean(before[~np.isnan(before)][-BEFORE_S * HZ :]))
    there = fhr[stretch[0] * HZ : (stretch[0] + LEVEL_S) * HZ]
    away = abs(float(np.mean(there[~np.isnan(there)])) - shown) if not np.isnan(there).all() else 0.0
    return away >= LEAST_BPM and abs(shown - float(baseline[stretch[0] * HZ])) < LEAST_BPM


def line(kind: str, labours: list[SimulatedLabour], first: int) -> str:
    made = [spoilt(x, kind, np.random.default_rng(first + i)) for i, x in enumerate(labours)]
    said = doubted([Recording(str(i), fhr, x.ua) for i, ((fhr, _), x) in enumerate(zip(made, labours, strict=True))])
    asked = hit = 0
    right, right_doubted = 0, 0.0
    for (fhr, stretches), labour, is_doubted in zip(made, labours, said, strict=True):
        is_right = np.ones(len(is_doubted), dtype=np.bool_)
        for begins, ends in stretches:
            is_right[begins : ends + OVER_S] = False
            if kind != "mother's pulse" or counts(fhr, labour.baseline, (begins, ends)):
                asked += 1
                hit += bool(is_doubted[begins : begins + WITHIN_S + 1].any())
        right += int(is_right.sum())
        right_doubted += float(is_doubted[is_right].sum())
    return f"{kind:16}{hit:5} of {asked:4} within {WITHIN_S} s{right_doubted / right:12.2%} of other time"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--seeds", default="820-823", help="first and last")
    options = parser.parse_args()
    first, last = (int(x) for x in options.seeds.split("-"))
    labours = [truth.labour(HOURS, LOSSES["good"][seed % 2], seed) for seed in range(first, last + 1)]
    print(NOTICE)
    for kind in KINDS:
        print(line(kind, labours, first))
    if options.folder:
        found = doubted([read_recording(path) for path in sorted(options.folder.glob("*.hea"))])
        share = sum(float(x.sum()) for x in found) / sum(len(x) for x in found)
        print(f"{len(found)} recordings: {share:.2%} of their time")


if __name__ == "__main__":
    main()
