"""Shifts: which invented labour lies in which bed, and how far on it is. Read from `simulator/shifts/*.toml`."""

import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from quietward.errors import BadScenario
from simulator import scenario
from simulator.scenario import Minutes, Scenario


class Place(Struct, frozen=True, forbid_unknown_fields=True):
    """One bed: a scenario, by name or path, played from its minute `start_min` on."""

    scenario: str
    start_min: Minutes = 0.0


class Shift(Struct, frozen=True, forbid_unknown_fields=True):
    """Beds that are watched together."""

    name: Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,32}$")]
    purpose: Annotated[str, Meta(min_length=1)]
    course: Annotated[str, Meta(min_length=1)]
    good_watcher: Annotated[str, Meta(min_length=1)]
    bed: Annotated[list[Place], Meta(min_length=1, max_length=500)]


def names() -> list[str]:
    """Return the names of the shifts that come along, sorted."""
    folder = files("simulator") / "shifts"
    return sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml"))


def load(name: str) -> Shift:
    """Return a shift by name, or from a path that ends in .toml. Raises BadScenario, also for its scenarios."""
    try:
        own = Path(name) if name.endswith(".toml") else files("simulator") / "shifts" / f"{name}.toml"
        found = msgspec.convert(tomllib.loads(own.read_text()), Shift)
    except (OSError, UnicodeDecodeError) as error:
        raise BadScenario("shift", name, f"There is no such shift; use one of {', '.join(names())}") from error
    except tomllib.TOMLDecodeError as error:
        raise BadScenario(f"shift {name}", str(error), "Mend the TOML") from error
    except msgspec.ValidationError as error:
        message, _, path = str(error).partition(" - at `$")
        raise BadScenario(f"shift {name}: {path.strip('.`') or 'top level'}", message, "Mend this value") from error
    for i, place in enumerate(found.bed):
        lasts_min = scenario.load(place.scenario).lasts_min
        if place.start_min >= lasts_min:
            raise BadScenario(
                f"shift {name}: bed[{i}].start_min", place.start_min, f"{place.scenario} lasts {lasts_min:g} min"
            )
    return found


def dealt(chosen: list[str], beds: int) -> list[tuple[Scenario, int]]:
    """Return scenario and first second of so many beds; scenarios are dealt in turn. Raises BadScenario."""
    loaded = [scenario.load(name) for name in chosen]
    return [(loaded[i % len(loaded)], 0) for i in range(beds)]


def placed(shift: Shift) -> list[tuple[Scenario, int]]:
    """Return scenario and first second of every bed of a shift."""
    return [(scenario.load(place.scenario), round(place.start_min * 60)) for place in shift.bed]
