"""CSV files with the columns `t_s,fhr,ua`: seconds, bpm, relative units; an empty cell is no value."""

import csv
from pathlib import Path

import numpy as np

from quietward.contracts.errors import BadRecording
from quietward.contracts.messages import HZ
from quietward.recordings.recording import Signal

COLUMNS = ("t_s", "fhr", "ua")


def read(path: Path) -> tuple[Signal, Signal, float]:
    """Return FHR, UA and their rate in Hz. Raises BadRecording."""
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


def write(path: Path, fhr: Signal, ua: Signal) -> None:
    """Write signals of 4 Hz, an empty cell where there is no value."""
    rows = (f"{i / HZ:.2f},{f},{u}\n" for i, (f, u) in enumerate(zip(_cells(fhr), _cells(ua), strict=True)))
    with path.open("w", encoding="utf-8") as file:
        file.write(",".join(COLUMNS) + "\n")
        file.writelines(rows)


def _cells(values: Signal) -> list[str]:
    """Return values as text, each distinct one formatted once."""
    distinct, indices = np.unique(values, return_inverse=True)
    texts = np.array(["" if np.isnan(x) else f"{x:g}" for x in distinct], dtype=object)
    return list(texts[indices])


def is_recording(path: Path) -> bool:
    """Return whether the first line is that of a recording: other tables end in .csv, too. Raises OSError."""
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        return file.readline().strip().lower() == ",".join(COLUMNS)
