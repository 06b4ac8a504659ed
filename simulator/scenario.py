"""Scenarios: invented labours as data. Read from `simulator/scenarios/*.toml`; nobody in them is real.

A scenario says what causes act, not what the strip looks like: the strip follows from them, from the fetus' reserve and
from what staff do. Where a number may be a range, `[low, middle, high]` are its 10th, 50th and 90th percentile, and
every bed draws its own.
"""

import math
import random
from collections.abc import Callable
from importlib.resources import files
from importlib.resources.abc import Traversable
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal, TypeVar

import msgspec
from msgspec import Meta, Struct

from quietward.contracts.errors import BadScenario, possible
from quietward.contracts.fields import Weeks
from quietward.contracts.tables import parse_toml_table

T = TypeVar("T")

FOLDERS = {"scenario": "scenarios", "shift": "shifts", "emergency": "emergencies"}

MOST_OF_A_SHARE = 0.95
"""A long tail must not make a share the whole."""

Z90 = 1.2816
"""The 90th percentile of a standard normal."""

THREE = Meta(min_length=3, max_length=3, description="10th, 50th and 90th percentile")

Share = Annotated[float, Meta(ge=0, le=1)]
Loss = Annotated[float, Meta(ge=0, le=0.9)]
Bpm = Annotated[float, Meta(ge=60, le=220)]
Swing = Annotated[float, Meta(ge=0, le=80)]
Interval = Annotated[float, Meta(ge=60, le=1800)]
Duration = Annotated[float, Meta(ge=20, le=240)]
Height = Annotated[float, Meta(ge=0, le=110)]
Tone = Annotated[float, Meta(ge=0, le=60)]
Noise = Annotated[float, Meta(ge=0, le=20)]
PerHour = Annotated[float, Meta(ge=0, le=600)]
Depth = Annotated[float, Meta(ge=5, le=120)]
Length = Annotated[float, Meta(ge=15, le=900)]
Capacity = Annotated[float, Meta(ge=20, le=100_000)]
Minutes = Annotated[float, Meta(ge=0, le=1440)]
Positive = Annotated[float, Meta(gt=0, le=1440)]


class Cause(Struct, frozen=True, forbid_unknown_fields=True):
    """Decelerations that come with a share of the contractions. depth_bpm, length_s: before the reserve is used.

    kind: `head` compression (early, mirrors the contraction), `cord` compression (abrupt), `placenta` (late, rounded).
    spread: how much one differs from the next, log-normal. form: of what the cord does: `plain`, with `shoulders`,
    with a `slow-return`, or in two dips (`w`).
    """

    kind: Literal["head", "cord", "placenta"]
    share: Share | Annotated[list[Share], THREE]
    depth_bpm: Depth | Annotated[list[Depth], THREE]
    length_s: Length | Annotated[list[Length], THREE] = 60.0
    spread: Share = 0.2
    form: Literal["plain", "shoulders", "slow-return", "w"] = "plain"


class Phase(Struct, frozen=True, forbid_unknown_fields=True):
    """How things are at `from_min`. Numbers move evenly towards the next phase's, causes change at once.

    What a later phase leaves out stays as it was. keeps: how far what is drawn anew goes with what this bed drew
    before, as a correlation.
    """

    from_min: Minutes
    baseline_bpm: Bpm | Annotated[list[Bpm], THREE] | None = None
    variability_bpm: Swing | Annotated[list[Swing], THREE] | None = None
    accelerations_per_h: PerHour | Annotated[list[PerHour], THREE] | None = None
    dips_per_h: PerHour | Annotated[list[PerHour], THREE] | None = None
    contraction_interval_s: Interval | Annotated[list[Interval], THREE] | None = None
    contraction_duration_s: Duration | Annotated[list[Duration], THREE] | None = None
    contraction_spread: Share | Annotated[list[Share], THREE] | None = None
    contraction_height: Height | Annotated[list[Height], THREE] | None = None
    resting_tone: Tone | Annotated[list[Tone], THREE] | None = None
    fhr_loss_share: Loss | Annotated[list[Loss], THREE] | None = None
    spikes_per_h: PerHour | Annotated[list[PerHour], THREE] | None = None
    wrong_rate_per_h: PerHour | Annotated[list[PerHour], THREE] | None = None
    toco_noise: Noise | Annotated[list[Noise], THREE] | None = None
    coughs_per_h: PerHour | Annotated[list[PerHour], THREE] | None = None
    toco_moves_per_h: PerHour | Annotated[list[PerHour], THREE] | None = None
    toco_off_per_h: PerHour | Annotated[list[PerHour], THREE] | None = None
    off_per_h: PerHour | Annotated[list[PerHour], THREE] | None = None
    causes: list[Cause] | None = None
    keeps: Share = 1.0


