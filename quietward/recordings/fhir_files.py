"""FHIR R5: a Bundle of Observations. FHR and UA are SampledData; what was found are Observations derived from them.

The FHR is LOINC 55283-6 in UCUM `/min`, that of a second twin an Observation of its own with other text. The UA and
the findings have no code that we could vouch for, and are said in words. No profile is claimed, least that of vital
signs: a simulated signal is none. Written and read here, without a library; the tests ask the package `fhir.resources`
whether it is FHIR.
"""

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal, NamedTuple
from uuid import NAMESPACE_URL, uuid5

import msgspec
import numpy as np
from msgspec import Struct, field

from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.contracts.summary import TWIN_WORDS
from quietward.recordings.recording import LONGEST_S, Annotation, Content, Recording, Signal

LOINC, UCUM = "http://loinc.org", "http://unitsofmeasure.org"
FHR_CODE = "55283-6"
FHR_TEXT, SECOND_TEXT = "Fetal heart rate", "Fetal heart rate, second twin"
UA_TEXT, FROM_TEXT, TO_TEXT = "Uterine activity", "From", "To"
UNIT_S = {"ms": 0.001, "s": 1.0, "us": 1e-6, "min": 60.0}
"""UCUM codes of intervals, in seconds."""
NO_VALUE = "E"
OVERLAP_S = 1.0
"""Observations one after the other may overlap by so much: clocks are a little off. The later one counts."""
NOT_NUMBERS = frozenset({NO_VALUE, "L", "U"})
"""Errors, and values below and above what could be measured."""


class _Element(Struct, omit_defaults=True, rename="camel"):
    """Of FHIR, only what is used here; anything else in a file is passed over."""


class Coding(_Element):
    """A code of a code system."""

    system: str = ""
    code: str = ""
    display: str = ""


class Concept(_Element):
    """CodeableConcept: what it is, by codes and in words."""

    coding: list[Coding] = []
    text: str = ""


class Quantity(_Element):
    """A value with its unit."""

    value: float | None = None
    unit: str = ""
    system: str = ""
    code: str = ""


class SampledData(_Element):
    """Samples at equal distances."""

    origin: Quantity = field(default_factory=Quantity)
    interval: float | None = None
    interval_unit: str = ""
    factor: float = 1.0
    dimensions: int = 0
    offsets: str = ""
    data: str = ""


class Period(_Element):
    """From when to when."""

    start: datetime | None = None
    end: datetime | None = None


class Reference(_Element):
    """Another resource."""

    reference: str = ""


class Note(_Element):
    """Annotation: a remark."""

    text: str = ""


class Component(_Element):
    """A part of an Observation."""

    code: Concept
    value_quantity: Quantity | None = None


class Observation(_Element):
    """Something that was measured or found."""

    resource_type: Literal["Observation"]
    status: str
    code: Concept
    effective_period: Period | None = None
    effective_date_time: datetime | None = None
    value_sampled_data: SampledData | None = None
    value_string: str = ""
    note: list[Note] = []
    derived_from: list[Reference] = []
    component: list[Component] = []


class Entry(_Element):
    """A resource of a Bundle."""

    full_url: str = ""
    resource: Any = None


class Bundle(_Element):
    """Several resources in one file."""

    resource_type: Literal["Bundle"]
    type: str
    entry: list[Entry] = []


def read(path: Path) -> Content:
    """Return what a Bundle, or a single Observation of the FHR, holds; Observations of one signal are joined by when
    they begin. Raises BadRecording.
    """
    observations = _observations(path)
    kinds: dict[str, list[Observation]] = {"FHR": [], "UA": [], "FHR2": []}
    left_out = []
    for one in observations:
        if not one.value_sampled_data:
            continue
        if _has_code(one, FHR_CODE):
            kinds["FHR2" if _named(one.code, SECOND_TEXT) else "FHR"].append(one)
        elif _named(one.code, UA_TEXT):
            kinds["UA"].append(one)
        else:
            left_out.append(one.code.text or ", ".join(coding.code for coding in one.code.coding))
    if not kinds["FHR"]:
        remedy = f"Needs an Observation with the LOINC code {FHR_CODE} and valueSampledData"
        raise BadRecording(str(path), [o.code.text for o in observations], remedy)
    parts = {name: [_part(f"{path}: {name}", one) for one in own] for name, own in kinds.items()}
    hz = parts["FHR"][0].hz
    for name, own in parts.items():
        if other := next((part.hz for part in own if part.hz != hz), None):
            raise BadRecording(str(path), [hz, other], f"FHR and {name} must have one rate (Hz)")
    signals, began = _joined(path, parts, hz)
    notes = [f"left out: {', '.join(left_out)}"] if left_out else []
    fhr, ua = signals["FHR"], signals.get("UA")
    if ua is None:
        ua, notes = np.full(len(fhr), np.nan), [*notes, "no UA"]
    annotations = tuple(x for o in observations if (x := _annotation(o)) is not None)
    return Content(fhr, ua, hz, tuple(notes), annotations, began, fhr2=signals.get("FHR2"))


