"""Every measure against a value known by construction, and against a plain reader that works it out anew.

A new measure needs a reference in `tests/reference_measures.py` and two strips with different values in
`tests/strips.py`: until then a test here fails that names it.
"""

import hashlib
import os
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import msgspec
import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, Input, Tick
from quietward.contracts.log import Event
from quietward.detect.core import engine
from quietward.detect.core.measures.findings import MEASURES, measures_of, values_of
from quietward.detect.core.state.state import State
from quietward.simulator.bed import simulate
from quietward.simulator.scenario import load
from tests.oracle import PlainBed
from tests.reference_measures import REFERENCE, WITHIN, all_of, same
from tests.strips import STRIPS, Expected, Near, Strip, box, named, toco, without
from tests.traces import RULES, flat, put, ramp, run

Values = dict[str, float]
RULE_SETS = [rules.name for rules in RULES.rule_sets]
Evaluations = dict[int, list[Values]]
"""By second: the measures as each rule set sees them."""


def is_compared(second: int, end: int) -> bool:
    """Choose the ends of some minutes, evaluations in the middle of others, and the last one."""
    return second in (end, 0) or second % 420 == 419 or second % 245 == 244


def read_by_core(strips: list[Strip], chosen: Callable[[int, int], bool]) -> list[Evaluations]:
    """Read strips side by side; first twins have places behind all others."""
    twins = [n for n, s in enumerate(strips) if s.first is not None]
    names = [*(s.name for s in strips), *(f"first of {strips[n].name}" for n in twins)]
    state, found = State(RULES, names, [""] * len(names)), [Evaluations() for _ in strips]
    firsts = {n: len(strips) + i for i, n in enumerate(twins)}
    for second in range(max(s.seconds for s in strips)):
        going_on = [n for n, s in enumerate(strips) if second < s.seconds]
        before = [n for n in going_on if n in firsts]
        part, of_strip = slice(second * HZ, (second + 1) * HZ), [*before, *going_on]
        beds = np.array([*(firsts[n] for n in before), *going_on])
        rates = [*(strips[n].first for n in before), *(strips[n].fhr for n in going_on)]
        fhr = np.stack([rate[part] for rate in rates if rate is not None], axis=-1)
        ua = np.stack([strips[n].ua[part] for n in of_strip], axis=-1)
        mhr = np.array([strips[n].mhr[second] for n in of_strip])
        stage = np.array([strips[n].stage[second] for n in of_strip])
        weeks = np.array([strips[n].weeks for n in of_strip])
        first = np.array([*(-1 for _ in before), *(firsts.get(n, -1) for n in going_on)])
        engine.advance(state, beds, np.full(len(beds), second), fhr, ua, mhr, [], stage, weeks, first)
        for n in going_on:
            if chosen(second, strips[n].seconds - 1):
                found[n][second] = [values_of(state.findings, i, np.array([n]))[0] for i in range(len(RULE_SETS))]
    return found


def read_plainly(s: Strip, chosen: Callable[[int, int], bool]) -> Evaluations:
    """Read one strip sample by sample."""
    bed, found = PlainBed(), Evaluations()
    bed.first = None if s.first is None else PlainBed()
    for second in range(s.seconds):
        part = slice(second * HZ, (second + 1) * HZ)
        if bed.first is not None and s.first is not None:
            bed.first.second(s.first[part].tolist(), s.ua[part].tolist(), float(s.mhr[second]))
        is_evaluated = bed.second(
            s.fhr[part].tolist(), s.ua[part].tolist(), float(s.mhr[second]), s.stage[second], s.weeks
        )
        if is_evaluated and chosen(second, s.seconds - 1):
            found[second] = [all_of(bed, rules) for rules in RULES.rule_sets]
    return found


def kept(name: str, make: Callable[[], list[Evaluations]]) -> list[Evaluations]:
    """Return what the plain reader found: where a folder is named for it, from before. It knows nothing of the core."""
    folder = os.environ.get("QUIETWARD_PLAIN")
    if folder is None:
        return make()
    tests = Path(__file__).parents[1]
    made_by = [tests / "oracle.py", tests / "reference_measures.py", tests / "strips.py", Path(__file__)]
    version = hashlib.sha256(b"".join(file.read_bytes() for file in made_by)).hexdigest()[:12]
    file = Path(folder) / f"{name}-{version}-{RULES.digest}"
    if not file.exists():
        file.with_suffix(".new").write_bytes(msgspec.msgpack.encode(make()))
        file.with_suffix(".new").rename(file)
    return msgspec.msgpack.decode(file.read_bytes(), type=list[Evaluations])


