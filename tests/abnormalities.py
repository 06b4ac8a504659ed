"""The table of abnormalities: strips made from its rows, and when somebody was told: `python -m tests.abnormalities`.

With `--page` it writes the clean ones as a page of the documents, which a test compares with what it measures.

Each row is played clean, and realistic with a seed: a tenth of the samples missing in gaps, single wrong samples,
pieces at half rate, and a baseline that wanders. Nobody answers.
"""

import argparse
import tomllib
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np

from quietward.contracts.fields import HZ
from quietward.contracts.log import Event
from quietward.contracts.notice import NOTICE
from quietward.contracts.summary import Level
from quietward.detect.core import engine
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State
from tests.traces import RULES, Signal, bell, flat, put, ramp

FILE = Path(__file__).with_suffix(".toml")
HOURS = 2.0
MIN = 60
FROM_MIN = 30
SEEN_WITHIN_MIN = 10
"""What is abnormal by definition is noted so soon after it holds, whatever it asks for later."""
TOO_NEW = "too-new"
"""The condition under which every bed begins; it says nothing of the strip."""
LEVELS = [level.value for level in Level]
DECELERATIONS = ("early", "late", "wide", "variable", "slow-return", "overshoot")
VARIED = ("baseline_bpm", "variability_bpm", "depth_bpm", "size_bpm")
USUAL = {"baseline_bpm": 140, "variability_bpm": 10}


@dataclass(frozen=True)
class Case:
    """One strip. seed: 0 for a clean one. by_s: when `level` must have been reached; seen_by_s: when the bed must at
    least be noted; told: level -> second.
    """

    name: str
    level: str
    by_s: float
    seen_by_s: float
    may_be_noted: bool
    known: str
    source: str
    fhr: Signal
    ua: Signal
    weeks: int = 0
    second_stage_s: float = np.inf


def rows() -> list[dict[str, Any]]:
    return tomllib.loads(FILE.read_text())["row"]  # type: ignore[no-any-return]


def cases(seeds: tuple[int, ...] = (0,)) -> list[Case]:
    """Return a strip for every row, every combination of its numbers, and every seed."""
    made = []
    for row in rows():
        varied = {name: row[name] for name in VARIED if name in row}
        for numbers, seed in product(product(*varied.values()), seeds):
            strip = USUAL | row | dict(zip(varied, numbers, strict=True))
            chosen = " ".join(f"{value:g}" for value in numbers)
            by_s = (strip.get("holds_min", 0) + strip.get("within_min", 0)) * MIN
            fhr, ua = draw(strip, seed)
            name = f"{row['name']} {chosen}".rstrip() + (f", realistic {seed}" if seed else "")
            seen_by_s = min(by_s, (strip.get("holds_min", 0) + SEEN_WITHIN_MIN) * MIN)
            may_be_noted = row.get("may_be_noted", False)
            known = row.get("known", "")
            second_stage_s = row.get("second_stage_from_min", np.inf) * MIN
            made.append(Case(name, row["level"], by_s, seen_by_s, may_be_noted, known, row["source"], fhr, ua,
                             row.get("weeks", 0), second_stage_s))  # fmt: skip
    return made


