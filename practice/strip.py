"""A strip to practise on: a part of a simulated labour, its truth, and the detector's result for it.

A strip is named by its scenario and a seed, and is the same wherever and whenever it is made.
"""

import hashlib
from functools import lru_cache

import numpy as np
from msgspec import Struct

from quietward.contracts.errors import QuietwardError
from quietward.contracts.messages import HZ, Level
from quietward.detect import assess, rule_file
from quietward.practice.scoring import scoring
from quietward.recordings.recording import LabourContext, Recording
from quietward.simulator import bed, scenario
from quietward.simulator.bed import Signal
from quietward.simulator.truth import Truth, TruthFile

LARGEST_SEED = 9999
KEPT = 32
"""Strips, and what the detector said of them, that are kept for the next question about them."""


class BadStrip(QuietwardError):
    """There is no such strip."""


class StripEvent(Struct, frozen=True):
    """An acceleration or a deceleration, true, marked or detected; seconds from the strip's beginning.

    kind: of a deceleration; empty for an acceleration. extreme_s: peak or nadir.
    """

    what: str
    kind: str
    from_s: float
    extreme_s: float
    until_s: float
    size_bpm: float


class StripContraction(Struct, frozen=True):
    """A contraction; seconds from the strip's beginning."""

    onset_s: float
    peak_s: float
    end_s: float


class PracticeStrip(Struct, frozen=True):
    """Signals of shape (n,), 4 Hz, NaN where there is no value, and what is true of them.

    begins_s: of the labour. level: for which somebody is needed at the strip's end, as the simulation knows it.
    """

    code: str
    scenario: str
    purpose: str
    good_watcher: str
    begins_s: int
    fhr: Signal
    ua: Signal
    baseline_bpm: float
    events: list[StripEvent]
    contractions: list[StripContraction]
    level: Level


class DetectorResult(Struct, frozen=True):
    """The detector's result for a strip under a rule set; level, concern and class are those at its end, None: unknown.

    baseline_bpm: its last in the strip, None where it could say none. reasons: what led to class and concern.
    """

    baseline_bpm: float | None
    events: list[StripEvent]
    level: Level
    concern: float | None
    rule_class: int | None
    reasons: list[str]


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
        level=max(needs, key=list(Level).index, default=Level.QUIET),
    )


@lru_cache(KEPT)
def ask_detector(code: str, rule_set: str) -> DetectorResult:
    """Return the detector's result for a strip, with a run-up before it as on a ward.

    Takes seconds. Raises BadStrip, BadRules.
    """
    name, seed = parse_code(code)
    labour, told, ends_s = _labour(name, seed)
    length_s = scoring().strip_min * 60
    from_s = max(0, ends_s - length_s - scoring().watched_before_min * 60)
    part = slice(from_s * HZ, ends_s * HZ)
    stage = told.second_stage_from_s
    known = LabourContext(told.weeks, np.inf if stage is None else stage - from_s)
    recording = Recording(code, labour.fhr[part], labour.ua[part], labour=known)
    row = assess.assess([recording], rule_file.load(), rule_set)[0]
    moved = ends_s - length_s - from_s

    rises = [
        StripEvent("acceleration", "", x.onset_s - moved, x.peak_s - moved, x.end_s - moved, x.height_bpm)
        for x in row.accelerations if x.end_s > moved
    ]  # fmt: skip
    falls = [
        StripEvent("deceleration", x.kind, x.onset_s - moved, x.nadir_s - moved, x.end_s - moved, x.depth_bpm)
        for x in row.decelerations if x.end_s > moved
    ]  # fmt: skip
    at_end = max([*row.assessments, *row.not_assessed], key=lambda x: x.t_s)
    standing = (Level(f.level) for f in row.flags if f.eased_s is None)
    return DetectorResult(
        baseline_bpm=next((b.bpm for b in reversed(row.baseline) if b.bpm is not None), None),
        events=rises + falls,
        level=max(standing, key=list(Level).index, default=Level.QUIET),
        concern=at_end.concern,
        rule_class=at_end.rule_class,
        reasons=at_end.reasons,
    )  # fmt: skip


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


def is_visible(strip: PracticeStrip, event: StripEvent) -> bool:
    """Return whether the sensors showed enough of an event to ask for it."""
    begins, ends = (int(np.clip(s * HZ, 0, len(strip.fhr))) for s in (event.from_s, event.until_s))
    shown = ~np.isnan(strip.fhr[begins:ends])
    whole = max(1.0, (event.until_s - event.from_s) * HZ)
    return bool(shown.sum() / whole >= scoring().seen_share)
