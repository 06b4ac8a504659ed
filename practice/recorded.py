"""Strips of recordings: the last half hour, or that which was judged, and what somebody has said is true of it."""

import csv
from functools import lru_cache
from pathlib import Path

import numpy as np
from msgspec import structs

from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ
from quietward.contracts.summary import Level
from quietward.detect import calibrate, rule_file
from quietward.practice.marks import DECELERATIONS, KINDS, BadMarks, Mark, Marks, marks_of, read_marks
from quietward.practice.scoring import scoring
from quietward.practice.strip import (
    BadStrip,
    DetectorResult,
    PracticeStrip,
    StripContraction,
    StripEvent,
    Truth,
    detect,
)
from quietward.recordings.files import files_of, read_recording
from quietward.recordings.recording import Annotation, Recording

KEPT = 16
"""Recordings, and what the detector said of their strips, that are kept for the next question about them."""
SHORTEST_S = 300
"""A strip that is shorter says too little to judge it by."""


def make(path: Path, code: str, wanted: Truth | None = None) -> PracticeStrip:
    """Return the strip of a recording. wanted: who says what is true; None: marks, else annotations, else the detector.

    Raises BadStrip, BadRecording, BadMarks, MissingExtra.
    """
    recording, marks, ends_s = _case(path, _stamp(path))
    begins_s = max(0, ends_s - scoring().strip_min * 60)
    said = [mark for one in recording.annotations if (mark := _as_mark(one))]
    truth: Truth = wanted or ("marks" if marks.mark else "annotations" if said else "detector")
    if truth in ("marks", "annotations") and not (marks.mark if truth == "marks" else said):
        where = "a file of marks beside it" if truth == "marks" else "annotations of accelerations or decelerations"
        raise BadStrip("strip", path.name, f"Has no {where}, which the set asks for")
    result = ask_detector(path, rule_file.load().rule_sets[0].name)
    events, contractions = result.events, result.contractions
    if truth != "detector":
        given = marks.mark if truth == "marks" else said
        within = [one for one in given if one.to_s > begins_s and one.from_s < ends_s]
        events = [_as_event(one, recording, marks, begins_s, ends_s) for one in within if one.kind != "contraction"]
        marked = [e for one in within if one.kind == "contraction" and (e := _as_contraction(one, recording, begins_s))]
        contractions = marked or contractions
    is_by_detector = truth == "detector"
    part = slice(begins_s * HZ, ends_s * HZ)
    return PracticeStrip(
        code=code,
        scenario=recording.name,
        purpose=marks.about,
        good_watcher="",
        begins_s=begins_s,
        fhr=recording.fhr[part],
        ua=recording.ua[part],
        baseline_bpm=marks.baseline_bpm or (result.baseline_bpm if is_by_detector else None),
        events=events,
        contractions=contractions,
        level=Level(marks.needed) if marks.needed else result.level if is_by_detector else None,
        rule_class=marks.rule_class,
        truth=truth,
    )


def ask_detector(path: Path, rule_set: str) -> DetectorResult:
    """Return the detector's result for the strip of a recording. Raises as `make`, and BadRules."""
    return _ask_detector(path, _stamp(path), rule_set)


@lru_cache(2 * KEPT)
def _ask_detector(path: Path, stamp: tuple[int, ...], rule_set: str) -> DetectorResult:
    recording, _, ends_s = _case(path, stamp)
    return detect(recording, max(0, ends_s - scoring().strip_min * 60), ends_s, rule_set)


@lru_cache(KEPT)
def _case(path: Path, _stamp: tuple[int, ...]) -> tuple[Recording, Marks, int]:
    """Return a recording, what is said of it, and the second at which its strip ends."""
    recording = read_recording(path)
    beside = marks_of(path)
    marks = Marks() if beside is None else read_marks(beside)
    judged_s, voted = _judged(path, recording) or (recording.seconds, None)
    ends_s = judged_s if marks.strip_ends_s is None else int(marks.strip_ends_s)
    if marks.rule_class is None and ends_s == judged_s:  # of a strip that ends elsewhere they have said nothing
        marks = structs.replace(marks, rule_class=voted)
    if not SHORTEST_S <= ends_s <= recording.seconds:
        limits = f"{SHORTEST_S} to {recording.seconds}, its length in s"
        raise BadStrip(f"strip of {path.name}: its end", ends_s, f"Must be within {limits}")
    return recording, marks, ends_s


