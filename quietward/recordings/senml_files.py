"""SenML (RFC 8428): one pack of records `fhr`, `ua` and, of a second twin, `fhr2`; a sample without a value has none.

FHR is in `beat/min` (which RFC 8428 knows, and does not recommend) or `1/s`, UA without a unit. Ours also say the rate
(`rate`, Hz) and how many samples there are (`samples`), so that what is missing at either end is not lost; annotations
are records `event` with the text, and in fields of our own, which others pass over, their kind and how long they last.
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import numpy as np
from msgspec import Struct

from quietward.contracts.errors import BadRecording, possible
from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.contracts.validation import NOT_DECODED
from quietward.recordings.recording import LONGEST_S, Annotation, Content, Recording, Signal
from quietward.recordings.tables import at_one_rate

ABSOLUTE_FROM_S = 2.0**28
"""A time below this counts from now, by section 4.5.3 of the RFC: here, from the recording's first sample."""
_RATE = {"beat/min": 1.0, "": 1.0, "1/s": 60.0, "Hz": 60.0}
UNITS = {"fhr": _RATE, "ua": {"": 1.0, "/": 1.0}, "fhr2": _RATE}
BASE = "quietward:"
VERSION = 10
"""Of SenML, by RFC 8428: one that is higher may not be used."""


class Record(Struct, omit_defaults=True):
    """The labels that are used here; base ones hold until the next of their kind. kind, lasts: ours, of an event."""

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bver: int | None = None
    n: str = ""
    u: str | None = None
    t: float = 0.0
    v: float | None = None
    vs: str | None = None
    kind: str = ""
    lasts: float | None = None


class _Pack(Struct):
    """A pack with its bases resolved. values: by signal, times and values; first_s: None where there is none."""

    values: dict[str, tuple[list[float], list[float]]]
    numbers: dict[str, float]
    events: list[tuple[float, Record]]
    first_s: float | None


def read(path: Path) -> Content:
    """Return what a file holds. Raises BadRecording."""
    try:
        stored = path.read_bytes()
        records = msgspec.json.decode(stored, type=list[Record])
        labels: set[str] = set().union(*msgspec.json.decode(stored, type=list[dict[str, msgspec.Raw]]))
    except (OSError, *NOT_DECODED) as error:
        raise BadRecording(str(path), type(error).__name__, f"Is not a SenML pack: {error}") from error
    if unknown := sorted(label for label in labels if label.endswith("_")):
        raise BadRecording(f"{path}: label", unknown[0], "Must be understood by who reads it (RFC 8428), and is not")
    if (version := max((r.bver for r in records if r.bver is not None), default=VERSION)) > VERSION:
        raise BadRecording(f"{path}: bver", version, f"Is a version that is not known; use {VERSION}, of RFC 8428")
    pack = _resolved(records, path)
    if pack.first_s is None:
        raise BadRecording(str(path), sorted({r.n for r in records})[:5], "Needs records named fhr, or ua, with values")
    base_s, began = pack.first_s, None
    if base_s >= ABSOLUTE_FROM_S:
        try:
            began = datetime.fromtimestamp(0, UTC) + timedelta(milliseconds=round(base_s * 1000))
        except OverflowError as error:
            raise BadRecording(str(path), base_s, "Is no time, in seconds since the epoch") from error
    said = [
        Annotation(t - base_s, None if r.lasts is None else t - base_s + r.lasts, r.kind, r.vs or "")
        for t, r in pack.events
    ]
    content = _by_rate(pack, base_s, path) if {"rate", "samples"} <= pack.numbers.keys() else _by_times(pack, path)
    return replace(content, annotations=tuple(said), began=began)


