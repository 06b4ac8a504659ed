"""Scenarios: invented labours as data. Read from `simulator/scenarios/*.toml`; nobody in them is real."""

import tomllib
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from quietward.errors import BadScenario

Share = Annotated[float, Meta(ge=0, le=1)]


class Fall(Struct, frozen=True, forbid_unknown_fields=True):
    """Decelerations of one kind that come with a share of the contractions."""

    kind: Literal["early", "late", "variable", "prolonged"]
    share: Share
    depth_bpm: Annotated[float, Meta(ge=5, le=120)]
    length_s: Annotated[float, Meta(ge=15, le=900)]


class Phase(Struct, frozen=True, forbid_unknown_fields=True):
    """How things are at `from_min`; numbers move evenly towards the next phase's, falls change at once."""

    from_min: Annotated[float, Meta(ge=0)]
    baseline_bpm: Annotated[float, Meta(ge=60, le=220)]
    variability_bpm: Annotated[float, Meta(ge=0, le=60)]
    contraction_interval_s: Annotated[float, Meta(ge=60, le=1800)]
    contraction_duration_s: Annotated[float, Meta(ge=20, le=240)]
    contraction_height: Annotated[float, Meta(ge=0, le=110)] = 50.0
    accelerations_per_h: Annotated[float, Meta(ge=0, le=60)] = 0.0
    fhr_loss_share: Annotated[float, Meta(ge=0, le=0.9)] = 0.03
    spikes_per_h: Annotated[float, Meta(ge=0, le=600)] = 0.0
    wrong_rate_per_h: Annotated[float, Meta(ge=0, le=120)] = 0.0
    coughs_per_h: Annotated[float, Meta(ge=0, le=600)] = 0.0
    toco_moves_per_h: Annotated[float, Meta(ge=0, le=20)] = 0.0
    falls: list[Fall] = []


class Scenario(Struct, frozen=True, forbid_unknown_fields=True):
    """One invented labour."""

    name: Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,32}$")]
    purpose: str
    good_watcher: str
    phase: Annotated[list[Phase], Meta(min_length=1)]


def names() -> list[str]:
    """Return the names of the scenarios that come along, sorted."""
    folder = files("simulator") / "scenarios"
    return sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml"))


def load(name: str) -> Scenario:
    """Return a scenario by name, or from a path that ends in .toml. Raises BadScenario."""
    try:
        if name.endswith(".toml"):
            text = Path(name).read_text()
        else:
            text = (files("simulator") / "scenarios" / f"{name}.toml").read_text()
    except (OSError, UnicodeDecodeError) as error:
        raise BadScenario("scenario", name, f"There is no such scenario; use one of {', '.join(names())}") from error
    try:
        found = msgspec.convert(tomllib.loads(text), Scenario)
    except tomllib.TOMLDecodeError as error:
        raise BadScenario(f"scenario {name}", str(error), "Mend the TOML") from error
    except msgspec.ValidationError as error:
        message, _, path = str(error).partition(" - at `$")
        raise BadScenario(f"scenario {name}: {path.strip('.`') or 'top level'}", message, "Mend this value") from error
    starts = [p.from_min for p in found.phase]
    if starts[0] != 0 or any(b <= a for a, b in pairwise(starts)):
        raise BadScenario(f"scenario {name}: phase from_min", starts, "Begin with 0 and let every phase start later")
    return found
