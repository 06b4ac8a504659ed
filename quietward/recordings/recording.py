"""A recording in memory, and the one place where samples from outside are checked and brought to 4 Hz."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from math import inf

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import FHR_HIGHEST_BPM, FHR_LOWEST_BPM, HZ, UA_HIGHEST, UA_LOWEST

Signal = NDArray[np.float64]

LONGEST_S = 14 * 24 * 3600
ABSURD_BPM = 400.0
"""A value above this is a wrong unit or column, not a noisy sample."""
RESAMPLE = "Resample to 4 Hz (1, 2 and 8 Hz are also read)"


@dataclass(frozen=True)
class Annotation:
    """Something that is said of a time in a recording.

    from_s, to_s: seconds from the first sample; to_s None: it marks a moment. kind: that of an event in a bed's log.
    """

    from_s: float
    to_s: float | None
    kind: str
    text: str


@dataclass(frozen=True)
class LabourContext:
    """What is known of a labour. weeks: of gestation, 0: at term; second_stage_from_s: of the recording."""

    weeks: int = 0
    second_stage_from_s: float = inf


NOTHING_KNOWN = LabourContext()


@dataclass(frozen=True)
class Content:
    """What a file holds. fhr (bpm), ua (relative units): shape (n,), NaN where there is no value, at `hz`.

    notes: what reading has changed or left out. began: time of the first sample, None where it is not said. fhr2: of a
    second twin, None where the file has one FHR.
    """

    fhr: Signal
    ua: Signal
    hz: float
    notes: tuple[str, ...] = ()
    annotations: tuple[Annotation, ...] = ()
    began: datetime | None = None
    labour: LabourContext = NOTHING_KNOWN
    fhr2: Signal | None = None


@dataclass(frozen=True)
class Recording:
    """fhr: bpm; ua: relative units; shape (n,), 4 Hz, NaN where there is no value; note: what reading changed.

    began: time of the first sample, None where it is not known. fhr2: of a second twin, as fhr; None without.
    """

    name: str
    fhr: Signal
    ua: Signal
    note: str = ""
    annotations: tuple[Annotation, ...] = ()
    began: datetime | None = None
    labour: LabourContext = NOTHING_KNOWN
    fhr2: Signal | None = None

    @property
    def seconds(self) -> int:
        """Length in whole seconds; an incomplete last second is padded with NaN."""
        return -(-len(self.fhr) // HZ)

    def by_second(self) -> tuple[Signal, Signal]:
        """Return FHR and UA, each of shape (seconds, 4)."""
        return self._in_seconds(self.fhr), self._in_seconds(self.ua)

    def second_fhr_by_second(self) -> Signal | None:
        """Return the FHR of a second twin, of shape (seconds, 4); None without."""
        return None if self.fhr2 is None else self._in_seconds(self.fhr2)

    def _in_seconds(self, signal: Signal) -> Signal:
        padding = (0, self.seconds * HZ - len(signal))
        return np.pad(signal, padding, constant_values=np.nan).reshape(-1, HZ)


def make_recording(name: str, content: Content, where: str) -> Recording:
    """Return a recording of samples at any of the rates 1, 2, 4 and 8 Hz; `note` says what was changed.

    FHR of 0 and outside 20 to 300 bpm means no value (the convention of the open data sets); UA is clipped to
    0 to 127.5. A second FHR without any value is none: monitors have the channel with one fetus, too. where: named in
    errors. Raises BadRecording.
    """
    fhr, ua, fhr2, hz = content.fhr, content.ua, content.fhr2, content.hz
    same_length(where, fhr, ua, fhr2)
    if len(fhr) == 0:
        raise BadRecording(where, 0, "Holds no sample; give a recording with at least one")
    if not hz > 0:
        raise BadRecording(where, f"{hz:g} Hz", "Say how many samples a second it has")
    if len(fhr) / hz > LONGEST_S:
        raise BadRecording(where, f"{len(fhr) / hz:.0f} s", f"Is longer than {LONGEST_S} s; cut it")
    for rate in (fhr, fhr2):
        if rate is not None:
            check_plausible(where, rate)
    at_4_hz, note = _to_4_hz(hz, where)
    notes = [*content.notes, *([note] if note else [])]
    if np.nan_to_num(fhr).any() and np.isnan(usable_rate(fhr)).all():
        notes.append(f"no FHR is within {FHR_LOWEST_BPM:g} to {FHR_HIGHEST_BPM:g} bpm: check unit and column")
    fhr, ua = usable_values(at_4_hz(fhr), at_4_hz(ua))
    fhr2 = None if fhr2 is None else usable_rate(at_4_hz(fhr2))
    if fhr2 is not None and np.isnan(fhr2).all():
        fhr2 = None
    return Recording(name, fhr, ua, "; ".join(notes), content.annotations, content.began, content.labour, fhr2)


def check_plausible(where: str, fhr: Signal) -> None:
    """Raise BadRecording if an FHR has a value that no noise explains."""
    if (absurd := fhr[fhr > ABSURD_BPM]).size:
        raise BadRecording(where, float(absurd[0]), "FHR must be in beats per minute; check unit and column")


def same_length(where: str, fhr: Signal, ua: Signal, fhr2: Signal | None = None) -> None:
    """Raise BadRecording if FHR and UA, or the FHR of twins, differ in length."""
    if len(fhr) != len(ua):
        raise BadRecording(where, [len(fhr), len(ua)], "FHR and UA must have the same number of samples")
    if fhr2 is not None and len(fhr2) != len(fhr):
        remedy = "The FHR of both twins must have the same number of samples"
        raise BadRecording(where, [len(fhr), len(fhr2)], remedy)


def usable_values(fhr: Signal, ua: Signal) -> tuple[Signal, Signal]:
    """Return FHR with NaN for what is no value, and UA within its range."""
    return usable_rate(fhr), np.clip(np.where(np.isfinite(ua), ua, np.nan), UA_LOWEST, UA_HIGHEST)


def usable_rate(fhr: Signal) -> Signal:
    """Return an FHR with NaN for what is no value."""
    return np.where((fhr >= FHR_LOWEST_BPM) & (fhr <= FHR_HIGHEST_BPM), fhr, np.nan)


def is_known_rate(hz: float) -> bool:
    """Return whether a rate can be brought to ours."""
    return _known_rate(hz) is not None


def _known_rate(hz: float) -> int | None:
    """Return the rate that one is taken for: it may be 1 % off."""
    return next((known for known in (1, 2, HZ, 2 * HZ) if np.isclose(hz, known, rtol=0.01)), None)


def _to_4_hz(hz: float, where: str) -> tuple[Callable[[Signal], Signal], str]:
    """Return what brings a signal from its rate to ours, and what is to be said of that."""
    known = _known_rate(hz)
    if known is None:
        raise BadRecording(where, f"{hz:g} Hz", RESAMPLE)
    if not np.isclose(hz, known, rtol=1e-6):  # taken as it is, an hour could be 36 s off
        return partial(_nearest, hz=hz), f"{hz:g} Hz brought to {HZ} Hz by taking the nearest value"
    if known < HZ:
        return partial(np.repeat, repeats=HZ // known), f"{known} Hz brought to {HZ} Hz by holding values"
    if known > HZ:
        return lambda signal: signal[::2], f"{2 * HZ} Hz brought to {HZ} Hz by taking every second value"
    return lambda signal: signal, ""


def _nearest(signal: Signal, hz: float) -> Signal:
    """Return a signal at 4 Hz: at each time the value that is the nearest."""
    times_s = np.arange(max(1, round(len(signal) / hz * HZ))) / HZ
    return signal[np.minimum(np.round(times_s * hz).astype(np.int64), len(signal) - 1)]