def write(path: Path, recording: Recording) -> None:
    """Write a recording. Raises OSError."""
    bt = None if recording.began is None else round(recording.began.timestamp() * 1000) / 1000
    is_absolute = bt is not None and bt >= ABSOLUTE_FROM_S
    records = [
        Record(bn=BASE, bt=bt if is_absolute else None, n="notice", vs=NOTICE),
        Record(n="rate", u="Hz", v=float(HZ)),
        Record(n="samples", u="count", v=float(len(recording.fhr))),
    ]
    for name, unit, signal in (
        ("fhr", "beat/min", recording.fhr), ("ua", None, recording.ua), ("fhr2", "beat/min", recording.fhr2),
    ):  # fmt: skip
        if signal is None:
            continue
        known = np.flatnonzero(~np.isnan(signal)).tolist()
        records += [Record(n=name, u=unit, t=i / HZ, v=float(signal[i])) for i in known]
    for one in recording.annotations:
        lasts = None if one.to_s is None else one.to_s - one.from_s
        records.append(Record(n="event", t=one.from_s, vs=one.text, kind=one.kind, lasts=lasts))
    lines = b",\n".join(msgspec.json.encode(one) for one in records)
    path.write_bytes(b"[" + lines + b"]\n")


def beside(_: Path) -> list[Path]:
    """Return no other file: all is in one."""
    return []


def is_recording(path: Path) -> bool:
    """Return whether it begins as a pack does. Raises OSError."""
    with path.open("rb") as file:
        return file.read(64).lstrip().startswith(b"[")


def _resolved(records: list[Record], path: Path) -> _Pack:
    """Return a pack's values at their times. Names are those behind the last colon or slash. Raises BadRecording."""
    values: dict[str, tuple[list[float], list[float]]] = {name: ([], []) for name in UNITS}
    numbers: dict[str, float] = {}
    events: list[tuple[float, Record]] = []
    base_name, base_s, base_unit, base_value, first_s = "", 0.0, "", 0.0, None
    for one in records:
        base_name = base_name if one.bn is None else one.bn
        base_s = base_s if one.bt is None else one.bt
        base_unit = base_unit if one.bu is None else one.bu
        base_value = base_value if one.bv is None else one.bv
        name = (base_name + one.n).replace("/", ":").rpartition(":")[2].lower()
        t = base_s + one.t
        if name in ("rate", "samples") and one.v is not None:
            numbers[name] = base_value + one.v
            first_s = t if first_s is None else min(first_s, t)
        elif name == "event":
            events.append((t, one))
        elif name in UNITS and one.v is not None:
            unit = one.u if one.u is not None else base_unit
            if unit not in UNITS[name]:
                raise BadRecording(f"{path}: {name}: u", unit, possible(filter(None, UNITS[name]), unit))
            times, readings = values[name]
            times.append(t)
            readings.append((base_value + one.v) * UNITS[name][unit])
            first_s = t if first_s is None else min(first_s, t)
    return _Pack(values, numbers, events, first_s)


def _by_rate(pack: _Pack, base_s: float, path: Path) -> Content:
    """Return the signals of a pack that says its rate and how many samples it has. Raises BadRecording."""
    hz, samples = pack.numbers["rate"], pack.numbers["samples"]
    if not (hz > 0 and 0 <= samples <= LONGEST_S * hz and samples == int(samples)):
        raise BadRecording(f"{path}: samples", f"{samples:g} at {hz:g} Hz", f"Must last at most {LONGEST_S} s")
    signals = {}
    for name, (times, readings) in pack.values.items():
        places = np.round((np.array(times) - base_s) * hz)
        if places.size and not (places.min() >= 0 and places.max() < samples):
            raise BadRecording(f"{path}: {name}: t", max(times), f"Is not among the {samples:g} samples at {hz:g} Hz")
        signals[name] = np.full(int(samples), np.nan)
        signals[name][places.astype(np.int64)] = readings
    return Content(signals["fhr"], signals["ua"], hz, fhr2=signals["fhr2"])


def _by_times(pack: _Pack, path: Path) -> Content:
    """Return the signals of a pack that has nothing but times: its rate is that of most steps. Raises BadRecording."""
    times = np.unique([t for own, _ in pack.values.values() for t in own])

    def at(name: str) -> Signal:
        own, readings = pack.values[name]
        signal = np.full(len(times), np.nan)
        signal[np.searchsorted(times, own)] = readings
        return signal

    notes = () if pack.values["ua"][0] else ("no UA",)
    return at_one_rate(
        Content(at("fhr"), at("ua"), float(HZ), notes, fhr2=at("fhr2")),
        times,
        lambda i: f"{path}: record at {times[i]:g} s",
    )