def draw(row: dict[str, Any], seed: int) -> tuple[Signal, Signal]:
    """Return FHR and UA of a row."""
    random = np.random.default_rng([seed, sum(row["name"].encode())])
    seconds = HOURS * 3600
    size, from_s = row.get("size_bpm", 0), row.get("from_min", FROM_MIN) * MIN
    every_s, lasts_s, share = row.get("contraction_every_s", 180), row.get("minutes", 0) * MIN, row.get("share", 1)
    variability = np.full(round(seconds * HZ), float(row["variability_bpm"]))
    what = row.get("what", "")
    if what == "low-variability":
        variability[from_s * HZ : (from_s + lasts_s) * HZ] = size
    fhr = flat(row["baseline_bpm"], seconds) + variability * wave(random, seconds)
    ua = flat(10, seconds)
    for number, at in enumerate(np.arange(90, seconds - 150, every_s) if every_s else ()):
        ua = put(ua, at, bell(60, min(70, every_s * 0.7)))
        has_one = at >= from_s and number * share % 1 < share
        if has_one and what in DECELERATIONS:
            fhr = put(fhr, at, -deceleration(what, row["depth_bpm"]))
        elif has_one and what == "lost-in-contractions":
            fhr[round(at + 10) * HZ : round(at + 80) * HZ] = np.nan
    if what == "fall":
        fhr = put(fhr, from_s, -ramp(row["depth_bpm"], 15, lasts_s - 30, 15))
    elif what == "level":
        fhr = put(fhr, from_s, ramp(size, 30, seconds - from_s - 30, 0))
    elif what == "sinusoidal":
        t = np.arange(len(fhr)) / HZ
        fhr = fhr + np.where(t >= from_s, size / 2 * np.sin(2 * np.pi * t / 15), 0)
    elif what == "silence":
        fhr[from_s * HZ :] = np.nan
    elif what == "stuck":
        fhr[from_s * HZ :] = row["baseline_bpm"]
    if "lost_from_min" in row:
        t = np.arange(len(fhr)) / HZ - row["lost_from_min"] * MIN
        fhr[(t >= 0) & (t % MIN < MIN - row.get("seen_s", 0))] = np.nan
    return (spoilt(fhr, random) if seed and what != "stuck" else fhr), ua if row.get("toco", True) else ua * np.nan


def wave(random: np.random.Generator, seconds: float) -> Signal:
    """Irregular, some 1 from the lowest to the highest within a minute, nothing slower than 2 cycles in it."""
    noise = random.normal(size=round(seconds * HZ) + 256)
    smooth = np.convolve(noise, np.hanning(14), "same")
    slow = np.convolve(smooth, np.ones(128) / 128, "same")
    moving = (smooth - slow)[128:-128]
    return np.asarray(moving / (4.6 * moving.std()))


def deceleration(what: str, depth: float) -> Signal:
    """Early: with the contraction; late: 25 s behind it, gradual; wide: so, and over 2 min long; variable: down within
    8 s, slow: back in a minute; overshoot: above where it was for half a minute after it.
    """
    if what == "early":
        return bell(depth, 70)
    if what == "late":
        return np.concatenate([np.zeros(25 * HZ), bell(depth, 80)])
    if what == "wide":
        return np.concatenate([np.zeros(20 * HZ), bell(depth, 155)])
    if what == "slow-return":
        return np.concatenate([np.zeros(10 * HZ), ramp(depth, 8, 25, 60)])
    variable = np.concatenate([np.zeros(10 * HZ), ramp(depth, 8, 35, 10)])
    return np.concatenate([variable, -bell(12, 30)]) if what == "overshoot" else variable


