"""What is remembered per bed: arrays of one type share a block, and nobody notices."""

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pytest

from quietward.detect import rule_file
from quietward.detect.core.arrays import LENT_AT_MOST, Bools, Floats, Ints, Lanes, index, lane, part, switch
from quietward.detect.core.state import state as kept
from quietward.detect.core.state.state import State

SIZES = {"long": 7}


@dataclass(init=False, eq=False)
class Some(Lanes):
    """One array of each kind and shape."""

    bpm: Floats = lane(np.nan)
    count: Ints = index(-1)
    is_open: Bools = switch()
    ring: Floats = lane(2.5, "long")
    table: Ints = index(3, 2, "long")
    codes: Ints = lane(0, "long", dtype=np.uint16)


def different() -> Some:
    """Five lanes with another number in every place."""
    found = Some.empty(5, SIZES)
    for place, f in enumerate(fields(Some)):
        array = getattr(found, f.name)
        array[...] = (np.arange(array.size).reshape(array.shape) + 100 * place) % (2 if array.dtype == bool else 10**6)
    return found


def all_of(part: Some) -> dict[str, Any]:
    return {f.name: getattr(part, f.name).tolist() for f in fields(Some)}


@dataclass(init=False, eq=False)
class Whole(Lanes):
    """Lanes with others as their parts."""

    bpm: Floats = lane(1.0)
    first: Some = part(Some)
    second: Some = part(Some)


def test_lanes_begin_as_declared_and_have_the_declared_shapes() -> None:
    found = Some.empty(4, SIZES)
    assert found.bpm.shape == found.count.shape == found.is_open.shape == (4,)
    assert found.ring.shape == found.codes.shape == (7, 4)
    assert found.table.shape == (2, 7, 4)
    assert np.isnan(found.bpm).all()
    assert (found.ring == 2.5).all()
    assert (found.table == 3).all()
    assert not found.is_open.any()


def test_what_is_taken_is_a_copy_and_goes_back_to_its_lanes_alone() -> None:
    found, before = different(), all_of(different())
    lanes = np.array([3, 1])
    part = found.take(lanes)
    for f in fields(Some):
        assert np.array_equal(getattr(part, f.name), getattr(found, f.name)[..., lanes])
    part.bpm = np.array([7.0, 8.0])
    part.table[1, 2] = 9
    part.count += 1000
    assert all_of(found) == before
    found.put(lanes, part)
    assert found.bpm.tolist() == [0.0, 8.0, 2.0, 7.0, 4.0]
    assert found.count.tolist() == [100, 1101, 102, 1103, 104]
    assert (found.table[1, 2] == 9).tolist() == [False, True, False, True, False]
    assert found.ring.tolist() == before["ring"]


def test_all_lanes_in_order_are_no_copy() -> None:
    found = different()
    part = found.take(np.arange(5))
    part.bpm = np.full(5, 1.0)
    found.put(np.arange(5), part)
    assert found.bpm.tolist() == [1.0] * 5


def test_what_is_borrowed_is_the_same_copy_again_with_the_next_call_for_as_many() -> None:
    found, before = different(), all_of(different())
    borrowed = found.borrow(np.array([3, 1]))
    assert all_of(borrowed) == all_of(found.take(np.array([3, 1])))
    borrowed.count += 1000
    assert all_of(found) == before
    found.put(np.array([3, 1]), borrowed)
    assert found.count.tolist() == [100, 1101, 102, 1103, 104]
    other = found.borrow(np.array([0]))
    again = found.borrow(np.array([4, 2]))
    assert again is borrowed
    assert (again.count.tolist(), other.count.tolist()) == ([104, 102], [100])
    assert found.borrow(np.arange(5)) is found


def test_many_lanes_are_lent_as_a_copy_of_their_own() -> None:
    found, lanes = Some.empty(LENT_AT_MOST + 2, SIZES), np.arange(LENT_AT_MOST + 1)
    assert found.borrow(lanes) is not found.borrow(lanes)
    assert found.borrow(lanes[:-1]) is found.borrow(lanes[:-1])


