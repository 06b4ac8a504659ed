"""What is remembered per bed: arrays as declared, one place for each bed, kept whole in a checkpoint."""

from typing import Any, NamedTuple

import numpy as np
import pytest

from quietward.detect import rule_file
from quietward.detect.core import arrays
from quietward.detect.core.arrays import Bools, Floats, Ints, array, index, part, switch
from quietward.detect.core.state.beds import Beds
from quietward.detect.core.state.state import State

SIZES = {"long": 7}


class Some(NamedTuple):
    """One array of each kind and shape."""

    bpm: Floats = array(np.nan)
    number: Ints = index(-1)
    is_open: Bools = switch()
    ring: Floats = array(2.5, "long")
    table: Ints = index(3, 2, "long")
    codes: Ints = array(0, "long", dtype=np.uint16)


class Whole(NamedTuple):
    """Arrays with others as their parts; one of them has a size of its own."""

    bpm: Floats = array(1.0)
    first: Some = part(Some)
    second: Some = part(Some, long="longer")


WHOLE_SIZES = {"long": 7, "longer": 9}


def different() -> Some:
    """Five beds with another number in every place."""
    some = arrays.empty(Some, 5, SIZES)
    for place, one in enumerate(some):
        one[...] = (np.arange(one.size).reshape(one.shape) + 100 * place) % (2 if one.dtype == bool else 10**6)
    return some


def all_of(some: Some) -> dict[str, Any]:
    return {name: array.tolist() for name, array in zip(Some._fields, some, strict=True)}


def test_beds_begin_as_declared_and_have_the_declared_shapes_and_types() -> None:
    some = arrays.empty(Some, 4, SIZES)
    assert some.bpm.shape == some.number.shape == some.is_open.shape == (4,)
    assert some.ring.shape == some.codes.shape == (7, 4)
    assert some.table.shape == (2, 7, 4)
    assert [a.dtype for a in some] == [np.float64, np.int64, np.bool_, np.float64, np.int64, np.uint16]
    assert all(a.flags.f_contiguous for a in some)
    assert np.isnan(some.bpm).all()
    assert (some.number == -1).all()
    assert (some.ring == 2.5).all()
    assert (some.table == 3).all()
    assert not some.is_open.any()
    assert not some.codes.any()


def test_parts_have_arrays_and_sizes_of_their_own() -> None:
    whole = arrays.empty(Whole, 3, WHOLE_SIZES)
    assert whole.first.ring.shape == (7, 3)
    assert whole.second.ring.shape == (9, 3)
    whole.first.number[:] = [1, 2, 3]
    assert whole.second.number.tolist() == [-1, -1, -1]
    assert [a.shape for a in arrays.every(whole)] == [
        a.shape for a in (whole.bpm, *arrays.every(whole.first), *arrays.every(whole.second))
    ]


def test_arrays_grow_with_fresh_beds_and_the_old_ones_stay() -> None:
    grown = arrays.grown(different(), 2)
    fresh, old = all_of(arrays.empty(Some, 2, SIZES)), all_of(different())
    for name, one in zip(Some._fields, grown, strict=True):
        assert one[..., :5].tolist() == old[name]
        np.testing.assert_array_equal(one[..., 5:], np.array(fresh[name]))
        assert one.dtype == getattr(different(), name).dtype
        assert one.flags.f_contiguous
    whole = arrays.grown(arrays.empty(Whole, 1, WHOLE_SIZES), 2)
    assert whole.second.table.shape == (2, 9, 3)


def test_some_beds_forget_and_the_others_do_not() -> None:
    some, before = different(), all_of(different())
    arrays.reset(some, np.array([0, 4]))
    assert np.isnan(some.bpm[[0, 4]]).all()
    assert some.bpm[1:4].tolist() == before["bpm"][1:4]
    assert (some.table[..., [0, 4]] == 3).all()
    assert some.table[..., 1:4].tolist() == np.array(before["table"])[..., 1:4].tolist()
    whole = arrays.empty(Whole, 2, WHOLE_SIZES)
    whole.second.number[:] = 5
    arrays.reset(whole, np.array([1]))
    assert whole.second.number.tolist() == [5, -1]


def test_bytes_are_read_back_and_what_is_behind_them_is_left() -> None:
    raw = b"".join((*arrays.as_bytes(different()), b"behind"))
    again, behind = arrays.from_bytes(Some, memoryview(raw), 5, SIZES)
    assert all_of(again) == all_of(different())
    assert bytes(behind) == b"behind"
    again.bpm[0] = 7.0  # a copy that can be written to
    with pytest.raises(ValueError, match="reshape"):
        arrays.from_bytes(Some, memoryview(raw[:-20]), 5, SIZES)
    whole = arrays.empty(Whole, 2, WHOLE_SIZES)
    whole.first.number[:], whole.second.number[:] = [1, 2], [3, 4]
    read, _ = arrays.from_bytes(Whole, memoryview(b"".join(arrays.as_bytes(whole))), 2, WHOLE_SIZES)
    assert (read.first.number.tolist(), read.second.number.tolist()) == ([1, 2], [3, 4])
    assert read.second.table.shape == (2, 9, 2)


def test_another_order_size_type_or_beginning_is_another_layout() -> None:
    class Swapped(NamedTuple):
        bpm: Floats = array(1.0)
        second: Some = part(Some, long="longer")
        first: Some = part(Some)

    class Typed(NamedTuple):
        bpm: Ints = index(1)
        first: Some = part(Some)
        second: Some = part(Some, long="longer")

    class Begun(NamedTuple):
        bpm: Floats = array(2.0)
        first: Some = part(Some)
        second: Some = part(Some, long="longer")

    known = arrays.layout(Whole, WHOLE_SIZES)
    assert arrays.layout(Whole, dict(WHOLE_SIZES)) == known
    for other in (Swapped, Typed, Begun):
        assert arrays.layout(other, WHOLE_SIZES) != known
    assert arrays.layout(Whole, WHOLE_SIZES | {"longer": 10}) != known


def test_a_checkpoint_of_another_layout_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    rules = rule_file.load()
    stored = State(rules, ["a", "b"], ["", ""]).to_bytes()
    again = State.from_bytes(stored, rules)
    assert again is not None
    assert again.to_bytes() == stored
    assert again.index_of == {"a": 0, "b": 1}
    told = arrays.layout(Beds, rules.sizes)
    monkeypatch.setattr(arrays, "layout", lambda *_: told.replace("onset", "offset"))
    assert State.from_bytes(stored, rules) is None


def test_half_a_checkpoint_is_refused() -> None:
    rules = rule_file.load()
    stored = State(rules, ["a"], [""]).to_bytes()
    for length in (0, 5, 40, len(stored) // 2, len(stored) - 1):
        assert State.from_bytes(stored[:length], rules) is None
