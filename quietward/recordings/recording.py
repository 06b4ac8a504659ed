"""A recording in memory, and the one place where samples from outside are checked and brought to 4 Hz."""

from dataclasses import dataclass
from datetime import datetime
from math import inf

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.errors import BadRecording
from quietward.contracts.messages import FHR_HIGHEST_BPM, FHR_LOWEST_BPM, HZ, UA_HIGHEST, UA_LOWEST

Signal = NDArray[np.float64]

LONGEST_S = 14 * 24 * 3600
ABSURD_BPM = 400.0
"""A value above this is a wrong unit or column, not a noisy sample."""


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

    notes: what reading has changed or left out. began: time of the first sample, None where it is not said.
    """

    fhr: Signal
    ua: Signal
    hz: float
    notes: tuple[str, ...] = ()
    annotations: tuple[Annotation, ...] = ()
    began: datetime | None = None
    labour: LabourContext = NOTHING_KNOWN


@dataclass(frozen=True)
class Recording:
    """fhr: bpm; ua: relative units; shape (n,), 4 Hz, NaN where there is no value; note: what reading changed.

    began: time of the first sample, None where it is not known.
    """

    name: str
    fhr: Signal
    ua: Signal
    note: str = ""
    annotations: tuple[Annotation, ...] = ()
    began: datetime | None = None
    labour: LabourContext = NOTHING_KNOWN

    @property
    def seconds(self) -> int:
        """Length in whole seconds; an incomplete last second is padded with NaN."""
        return -(-len(self.fhr) // HZ)

    def by_second(self) -> tuple[Signal, Signal]:
        """Return FHR and UA, each of shape (seconds, 4)."""
        padding = (0, self.seconds * HZ - len(self.fhr))
        return tuple(  # type: ignore[return-value]
            np.pad(x, padding, constant_values=np.nan).reshape(-1, HZ) for x in (self.fhr, self.ua)
        )


def make_recording(name: str, content: Content, where: str) -> Recording:
    """Return a recording of samples at any of the rates 1, 2, 4 and 8 Hz; `note` says what was changed.

    FHR of 0 and outside 20 to 300 bpm means no value (the convention of the open data sets); UA is clipped to
    0 to 127.5. where: named in errors. Raises BadRecording.
    """
    fhr, ua, hz = content.fhr, content.ua, content.hz
    same_length(where, fhr, ua)
    if len(fhr) == 0:
        raise BadRecording(where, 0, "Holds no sample; give a recording with at least one")
    if not hz > 0:
        raise BadRecording(where, f"{hz:g} Hz", "Say how many samples a second it has")
    if len(fhr) / hz > LONGEST_S:
        raise BadRecording(where, f"{len(fhr) / hz:.0f} s", f"Is longer than {LONGEST_S} s; cut it")
    absurd = fhr[fhr > ABSURD_BPM]
    if absurd.size:
        raise BadRecording(where, float(absurd[0]), "FHR must be in beats per minute; check unit and column")
    fhr, ua, note = _at_4_hz(fhr, ua, hz, where)
    notes = [*content.notes, *([note] if note else [])]
    fhr, ua = usable_values(fhr, ua)
    return Recording(name, fhr, ua, "; ".join(notes), content.annotations, content.began, content.labour)


def same_length(where: str, fhr: Signal, ua: Signal) -> None:
    """Raise BadRecording if FHR and UA differ in length."""
    if len(fhr) != len(ua):
        raise BadRecording(where, [len(fhr), len(ua)], "FHR and UA must have the same number of samples")


def usable_values(fhr: Signal, ua: Signal) -> tuple[Signal, Signal]:
    """Return FHR with NaN for what is no value, and UA within its range."""
    return (
        np.where((fhr >= FHR_LOWEST_BPM) & (fhr <= FHR_HIGHEST_BPM), fhr, np.nan),
        np.clip(np.where(np.isfinite(ua), ua, np.nan), UA_LOWEST, UA_HIGHEST),
    )


def _at_4_hz(fhr: Signal, ua: Signal, hz: float, where: str) -> tuple[Signal, Signal, str]:
    if np.isclose(hz, HZ, rtol=0.01):
        return fhr, ua, ""
    for known in (1, 2):
        if np.isclose(hz, known, rtol=0.01):
            repeat = HZ // known
            return np.repeat(fhr, repeat), np.repeat(ua, repeat), f"{known} Hz brought to {HZ} Hz by holding values"
    if np.isclose(hz, 2 * HZ, rtol=0.01):
        return fhr[::2], ua[::2], f"{2 * HZ} Hz brought to {HZ} Hz by taking every second value"
    raise BadRecording(where, f"{hz:g} Hz", "Resample to 4 Hz (1, 2 and 8 Hz are also read)")