def test_parts_are_taken_and_put_back_with_the_whole_and_stand_for_themselves() -> None:
    found = Whole.empty(5, SIZES)
    found.first.count, found.second.count = np.arange(5), 10 + np.arange(5)
    for taken in (found.take(np.array([3, 1])), found.borrow(np.array([3, 1]))):
        assert (taken.first.count.tolist(), taken.second.count.tolist()) == ([3, 1], [13, 11])
        assert taken.second.table.shape == (2, 7, 2)
        taken.first.count += 100
        taken.second.table[1, 2] = 9
        found.put(np.array([3, 1]), taken)
        found.first.count[[3, 1]] -= 100
    assert (found.second.table[1, 2] == 9).tolist() == [False, True, False, True, False]
    assert (found.first.table == 3).all()
    one = found.second.take(np.array([2]))
    one.count += 5
    found.second.put(np.array([2]), one)
    assert found.second.count.tolist() == [10, 11, 17, 13, 14]
    grown = found.grown(1)
    assert grown.first.count.tolist() == [0, 1, 2, 3, 4, -1]
    grown.reset(np.array([0]))
    assert (grown.first.count[0], grown.second.table[0, 0, 0]) == (-1, 3)
    raw = b"".join(found.as_bytes())
    again, _ = Whole.from_bytes(memoryview(raw), 5, SIZES)
    np.testing.assert_equal(all_of(again.second), all_of(found.second))


def test_another_layout_of_a_part_is_another_layout() -> None:
    @dataclass(init=False, eq=False)
    class Others(Lanes):
        bpm: Floats = lane(1.0)
        second: Some = part(Some)
        first: Some = part(Some)

    assert Whole.layout(SIZES) != Others.layout(SIZES)
    assert Whole.layout(SIZES) != Whole.layout({"long": 8})


def test_an_array_stays_where_it_is_when_its_name_is_assigned_to() -> None:
    found = different()
    same = found.bpm
    found.bpm = np.arange(5.0)
    assert found.bpm is same
    with pytest.raises(KeyError):
        found.bmp = np.arange(5.0)
    with pytest.raises(ValueError, match="broadcast"):
        found.bpm = np.arange(6.0)


def test_lanes_grow_with_fresh_ones_and_forget() -> None:
    found = different().grown(2)
    fresh, old = all_of(Some.empty(2, SIZES)), all_of(different())
    for f in fields(Some):
        array = getattr(found, f.name)
        assert array[..., :5].tolist() == old[f.name]
        np.testing.assert_array_equal(array[..., 5:], np.array(fresh[f.name]))
    found.reset(np.array([0, 4]))
    assert np.isnan(found.bpm[[0, 4]]).all()
    assert found.bpm[1:4].tolist() == [1.0, 2.0, 3.0]


def test_bytes_of_lanes_are_read_back() -> None:
    raw = b"".join((*different().as_bytes(), b"behind"))
    found, behind = Some.from_bytes(memoryview(raw), 5, SIZES)
    assert all_of(found) == all_of(different())
    assert bytes(behind) == b"behind"
    with pytest.raises(ValueError, match="reshape"):
        Some.from_bytes(memoryview(raw[:-20]), 5, SIZES)


def test_a_checkpoint_of_another_layout_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    rules = rule_file.load()
    stored = State(rules, ["a", "b"], ["", ""]).to_bytes()
    again = State.from_bytes(stored, rules)
    assert again is not None
    assert again.to_bytes() == stored
    assert again.lane_of == {"a": 0, "b": 1}

    @dataclass(init=False, eq=False)
    class Swapped(Lanes):
        """As many numbers as Hand has, in another order."""

        onset: Ints = index(-1, 48)
        count: Ints = index(0)
        end: Ints = index(-1, 48)
        running: Ints = index(-1)

    monkeypatch.setattr(kept, "Hand", Swapped)
    assert State.from_bytes(stored, rules) is None


def test_half_a_checkpoint_is_refused() -> None:
    rules = rule_file.load()
    stored = State(rules, ["a"], [""]).to_bytes()
    for length in (0, 5, 40, len(stored) // 2, len(stored) - 1):
        assert State.from_bytes(stored[:length], rules) is None
