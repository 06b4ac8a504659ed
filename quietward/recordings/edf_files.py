"""EDF+: FHR, UA and a second twin's FHR in hundredths, and annotations.

A missing value is the lowest number, below all that can be. EDF+ has no zone: times are UTC. Its library, `edfio`,
comes with the extra `edf`.
"""

import warnings
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from quietward.contracts.errors import BadRecording, extra
from quietward.contracts.fields import HZ
from quietward.recordings.recording import Annotation, Content, Recording, Signal
from quietward.recordings.signal_names import FHR, FHR2, NAMES, UA, factor_of, find_signals

if TYPE_CHECKING:
    import edfio

DIGITAL = (-1, 32767)
PHYSICAL = (-0.01, 327.67)
YEARS = range(1985, 2085)
UNITS = {FHR: "bpm", UA: "nd", FHR2: "bpm"}
SEPARATOR = ": "
"""Between kind and text of an annotation."""


def read(path: Path) -> Content:
    """Return what a file holds. Raises BadRecording, MissingExtra."""
    with extra("edf", f"{path}"):
        import edfio
    try:
        with warnings.catch_warnings(record=True) as doubts:
            warnings.simplefilter("always")
            edf = edfio.read_edf(path, header_encoding="latin-1")
            signals, texts = edf.signals, edf.annotations
            values = [_values(signal) for signal in signals]
            is_continuous, began = edf.is_continuous, _began(edf)
    except Exception as error:  # edfio raises many kinds for files that are cut off or are something else
        raise BadRecording(str(path), type(error).__name__, f"Is not an EDF file that can be read: {error}") from error
    if not is_continuous:
        raise BadRecording(
            str(path), edf.reserved, "Has interruptions (EDF+D), whose lengths are lost; write it as EDF+C"
        )
    labels = [signal.label for signal in signals]
    places, others = find_signals(str(path), labels, (FHR, FHR2, UA))
    if FHR not in places:
        raise BadRecording(str(path), labels, f"Needs a signal named {' or '.join(n.upper() for n in NAMES[FHR])}")
    place = places[FHR].place

    def brought_over(name: str) -> Signal:
        other = signals[places[name].place]
        if other.sampling_frequency != signals[place].sampling_frequency:
            rates = [signals[place].sampling_frequency, other.sampling_frequency]
            raise BadRecording(str(path), rates, f"FHR and {name} must have one rate (Hz)")
        return values[places[name].place] * _factor(path, name, other)

    fhr = brought_over(FHR)
    notes = [" ".join(str(doubt.message).split()) for doubt in doubts]
    notes += [f"left out: {', '.join(others)}"] if others else []
    ua = brought_over(UA) if UA in places else np.full(len(fhr), np.nan)
    notes += [] if UA in places else ["no UA"]
    fhr2 = brought_over(FHR2) if FHR2 in places else None
    annotations = tuple(_annotation(one.onset, one.duration, one.text) for one in texts)
    return Content(fhr, ua, signals[place].sampling_frequency, tuple(notes), annotations, began, fhr2=fhr2)


def _values(signal: "edfio.EdfSignal") -> Signal:
    values = np.array(signal.data, dtype=np.float64)
    if signal.physical_min < 0:
        values[signal.digital == signal.digital_min] = np.nan
    return values


def _factor(path: Path, name: str, signal: "edfio.EdfSignal") -> float:
    return factor_of(f"{path}: {signal.label}", name, signal.physical_dimension)


def _began(edf: "edfio.Edf") -> datetime | None:
    try:
        return edf.startdatetime.replace(tzinfo=UTC)
    except ValueError:  # the date has been taken out
        return None


def _annotation(onset_s: float, duration_s: float | None, text: str) -> Annotation:
    kind, separator, rest = text.partition(SEPARATOR)
    to_s = None if duration_s is None else onset_s + duration_s
    return Annotation(onset_s, to_s, kind, rest) if separator else Annotation(onset_s, to_s, "note", text)


def write(path: Path, recording: Recording) -> None:
    """Write whole seconds: what is missing of the last one has no value. Raises BadRecording, OSError, MissingExtra."""
    with extra("edf", f"{path}"):
        import edfio
    heart, womb = (signal.ravel() for signal in recording.by_second())
    second = recording.second_fhr_by_second()
    began = None if recording.began is None else _to_the_sample(recording.began.astimezone(UTC))
    if began is not None and began.year not in YEARS:
        raise BadRecording(str(path), began, f"EDF+ has dates of {YEARS[0]} to {YEARS[-1]}; use another format")
    edf = edfio.Edf(
        [_signal(FHR, heart), _signal(UA, womb), *([] if second is None else [_signal(FHR2, second.ravel())])],
        recording=edfio.Recording(
            startdate=None if began is None else began.date(),
            equipment_code="quietward",
            additional=("not-for-diagnosis",),
        ),
        starttime=None if began is None else began.time(),
        data_record_duration=1,
        annotations=[
            edfio.EdfAnnotation(x.from_s, None if x.to_s is None else x.to_s - x.from_s, _text(x))
            for x in recording.annotations
        ],
    )
    path.write_bytes(edf.to_bytes())


def _to_the_sample(began: datetime) -> datetime:
    """Return a time rounded to a sample: with other fractions edfio writes records that seem to have gaps."""
    samples = round(began.microsecond * HZ / 1e6)
    return began.replace(microsecond=0) + timedelta(seconds=samples / HZ)


def _signal(name: str, values: Signal) -> "edfio.EdfSignal":
    import edfio

    stored = np.where(np.isnan(values), PHYSICAL[0], np.clip(values, 0, PHYSICAL[1]))
    return edfio.EdfSignal(
        stored, HZ, label=name, physical_dimension=UNITS[name], physical_range=PHYSICAL, digital_range=DIGITAL
    )


def _text(one: Annotation) -> str:
    """Return kind and text; EDF+ marks the parts of an annotation by control characters, so that none may be in it."""
    return "".join(max(c, " ") for c in f"{one.kind}{SEPARATOR}{one.text}")


def beside(_: Path) -> list[Path]:
    """Return no other file: all is in one."""
    return []


def is_recording(path: Path) -> bool:
    """Return whether it begins as every EDF file does. Raises OSError."""
    with path.open("rb") as file:
        return file.read(8).strip() == b"0"
