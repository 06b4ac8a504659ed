"""What bad signals cost: `python -m tests.bench.robustness FOLDER [--seeds 700-703] [--page docs/robustness.md]`.

FOLDER holds open recordings with expert votes, as `detect/calibrate.py` reads them. Every row spoils signals in one
way. Events and kinds: simulated labours of ten hours with a known truth, of the given seeds. Agreement: quadratic
weighted kappa of the concern's class with the majority, with the weights as they are, which were fitted to these
recordings: rows are to be compared, not taken for themselves. Burden: raisings of bedside and team per bed-hour on
recordings that the experts called normal.
"""

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np

from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.detect.assess import assess
from quietward.detect.assessment import Assessment
from quietward.detect.calibrate import Window, weighted_kappa, windows
from quietward.recordings.files import read_recording
from quietward.recordings.recording import Content, Recording, make_recording
from quietward.simulator.bed import SimulatedLabour
from tests import truth
from tests.bench.attention import cost, groups
from tests.traces import RULES, Signal

Spoil = Callable[[Signal, Signal, np.random.Generator], tuple[Signal, Signal]]
RULE_SET = "figo-2015"
GAP_S, PIECE_S = 6.0, (5, 30)
HISTORY_S = 600
HALF_MINUTE_S = 30
SIMULATED_LOSS = 0.02


def as_it_is(fhr: Signal, ua: Signal, random: np.random.Generator) -> tuple[Signal, Signal]:
    return fhr, ua


def lost(share: float) -> Spoil:
    """Return what takes so much more of the FHR away, in gaps of a few seconds on average."""

    def spoil(fhr: Signal, ua: Signal, random: np.random.Generator) -> tuple[Signal, Signal]:
        fhr, at = fhr.copy(), 0.0
        while at < len(fhr):
            at += random.exponential(GAP_S * (1 - share) / share) * HZ
            gap = random.exponential(GAP_S) * HZ
            fhr[int(at) : int(at + gap)] = np.nan
            at += gap
        return fhr, ua

    return spoil


def wrong_rate(factor: float, per_h: float) -> Spoil:
    """Return what turns pieces of 5 to 30 s to half or double the rate, after a gap of 3 s."""

    def spoil(fhr: Signal, ua: Signal, random: np.random.Generator) -> tuple[Signal, Signal]:
        fhr = fhr.copy()
        for _ in range(round(per_h * len(fhr) / HZ / 3600)):
            at = int(random.integers(len(fhr)))
            fhr[at : at + 3 * HZ] = np.nan
            fhr[at + 3 * HZ : at + int(random.integers(*PIECE_S)) * HZ] *= factor
        return fhr, ua

    return spoil


def sampled(hz: float) -> Spoil:
    """Return what lets a value come only so often, and stay until the next."""

    def spoil(fhr: Signal, ua: Signal, random: np.random.Generator) -> tuple[Signal, Signal]:
        every = round(HZ / hz)
        return np.repeat(fhr[::every], every)[: len(fhr)], np.repeat(ua[::every], every)[: len(ua)]

    return spoil


def eight_hz(fhr: Signal, ua: Signal, random: np.random.Generator) -> tuple[Signal, Signal]:
    """Return what is read of a device that sends eight values a second, each between two of the signal's own."""

    def denser(x: Signal) -> Signal:
        own = np.arange(len(x))
        between: Signal = np.interp(np.arange(0.25, len(x), 0.5), own, x)
        return between

    read = make_recording("8 Hz", Content(denser(fhr), denser(ua), 2 * HZ), "8 Hz")
    return read.fhr, read.ua


def clock_drifts(share: float, set_every_s: int) -> Spoil:
    """Return what lets the device's clock run fast by a share, and sets it right every so often: samples come later and
    later until some are left out.
    """

    def spoil(fhr: Signal, ua: Signal, random: np.random.Generator) -> tuple[Signal, Signal]:
        at = np.arange(len(fhr))
        taken = (at - at % (set_every_s * HZ) * share).astype(np.int64)
        return fhr[taken], ua[taken]

    return spoil


def toco_late(seconds: float) -> Spoil:
    """Return what lets the clock of the UA be behind that of the FHR."""

    def spoil(fhr: Signal, ua: Signal, random: np.random.Generator) -> tuple[Signal, Signal]:
        return fhr, np.concatenate([np.full(round(seconds * HZ), ua[0]), ua])[: len(ua)]

    return spoil