DEFAULTS = Phase(
    0, variability_bpm=12.0, accelerations_per_h=0.0, dips_per_h=0.0, contraction_spread=0.2, contraction_height=50.0,
    resting_tone=10.0, fhr_loss_share=0.03, spikes_per_h=0.0, wrong_rate_per_h=0.0, toco_noise=1.0, coughs_per_h=0.0,
    toco_moves_per_h=0.0, toco_off_per_h=0.0, off_per_h=0.0, causes=[],
)  # fmt: skip
"""What the first phase may leave out; baseline, and interval and duration of the contractions it must say."""

NUMBERS = tuple(name for name in Phase.__struct_fields__ if name not in ("from_min", "causes", "keeps"))

CAUSE_NUMBERS = tuple(
    f"{kind} {name}" for kind in ("head", "cord", "placenta") for name in ("share", "depth_bpm", "length_s")
)

Happens = Literal[
    "cord-compressed", "placenta-fails", "fever", "oxytocin", "irritable-uterus", "raised-tone", "sinusoidal",
    "mothers-pulse", "drifts-off", "monitor-off", "toco-off", "both-on-first",
]  # fmt: skip


LARGEST = {
    "cord-compressed": 120.0, "placenta-fails": 1.0, "fever": 60.0, "oxytocin": 2.0, "irritable-uterus": 2.0,
    "raised-tone": 50.0, "sinusoidal": 40.0, "drifts-off": 1.0,
}  # fmt: skip
"""Sizes of happenings that have one."""


class Happening(Struct, frozen=True, forbid_unknown_fields=True):
    """Something that begins at `at_min` and lasts `for_min`, or until care relieves it.

    size: cord-compressed and fever: bpm; placenta-fails: share of the reserve that is used in ten minutes, and none
    comes back; oxytocin, irritable-uterus: how much it drives contractions (1 halves the intervals); raised-tone: of
    the uterus at rest; sinusoidal: bpm from top to bottom; drifts-off: share of the FHR that is lost. mothers-pulse,
    monitor-off, toco-off and both-on-first have none; that is: with twins, the second's sensor has found the first.
    """

    at_min: Minutes | Annotated[list[Minutes], THREE]
    what: Happens
    for_min: Positive | Annotated[list[Positive], THREE]
    size: Annotated[float, Meta(ge=0)] = 0.0


Recorder = Literal["quarters", "intervals", "whole"]

Fault = Literal["clock-jump", "clock-skew", "repeat", "late", "missing", "malformed", "disconnect", "restart"]


class DeviceFault(Struct, frozen=True, forbid_unknown_fields=True):
    """Something a bed's device does wrong at `at_min`, for `for_s` seconds of signal.

    size: clock-jump: seconds; clock-skew: seconds per hour.
    """

    at_min: Minutes
    what: Fault
    for_s: Annotated[int, Meta(ge=1, le=3600)] = 1
    size: Annotated[float, Meta(ge=-86_400, le=86_400)] = 0.0


