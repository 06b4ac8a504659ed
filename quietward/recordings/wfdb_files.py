"""WFDB records: a header (`.hea`) with signals named as in `signal_names`, its data file, and annotations (`.qwd`)."""

import re
from collections.abc import Iterable
from math import inf
from pathlib import Path

import numpy as np

from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ
from quietward.recordings import wfdb_annotations, wfdb_record
from quietward.recordings.recording import Content, LabourContext, Recording
from quietward.recordings.signal_names import FHR, FHR2, NAMES, UA, find_signals

LABOUR = re.compile(r"(Gest\. weeks|Pos\. II\.st\.)\s+(-?\d+)")
"""Weeks of gestation; the sample at which the second stage begins, -1 for none."""
MOST_WEEKS = 45


def read(path: Path) -> Content:
    """Return what a record holds. Raises BadRecording, MissingExtra."""
    record = wfdb_record.read(path)
    places, others = find_signals(str(path), record.names, (FHR, FHR2, UA))
    if FHR not in places:
        names = " or ".join(name.upper() for name in NAMES[FHR])
        raise BadRecording(str(path), record.names, f"Needs a signal named {names}")
    notes = [*([f"left out: {', '.join(others)}"] if others else []), *([] if UA in places else ["no UA"])]
    signals = {name: record.signals[:, one.place] * one.factor for name, one in places.items()}
    annotations = wfdb_annotations.read(path.with_suffix(wfdb_annotations.SUFFIX))
    labour = _labour(record.comments, record.hz)
    ua = signals.get(UA, np.full(len(signals[FHR]), np.nan))
    return Content(
        signals[FHR], ua, record.hz, tuple(notes), tuple(annotations), record.began, labour, signals.get(FHR2)
    )


def _labour(comments: Iterable[str], hz: float) -> LabourContext:
    """Return what the header's comments say of the labour, in the words of the open CTU-UHB records."""
    numbers = {m[1]: float(m[2]) for line in comments if (m := LABOUR.fullmatch(line))}
    weeks, second_stage_at = numbers.get("Gest. weeks", 0), numbers.get("Pos. II.st.", -1)
    is_plausible = 0 <= weeks <= MOST_WEEKS
    return LabourContext(int(weeks) if is_plausible else 0, second_stage_at / hz if second_stage_at >= 0 else inf)


def write(path: Path, recording: Recording) -> None:
    """Write a record (`.hea` and `.dat`, format 16, hundredths); a missing value is WFDB's own mark."""
    names, units, signals = [FHR, UA], ["bpm", "nd"], [recording.fhr, recording.ua]
    if recording.fhr2 is not None:
        names, units, signals = [*names, FHR2], [*units, "bpm"], [*signals, recording.fhr2]
    wfdb_record.write(path, names, units, np.column_stack(signals), HZ, gain=100, began=recording.began)
    annotations = path.with_suffix(wfdb_annotations.SUFFIX)
    annotations.unlink(missing_ok=True)
    if recording.annotations:
        wfdb_annotations.write(annotations, recording.annotations)


def beside(path: Path) -> list[Path]:
    """Return the files of data and of annotations."""
    return [wfdb_record.data_path(path), path.with_suffix(wfdb_annotations.SUFFIX)]


def is_recording(_: Path) -> bool:
    """Return True: a header is a recording, or a broken one."""
    return True