def _stamp(path: Path) -> tuple[int, ...]:
    """Return what changes when a recording is replaced, or what is said of it."""
    beside = [*files_of(path), *(path.parent / name for name in ("experts.csv", "windows.csv"))]
    try:
        marks = marks_of(path)
        return tuple(one.stat().st_mtime_ns if one.exists() else 0 for one in [*beside, marks or path])
    except OSError as error:
        raise BadRecording(str(path), path.name, f"Cannot be read: {error.strerror}") from error


def _judged(path: Path, recording: Recording) -> tuple[int, int] | None:
    """Return end and class of the last window that experts have voted on (layout: see `detect/calibrate.py`)."""
    if not (path.parent / "experts.csv").is_file() or not (path.parent / "windows.csv").is_file():
        return None
    try:
        windows = calibrate.windows(path.parent)
    except (OSError, KeyError, ValueError, csv.Error) as error:
        remedy = "Needs record, expert, rating, step1 to step3, and windows.csv beside it"
        raise BadMarks(str(path.parent / "experts.csv"), repr(error), remedy) from error
    own = [w for w in windows if w.record == recording.name and SHORTEST_S <= w.end_s <= recording.seconds]
    last = max(own, key=lambda w: w.end_s, default=None)
    return None if last is None else (last.end_s, last.majority)


def _as_mark(one: Annotation) -> Mark | None:
    """Return an annotation as a mark, None where it says nothing that is asked for."""
    kind, _, what = one.kind.strip().lower().rpartition(" ")
    if one.to_s is None or one.to_s <= one.from_s or (kind and kind not in DECELERATIONS):
        return None
    if what == "deceleration":
        first = one.text.partition(" ")[0].lower()
        what = kind or (first if first in DECELERATIONS else what)
    return Mark(one.from_s, one.to_s, what) if what in KINDS else None


def _as_event(mark: Mark, recording: Recording, marks: Marks, begins_s: int, ends_s: int) -> StripEvent:
    """Return a mark as an event; how large it is, and where, is read from the signal, by means over a second."""
    fhr, _ = recording.by_second()
    minutes = fhr[begins_s:ends_s]
    baseline = marks.baseline_bpm or (float(np.nanmedian(minutes)) if np.isfinite(minutes).any() else np.nan)
    first, last = int(mark.from_s), min(int(np.ceil(mark.to_s)), recording.seconds)
    seconds = [float(np.nanmean(one)) if np.isfinite(one).any() else np.nan for one in fhr[first:last]]
    away = np.array(seconds) - baseline if mark.kind == "acceleration" else baseline - np.array(seconds)
    is_seen = np.isfinite(away).any()
    extreme_s = first + int(np.nanargmax(away)) if is_seen else (mark.from_s + mark.to_s) / 2
    size = max(0.0, float(np.nanmax(away))) if is_seen else 0.0
    what = "acceleration" if mark.kind == "acceleration" else "deceleration"
    kind = mark.kind if mark.kind in DECELERATIONS else ""
    return StripEvent(what, kind, mark.from_s - begins_s, extreme_s - begins_s, mark.to_s - begins_s, size)


def _as_contraction(mark: Mark, recording: Recording, begins_s: int) -> StripContraction:
    part = recording.ua[int(mark.from_s * HZ) : int(mark.to_s * HZ)]
    middle_s = (mark.from_s + mark.to_s) / 2
    peak_s = mark.from_s + int(np.nanargmax(part)) / HZ if np.isfinite(part).any() else middle_s
    return StripContraction(mark.from_s - begins_s, peak_s - begins_s, mark.to_s - begins_s)