Load = Annotated[float, Meta(ge=-0.95, le=0.95)]


class Factor(Struct, frozen=True, forbid_unknown_fields=True):
    """Something that sets beds apart and moves several ranges at once.

    loads: the correlation of what is drawn with it, by name: of a phase's number, or `cord share` and the like of what
    causes say. Two ranges of one factor go together by the product of their loads.
    """

    name: Annotated[str, Meta(min_length=1)]
    loads: dict[str, Load]


class Needed(Struct, frozen=True, forbid_unknown_fields=True):
    """Somebody is needed at `level`, and it begins between two minutes, when nobody does anything."""

    level: Literal["bedside", "team"]
    begins_min: Annotated[list[Minutes], Meta(min_length=2, max_length=2)]


class Scenario(Struct, frozen=True, forbid_unknown_fields=True):
    """One invented labour.

    needs: what is true of it, checked against what the simulation itself knows; empty: nobody is needed.
    lasts_min: length of its course.
    capacity_bpm_min: area of decelerations (bpm below the baseline, times minutes) that uses up the whole reserve.
    recovers_in_min: time constant with which it comes back. asleep_share: of the fetus' time.
    recorder: its kind, by the grid its values lie on; every bed draws one when it is not said.
    emergency: what a shift adds to the course (`simulator/emergency.py`), drawn already.
    second_twin: twins: the second fetus, and the sensor of its rate, are those of the scenario of this name, by which
    its own happenings go; uterus, toco and stages of labour are of this one.
    """

    name: Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,32}$")]
    purpose: Annotated[str, Meta(min_length=1)]
    course: Annotated[str, Meta(min_length=1)]
    good_watcher: Annotated[str, Meta(min_length=1)]
    lasts_min: Positive
    phase: Annotated[list[Phase], Meta(min_length=1)]
    happening: list[Happening] = []
    fault: list[DeviceFault] = []
    needs: list[Needed] = []
    factor: list[Factor] = []
    weeks: Weeks = 40
    second_stage_from_min: Minutes | Annotated[list[Minutes], THREE] | None = None
    capacity_bpm_min: Capacity | Annotated[list[Capacity], THREE] = 900.0
    recovers_in_min: Positive | Annotated[list[Positive], THREE] = 45.0
    asleep_share: Share | Annotated[list[Share], THREE] = 0.25
    mothers_pulse_bpm: Annotated[float, Meta(ge=40, le=180)] = 82.0
    shows_mothers_pulse: bool = False
    recorder: Recorder | None = None
    emergency: list[Happening] = []
    second_twin: str = ""


def names() -> list[str]:
    """Return the names of the scenarios that come along, sorted."""
    return names_of("scenario")


def load(name: str) -> Scenario:
    """Return a scenario by name, or from a path that ends in .toml. Raises BadScenario."""
    scenario = read("scenario", name, Scenario)
    _check(scenario, f"scenario {name}")
    if scenario.second_twin and load(scenario.second_twin).second_twin:
        remedy = "Name one with a single fetus"
        raise BadScenario(f"scenario {name}: second_twin", scenario.second_twin, remedy)
    return scenario


def names_of(kind: str) -> list[str]:
    """Return the names of what comes along of a kind (`scenario`, `shift`, `emergency`), sorted."""
    folder = _folder(kind)
    return sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml"))


def _folder(kind: str) -> Traversable:
    return files("quietward.simulator") / FOLDERS[kind]


def read(kind: str, name: str, of: type[T]) -> T:
    """Return what a table holds: one that comes along, by name, or from a path that ends in .toml.

    Raises BadScenario naming file, key, value and remedy.
    """
    try:
        source = Path(name) if name.endswith(".toml") else _folder(kind) / f"{name}.toml"
        text = source.read_text()
    except (OSError, ValueError) as error:
        if name.endswith(".toml"):
            why = getattr(error, "strerror", None) or str(error)
            raise BadScenario(kind, name, f"Cannot be read: {why}") from error
        remedy = f"There is no such {kind}. {possible([*names_of(kind), 'a path ending in .toml'], name)}"
        raise BadScenario(kind, name, remedy) from error
    return parse_toml_table(text, of, f"{kind} {name}", BadScenario)


