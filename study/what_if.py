"""Flags that would have been: one shift, a number of the policy moved, nobody answering. For looking at, at once."""

from collections import defaultdict

from msgspec import Struct

from simulator.truth import Span
from study.alarms import Call, PolicyAlarms
from study.cases import Measured
from study.life import run_alone
from study.plan import BASE, Variant


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
    """One shift. beds: their scenarios; needs: by bed, from when to when somebody was needed."""

    notice: str
    study: str
    shift: str
    seed: int
    hours: float
    beds: list[str]
    needs: list[list[Span]]
    sliders: list[Slider]
