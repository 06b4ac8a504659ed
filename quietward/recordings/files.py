"""Finds, reads and writes files of recordings, whatever their format."""

from pathlib import Path

import numpy as np

from quietward.contracts.errors import BadRecording
from quietward.contracts.messages import FHR_HIGHEST_BPM, FHR_LOWEST_BPM, HZ, UA_HIGHEST, UA_LOWEST
from quietward.recordings import READERS, SUFFIXES, reader_of
from quietward.recordings.recording import Recording, Signal

LONGEST_S = 14 * 24 * 3600
ABSURD_BPM = 400.0
"""A value above this is a wrong unit or column, not a noisy sample."""


def read_recording(path: Path) -> Recording:
    """Read one recording.

    FHR of 0 and outside 20 to 300 bpm means no value (the convention of the open data sets); UA is clipped to
    0 to 127.5. Rates of 1, 2 and 8 Hz are brought to 4 Hz, and `note` says so.
    Raises BadRecording naming the file, what is wrong and the remedy.
    """
    reader = reader_of(path)
    if reader is None and not path.exists():
        raise BadRecording(str(path), path.name, "There is no such file or folder")
    if reader is None:
        known = " or ".join(f"{reader.title} ({', '.join(reader.suffixes)})" for reader in READERS)
        raise BadRecording(str(path), path.suffix, f"Use {known}")
    if not path.is_file():
        raise BadRecording(str(path), path.name, "There is no such file")
    fhr, ua, hz = reader.format().read(path)
    if len(fhr) == 0:
        raise BadRecording(str(path), 0, "Holds no sample; give a recording with at least one")
    if len(fhr) / hz > LONGEST_S:
        raise BadRecording(str(path), f"{len(fhr) / hz:.0f} s", f"Is longer than {LONGEST_S} s; cut it")
    absurd = fhr[fhr > ABSURD_BPM]
    if absurd.size:
        raise BadRecording(str(path), float(absurd[0]), "FHR must be in beats per minute; check unit and column")
    fhr, ua, note = _at_4_hz(path, fhr, ua, hz)
    fhr = np.where((fhr >= FHR_LOWEST_BPM) & (fhr <= FHR_HIGHEST_BPM), fhr, np.nan)
    ua = np.clip(np.where(np.isfinite(ua), ua, np.nan), UA_LOWEST, UA_HIGHEST)
    return Recording(path.stem, fhr, ua, note)


def _at_4_hz(path: Path, fhr: Signal, ua: Signal, hz: float) -> tuple[Signal, Signal, str]:
    if np.isclose(hz, HZ, rtol=0.01):
        return fhr, ua, ""
    for known in (1, 2):
        if np.isclose(hz, known, rtol=0.01):
            repeat = HZ // known
            return (
                np.repeat(fhr, repeat),
                np.repeat(ua, repeat),
                f"{known} Hz brought to {HZ} Hz by holding values",
            )
    if np.isclose(hz, 2 * HZ, rtol=0.01):
        return fhr[::2], ua[::2], f"{2 * HZ} Hz brought to {HZ} Hz by taking every second value"
    raise BadRecording(str(path), f"{hz:g} Hz", "Resample to 4 Hz (1, 2 and 8 Hz are also read)")


def write_recording(path: Path, fhr: Signal, ua: Signal) -> None:
    """Write signals of 4 Hz in the format of the path's suffix. Raises BadRecording, OSError."""
    reader = reader_of(path)
    if reader is None:
        raise BadRecording(str(path), path.suffix, f"Use a name that ends in {' or '.join(SUFFIXES)}")
    reader.format().write(path, fhr, ua)


def find_recordings(paths: list[Path]) -> list[Path]:
    """Return the files meant by `paths`: a folder stands for all recordings in it and in its folders, sorted by path.

    A path without a suffix stands for the file that has one, as records are named in WFDB.
    """
    files: list[Path] = []
    for path in paths:
        if path.is_dir():
            files += [inside for inside in sorted(path.rglob("*")) if _is_recording(inside)]
        elif path.suffix == "":
            with_suffix = [path.with_suffix(suffix) for suffix in SUFFIXES]
            files.append(next((file for file in with_suffix if file.is_file()), path))
        else:
            files.append(path)
    return files


def _is_recording(path: Path) -> bool:
    reader = reader_of(path)
    try:
        return reader is not None and reader.format().is_recording(path)
    except OSError:
        return True  # nobody may read it: that is told where it is read
