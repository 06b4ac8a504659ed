"""Structure of arrays: one lane per bed (or recording), always on the last axis.

A module of the core keeps what it remembers in a subclass of Lanes. The engine takes the lanes that have something
to work on, steps them together, and puts them back. Rings hold long histories and have classes of their own; they stay
where they are and are touched by lane number only, so that the work of one second does not grow with a window's length.
"""

import math
from dataclasses import dataclass, field, fields
from typing import Any, NamedTuple, Self, cast

import numpy as np
from numpy.typing import NDArray

from quietward.messages import HZ

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

EACH_SAMPLE = np.arange(HZ)[:, None]
"""The samples of a second as a column, to be added to where it begins at each lane."""
LONG_AGO = -(2**60)
"""An index before anything that can be remembered; far enough from the border of int64 to be subtracted."""


Sizes = dict[str, int]
"""Lengths that come from the settings, by name."""


def lane(fill: float | bool, *shape: int | str, dtype: Any = np.float64) -> Any:
    """Declare an array of shape (*shape, lanes) that starts as `fill`; a name in `shape` is looked up in Sizes."""
    return field(metadata={"fill": fill, "shape": shape, "dtype": np.dtype(dtype)})


def index(fill: int, *shape: int | str) -> Any:
    """Declare an int64 array of shape (*shape, lanes)."""
    return lane(fill, *shape, dtype=np.int64)


def switch(*shape: int | str) -> Any:
    """Declare a bool array of shape (*shape, lanes) that starts as False."""
    return lane(False, *shape, dtype=np.bool_)


def some(mask: Bools) -> bool:
    """Say whether anything holds: `mask.any()`, which costs three times as much for a few lanes."""
    return bool(np.count_nonzero(mask))


class _Place(NamedTuple):
    """Where an array lies: rows of the block of its type."""

    name: str
    block: int
    rows: slice | int  # one row is an array without a first axis
    shape: tuple[int, ...]  # without lanes; empty where the rows are the array already
    fill: float | bool


class _Plan(NamedTuple):
    """Where all arrays of a class lie. kinds: type and number of rows of each block."""

    places: list[_Place]
    kinds: list[tuple[np.dtype[Any], int]]


@dataclass(init=False, eq=False)
class Lanes:
    """Base of everything remembered per bed. Subclasses are dataclasses of arrays made by `lane`, `index`, `switch`.

    The arrays of one type lie in one block, row under row, so that some lanes are copied out and back with one call for
    each type and not with one for each array: with few lanes it is the calls that cost. Therefore an array is changed
    in place and never replaced: to assign to its name copies into it.
    """

    @classmethod
    def _plan(cls, sizes: Sizes) -> _Plan:
        places: list[_Place] = []
        rows: dict[np.dtype[Any], int] = {}
        for f in fields(cls):
            shape = tuple(sizes[s] if isinstance(s, str) else s for s in f.metadata["shape"])
            first, n = rows.setdefault(f.metadata["dtype"], 0), math.prod(shape)
            rows[f.metadata["dtype"]] += n
            where = slice(first, first + n) if shape else first
            block = list(rows).index(f.metadata["dtype"])
            places.append(_Place(f.name, block, where, shape if len(shape) > 1 else (), f.metadata["fill"]))
        return _Plan(places, list(rows.items()))

    @classmethod
    def empty(cls, n: int, sizes: Sizes) -> Self:
        """Return n lanes that have seen nothing."""
        return cls._fresh(cls._plan(sizes), n)

    @classmethod
    def _fresh(cls, plan: _Plan, n: int) -> Self:
        part = cls._of(plan, [np.empty((rows, n), dtype=dtype) for dtype, rows in plan.kinds])
        part.reset(np.arange(n))
        return part

    @classmethod
    def _of(cls, plan: _Plan, blocks: list[NDArray[Any]]) -> Self:
        part = cls.__new__(cls)
        own = part.__dict__
        own["_held"] = plan, blocks
        for name, block, rows, shape, _ in plan.places:
            found = blocks[block][rows]
            own[name] = found.reshape(*shape, found.shape[-1]) if shape else found
        return part

    def _all(self) -> tuple[_Plan, list[NDArray[Any]]]:
        return cast("tuple[_Plan, list[NDArray[Any]]]", self.__dict__["_held"])

    def __setattr__(self, name: str, value: Any) -> None:
        array = self.__dict__[name]
        if value is not array:  # it is after `+=`
            array[...] = value

    def take(self, lanes: Ints) -> Self:
        """Return a copy of some lanes, or these arrays themselves when all lanes are asked for in order."""
        plan, blocks = self._all()
        if len(lanes) == blocks[0].shape[1]:
            return self
        return self._of(plan, [block.take(lanes, axis=1) for block in blocks])

    def put(self, lanes: Ints, part: Self) -> None:
        """Write back what `take` gave."""
        if part is not self:
            for block, new in zip(self._all()[1], part._all()[1], strict=True):
                block[:, lanes] = new

    def reset(self, lanes: Ints) -> None:
        """Let some lanes forget everything."""
        for place in self._all()[0].places:
            getattr(self, place.name)[..., lanes] = place.fill

    def grown(self, by: int) -> Self:
        """Return these lanes and fresh ones at the end."""
        plan, blocks = self._all()
        more = self._of(plan, [np.concatenate([b, np.empty((len(b), by), b.dtype)], axis=1) for b in blocks])
        n = blocks[0].shape[1]
        more.reset(np.arange(n, n + by))
        return more

    def as_bytes(self) -> list[memoryview]:
        """Return the blocks as bytes, not copied."""
        return [block.data for block in self._all()[1]]

    @classmethod
    def layout(cls, sizes: Sizes) -> str:
        """Say in words how the arrays lie: what another layout has stored must not be read."""
        return repr(cls._plan(sizes).places)

    @classmethod
    def from_bytes(cls, stored: memoryview, n: int, sizes: Sizes) -> tuple[Self, memoryview]:
        """Return what `as_bytes` of the same layout said, and the bytes behind it. Raises ValueError if too short."""
        plan, blocks = cls._plan(sizes), []
        for dtype, rows in plan.kinds:
            length = rows * n * dtype.itemsize
            blocks.append(np.frombuffer(stored[:length], dtype=dtype).reshape(rows, n).copy())
            stored = stored[length:]
        return cls._of(plan, blocks), stored
