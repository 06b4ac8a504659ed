"""Recordings: FHR and UA arrays at 4 Hz, read from WFDB (`.hea`) and CSV (`t_s,fhr,ua`)."""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from quietward import wfdb_files
from quietward.contracts.errors import BadRecording
from quietward.contracts.messages import FHR_HIGHEST_BPM, FHR_LOWEST_BPM, HZ, UA_HIGHEST, UA_LOWEST

Signal = NDArray[np.float64]
COLUMNS = ("t_s", "fhr", "ua")
LONGEST_S = 14 * 24 * 3600
ABSURD_BPM = 400.0
"""A value above this is a wrong unit or column, not a noisy sample."""


@dataclass(frozen=True)
class Recording:
    """fhr: bpm; ua: relative units; shape (n,), 4 Hz, NaN where there is no value; note: what reading changed."""

    name: str
    fhr: Signal
    ua: Signal
    note: str = ""

    @property
    def seconds(self) -> int:
        """Length in whole seconds; a last part of a second is padded with NaN."""
        return -(-len(self.fhr) // HZ)

    def by_second(self) -> tuple[Signal, Signal]:
        """Return FHR and UA, each of shape (seconds, 4)."""
        padding = (0, self.seconds * HZ - len(self.fhr))
        return tuple(  # type: ignore[return-value]
            np.pad(x, padding, constant_values=np.nan).reshape(-1, HZ) for x in (self.fhr, self.ua)
        )


def read(path: Path) -> Recording:
    """Read one recording.

    FHR of 0 and outside 20 to 300 bpm means no value (the convention of the open data sets); UA is clipped to
    0 to 127.5. Rates of 1, 2 and 8 Hz are brought to 4 Hz, and `note` says so.
    Raises BadRecording naming the file, what is wrong and the remedy.
    """
    if path.suffix not in {".hea", ".csv"}:
        raise BadRecording(str(path), path.suffix, "Use a WFDB header (.hea) or a CSV file (.csv)")
    if not path.is_file():
        raise BadRecording(str(path), path.name, "There is no such file")
    fhr, ua, hz = _read_wfdb(path) if path.suffix == ".hea" else _read_csv(path)
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


def _read_wfdb(path: Path) -> tuple[Signal, Signal, float]:
    record = wfdb_files.read(path)
    names = [name.strip().upper() for name in record.names]
    columns = []
    for wanted in (("FHR",), ("UC", "UA", "TOCO")):
        places = [i for i, name in enumerate(names) if name in wanted]
        if not places:
            raise BadRecording(str(path), record.names, f"Needs a signal named {' or '.join(wanted)}")
        columns.append(record.signals[:, places[0]])
    return columns[0], columns[1], record.hz


def _read_csv(path: Path) -> tuple[Signal, Signal, float]:
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = list(csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BadRecording(str(path), type(error).__name__, f"Cannot be read: {error}") from error
    if not rows or tuple(cell.strip().lower() for cell in rows[0]) != COLUMNS:
        raise BadRecording(str(path), rows[0] if rows else "", f"The first line must be {','.join(COLUMNS)}")
    values = np.full((len(rows) - 1, 3), np.nan)
    for i, row in enumerate(rows[1:]):
        if len(row) != len(COLUMNS):
            raise BadRecording(f"{path} line {i + 2}", row, "Needs three cells; an empty cell is no value")
        for j, cell in enumerate(row):
            if cell.strip():
                try:
                    values[i, j] = float(cell)
                except ValueError as error:
                    remedy = f"Column {COLUMNS[j]} needs a number, or nothing for no value"
                    raise BadRecording(f"{path} line {i + 2}", cell, remedy) from error
    times = values[:, 0]
    if len(times) < 2:
        return values[:, 1], values[:, 2], float(HZ)
    steps = np.diff(times)
    if not np.all(steps > 0):  # also true for an empty time
        line = int(np.flatnonzero(~(steps > 0))[0]) + 3
        raise BadRecording(f"{path} line {line}", rows[line - 1][0], "t_s must be there and grow from line to line")
    step = float(np.median(steps))
    if not np.allclose(steps, step, rtol=0.05):
        line = int(np.argmax(np.abs(steps - step))) + 3
        remedy = f"t_s must grow by {step:g} s from line to line; leave cells empty where there is no value"
        raise BadRecording(f"{path} line {line}", rows[line - 1][0], remedy)
    return values[:, 1], values[:, 2], 1 / step


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


def write_csv(path: Path, fhr: Signal, ua: Signal) -> None:
    """Write a recording as CSV, an empty cell where there is no value."""
    rows = (f"{i / HZ:.2f},{f},{u}\n" for i, (f, u) in enumerate(zip(_cells(fhr), _cells(ua), strict=True)))
    with path.open("w", encoding="utf-8") as file:
        file.write(",".join(COLUMNS) + "\n")
        file.writelines(rows)


def _cells(values: Signal) -> list[str]:
    """Return values as text, each different one put into words once."""
    different, which = np.unique(values, return_inverse=True)
    words = np.array(["" if np.isnan(x) else f"{x:g}" for x in different], dtype=object)
    return list(words[which])


def write_wfdb(path: Path, fhr: Signal, ua: Signal) -> None:
    """Write a recording as a WFDB record (`.hea` and `.dat`, format 16, hundredths); no value is WFDB's own mark."""
    wfdb_files.write(path, ["FHR", "UA"], ["bpm", "nd"], np.column_stack([fhr, ua]), HZ, gain=100)


def expand(paths: list[Path]) -> list[Path]:
    """Return the files meant by `paths`: a folder stands for all recordings in it, sorted by name."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.suffix in {".hea", ".csv"})
            found += [p for p in inside if p.suffix == ".hea" or _looks_like_recording(p)]
        elif path.suffix == "" and path.with_suffix(".hea").is_file():
            found.append(path.with_suffix(".hea"))
        else:
            found.append(path)
    return found


def _looks_like_recording(path: Path) -> bool:
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        return file.readline().strip().lower() == ",".join(COLUMNS)
