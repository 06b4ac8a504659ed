"""Every measure against a value known by construction, and against a plain reader that works it out anew.

A new measure needs a reference in `tests/reference_measures.py` and two strips with different values in
`tests/strips.py`: until then a test here fails that names it.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import pytest

from quietward.contracts.messages import HZ, Block, Input, Tick
from quietward.detect.core import engine
from quietward.detect.core.measures.findings import MEASURES, measures_of, values_of
from quietward.detect.core.state.state import State
from quietward.simulator.bed import simulate
from quietward.simulator.scenario import load
from tests.oracle import PlainBed
from tests.reference_measures import DEFECTS, REFERENCE, UP_TO_31_MIN, WITHIN, all_of, same
from tests.strips import STRIPS, Expected, Near, Strip, named
from tests.traces import RULES

Values = dict[str, float]
RULE_SETS = [rules.name for rules in RULES.rule_sets]
KEPT = "sixty accelerations in half an hour"


@dataclass
class Look:
    """Measures of one bed at one second by rule set: what the core says, and what the plain reader does."""

    second: int
    core: list[Values]
    plain: list[Values]


@dataclass
class Reading:
    """Looks at one bed, the last one at its end."""

    looks: list[Look] = field(default_factory=list)


def is_compared(second: int, end: int) -> bool:
    """Choose the ends of some minutes, looks in the middle of others, and the last one."""
    return second in (end, 0) or second % 420 == 419 or second % 245 == 244


def read(strips: list[Strip], chosen: Callable[[int, int], bool] = is_compared) -> list[Reading]:
    """Read strips side by side with the core, and one by one with the plain reader."""
    state, found = State(RULES, [s.name for s in strips], [""] * len(strips)), [Reading() for _ in strips]
    beds = [PlainBed() for _ in strips]
    for second in range(max(s.seconds for s in strips)):
        going_on = [n for n, s in enumerate(strips) if second < s.seconds]
        part = slice(second * HZ, (second + 1) * HZ)
        fhr, ua = (np.stack([getattr(strips[n], of)[part] for n in going_on], axis=-1) for of in ("fhr", "ua"))
        mhr = np.array([strips[n].mhr[second] for n in going_on])
        stage, weeks = (
            np.array([strips[n].stage[second] for n in going_on]), np.array([strips[n].weeks for n in going_on])
        )  # fmt: skip
        lanes = np.array(going_on)
        engine.advance(state, lanes, np.full(len(lanes), second), fhr, ua, mhr, [], stage, weeks)
        for n in going_on:
            s, bed = strips[n], beds[n]
            looked = bed.second(
                s.fhr[part].tolist(), s.ua[part].tolist(), float(s.mhr[second]), s.stage[second], s.weeks
            )
            if looked and chosen(second, s.seconds - 1):
                core = [values_of(state.findings, i, np.array([n]))[0] for i in range(len(RULES.rule_sets))]
                found[n].looks.append(Look(second, core, [all_of(bed, rules) for rules in RULES.rule_sets]))
    return found


@cache
def drawn() -> dict[str, Reading]:
    return dict(zip((s.name for s in STRIPS), read(STRIPS), strict=True))


def by_rule_set(expected: Expected) -> tuple[float | Near, float | Near]:
    return expected if isinstance(expected, tuple) else (expected, expected)


def agrees(value: float, expected: float | Near) -> bool:
    if isinstance(expected, Near):
        return abs(value - expected.value) <= expected.within
    return same(value, float(expected), WITHIN)


# That nothing is left out.


@pytest.mark.parametrize("name", MEASURES)
def test_a_measure_has_a_reference_and_two_different_values_drawn(name: str) -> None:
    assert name in REFERENCE, f"{name}: work it out anew in tests/reference_measures.py"
    values = {repr(s.says[name]) for s in named(name) if not s.why}
    assert len(values) >= 2, f"{name}: draw strips at whose ends it is known, with different values, in tests/strips.py"


def test_nothing_is_said_of_measures_that_are_not_there() -> None:
    assert set(REFERENCE) == set(MEASURES)
    assert {name for s in STRIPS for name in s.says} <= set(MEASURES)
    assert len({s.name for s in STRIPS}) == len(STRIPS)
    assert all((s.seconds - 1) % RULES.reading.look.every_s == RULES.reading.look.every_s - 1 for s in STRIPS)


# What is known by construction.


def cases() -> Iterator[object]:
    for s in STRIPS:
        marks = [pytest.mark.xfail(reason=s.why, strict=True)] if s.why else []
        for name in s.says:
            yield pytest.param(s, name, id=f"{name}: {s.name}", marks=marks)


@pytest.mark.parametrize(("strip", "name"), cases())
def test_the_value_is_as_drawn(strip: Strip, name: str) -> None:
    last = drawn()[strip.name].looks[-1]
    for i, expected in enumerate(by_rule_set(strip.says[name])):
        assert agrees(last.core[i][name], expected), (RULE_SETS[i], last.core[i][name], expected)


@pytest.mark.parametrize("strip", STRIPS, ids=lambda s: s.name)
def test_the_plain_reader_knows_what_is_drawn(strip: Strip) -> None:
    """Or it would be no reference."""
    last = drawn()[strip.name].looks[-1]
    for name, values in strip.says.items():
        for i, expected in enumerate(by_rule_set(values)):
            assert agrees(last.plain[i][name], expected), (name, RULE_SETS[i], last.plain[i][name], expected)


# In both directions, at any look.


def compare(name: str, readings: dict[str, Reading]) -> None:
    compared = 0
    for bed, reading in readings.items():
        for look in reading.looks:
            if name in DEFECTS and not (DEFECTS[name] == UP_TO_31_MIN and look.second % 60 == 59):
                continue
            for i, rules in enumerate(RULE_SETS):
                core, plain = look.core[i][name], look.plain[i][name]
                assert same(core, plain, WITHIN), (
                    f"{name} of {rules} at {bed}, second {look.second}: {core}, not {plain}"
                )
                compared += 1
    assert compared or DEFECTS.get(name, UP_TO_31_MIN) != UP_TO_31_MIN


@pytest.mark.parametrize("name", MEASURES)
def test_drawn_strips_are_read_as_the_plain_reader_does(name: str) -> None:
    compare(name, {bed: reading for bed, reading in drawn().items() if bed != KEPT})


LABOURS = [
    ("cord-getting-worse", 3), ("tachysystole-infusion", 5), ("toco-slips", 5), ("mothers-pulse-while-pushing", 5),
    ("late-with-falling-variability", 5), ("lost-before-a-fall", 5), ("sinusoidal", 4), ("lively", 8),
]  # fmt: skip
LABOUR_S = 4500


@cache
def simulated() -> dict[str, Reading]:
    strips = []
    for scenario, seed in LABOURS:
        found = load(scenario)
        # The last of the course, where most happens.
        whole = simulate(found, seed, int(min(found.lasts_min * 60, 3 * LABOUR_S)))
        fhr, ua = whole.fhr[-LABOUR_S * HZ :], whole.ua[-LABOUR_S * HZ :]
        stage = [1 + (s >= LABOUR_S // 2) for s in range(LABOUR_S)]
        strips.append(Strip(scenario, fhr, ua, np.full(LABOUR_S, 120.0), stage, 30 + seed % 3, {}))
    random = np.random.default_rng(1)
    times = set(random.choice(LABOUR_S, 120, replace=False).tolist())
    readings = read(strips, lambda second, end: second in times or second % 300 == 299)
    return dict(zip((s.name for s in strips), readings, strict=True))


@pytest.mark.parametrize("name", MEASURES)
def test_simulated_labours_are_read_as_the_plain_reader_does(name: str) -> None:
    compare(name, simulated())


def test_simulated_labours_hold_every_measure() -> None:
    """A test of the tests: what is the same throughout has not been tried. No labour varies by more than 25 bpm."""
    for name in set(MEASURES) - {"high_variability_min"}:
        values = {
            look.core[i][name]
            for reading in simulated().values()
            for look in reading.looks
            for i in range(len(RULE_SETS))
            if not np.isnan(look.core[i][name])
        }
        assert len(values) >= 2, name


# While the device is silent, the measures of silence go on.


def test_silence_of_the_device_is_counted_on() -> None:
    """100 s come, of the last 10 nothing usable; 30 s later 40 s are lost, and all else is as it was."""
    state = State(RULES)
    fhr = [140.0] * HZ
    blocks: list[Input] = [
        Block("b", "s", i, i * 1000, i * 1000, fhr if i < 90 else [None] * HZ, [None] * HZ) for i in range(100)
    ]
    engine.step(state, blocks)
    before = {name: float(x[0]) for name, x in measures_of(state.findings, 0).items()}
    engine.step(state, [Tick(99_000 + 30_000)])
    after = {name: float(x[0]) for name, x in measures_of(state.findings, 0).items()}
    assert before["signal_lost_s"] == 10
    assert after["signal_lost_s"] == 40
    assert all(same(after[name], before[name]) for name in MEASURES if name != "signal_lost_s")
