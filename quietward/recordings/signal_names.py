"""Pure: how files name signals, times and their units, and what they are brought to."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from quietward.contracts.errors import BadRecording, possible

TIME, FHR, UA, STAGE, FHR2 = "time", "FHR", "UA", "stage", "FHR2"
NAMES = {
    TIME: ("t", "time", "timestamp", "seconds", "elapsed"),
    FHR: ("fhr", "fhr1", "fhr 1", "fetal heart rate", "foetal heart rate", "fetal heart rate 1", "foetal heart rate 1"),
    STAGE: ("stage", "stage of labour"),
    FHR2: ("fhr2", "fhr 2", "fetal heart rate 2", "foetal heart rate 2"),
    UA: ("ua", "uc", "toco", "uterine activity", "uterine contraction", "uterine contractions"),
}
"""Capitals count for nothing, and an underscore or hyphen is a space."""
_RATE = {"bpm": 1.0, "/min": 1.0, "1/min": 1.0, "beats/min": 1.0, "beats/minute": 1.0, "hz": 60.0}
UNITS = {
    TIME: {"s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0},
    FHR: _RATE,
    FHR2: _RATE,
    STAGE: {},
    UA: {"nd": 1.0, "relative": 1.0, "%": 1.0, "mmhg": 1.0, "a.u.": 1.0, "1": 1.0, "units": 1.0},
}
"""What a value is multiplied by: to seconds, bpm, relative units. A pressure in mmHg is taken as it is."""


@dataclass(frozen=True)
class SignalPlace:
    """place: of a column or signal; factor: to our unit."""

    place: int
    factor: float


def find_signals(where: str, names: Sequence[str], wanted: Sequence[str]) -> tuple[dict[str, SignalPlace], list[str]]:
    """Return which of the names are those of the signals that are wanted, and the names that are left.

    Of several the first counts, by the order of NAMES. Raises BadRecording for a unit that is not known.
    """
    read = [_read_name(name) for name in names]
    places: dict[str, SignalPlace] = {}
    for signal in wanted:
        known = [(NAMES[signal].index(plain), i) for i, (plain, _) in enumerate(read) if plain in NAMES[signal]]
        if known:
            _, place = min(known)
            places[signal] = SignalPlace(place, _factor(f"{where}: {names[place]}", signal, read[place][1]))
    taken = {one.place for one in places.values()}
    return places, [name.strip() for i, name in enumerate(names) if i not in taken and name.strip()]


def factor_of(where: str, signal: str, unit: str) -> float:
    """Return what values in a unit are multiplied by; 1 where no unit is given. Raises BadRecording."""
    return _factor(where, signal, unit.strip().lower())


def _factor(where: str, signal: str, unit: str) -> float:
    if not unit:
        return 1.0
    if unit not in UNITS[signal]:
        raise BadRecording(where, unit, f"Is no known unit of {signal}. {possible(UNITS[signal], unit)}")
    return UNITS[signal][unit]


def _read_name(name: str) -> tuple[str, str]:
    """Return name and unit: `FHR (bpm)`, `fhr [bpm]` and `fhr_bpm` are the same."""
    text = name.strip().lower()
    with_unit = re.fullmatch(r"(.*?)\s*[\[(]\s*(.*?)\s*[\])]", text)
    plain = " ".join(re.split(r"[\s_-]+", with_unit[1] if with_unit else text))
    if with_unit:
        return plain, with_unit[2]
    if any(plain in names for names in NAMES.values()):
        return plain, ""  # the 1 of `FHR_1` is a number, though 1 is a unit of UA
    first, _, last = plain.rpartition(" ")
    return (first, last) if any(last in units for units in UNITS.values()) else (plain, "")