def spoilt(fhr: Signal, random: np.random.Generator) -> Signal:
    """Return it as sensors give it."""
    wander = np.convolve(random.normal(size=len(fhr)), np.ones(240 * HZ), "same")
    fhr = fhr + 3 * wander / wander.std()
    for _ in range(len(fhr) // (HZ * MIN)):
        at = int(random.integers(len(fhr) - 20 * HZ))
        fhr[at : at + int(random.integers(2, 10) * HZ)] = np.nan
        at = int(random.integers(len(fhr)))
        fhr[at : at + 2] = np.where(np.isnan(fhr[at : at + 2]), np.nan, random.uniform(60, 220))
    for _ in range(int(HOURS * 4)):
        at = int(random.integers(len(fhr) - 20 * HZ))
        fhr[at : at + int(random.integers(2, 8) * HZ)] /= 2
    return np.clip(fhr, 30, 240)


def told(made: list[Case], rules: Rules = RULES) -> list[dict[str, float]]:
    """Return of each strip when each level was first reached, in seconds."""
    state = State(rules, [str(i) for i in range(len(made))], [""] * len(made))
    beds, events = np.arange(len(made)), list[Event]()
    fhr, ua = (
        np.stack([signal.reshape(-1, HZ) for signal in signals], -1)
        for signals in zip(*((c.fhr, c.ua) for c in made), strict=True)
    )
    weeks, second_stage_s = np.array([c.weeks for c in made]), np.array([c.second_stage_s for c in made])
    for second in range(len(fhr)):
        at, no_pulse = np.full(len(made), second), np.full(len(made), np.nan)
        stage = 1 + (second_stage_s <= second)
        engine.advance(state, beds, at, fhr[second], ua[second], no_pulse, events, stage, weeks)
    reached: list[dict[str, float]] = [{} for _ in made]
    for event in events:
        if (event.kind == "noted" and event.detail["condition"] != TOO_NEW) or event.kind.startswith("flag-"):
            rank = LEVELS.index(str(event.detail.get("level", "noted")))
            for level in LEVELS[1 : rank + 1]:
                reached[int(event.bed)].setdefault(level, event.t / 1000)
    return reached


def is_met(case: Case, reached: dict[str, float]) -> bool:
    if case.level == "none":
        return "look" not in reached
    return reached.get(case.level, np.inf) <= case.by_s


def is_seen(case: Case, reached: dict[str, float]) -> bool:
    """Return whether the bed is at least noted by its time; a normal one never is."""
    if case.level == "none":
        return case.may_be_noted or not reached
    return reached.get("noted", np.inf) <= case.seen_by_s


def page(outcome: list[tuple[Case, dict[str, float]]]) -> str:
    """Return the table as Markdown; times in minutes from the beginning of the strip."""
    columns = ("strip", "must reach", "by", *LEVELS[1:], "met", "source")
    lines = [
        "# By when somebody is told",
        "",
        NOTICE,
        "",
        "Every abnormality that two published definitions name, as a clean strip of two hours, with nobody",
        "answering. What happens begins after 30 min, or from the start where the strip says so. A bed must be noted",
        "within 10 min after its trace is abnormal by definition, and reach the level by the time that stands here;",
        "what is normal calls nobody, and is quiet from its tenth minute on. Times are minutes from the beginning of",
        "the strip. The deadlines are ours.",
        "",
        "Written by `python -m tests.abnormalities --page docs/abnormalities.md`; a test measures it again. The same",
        "strips with gaps, wrong samples and half rates, with seeds: `python -m tests.abnormalities --seeds 3`.",
        "",
        f"| {' | '.join(columns)} |",
        f"| {' | '.join('---' for _ in columns)} |",
    ]
    for case, reached in outcome:
        wanted = ("nobody", "") if case.level == "none" else (case.level, f"{case.by_s / MIN:.1f}")
        times = [f"{reached[level] / MIN:.1f}" if level in reached else "" for level in LEVELS[1:]]
        met = "yes" if is_met(case, reached) else f"no: {case.known}"
        lines.append(f"| {' | '.join((case.name, *wanted, *times, met, case.source))} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3, help="realistic strips of each, seeds 1 to this")
    parser.add_argument("--page", type=Path, help="write the clean ones to this file, as Markdown, and nothing else")
    options = parser.parse_args()
    if options.page:
        made = cases()
        options.page.write_text(page(list(zip(made, told(made), strict=True))))
        return
    made = cases(tuple(range(options.seeds + 1)))
    print(NOTICE)
    met = seen = 0
    for case, reached in zip(made, told(made), strict=True):
        times = ", ".join(f"{level} {s / MIN:.1f}" for level, s in reached.items()) or "nobody called"
        wanted = "nobody" if case.level == "none" else f"{case.level} by {case.by_s / MIN:.1f} min"
        met += is_met(case, reached)
        seen += is_seen(case, reached)
        marks = f"{'met' if is_met(case, reached) else 'MISSED':7}{'seen' if is_seen(case, reached) else 'UNSEEN':7}"
        print(f"{marks}{case.name:62}{wanted:24}{times}")
    print(f"{met} of {len(made)} met; {seen} seen by their time: not quiet if abnormal, quiet if normal")


if __name__ == "__main__":
    main()
