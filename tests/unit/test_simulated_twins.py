"""Simulated twins: two fetuses and one uterus; both sensors on one of them; what their device sends."""

from pathlib import Path

import msgspec
import numpy as np
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadScenario
from quietward.contracts.fields import HZ
from quietward.simulator import scenario, shift
from quietward.simulator.bed import Bed, simulate
from quietward.simulator.device import Device
from quietward.simulator.scenario import load
from quietward.simulator.sources import LiveBed


def apart_bpm(fhr: np.ndarray, fhr2: np.ndarray, from_min: int, until_min: int) -> float:
    part = slice(from_min * 60 * HZ, until_min * 60 * HZ)
    return float(np.nanmedian(np.abs(fhr[part] - fhr2[part])))


def test_both_live_through_the_same_contractions_and_are_two_fetuses() -> None:
    bed = Bed(load("twins-second-late"), 1)
    made = bed.advance(6 * 60)
    second = bed._second
    assert second is not None
    of_first, of_second = ([e for e in one.truth().events if e.what == "contraction"] for one in (bed, second))
    assert len(of_first) > 12
    assert of_second == of_first
    assert made.fhr2 is not None
    known = np.isfinite(made.fhr - made.fhr2)
    assert abs(np.corrcoef(made.fhr[known], made.fhr2[known])[0, 1]) < 0.5


def test_however_it_is_cut_the_second_is_the_same() -> None:
    whole, cut = Bed(load("twins-both-on-first"), 4), Bed(load("twins-both-on-first"), 4)
    at_once = whole.advance(240).fhr2
    assert at_once is not None
    np.testing.assert_array_equal(at_once, np.concatenate([cut.advance(ticks).fhr2 for ticks in (1, 180, 7, 52)]))


def test_both_sensors_are_on_the_first_until_one_is_moved() -> None:
    made = simulate(load("twins-both-on-first"), 2, 60 * 60)
    assert made.fhr2 is not None
    assert apart_bpm(made.fhr, made.fhr2, 0, 30) > 4
    assert apart_bpm(made.fhr, made.fhr2, 31, 60) < 2
    bed = Bed(load("twins-both-on-first"), 2)
    bed.advance(40 * 6)
    helped = 0
    for _ in range(4):  # moving it helps as often as the responses say
        bed.did("transducer-moved")
        after = bed.advance(6)
        assert after.fhr2 is not None
        helped += apart_bpm(after.fhr, after.fhr2, 0, 1) > 2
    assert helped > 0


def test_who_is_needed_for_either_is_in_the_truth() -> None:
    assert {need.what for need in simulate(load("twins-second-late"), 1, 110 * 60).truth.needs} >= {"bedside"}


def test_a_device_of_one_fetus_says_nothing_of_a_second() -> None:
    def message(name: str) -> dict[str, object]:
        device = Device(Ward("ward-1"), LiveBed("bed-1", load(name), 1, 60), 1.0)
        found: dict[str, object] = msgspec.json.decode(device._next_messages(0)[0])
        return found

    assert "fhr2" not in message("calm")
    assert len(message("twins-second-late")["fhr2"]) == HZ  # type: ignore[arg-type]


def test_a_shift_says_who_has_twins() -> None:
    noted = shift.comings_and_goings("twins", 4)
    assert [(command.bed, getattr(command, "arrival", None).twins) for _, command in noted] == [  # type: ignore[union-attr]
        ("bed-1", True), ("bed-3", True),
    ]  # fmt: skip


def test_what_needs_a_second_fetus_is_refused_without_one(tmp_path: Path) -> None:
    text = (Path(scenario.__file__).parent / "scenarios" / "twins-both-on-first.toml").read_text()
    file = tmp_path / "one.toml"
    file.write_text(text.replace('second_twin = "calm"\n', ""))
    with pytest.raises(BadScenario, match="Say who is the second_twin"):
        load(str(file))
    file.write_text(text.replace('second_twin = "calm"', 'second_twin = "twins-second-late"'))
    with pytest.raises(BadScenario, match="Name one with a single fetus"):
        load(str(file))