def _check(scenario: Scenario, where: str) -> None:
    """Raise BadScenario for what types alone do not show."""
    starts = [p.from_min for p in scenario.phase]
    if starts[0] != 0 or any(b <= a for a, b in pairwise(starts)):
        raise BadScenario(f"{where}: phase from_min", starts, "Begin with 0 and let every phase start later")
    for name in ("baseline_bpm", "contraction_interval_s", "contraction_duration_s"):
        if getattr(scenario.phase[0], name) is None:
            raise BadScenario(f"{where}: phase[0].{name}", None, "Say it in the first phase; later ones carry it on")
    for i, phase in enumerate(scenario.phase):
        _check_phase(f"{where}: phase[{i}]", phase)
    for i, happening in enumerate(scenario.happening):
        _check_happening(f"{where}: happening[{i}]", happening)
        if happening.what == "both-on-first" and not scenario.second_twin:
            raise BadScenario(f"{where}: happening[{i}].what", happening.what, "Say who is the second_twin")
    for i, fault in enumerate(scenario.fault):
        if (fault.what in ("clock-jump", "clock-skew")) != (fault.size != 0):
            remedy = "Say how many seconds" if fault.size == 0 else f"Leave it out; {fault.what} has none"
            raise BadScenario(f"{where}: fault[{i}].size", fault.size, remedy)
    for i, need in enumerate(scenario.needs):
        if need.begins_min[1] < need.begins_min[0]:
            raise BadScenario(f"{where}: needs[{i}].begins_min", need.begins_min, "The earlier minute comes first")
    _check_factors(where, scenario)
    for name in ("second_stage_from_min", "capacity_bpm_min", "recovers_in_min", "asleep_share"):
        _check_range(f"{where}: {name}", getattr(scenario, name))


def _check_factors(where: str, scenario: Scenario) -> None:
    together: dict[str, float] = {}
    for i, factor in enumerate(scenario.factor):
        for name, load in factor.loads.items():
            if name not in (*NUMBERS, *CAUSE_NUMBERS):
                raise BadScenario(f"{where}: factor[{i}].loads", name, possible((*NUMBERS, *CAUSE_NUMBERS), name))
            together[name] = together.get(name, 0.0) + load**2
            if together[name] > 1:
                raise BadScenario(f"{where}: factor[{i}].loads.{name}", load, "Their squares may add up to 1 at most")


def _check_phase(where: str, phase: Phase) -> None:
    for name in NUMBERS:
        _check_range(f"{where}.{name}", getattr(phase, name))
    causes = phase.causes or []
    shares = [c.share[1] if isinstance(c.share, list) else c.share for c in causes]
    if sum(shares) > 1 + 1e-9:
        raise BadScenario(f"{where}.causes share", shares, "They may add up to 1 at most")
    for i, cause in enumerate(causes):
        for name in ("share", "depth_bpm", "length_s"):
            _check_range(f"{where}.causes[{i}].{name}", getattr(cause, name))
        if cause.form != "plain" and cause.kind != "cord":
            raise BadScenario(f"{where}.causes[{i}].form", cause.form, "Only the cord has forms; leave it out")


def _check_happening(where: str, happening: Happening) -> None:
    _check_range(f"{where}.at_min", happening.at_min)
    _check_range(f"{where}.for_min", happening.for_min)
    most = LARGEST.get(happening.what)
    if most is None and happening.size > 0:
        raise BadScenario(f"{where}.size", happening.size, f"Leave it out; {happening.what} has none")
    if most is not None and not 0 < happening.size <= most:
        raise BadScenario(f"{where}.size", happening.size, f"Give more than 0, and {most:g} at most")


