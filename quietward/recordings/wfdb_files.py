"""WFDB records: a header (`.hea`) with signals named FHR and UC, UA or TOCO, and its data file."""

from pathlib import Path

import numpy as np

from quietward.contracts.errors import BadRecording
from quietward.contracts.messages import HZ
from quietward.recordings import wfdb_record
from quietward.recordings.recording import Signal

FHR_NAMES = ("FHR",)
UA_NAMES = ("UC", "UA", "TOCO")


def read(path: Path) -> tuple[Signal, Signal, float]:
    """Return FHR, UA and their rate in Hz. Raises BadRecording, MissingExtra."""
    record = wfdb_record.read(path)
    names = [name.strip().upper() for name in record.names]
    signals = []
    for accepted in (FHR_NAMES, UA_NAMES):
        column = next((i for i, name in enumerate(names) if name in accepted), None)
        if column is None:
            raise BadRecording(str(path), record.names, f"Needs a signal named {' or '.join(accepted)}")
        signals.append(record.signals[:, column])
    return signals[0], signals[1], record.hz


def write(path: Path, fhr: Signal, ua: Signal) -> None:
    """Write a record (`.hea` and `.dat`, format 16, hundredths); a missing value is WFDB's own mark."""
    wfdb_record.write(path, ["FHR", "UA"], ["bpm", "nd"], np.column_stack([fhr, ua]), HZ, gain=100)


def is_recording(_: Path) -> bool:
    """Return True: a header is a recording, or a broken one."""
    return True
