"""WFDB records as CTG data sets have them: `.hea` and `.dat`, formats 16 and 212, one segment.

The format is that of header(5) and signal(5) of the WFDB applications guide. A record in another format is read by the
`wfdb` package, which comes with the extra `recordings`.
"""

import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.errors import BadRecording, extra

Signals = NDArray[np.float64]

DEFAULT_HZ, DEFAULT_GAIN = 250.0, 200.0
NO_VALUE = {16: -(2**15), 212: -(2**11)}
"""The stored number that means that there is no value."""

RECORD_LINE = re.compile(
    r"(?P<name>[-\w]+)(?P<segments>/\d+)?\s+(?P<signals>\d{1,4})(\s+(?P<hz>\d{1,9}(\.\d*)?)\S*)?"
    r"(\s+(?P<samples>\d{1,15}))?(\s+(?P<time>[\d:]+(\.\d+)?)(\s+(?P<date>\d+/\d+/\d+))?)?(\s.*)?"
)
SIGNAL_LINE = re.compile(
    r"(?P<file>\S+)\s+(?P<format>\d{1,5})(?P<layout>x\d+|:\d+|\+\d+)*"
    r"(\s+(?P<gain>-?\d{1,15}(\.\d*)?(e[-+]?\d{1,2})?)(\((?P<baseline>-?\d{1,15})\))?(/(?P<units>\S+))?"
    r"(\s+\d+(\s+(?P<zero>-?\d{1,15})(\s+-?\d+(\s+-?\d+(\s+\d+(\s+(?P<label>.*))?)?)?)?)?)?)?"
)


@dataclass(frozen=True)
class Record:
    """names: of the signals; signals: physical units, shape (n, signals), NaN where there is no value.

    began: base date and time, which have no zone and are taken for UTC; None if one of them is not said.
    """

    names: list[str]
    signals: Signals
    hz: float
    began: datetime | None = None
    comments: tuple[str, ...] = ()


@dataclass(frozen=True)
class _SignalLine:
    file: str
    format: int
    gain: float
    baseline: int
    name: str


def read(header: Path) -> Record:
    """Read a record. Raises BadRecording, and MissingExtra for a format that needs the `wfdb` package."""
    try:
        lines = [line.strip() for line in header.read_text(encoding="utf-8", errors="replace").splitlines()]
    except OSError as error:
        raise BadRecording(str(header), type(error).__name__, f"Cannot be read: {error.strerror}") from error
    comments = tuple(line.lstrip("#").strip() for line in lines if line.startswith("#"))
    lines = [line for line in lines if line and not line.startswith("#")]
    record = RECORD_LINE.fullmatch(lines[0]) if lines else None
    if record is None:
        raise BadRecording(str(header), lines[0] if lines else "", "Is not the first line of a WFDB header")
    count = int(record["signals"])
    for line in lines[1 : count + 1]:
        if "/" in (file := line.partition(" ")[0]):
            raise BadRecording(str(header), file, "Names a file in another folder; its signals must lie beside it")
    matches = [SIGNAL_LINE.fullmatch(line) for line in lines[1 : count + 1]]
    if record["segments"] or any(m is None or m["layout"] or int(m["format"]) not in NO_VALUE for m in matches):
        return _read_by_package(header)
    signals = [_signal_line(m) for m in matches if m is not None]
    if not count or len(signals) != count:
        raise BadRecording(str(header), count, f"Says so many signals, but describes {len(signals)}")
    samples = int(record["samples"] or 0)
    columns = [
        column
        for file, own in groupby(signals, key=lambda s: s.file)
        for column in _read_file(header.parent / file, list(own), samples)
    ]
    if len({len(column) for column in columns}) > 1:
        raise BadRecording(str(header), [len(column) for column in columns], "Its signals differ in length")
    hz, began = float(record["hz"] or DEFAULT_HZ), _began(record["time"], record["date"])
    if not hz:
        raise BadRecording(str(header), record["hz"], "Say in its first line how many samples a second it has")
    return Record([s.name for s in signals], np.column_stack(columns), hz, began, comments)


def _began(time: str | None, date: str | None) -> datetime | None:
    text = f"{date} {time}"
    for form in ("%d/%m/%Y %H:%M:%S", "%d/%m/%Y %H:%M:%S.%f"):
        with suppress(ValueError):
            return datetime.strptime(text, form).replace(tzinfo=UTC)
    return None