AT_ONCE = 13
"""So many strips are read side by side: the first that is wrong is known before all are read."""


@cache
def some_drawn(first: int) -> dict[str, Evaluations]:
    strips = STRIPS[first : first + AT_ONCE]
    return dict(zip((s.name for s in strips), read_by_core(strips, is_compared), strict=True))


def drawn(s: Strip) -> Evaluations:
    return some_drawn(STRIPS.index(s) // AT_ONCE * AT_ONCE)[s.name]


@cache
def drawn_plainly() -> dict[str, Evaluations]:
    found = kept("drawn", lambda: [read_plainly(s, is_compared) for s in STRIPS])
    return dict(zip((s.name for s in STRIPS), found, strict=True))


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
    values = {repr(s.says[name]) for s in named(name)}
    assert len(values) >= 2, f"{name}: draw strips at whose ends it is known, with different values, in tests/strips.py"


def test_nothing_is_said_of_measures_that_are_not_there() -> None:
    assert set(REFERENCE) == set(MEASURES)
    assert {name for s in STRIPS for name in s.says} <= set(MEASURES)
    assert len({s.name for s in STRIPS}) == len(STRIPS)
    assert all((s.seconds - 1) % RULES.reading.look.every_s == RULES.reading.look.every_s - 1 for s in STRIPS)


# What is known by construction.


def cases() -> Iterator[object]:
    return (pytest.param(s, name, id=f"{name}: {s.name}") for s in STRIPS for name in s.says)


@pytest.mark.parametrize(("strip", "name"), list(cases()))
def test_the_value_is_as_drawn(strip: Strip, name: str) -> None:
    last = drawn(strip)[strip.seconds - 1]
    for i, expected in enumerate(by_rule_set(strip.says[name])):
        assert agrees(last[i][name], expected), (RULE_SETS[i], last[i][name], expected)


@pytest.mark.parametrize("strip", STRIPS, ids=lambda s: s.name)
def test_the_plain_reader_knows_what_is_drawn(strip: Strip) -> None:
    """Or it would be no reference."""
    last = drawn_plainly()[strip.name][strip.seconds - 1]
    for name, values in strip.says.items():
        for i, expected in enumerate(by_rule_set(values)):
            assert agrees(last[i][name], expected), (name, RULE_SETS[i], last[i][name], expected)


# In both directions, at any evaluation.


def compare(name: str, by_core: dict[str, Evaluations], plainly: dict[str, Evaluations]) -> None:
    assert by_core.keys() == plainly.keys()
    for bed, evaluations in plainly.items():
        for second, plain in evaluations.items():
            for i, rules in enumerate(RULE_SETS):
                core = by_core[bed][second][i][name]
                assert same(core, plain[i][name], WITHIN), (
                    f"{name} of {rules} at {bed}, second {second}: {core}, not {plain[i][name]}"
                )


@pytest.mark.parametrize("name", MEASURES)
def test_drawn_strips_are_read_as_the_plain_reader_does(name: str) -> None:
    compare(name, {s.name: drawn(s) for s in STRIPS}, drawn_plainly())


LABOURS = [
    ("cord-getting-worse", 3), ("tachysystole-infusion", 5), ("toco-slips", 5), ("mothers-pulse-while-pushing", 5),
    ("late-with-falling-variability", 5), ("lost-before-a-fall", 5), ("sinusoidal", 4), ("lively", 8),
]  # fmt: skip
LABOUR_S = 4500


TIMES = frozenset(np.random.default_rng(1).choice(LABOUR_S, 120, replace=False).tolist())


def at_random(second: int, end: int) -> bool:
    return second in TIMES or second % 300 == 299


@cache
def labours() -> list[Strip]:
    """The last of their course, where most happens; in the second stage from half of it on."""
    strips = []
    for scenario, seed in LABOURS:
        found = load(scenario)
        whole = simulate(found, seed, int(min(found.lasts_min * 60, 3 * LABOUR_S)))
        fhr, ua = whole.fhr[-LABOUR_S * HZ :], whole.ua[-LABOUR_S * HZ :]
        stage = [1 + (s >= LABOUR_S // 2) for s in range(LABOUR_S)]
        strips.append(Strip(scenario, fhr, ua, np.full(LABOUR_S, 120.0), stage, 30 + seed % 3, {}))
    return strips


@cache
def simulated() -> dict[str, Evaluations]:
    return dict(zip((s.name for s in labours()), read_by_core(labours(), at_random), strict=True))


@cache
def simulated_plainly() -> dict[str, Evaluations]:
    found = kept("simulated", lambda: [read_plainly(s, at_random) for s in labours()])
    return dict(zip((s.name for s in labours()), found, strict=True))


@pytest.mark.parametrize("name", MEASURES)
def test_simulated_labours_are_read_as_the_plain_reader_does(name: str) -> None:
    compare(name, simulated(), simulated_plainly())


NOT_IN_LABOURS = ("high_variability_min", "stepped", "same_as_twin_1min")


@pytest.mark.parametrize("name", [name for name in MEASURES if name not in NOT_IN_LABOURS])
def test_simulated_labours_show_it_at_more_than_one_value(name: str) -> None:
    """A test of the tests: what is the same throughout has not been tried.

    No labour varies by more than 25 bpm, stays where it jumped to, or has twins.
    """
    every = [
        values[name] for evaluations in simulated_plainly().values() for both in evaluations.values() for values in both
    ]
    assert len({value for value in every if not np.isnan(value)}) >= 2


# Where one sample decides.


def test_a_fall_that_begins_with_the_first_sample_after_a_gap_has_its_whole_area() -> None:
    fhr = without(put(flat(140, 600), 520, box(-24, 40)), (500, 520))
    assert run(fhr).measure("deceleration_area_10min") == 16


def test_a_rate_of_contractions_is_known_from_the_evaluation_with_ten_minutes_of_usable_ua_on() -> None:
    found = run(flat(140, 720), toco(720, *range(30, 720, 150))).evaluations
    rate, usable = (list(MEASURES).index(name) for name in ("contractions_per_10min", "ua_usable_30min"))
    evaluated = range(RULES.reading.look.every_s, 721, RULES.reading.look.every_s)
    usable_s = [round(float(found[end - 1][0, usable]) * end) for end in evaluated]
    assert [not np.isnan(found[end - 1][0, rate]) for end in evaluated] == [s >= 600 for s in usable_s]
    assert 600 in usable_s


def test_a_fall_is_related_to_a_contraction_that_ends_with_it() -> None:
    """The same fall at the same contraction, a quarter of a second later each time."""
    ends = [256 + k / HZ for k in range(24)]
    falls = [put(flat(140, 420), end - 60, ramp(-20, 35, 0, 25)) for end in ends]
    state, events = State(RULES, [f"{end}" for end in ends], [""] * len(ends)), list[Event]()
    fhr, ua, beds = np.stack(falls, axis=-1), np.stack([toco(420, 200)] * len(ends), axis=-1), np.arange(len(ends))
    for second in range(420):
        part = slice(second * HZ, (second + 1) * HZ)
        engine.advance(state, beds, beds * 0 + second, fhr[part], ua[part], np.full(len(ends), np.nan), events)
    assert {e.bed: e.detail["kind nichd-2008"] for e in events if e.kind == "deceleration"} == {
        f"{end}": "early" for end in ends
    }


# While the device is silent, the measures of silence go on.


@pytest.mark.parametrize(("usable_s", "lost_before_s", "lost_s"), [(90, 10, 40), (100, 0, 30)])
def test_silence_of_the_device_is_counted_on(usable_s: int, lost_before_s: int, lost_s: int) -> None:
    """100 s come, usable up to one of them; 30 s later what has been lost is 30 s longer, and all else as it was."""
    state = State(RULES)
    fhr: list[float | None] = [140.0] * HZ
    nothing: list[float | None] = [None] * HZ
    blocks: list[Input] = [
        Block("b", "s", i, i * 1000, i * 1000, fhr if i < usable_s else nothing, nothing) for i in range(100)
    ]
    engine.step(state, blocks)
    before = {name: float(x[0]) for name, x in measures_of(state.findings, 0).items()}
    engine.step(state, [Tick(99_000 + 30_000)])
    after = {name: float(x[0]) for name, x in measures_of(state.findings, 0).items()}
    assert before["signal_lost_s"] == lost_before_s
    assert after["signal_lost_s"] == lost_s
    assert all(same(after[name], before[name]) for name in MEASURES if name != "signal_lost_s")