class _Piece(NamedTuple):
    """One Observation of a signal; begins: None where it does not say when."""

    values: Signal
    hz: float
    begins: datetime | None


def _part(where: str, observation: Observation) -> _Piece:
    values, hz = _samples(where, observation.value_sampled_data or SampledData())
    begins = _began(observation)
    return _Piece(values, hz, begins if begins is None or begins.tzinfo else begins.replace(tzinfo=UTC))


def _joined(path: Path, parts: dict[str, list[_Piece]], hz: float) -> tuple[dict[str, Signal], datetime | None]:
    """Return the signals that there are, laid by when their parts begin, and when the first does. Raises BadRecording.

    A signal in one part that does not say when it begins, begins with the first FHR.
    """
    for name, own in parts.items():
        if len(own) > 1 and any(part.begins is None for part in own):
            remedy = f"Holds several Observations of {name}; each must say when it begins (effectivePeriod)"
            raise BadRecording(str(path), len(own), remedy)
    first = min((part.begins for part in parts["FHR"] if part.begins is not None), default=None)
    known = [part.begins or first for own in parts.values() for part in own]
    began = min((begins for begins in known if begins is not None), default=None)
    laid = {
        name: sorted((_places_after(part.begins or first, began, hz), i) for i, part in enumerate(own))
        for name, own in parts.items()
        if own
    }
    ends = {name: max(at + len(parts[name][i].values) for at, i in own) for name, own in laid.items()}
    longest = max(ends.values())
    if longest / hz > LONGEST_S:
        raise BadRecording(str(path), f"{longest / hz:.0f} s", f"Is longer than {LONGEST_S} s; cut it")
    signals = {}
    for name, places in laid.items():
        signal = np.full(ends[name] if began is None else longest, np.nan)
        end = 0
        for at, i in places:
            if at < end - round(OVERLAP_S * hz):
                remedy = f"Two Observations overlap; that of a second twin must be called {SECOND_TEXT!r}"
                raise BadRecording(f"{path}: {name}", f"{at / hz:g} s", remedy)
            end = at + len(parts[name][i].values)
            signal[at:end] = parts[name][i].values
        signals[name] = signal
    return signals, began


def _places_after(begins: datetime | None, first: datetime | None, hz: float) -> int:
    """Return how many samples lie between two times, none where one of them is not known."""
    return 0 if begins is None or first is None else round((begins - first).total_seconds() * hz)


def _observations(path: Path) -> list[Observation]:
    try:
        stored = path.read_bytes()
        kind = msgspec.json.decode(stored, type=dict[str, Any]).get("resourceType")
        if kind == "Observation":
            return [msgspec.json.decode(stored, type=Observation)]
        resources = [entry.resource for entry in msgspec.json.decode(stored, type=Bundle).entry]
        wanted = [r for r in resources if isinstance(r, dict) and r.get("resourceType") == "Observation"]
        return [msgspec.convert(resource, Observation) for resource in wanted]
    except (OSError, msgspec.DecodeError, UnicodeDecodeError) as error:
        remedy = f"Is not a Bundle of FHIR R5 that can be read: {error}"
        raise BadRecording(str(path), type(error).__name__, remedy) from error


def _has_code(observation: Observation, code: str) -> bool:
    return any((coding.system, coding.code) == (LOINC, code) for coding in observation.code.coding)


def _named(concept: Concept, text: str) -> bool:
    return concept.text.lower().startswith(text.lower())


