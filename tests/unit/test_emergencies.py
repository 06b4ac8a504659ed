"""Emergencies of a shift are what they say, come as often as asked for, and leave a bed alone until they begin."""

import numpy as np
import pytest
from msgspec import structs

from quietward.contracts.errors import BadScenario
from quietward.contracts.fields import HZ
from quietward.simulator import emergency, scenario, shift
from quietward.simulator.bed import simulate
from quietward.simulator.emergency import Onset

NIGHT = shift.load("emergency-night")
AT_S = 1800


@pytest.mark.parametrize("kind", emergency.names())
def test_the_team_is_needed_when_a_kind_says_and_not_before_it_begins(kind: str) -> None:
    low, high = emergency.load(kind).team_after_min
    for seed, labour in enumerate(["calm", "lively", "sleeps-long"]):
        struck = emergency.struck(scenario.load(labour), Onset(0, kind, AT_S), 0, seed)
        needs = simulate(struck, seed, AT_S + round(high * 60) + 600).truth.needs
        team_s = min(n.from_s for n in needs if n.what == "team")
        assert low <= (team_s - AT_S) / 60 <= high
        assert min(n.from_s for n in needs) >= AT_S


def test_a_bed_is_the_same_until_its_emergency_begins() -> None:
    labour = scenario.load("calm")
    for kind in emergency.names():
        struck = emergency.struck(labour, Onset(0, kind, AT_S), 600, 5)
        with_it, without = simulate(struck, 5, 7200), simulate(labour, 5, 7200)
        before, after = slice((600 + AT_S) * HZ), slice((600 + AT_S) * HZ, None)
        for here, there in ((with_it.fhr, without.fhr), (with_it.ua, without.ua)):
            assert np.array_equal(here[before], there[before], equal_nan=True)
        assert not np.array_equal(with_it.fhr[after], without.fhr[after], equal_nan=True)


@pytest.mark.parametrize("per_shift", [0.01, 0.5, 2.0, 3.3])
def test_they_come_as_often_as_asked_for(per_shift: float) -> None:
    assert NIGHT.emergencies is not None
    wanted = structs.replace(NIGHT.emergencies, per_shift=per_shift)
    nights = [emergency.onsets(wanted, 12, seed) for seed in range(4000)]
    assert np.mean([len(night) for night in nights]) == pytest.approx(per_shift, abs=0.03)
    for night in nights:
        assert len({onset.bed for onset in night}) == len(night)
        for onset in night:
            latest_min = wanted.until_min - emergency.load(onset.kind).team_after_min[1]
            assert wanted.from_min * 60 <= onset.at_s <= latest_min * 60
    if per_shift > 1:
        assert {onset.kind for night in nights for onset in night} == set(wanted.kinds)
        assert {onset.bed for night in nights for onset in night} == set(range(12))


def test_the_same_seed_gives_the_same_night() -> None:
    assert [s.emergency for s, _ in shift.placed(NIGHT, 3)] == [s.emergency for s, _ in shift.placed(NIGHT, 3)]
    assert [s.emergency for s, _ in shift.placed(NIGHT, 3)] != [s.emergency for s, _ in shift.placed(NIGHT, 4)]


def test_more_than_fit_are_refused() -> None:
    assert NIGHT.emergencies is not None
    with pytest.raises(BadScenario, match=r"per_shift: 5.*Use 4 at most"):
        emergency.check(structs.replace(NIGHT.emergencies, per_shift=5), 4, "here")
    with pytest.raises(BadScenario, match=r"until_min: 60.*not enough time for 'slow-deterioration'"):
        emergency.check(structs.replace(NIGHT.emergencies, until_min=60, kinds=["slow-deterioration"]), 12, "here")