def toco_moved(fhr: Signal, ua: Signal, random: np.random.Generator) -> tuple[Signal, Signal]:
    """Every 20 minutes or so to another level, up to 25 units up or down."""
    moved = np.repeat(random.uniform(-25, 25, len(ua) // (1200 * HZ) + 1), 1200 * HZ)[: len(ua)]
    return fhr, np.clip(ua + moved, 0, 127)


def no_toco(fhr: Signal, ua: Signal, random: np.random.Generator) -> tuple[Signal, Signal]:
    return fhr, np.full(len(ua), np.nan)


ROWS: dict[str, Spoil] = {
    "as it is": as_it_is,
    **{f"{share:.0%} more of the FHR lost": lost(share) for share in (0.05, 0.2, 0.4, 0.6)},
    "pieces at half rate, 12 per h": wrong_rate(0.5, 12),
    "pieces at double rate, 12 per h": wrong_rate(2.0, 12),
    "a value every second": sampled(1),
    "two values a second": sampled(2),
    "eight values a second": eight_hz,
    "clock 0.5% fast, set right every 20 min": clock_drifts(0.005, 1200),
    "toco 5 s behind": toco_late(5),
    "toco 15 s behind": toco_late(15),
    "toco moved every 20 min": toco_moved,
    "no toco": no_toco,
}

HEAD = "| signal | F1 decelerations | F1 accelerations | F1 contractions | kind right | agreement | burden |"


def spoilt(r: Recording, spoil: Spoil, seed: int) -> Recording:
    fhr, ua = spoil(r.fhr, r.ua, np.random.default_rng(seed))
    return Recording(r.name, fhr, ua)


def agreement(rows: dict[str, Assessment], judged: list[Window]) -> float:
    """Return kappa of the concern's class; where it cannot be said, the middle one."""

    def said(w: Window) -> int:
        known = [a.concern_class for a in rows[w.record].assessments if abs(a.t_s - w.end_s) <= HALF_MINUTE_S]
        return (known[0] if known else None) or 2

    return weighted_kappa(np.array([w.majority for w in judged]), np.array([said(w) for w in judged]))


def measured(name: str, labours: list[SimulatedLabour], folder: Path) -> str:
    """Return one row of the table."""
    spoil = ROWS[name]
    recordings = [spoilt(Recording(str(i), x.fhr, x.ua), spoil, i) for i, x in enumerate(labours)]
    reports = truth.scored(labours, recordings, RULE_SET)
    falls = truth.pooled([r.decelerations for r in reports])
    rises, contractions = (truth.pooled([getattr(r, of) for r in reports]) for of in ("accelerations", "contractions"))
    judged, found = windows(folder), groups(folder)
    names = sorted({w.record for w in judged} | set(found["normal"]))
    real = [spoilt(read_recording(folder / f"{n}.hea"), spoil, i) for i, n in enumerate(names)]
    rows = dict(zip(names, assess(real, RULES, RULE_SET), strict=True))
    hours = {n: r.seconds / 3600 for n, r in zip(names, real, strict=True)}
    burden = cost({n: rows[n].flags for n in names}, hours, found["normal"]).urgent_per_hour
    cells = [f"{x:.2f}" for x in (falls.f1, rises.f1, contractions.f1, truth.right(falls.sure))]
    return " | ".join([name, *cells, f"{agreement(rows, judged):.2f}", f"{burden:.2f}"])


def short_history(folder: Path) -> float:
    """Return the agreement where nothing is known but the last ten minutes of each window."""
    judged = windows(folder)
    read = {n: read_recording(folder / f"{n}.hea") for n in {w.record for w in judged}}
    parts = []
    for i, w in enumerate(judged):
        part = slice((w.end_s - HISTORY_S) * HZ, w.end_s * HZ)
        parts.append(Recording(str(i), read[w.record].fhr[part], read[w.record].ua[part]))
    said = [
        (row.assessments[-1].concern_class if row.assessments else None) or 2 for row in assess(parts, RULES, RULE_SET)
    ]
    return weighted_kappa(np.array([w.majority for w in judged]), np.array(said))


def table(folder: Path, seeds: str) -> str:
    """Return it as Markdown."""
    first, last = (int(x) for x in seeds.split("-"))
    labours = [truth.labour(10, SIMULATED_LOSS, seed) for seed in range(first, last + 1)]
    lines = [
        "# What bad signals cost",
        "",
        NOTICE,
        "",
        *(line for line in (__doc__ or "").splitlines()[2:]),
        "",
        f"Written by `python -m tests.bench.robustness FOLDER --seeds {seeds} --page docs/robustness.md`.",
        "",
        HEAD,
        "| --- | --- | --- | --- | --- | --- | --- |",
        *(f"| {measured(name, labours, folder)} |" for name in ROWS),
        "",
        f"Of each window the last {HISTORY_S // 60} minutes alone: agreement {short_history(folder):.2f}.",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    """Measure and print, or write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seeds", default="700-703", help="first and last")
    parser.add_argument("--page", type=Path, help="write it to this file")
    options = parser.parse_args()
    text = table(options.folder, options.seeds)
    if options.page:
        options.page.write_text(text)
    else:
        print(text)


if __name__ == "__main__":
    main()
