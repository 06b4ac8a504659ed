"""Flags that would have been: one shift, a number of the policy moved, nobody answering. For looking at, at once."""

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec
import numpy as np
from msgspec import Struct

from quietward.contracts.notice import NOTICE
from quietward.detect.core.alerting.attention import LEVELS
from quietward.simulator.truth import Span
from quietward.study import cases
from quietward.study.alarms import Call, PolicyAlarms, Stood
from quietward.study.cases import Measured
from quietward.study.plan import Planned, Variant, Varied, varied

STEPS = 11
"""Positions of a slider between the least and the greatest value, where a study draws points between them."""


class Stretch(Struct, frozen=True):
    """A flag of one bed at one level, from then to then; why: the condition that was told first."""

    bed: int
    level: int
    from_s: float
    until_s: float
    why: str


class Position(Struct, frozen=True):
    """One position of a slider. calls: how often somebody would have been interrupted, by level."""

    value: float
    calls: dict[str, int]
    flags: list[Stretch]


class Slider(Struct, frozen=True):
    """One number of the policy. today: its value now."""

    key: str
    today: float
    positions: list[Position]


class WhatIf(Struct, frozen=True):
    """One shift. about: what it is; beds: their scenarios; needs: by bed, from when to when somebody was needed."""

    notice: str
    about: str
    study: str
    shift: str
    seed: int
    hours: float
    beds: list[str]
    needs: list[list[Span]]
    sliders: list[Slider]


def of_first_shift(planned: Planned, moved: Callable[[int], None] = lambda _: None) -> WhatIf:
    """Return the first shift of a study, measured here and now. moved: told of bed-seconds, simulated and measured."""
    first = cases.groups(planned.study)[0][:1]
    with TemporaryDirectory(prefix="quietward-what-if-") as folder:
        return of(planned, cases.measured(first, planned.rules, Path(folder), moved))


def of(planned: Planned, found: Measured) -> WhatIf:
    """Return the first of the measured shifts, and a slider for every number of the policy that the study varies."""
    case, beds = found.cases[0], found.beds
    about = (
        f"Simulated shift {case.shift}, seed {case.seed}, {case.hours:g} h, {beds} beds, nobody answering. "
        "Hatched: somebody was needed."
    )
    return WhatIf(
        NOTICE, about, planned.study.name, case.shift, case.seed, case.hours,
        case.names, [[] if t is None else t.needs for t in found.truth[:beds]],
        [_slider(planned, found, v) for v in planned.study.vary if not v.key.startswith("staff.")],
    )  # fmt: skip


def _slider(planned: Planned, found: Measured, number: Varied) -> Slider:
    base = planned.variants[0]
    today = planned.today(number.key)
    values = sorted({*number.values, today})
    if planned.study.how == "sample":
        values = sorted({*(float(f"{x:.3g}") for x in np.linspace(values[0], values[-1], STEPS)), today})
    variants = [varied(base, {number.key: value}, planned.study.name) for value in values]
    return Slider(number.key, today, _positions(found, values, variants))


def _positions(found: Measured, values: Sequence[float], variants: Sequence[Variant]) -> list[Position]:
    until_s = found.cases[0].hours * 3600
    policies = [v.policy for v in variants if v.policy is not None]
    alarms = PolicyAlarms(found.looks.of(range(found.beds)), policies)
    calls: list[Call] = []
    while alarms.next_s() < until_s:
        calls += alarms.look()
    positions = []
    for v, value in enumerate(values):
        own = [c for c in calls if c.variant == v]
        counts = Counter(LEVELS[c.level].value for c in own)
        flags = _flags([t for t in alarms.told if t.variant == v], own, until_s)
        positions.append(Position(value, dict(counts), flags))
    return positions


def _flags(told: Sequence[Stood], calls: Sequence[Call], until_s: float) -> list[Stretch]:
    why = {(c.lane, c.t_s): c.why for c in calls}
    found = []
    for lane in sorted({t.lane for t in told}):
        own, said = [t for t in told if t.lane == lane], ""
        for one, end_s in zip(own, [*(t.t_s for t in own[1:]), until_s], strict=True):
            said = why.get((lane, one.t_s), said)
            if one.level:
                found.append(Stretch(lane, one.level, one.t_s, end_s, said))
    return found


def write(folder: Path, found: WhatIf) -> Path:
    """Write what-if.json; return its path."""
    path = folder / "what-if.json"
    path.write_bytes(msgspec.json.encode(found))
    return path