def _samples(where: str, sampled: SampledData) -> tuple[Signal, float]:
    """Return samples and their rate in Hz. Raises BadRecording."""
    if sampled.dimensions != 1:
        raise BadRecording(f"{where} dimensions", sampled.dimensions, "Needs 1: a signal by itself")
    if sampled.offsets or sampled.interval is None:
        raise BadRecording(f"{where} interval", sampled.interval, "Needs the time between samples, as R5 has it")
    if sampled.interval_unit not in UNIT_S:
        raise BadRecording(f"{where} intervalUnit", sampled.interval_unit, f"Use {', '.join(UNIT_S)}")
    step_s = sampled.interval * UNIT_S[sampled.interval_unit]
    if not (math.isfinite(step_s) and step_s > 0):
        raise BadRecording(f"{where} interval", sampled.interval, "Needs a time above 0")
    words = sampled.data.split()
    try:
        stored = np.array([math.nan if word in NOT_NUMBERS else float(word) for word in words])
    except ValueError as error:
        raise BadRecording(f"{where} data", str(error), "Holds numbers, E, L and U only") from error
    return stored * sampled.factor + (sampled.origin.value or 0.0), 1 / step_s


def _began(observation: Observation) -> datetime | None:
    period = observation.effective_period
    return observation.effective_date_time if period is None else period.start


def _annotation(observation: Observation) -> Annotation | None:
    """Return a finding, None for other Observations."""
    times = {c.code.text: c.value_quantity.value for c in observation.component if c.value_quantity is not None}
    from_s = times.get(FROM_TEXT)
    if from_s is None:
        return None
    return Annotation(from_s, times.get(TO_TEXT), observation.code.text, observation.value_string)


def write(path: Path, recording: Recording) -> None:
    """Write a Bundle. Raises OSError."""
    began = recording.began
    until = None if began is None else began + timedelta(seconds=len(recording.fhr) / HZ)
    womb = Concept([], f"{UA_TEXT}, relative units")
    per_minute = Quantity(0.0, "beats/minute", UCUM, "/min")
    signals = [
        _signal(_heart(FHR_TEXT), per_minute, recording.fhr, _period(began, until)),
        _signal(womb, Quantity(0.0, "relative units", UCUM, "1"), recording.ua, _period(began, until)),
    ]
    if recording.fhr2 is not None:
        signals.append(_signal(_heart(SECOND_TEXT), per_minute, recording.fhr2, _period(began, until)))
    entries = len(signals) + len(recording.annotations)
    addresses = [f"urn:uuid:{uuid5(NAMESPACE_URL, f'{recording.name} {i}')}" for i in range(entries)]
    of_second = addresses[2] if recording.fhr2 is not None else addresses[0]
    findings = [
        _finding(one, began, of_second if TWIN_WORDS[1] in one.text else addresses[0]) for one in recording.annotations
    ]
    bundle = [Entry(address, o) for address, o in zip(addresses, [*signals, *findings], strict=True)]
    path.write_bytes(msgspec.json.encode(Bundle("Bundle", "collection", bundle)))


def _heart(text: str) -> Concept:
    return Concept([Coding(LOINC, FHR_CODE, "Fetal Heart rate")], text)


def _period(begins: datetime | None, ends: datetime | None) -> Period | None:
    return None if begins is None else Period(begins.astimezone(UTC), None if ends is None else ends.astimezone(UTC))


def _signal(code: Concept, origin: Quantity, values: Signal, period: Period | None) -> Observation:
    words = [NO_VALUE if math.isnan(x) else repr(x).removesuffix(".0") for x in values.tolist()]
    sampled = SampledData(origin, 1000 / HZ, "ms", 1.0, 1, "", " ".join(words))
    return Observation("Observation", "final", code, period, value_sampled_data=sampled, note=[Note(NOTICE)])


def _finding(one: Annotation, began: datetime | None, derived_from: str) -> Observation:
    def at(seconds: float | None) -> datetime | None:
        return None if began is None or seconds is None else began + timedelta(seconds=seconds)

    seconds = [(FROM_TEXT, one.from_s), (TO_TEXT, one.to_s)]
    return Observation(
        "Observation", "final", Concept([], one.kind), _period(at(one.from_s), at(one.to_s)),
        value_string=one.text,
        note=[Note(NOTICE)],
        derived_from=[Reference(derived_from)],
        component=[
            Component(Concept([], text), Quantity(value, "s", UCUM, "s"))
            for text, value in seconds
            if value is not None
        ],
    )  # fmt: skip


def beside(_: Path) -> list[Path]:
    """Return no other file: all is in one."""
    return []


def is_recording(path: Path) -> bool:
    """Return whether a Bundle or Observation is in it. Raises OSError."""
    with path.open("rb") as file:
        return b'"resourceType"' in file.read(4096)
