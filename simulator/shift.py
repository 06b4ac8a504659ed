"""Shifts: which invented labour lies in which bed, and how far on it is. Read from `simulator/shifts/*.toml`."""

from typing import Annotated

from msgspec import Meta, Struct

from quietward.contracts.commands import Arrive, Command, Leave
from quietward.contracts.errors import BadScenario, BadSettings
from quietward.contracts.fields import Risk, Weeks
from quietward.contracts.stays import Arrival
from quietward.simulator import emergency, scenario
from quietward.simulator.emergency import Emergencies
from quietward.simulator.scenario import Minutes, Scenario

BEDS = 8
NOTED_BY = "the simulated staff"
DEMO_ORDER = (
    "calm", "cord-not-recovering", "late-with-falling-variability", "noisy-but-well", "early-with-contractions",
    "cord-now-and-then", "close-contractions", "rising-baseline",
)  # fmt: skip


class Place(Struct, frozen=True, forbid_unknown_fields=True):
    """One bed: a scenario, by name or path, played from its minute `start_min` on."""

    scenario: str
    start_min: Minutes = 0.0


class ComesOrGoes(Struct, frozen=True, forbid_unknown_fields=True):
    """A woman comes to a bed, or has left it, at a minute of the shift. What the bed's device sends goes on.

    bed: 1 is the first; label: invented, of who comes; empty: she has left. twins: as in `Arrival`.
    """

    bed: Annotated[int, Meta(ge=1, le=500)]
    at_min: Minutes
    label: Annotated[str, Meta(max_length=40)] = ""
    weeks: Weeks | None = None
    risks: list[Risk] = []
    twins: bool | None = None


class Shift(Struct, frozen=True, forbid_unknown_fields=True):
    """Beds that are watched together. emergencies: what befalls some of them, None: nothing beside their labours."""

    name: Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,32}$")]
    purpose: Annotated[str, Meta(min_length=1)]
    course: Annotated[str, Meta(min_length=1)]
    good_watcher: Annotated[str, Meta(min_length=1)]
    bed: Annotated[list[Place], Meta(min_length=1, max_length=500)]
    woman: Annotated[list[ComesOrGoes], Meta(max_length=500)] = []
    emergencies: Emergencies | None = None


def names() -> list[str]:
    """Return the names of the shifts that come along, sorted."""
    return scenario.names_of("shift")


def load(name: str) -> Shift:
    """Return a shift by name, or from a path that ends in .toml. Raises BadScenario, also for its scenarios."""
    shift = scenario.read("shift", name, Shift)
    for i, place in enumerate(shift.bed):
        lasts_min = scenario.load(place.scenario).lasts_min
        if place.start_min >= lasts_min:
            raise BadScenario(
                f"shift {name}: bed[{i}].start_min", place.start_min, f"{place.scenario} lasts {lasts_min:g} min"
            )
    for i, woman in enumerate(shift.woman):
        if woman.bed > len(shift.bed):
            raise BadScenario(f"shift {name}: woman[{i}].bed", woman.bed, f"The shift has {len(shift.bed)} beds")
    if shift.emergencies is not None:
        emergency.check(shift.emergencies, len(shift.bed), f"shift {name}: emergencies")
    return shift


def bed_seed(seed: int, bed: int) -> int:
    """Return the seed of a bed, 0 is the first, in whatever is simulated with a seed: no two seeds share a bed."""
    return seed * 1000 + bed


def comings_and_goings(name_of_shift: str | None, beds: int) -> list[tuple[float, Command]]:
    """Return what staff note of women who come and go at the first beds of a shift: second, and what; in order.

    Raises BadScenario.
    """
    women = [] if name_of_shift is None else load(name_of_shift).woman
    noted: list[tuple[float, Command]] = []
    for woman in sorted(women, key=lambda woman: woman.at_min):
        bed = f"bed-{woman.bed}"
        if woman.bed <= beds and woman.label:
            arrival = Arrival(woman.label, woman.weeks, twins=woman.twins, risks=woman.risks)
            noted.append((woman.at_min * 60, Arrive(bed, NOTED_BY, arrival)))
        elif woman.bed <= beds:
            noted.append((woman.at_min * 60, Leave(bed, NOTED_BY)))
    return noted


def dealt(chosen: list[str], beds: int) -> list[tuple[Scenario, int]]:
    """Return scenario and first second of so many beds; scenarios are dealt in turn. Raises BadScenario."""
    loaded = [scenario.load(name) for name in chosen]
    return [(loaded[i % len(loaded)], 0) for i in range(beds)]


def placed(shift: Shift, seed: int) -> list[tuple[Scenario, int]]:
    """Return scenario and first second of every bed of a shift, with the emergencies of this seed."""
    places = [(scenario.load(place.scenario), round(place.start_min * 60)) for place in shift.bed]
    for onset in [] if shift.emergencies is None else emergency.onsets(shift.emergencies, len(places), seed):
        labour, skip_s = places[onset.bed]
        places[onset.bed] = emergency.struck(labour, onset, skip_s, bed_seed(seed, onset.bed)), skip_s
    return places


def chosen(names: list[str], name_of_shift: str | None, beds: int | None, seed: int = 1) -> list[tuple[Scenario, int]]:
    """Return scenario and first second of every bed, from scenarios dealt in turn or from a shift. Raises BadScenario.

    beds: how many; None: 8, or all of the shift. Raises BadSettings when both are named, or a shift has fewer beds.
    """
    if name_of_shift is None:
        return dealt(names or list(DEMO_ORDER), BEDS if beds is None else beds)
    if names:
        raise BadSettings("--scenario", names, "Leave it out with --shift, which names its own")
    of_shift = placed(load(name_of_shift), seed)
    if beds is not None and beds > len(of_shift):
        raise BadSettings("--beds", beds, f"{name_of_shift} has {len(of_shift)}; give no more, or leave it out")
    return of_shift[:beds]
