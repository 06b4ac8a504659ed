"""Emergencies: what suddenly, or slowly, goes wrong at a bed of a shift. Read from `simulator/emergencies/*.toml`.

An emergency adds causes to whatever labour lies in the bed; what the strip looks like, and from when on somebody is
needed, follows from them in the simulation. Which kinds come, at which beds and when, is drawn from the shift's seed.
"""

import random
from typing import Annotated, NamedTuple

from msgspec import Meta, Struct, structs

from quietward.contracts.errors import BadScenario
from quietward.simulator import scenario
from quietward.simulator.scenario import Happening, Minutes, Scenario

KIND = "emergency"


class Emergency(Struct, frozen=True, forbid_unknown_fields=True):
    """One kind. source: of its shape. happening: minutes from its beginning.

    team_after_min: the team is needed from between these minutes after its beginning on, when nobody does anything.
    """

    name: Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,32}$")]
    purpose: Annotated[str, Meta(min_length=1)]
    source: Annotated[str, Meta(min_length=1)]
    team_after_min: Annotated[list[Minutes], Meta(min_length=2, max_length=2)]
    happening: Annotated[list[Happening], Meta(min_length=1)]


class Emergencies(Struct, frozen=True, forbid_unknown_fields=True):
    """How often which kinds come in a shift: `per_shift` of them on average, from one in a hundred shifts on.

    They begin from `from_min` on, early enough for somebody to be needed before `until_min`, no two at one bed.
    """

    per_shift: Annotated[float, Meta(ge=0.01, le=12)]
    kinds: Annotated[list[str], Meta(min_length=1)]
    from_min: Minutes
    until_min: Minutes


class Onset(NamedTuple):
    """One emergency of a shift. bed: 0 is the first; at_s: seconds of the shift."""

    bed: int
    kind: str
    at_s: int


def names() -> list[str]:
    """Return the names of the kinds that come along, sorted."""
    return scenario.names_of(KIND)


def load(name: str) -> Emergency:
    """Return a kind by name, or from a path that ends in .toml. Raises BadScenario."""
    return scenario.read(KIND, name, Emergency)


def check(emergencies: Emergencies, beds: int, where: str) -> None:
    """Raise BadScenario where so many emergencies do not fit."""
    if emergencies.per_shift > beds:
        raise BadScenario(f"{where}.per_shift", emergencies.per_shift, f"Use {beds} at most, one for every bed")
    for kind in emergencies.kinds:
        latest_min = emergencies.until_min - load(kind).team_after_min[1]
        if latest_min < emergencies.from_min:
            takes_min = load(kind).team_after_min[1]
            remedy = f"There is not enough time for {kind!r}, which takes {takes_min:g} min; use a later one"
            raise BadScenario(f"{where}.until_min", emergencies.until_min, remedy)


def onsets(emergencies: Emergencies, beds: int, seed: int) -> list[Onset]:
    """Return the emergencies of one shift, by bed; the same for the same seed."""
    rng = random.Random(f"{seed} emergencies")
    whole = int(emergencies.per_shift)
    count = whole + (rng.random() < emergencies.per_shift - whole)
    drawn = []
    for bed in rng.sample(range(beds), count):
        kind = rng.choice(emergencies.kinds)
        latest_min = emergencies.until_min - load(kind).team_after_min[1]
        drawn.append(Onset(bed, kind, round(60 * rng.uniform(emergencies.from_min, latest_min))))
    return sorted(drawn)


def struck(labour: Scenario, onset: Onset, skip_s: int, seed: int) -> Scenario:
    """Return a labour with an emergency in it; until that begins, a bed is the same with and without.

    skip_s: so much of the labour is over when the shift begins; seed: of the bed.
    """
    rng = random.Random(f"{seed} {onset.kind}")
    begins_min = (skip_s + onset.at_s) / 60
    added = [
        structs.replace(
            one,
            at_min=begins_min + scenario.drawn(one.at_min, rng.gauss(0, 1)),
            for_min=max(0.1, scenario.drawn(one.for_min, rng.gauss(0, 1))),
        )
        for one in load(onset.kind).happening
    ]
    return structs.replace(labour, emergency=added)
