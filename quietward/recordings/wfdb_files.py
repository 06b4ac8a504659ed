"""WFDB records: a header (`.hea`) with signals named FHR and UC, UA or TOCO, and its data file."""

from pathlib import Path

import numpy as np
import wfdb

from quietward.contracts.errors import BadRecording
from quietward.contracts.messages import HZ
from quietward.recordings.recording import Signal

FHR_NAMES = ("FHR",)
UA_NAMES = ("UC", "UA", "TOCO")


def read(path: Path) -> tuple[Signal, Signal, float]:
    """Return FHR, UA and their rate in Hz. Raises BadRecording."""
    try:
        record = wfdb.rdrecord(str(path.with_suffix("")))
    except Exception as error:  # wfdb raises many kinds, from ValueError to its own
        raise BadRecording(
            str(path), type(error).__name__, f"Is not a WFDB record that can be read: {error}"
        ) from error
    if record.p_signal is None or not record.n_sig:
        raise BadRecording(str(path), 0, "Holds no signal")
    names = [name.strip().upper() for name in record.sig_name]
    signals = []
    for accepted in (FHR_NAMES, UA_NAMES):
        column = next((i for i, name in enumerate(names) if name in accepted), None)
        if column is None:
            raise BadRecording(str(path), record.sig_name, f"Needs a signal named {' or '.join(accepted)}")
        signals.append(np.asarray(record.p_signal[:, column], dtype=np.float64))
    return signals[0], signals[1], float(record.fs)


def write(path: Path, fhr: Signal, ua: Signal) -> None:
    """Write a record (`.hea` and `.dat`, format 16, hundredths); a missing value is WFDB's own mark."""
    wfdb.wrsamp(
        path.stem, fs=HZ, units=["bpm", "nd"], sig_name=["FHR", "UA"], fmt=["16", "16"], adc_gain=[100, 100],
        baseline=[0, 0], p_signal=np.column_stack([fhr, ua]), write_dir=str(path.parent),
    )  # fmt: skip


def is_recording(_: Path) -> bool:
    """Return True: a header is a recording, or a broken one."""
    return True
