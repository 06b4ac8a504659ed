"""A strip to practise on: half an hour of a labour, what is true of it, and the detector's result for it.

Simulated ones are made by `simulated.py`, recorded ones by `recorded.py`.
"""

from typing import Literal

import numpy as np
from msgspec import Struct

from quietward.contracts.errors import QuietwardError
from quietward.contracts.fields import HZ
from quietward.contracts.summary import Level
from quietward.detect import assess, rule_file
from quietward.practice.scoring import scoring
from quietward.recordings.recording import LabourContext, Recording, Signal

Truth = Literal["simulation", "marks", "annotations", "detector"]
"""Who says what is true: the simulation, marks beside a recording, annotations in it, or nobody but the detector."""


CALLS = (Level.QUIET, Level.LOOK, Level.BEDSIDE, Level.TEAM)
"""Who may be needed, the fewest first. `noted` is none of them: it calls nobody."""


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

    begins_s: of the labour. level: for which somebody is needed at the strip's end. rule_class: 1 to 3, as experts say.
    Of baseline, level and class None is said where nobody knows: they are not asked for.
    """

    code: str
    scenario: str
    purpose: str
    good_watcher: str
    begins_s: int
    fhr: Signal
    ua: Signal
    baseline_bpm: float | None
    events: list[StripEvent]
    contractions: list[StripContraction]
    level: Level | None
    rule_class: int | None = None
    truth: Truth = "simulation"


class DetectorResult(Struct, frozen=True):
    """The detector's result for a strip under a rule set; level, concern and class are those at its end, None: unknown.

    baseline_bpm: its last in the strip, None where it could say none. reasons: what led to class and concern.
    contractions: those that end within the strip.
    """

    baseline_bpm: float | None
    events: list[StripEvent]
    level: Level
    concern: float | None
    rule_class: int | None
    reasons: list[str]
    contractions: list[StripContraction] = []


def detect(recording: Recording, begins_s: int, ends_s: int, rule_set: str) -> DetectorResult:
    """Return the detector's result for a part of a recording, with a run-up before it as on a ward. Raises BadRules."""
    from_s = max(0, begins_s - scoring().watched_before_min * 60)
    part = slice(from_s * HZ, ends_s * HZ)
    known = LabourContext(recording.labour.weeks, recording.labour.second_stage_from_s - from_s)
    watched = Recording(recording.name, recording.fhr[part], recording.ua[part], labour=known)
    row = assess.assess([watched], rule_file.load(), rule_set)[0]
    moved = begins_s - from_s

    rises = [
        StripEvent("acceleration", "", x.onset_s - moved, x.peak_s - moved, x.end_s - moved, x.height_bpm)
        for x in row.accelerations if x.end_s > moved
    ]  # fmt: skip
    falls = [
        StripEvent("deceleration", x.kind, x.onset_s - moved, x.nadir_s - moved, x.end_s - moved, x.depth_bpm)
        for x in row.decelerations if x.end_s > moved
    ]  # fmt: skip
    at_end = max([*row.assessments, *row.not_assessed], key=lambda x: x.t_s, default=None)
    standing = (Level(f.level) for f in row.flags if f.eased_s is None)
    return DetectorResult(
        baseline_bpm=next((b.bpm for b in reversed(row.baseline) if b.bpm is not None), None),
        events=rises + falls,
        level=max(standing, key=CALLS.index, default=Level.QUIET),
        concern=None if at_end is None else at_end.concern,
        rule_class=None if at_end is None else at_end.rule_class,
        reasons=[] if at_end is None else at_end.reasons,
        contractions=[
            StripContraction(x.onset_s - moved, x.peak_s - moved, x.end_s - moved)
            for x in row.contractions if x.end_s > moved
        ],
    )  # fmt: skip


def is_visible(strip: PracticeStrip, event: StripEvent) -> bool:
    """Return whether the sensors showed enough of an event to ask for it."""
    begins, ends = (int(np.clip(s * HZ, 0, len(strip.fhr))) for s in (event.from_s, event.until_s))
    shown = ~np.isnan(strip.fhr[begins:ends])
    whole = max(1.0, (event.until_s - event.from_s) * HZ)
    return bool(shown.sum() / whole >= scoring().seen_share)