def _signal_line(match: re.Match[str]) -> _SignalLine:
    gain = float(match["gain"] or 0) or DEFAULT_GAIN
    baseline = int(match["baseline"] or match["zero"] or 0)
    return _SignalLine(match["file"], int(match["format"]), gain, baseline, match["label"] or "")


def _read_file(path: Path, signals: list[_SignalLine], samples: int) -> list[Signals]:
    """Return the signals of one file. samples: of each; 0: as many as there are."""
    formats = {s.format for s in signals}
    if len(formats) > 1:
        raise BadRecording(str(path), sorted(formats), "Holds signals of several formats; a file has one")
    (format_,) = formats
    try:
        stored = path.read_bytes()
    except OSError as error:
        raise BadRecording(str(path), type(error).__name__, f"Cannot be read: {error.strerror}") from error
    values = _unpacked_212(stored) if format_ == 212 else np.frombuffer(stored, "<i2", len(stored) // 2)
    there = len(values) // len(signals)
    if there < samples:
        remedy = f"Is shorter than its header says: {samples} samples; copy it again"
        raise BadRecording(str(path), there, remedy)
    table = values[: (samples or there) * len(signals)].reshape(-1, len(signals))
    signals_read = []
    for own, signal in zip(table.T, signals, strict=True):
        physical = (own.astype(np.float64) - signal.baseline) / signal.gain
        physical[own == NO_VALUE[format_]] = np.nan
        signals_read.append(physical)
    return signals_read


def _unpacked_212(stored: bytes) -> NDArray[np.int16]:
    """Return the numbers of format 212: two of 12 bits, two's complement, in each three bytes."""
    whole = np.frombuffer(stored.ljust(-(-len(stored) // 3) * 3, b"\0"), np.uint8).reshape(-1, 3).astype(np.int16)
    pairs = np.stack([whole[:, 0] | (whole[:, 1] & 0x0F) << 8, whole[:, 2] | (whole[:, 1] & 0xF0) << 4], axis=1)
    values = pairs.reshape(-1)[: len(stored) * 2 // 3]
    return np.where(values >= 2**11, values - 2**12, values).astype(np.int16)


def _read_by_package(header: Path) -> Record:
    with extra("recordings", f"{header}: its format"):
        import wfdb
    try:
        record = wfdb.rdrecord(str(header.with_suffix("")))
    except Exception as error:  # wfdb raises many kinds, from ValueError to its own
        remedy = f"Is not a WFDB record that can be read: {error}"
        raise BadRecording(str(header), type(error).__name__, remedy) from error
    if record.p_signal is None or not record.n_sig:
        raise BadRecording(str(header), 0, "Holds no signal")
    signals = np.asarray(record.p_signal, dtype=np.float64)
    return Record([name or "" for name in record.sig_name], signals, float(record.fs), comments=tuple(record.comments))


def write(
    header: Path,
    names: list[str],
    units: list[str],
    signals: Signals,
    hz: int,
    gain: int,
    began: datetime | None = None,
) -> None:
    """Write a record in format 16. signals: shape (n, signals), NaN where there is no value. Raises OSError.

    A value that 16 bits cannot hold is written as the nearest that they can.
    """
    no_value = np.isnan(signals)
    digital = np.clip(np.round(np.where(no_value, 0.0, signals) * gain), NO_VALUE[16] + 1, 2**15 - 1)
    stored = np.where(no_value, NO_VALUE[16], digital).astype("<i2")
    data = data_path(header)
    base = "" if began is None else began.astimezone(UTC).strftime(" %H:%M:%S.%f %d/%m/%Y")
    lines = [f"{data.stem} {len(names)} {hz} {len(stored)}{base}"]
    for label, unit, own in zip(names, units, stored.T, strict=True):
        checksum = int(own.sum(dtype=np.int64)) % 2**16
        lines.append(f"{data.name} 16 {gain}(0)/{unit} 16 0 {own[0]} {checksum} 0 {label}")
    data.write_bytes(stored.tobytes())
    header.write_text("\n".join(lines) + "\n")


def data_path(header: Path) -> Path:
    """Return the file that data are written to.

    A header may name none with other characters: they become their number, so that different names stay so.
    """
    name = re.sub(r"[^A-Za-z0-9_-]", lambda match: f"_{ord(match[0]):x}_", header.stem)
    return header.with_name(f"{name}.dat")
