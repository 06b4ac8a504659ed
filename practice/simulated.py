"""Strips of simulated labours.

One is named by its scenario and a seed, and is the same wherever and whenever it is made.
"""

import hashlib
from functools import lru_cache

import numpy as np

from quietward.contracts.fields import HZ
from quietward.contracts.summary import Level
from quietward.practice.scoring import scoring
from quietward.practice.strip import (
    CALLS,
    BadStrip,
    DetectorResult,
    PracticeStrip,
    StripContraction,
    StripEvent,
    detect,
)
from quietward.recordings.recording import LabourContext, Recording
from quietward.simulator import bed, scenario
from quietward.simulator.truth import Truth, TruthFile

LARGEST_SEED = 9999
KEPT = 32
"""Strips, and what the detector said of them, that are kept for the next question about them."""


def code_of(name: str, seed: int) -> str:
    """Return the code of a strip, from which its scenario cannot be read."""
    return f"{hashlib.sha256(name.encode()).hexdigest()[:6]}-{seed}"


def parse_code(code: str) -> tuple[str, int]:
    """Return scenario and seed of a code. Raises BadStrip."""
    digest, _, number = code.rpartition("-")
    seed = int(number) if number.isascii() and number.isdecimal() and len(number) <= len(str(LARGEST_SEED)) else -1
    for name in scenario.names():
        if code_of(name, seed) == f"{digest}-{seed}" and seed >= 0:
            return name, seed
    raise BadStrip("strip", code, "There is none of this name; choose a scenario and a seed again")


@lru_cache(KEPT)
def make(code: str) -> PracticeStrip:
    """Return a strip. Raises BadStrip."""
    name, seed = parse_code(code)
    labour, told, ends_s = _labour(name, seed)
    length_s = scoring().strip_min * 60
    begins_s = ends_s - length_s
    part = slice(begins_s * HZ, ends_s * HZ)
    truth = told.since(begins_s, length_s)
    needs = [Level(n.what) for n in truth.needs if n.from_s <= length_s <= n.until_s]
    return PracticeStrip(
        code=code,
        scenario=name,
        purpose=told.purpose,
        good_watcher=told.good_watcher,
        begins_s=begins_s,
        fhr=labour.fhr[part],
        ua=labour.ua[part],
        baseline_bpm=float(np.median(labour.baseline[part])),
        events=[_as_event(e) for e in truth.events if e.what != "contraction"],
        contractions=[
            StripContraction(e.onset_s, e.extreme_s, e.end_s) for e in truth.events if e.what == "contraction"
        ],
        level=max(needs, key=CALLS.index, default=Level.QUIET),
    )


@lru_cache(KEPT)
def ask_detector(code: str, rule_set: str) -> DetectorResult:
    """Return the detector's result for a strip. Raises BadStrip, BadRules."""
    name, seed = parse_code(code)
    labour, told, ends_s = _labour(name, seed)
    stage = told.second_stage_from_s
    known = LabourContext(told.weeks, np.inf if stage is None else stage)
    whole = Recording(code, labour.fhr, labour.ua, labour=known)
    return detect(whole, ends_s - scoring().strip_min * 60, ends_s, rule_set)


@lru_cache(KEPT)
def _labour(name: str, seed: int) -> tuple[bed.SimulatedLabour, TruthFile, int]:
    """Return a labour up to the end of its strip, its truth, and the second at which the strip ends."""
    played = scenario.load(name)
    numbers = scoring()
    length_s = numbers.strip_min * 60
    labour_s = max(int(played.lasts_min * 60), length_s)
    rng = np.random.default_rng([seed, *hashlib.sha256(name.encode()).digest()])
    labour = bed.simulate(played, seed, labour_s)
    ends_s = int(rng.uniform(min(2 * length_s, labour_s), labour_s))
    needs = labour.truth.needs
    if needs and rng.random() < numbers.share_at_need:
        need = needs[int(rng.integers(len(needs)))]
        ends_s = int(np.clip(need.from_s + rng.uniform(*numbers.at_need_min) * 60, length_s, labour_s))
    return labour, labour.truth, ends_s


def _as_event(event: Truth) -> StripEvent:
    kind, _, what = event.what.rpartition(" ")
    return StripEvent(what, kind, event.onset_s, event.extreme_s, event.end_s, event.size)