def _check_range(where: str, value: float | list[float] | None) -> None:
    if isinstance(value, list) and value != sorted(value):
        raise BadScenario(where, value, "Give 10th, 50th and 90th percentile, the lowest first")


def needs_in_words(scenario: Scenario) -> str:
    """Say who is needed and from when on, when nobody does anything."""
    if not scenario.needs:
        return "nobody"
    return ", ".join(f"{n.level} from min {n.begins_min[0]:g} to {n.begins_min[1]:g} on" for n in scenario.needs)


def single(value: float | list[float] | None) -> float:
    """Return a number that has been drawn (see `one_bed`). Raises ValueError for a range."""
    if value is None or isinstance(value, list):
        raise ValueError(f"{value} has not been drawn")
    return value


def drawn(value: float | list[float], z: float) -> float:
    """Return a number out of a range: z is how far from the middle, in standard deviations."""
    if not isinstance(value, list):
        return value
    low, middle, high = value
    return middle + z / Z90 * ((high - middle) if z > 0 else (middle - low))


def one_bed(scenario: Scenario, rng: random.Random) -> Scenario:
    """Return the scenario as one bed lives it: every range drawn, phases complete.

    One draw for a name holds through all phases: who begins with a low baseline keeps to the low side, as far as a
    later phase `keeps` it. What stands in a `factor` goes together.
    """
    z: dict[str, float] = {}
    factors = [(factor, rng.gauss(0, 1)) for factor in scenario.factor]

    def pick(name: str, value: float | list[float], keeps: float = 1.0) -> float:
        if name not in z:
            loads = [(factor.loads.get(name, 0.0), size) for factor, size in factors]
            own = math.sqrt(max(0.0, 1 - sum(load**2 for load, _ in loads)))
            z[name] = own * rng.gauss(0, 1) + sum(load * size for load, size in loads)
        elif keeps < 1 and isinstance(value, list):
            z[name] = keeps * z[name] + math.sqrt(1 - keeps**2) * rng.gauss(0, 1)
        z[name] = max(-2.3, min(2.3, z[name]))
        lowest = value[0] / 2 if isinstance(value, list) else value  # a long tail must not turn a number around
        number = max(lowest, drawn(value, z[name]))
        return min(MOST_OF_A_SHARE, number) if isinstance(value, list) and name.endswith("share") else number

    phases: list[Phase] = []
    for phase in scenario.phase:
        before = phases[-1] if phases else DEFAULTS
        given = {name: getattr(phase, name) for name in NUMBERS}
        numbers = {
            name: pick(name, value, phase.keeps) if value is not None else getattr(before, name)
            for name, value in given.items()
        }
        causes = before.causes if phase.causes is None else [_one_cause(c, pick) for c in phase.causes]
        phases.append(Phase(phase.from_min, **numbers, causes=causes, keeps=phase.keeps))
    happenings = [
        msgspec.structs.replace(h, at_min=pick(f"at {i}", h.at_min), for_min=pick(f"for {i}", h.for_min))
        for i, h in enumerate(scenario.happening)
    ]
    stage = scenario.second_stage_from_min
    return msgspec.structs.replace(
        scenario,
        phase=phases,
        happening=[*happenings, *scenario.emergency],
        second_stage_from_min=None if stage is None else pick("second stage", stage),
        capacity_bpm_min=pick("capacity", scenario.capacity_bpm_min),
        recovers_in_min=pick("recovers", scenario.recovers_in_min),
        asleep_share=pick("asleep share", scenario.asleep_share),
    )


def _one_cause(cause: Cause, pick: Callable[[str, float | list[float]], float]) -> Cause:
    names = ("share", "depth_bpm", "length_s")
    return msgspec.structs.replace(cause, **{n: pick(f"{cause.kind} {n}", getattr(cause, n)) for n in names})
