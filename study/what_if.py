"""The flags of one shift with another number in the policy, nobody answering: what the Study page shows."""

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec
import numpy as np
from msgspec import Struct

from quietward.contracts.notice import NOTICE
from quietward.detect.core.alerting.policy import LEVELS
from quietward.simulator.truth import Span
from quietward.study import cases
from quietward.study.alarms import AlarmChange, Call, PolicyAlarms
from quietward.study.cases import Case, MeasuredShifts
from quietward.study.plan import StudyPlan, Variant, Varied, varied

STEPS = 11
"""Positions of a slider between the least and the greatest value, where a study draws points between them."""


class FlagInterval(Struct, frozen=True):
    """A flag of one bed at one level; why: its leading condition."""

    bed: int
    level: int
    from_s: float
    until_s: float
    why: str


class Position(Struct, frozen=True):
    """One position of a slider. calls: how often somebody would have been interrupted, by level."""

    value: float
    calls: dict[str, int]
    flags: list[FlagInterval]


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


def build_from_study(planned: StudyPlan, case: Case, moved: Callable[[int], None] = lambda _: None) -> WhatIf:
    """Return one shift of a study, measured here and now. moved: told of bed-seconds, simulated and measured."""
    with TemporaryDirectory(prefix="quietward-what-if-") as folder:
        return build_what_if(planned, cases.measure_shifts([case], planned.rules, Path(folder), moved))


def build_what_if(planned: StudyPlan, measured: MeasuredShifts) -> WhatIf:
    """Return the first of the measured shifts, and a slider for every number of the policy that the study varies."""
    case, beds = measured.cases[0], measured.beds
    simulated = f"Simulated shift {case.shift}, seed {case.seed}, {case.hours:g} h, {beds} beds"
    recorded = f"{beds} recordings of {case.shift} side by side, {case.hours:g} h at most"
    about = f"{recorded if case.recordings else simulated}, nobody answering. Hatched: somebody was needed."
    return WhatIf(
        NOTICE, about, planned.study.name, case.shift, case.seed, case.hours,
        case.names, [[] if t is None else t.needs for t in measured.truth[:beds]],
        [_slider(planned, measured, v) for v in planned.study.vary if not v.key.startswith("staff.")],
    )  # fmt: skip


def _slider(planned: StudyPlan, measured: MeasuredShifts, number: Varied) -> Slider:
    base = planned.variants[0]
    today = planned.today(number.key)
    values = sorted({*number.values, today})
    if planned.study.how == "sample":
        values = sorted({*(float(f"{x:.3g}") for x in np.linspace(values[0], values[-1], STEPS)), today})
    variants = [varied(base, {number.key: value}, planned.study.name) for value in values]
    return Slider(number.key, today, _positions(measured, values, variants))


def _positions(measured: MeasuredShifts, values: Sequence[float], variants: Sequence[Variant]) -> list[Position]:
    until_s = measured.cases[0].hours * 3600
    policies = [v.policy for v in variants if v.policy is not None]
    alarms = PolicyAlarms(measured.evaluations.of(range(measured.beds)), policies)
    calls: list[Call] = []
    while alarms.next_s() < until_s:
        calls += alarms.step()
    positions = []
    for v, value in enumerate(values):
        own = [c for c in calls if c.variant == v]
        counts = Counter(LEVELS[c.level].value for c in own)
        flags = _flags([c for c in alarms.changes if c.variant == v], own, until_s)
        positions.append(Position(value, dict(counts), flags))
    return positions


def _flags(changes: Sequence[AlarmChange], calls: Sequence[Call], until_s: float) -> list[FlagInterval]:
    why = {(c.bed, c.t_s): c.why for c in calls}
    flags = []
    for bed in sorted({c.bed for c in changes}):
        own, reason = [c for c in changes if c.bed == bed], ""
        for change, end_s in zip(own, [*(c.t_s for c in own[1:]), until_s], strict=True):
            reason = why.get((bed, change.t_s), reason)
            if change.level:
                flags.append(FlagInterval(bed, change.level, change.t_s, end_s, reason))
    return flags


def write(folder: Path, what_if: WhatIf) -> Path:
    """Write what-if.json; return its path."""
    path = folder / "what-if.json"
    path.write_bytes(msgspec.json.encode(what_if))
    return path
