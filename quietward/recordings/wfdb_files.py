"""WFDB records: a header (`.hea`) with signals named as in `signal_names`, its data file, and annotations (`.qwd`)."""

from pathlib import Path

import numpy as np

from quietward.contracts.errors import BadRecording
from quietward.contracts.messages import HZ
from quietward.recordings import wfdb_annotations, wfdb_record
from quietward.recordings.recording import Content, Recording
from quietward.recordings.signal_names import FHR, NAMES, UA, find_signals


def read(path: Path) -> Content:
    """Return what a record holds. Raises BadRecording, MissingExtra."""
    record = wfdb_record.read(path)
    found, _ = find_signals(str(path), record.names, (FHR, UA))
    for signal in (FHR, UA):
        if signal not in found:
            names = " or ".join(name.upper() for name in NAMES[signal])
            raise BadRecording(str(path), record.names, f"Needs a signal named {names}")
    fhr, ua = (record.signals[:, found[signal].place] * found[signal].factor for signal in (FHR, UA))
    annotations = wfdb_annotations.read(path.with_suffix(wfdb_annotations.SUFFIX))
    return Content(fhr, ua, record.hz, (), tuple(annotations), record.began)


def write(path: Path, recording: Recording) -> None:
    """Write a record (`.hea` and `.dat`, format 16, hundredths); a missing value is WFDB's own mark."""
    signals = np.column_stack([recording.fhr, recording.ua])
    wfdb_record.write(path, ["FHR", "UA"], ["bpm", "nd"], signals, HZ, gain=100, began=recording.began)
    beside = path.with_suffix(wfdb_annotations.SUFFIX)
    beside.unlink(missing_ok=True)
    if recording.annotations:
        wfdb_annotations.write(beside, recording.annotations)


def is_recording(_: Path) -> bool:
    """Return True: a header is a recording, or a broken one."""
    return True
