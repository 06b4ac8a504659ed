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

from quietward.contracts.messages import HZ

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

EACH_SAMPLE = np.arange(HZ)[:, None]
"""The samples of a second as a column, to be added to where it begins at each lane."""
LENT_AT_MOST = 32
"""Copies of so many lanes are kept to be used again."""
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


def part(kind: type["Lanes"]) -> Any:
    """Declare lanes that are part of others, and are taken out and put back with them."""
    return field(metadata={"part": kind})


def some(mask: Bools) -> bool:
    """Say whether anything holds: `mask.any()`, which costs three times as much for a few lanes."""
    return bool(np.count_nonzero(mask))


def newest(last: Ints, where: Bools) -> Ints:
    """Return the index of the newest sample of a second at which something holds, where it holds at any.

    last: index of its last sample, (lanes,); where: shape (4, ..., lanes).
    """
    found: Ints = last - np.argmax(where[::-1], axis=0)
    return found


class _Place(NamedTuple):
    """Where an array lies: rows of the block of its type."""

    name: str
    block: int
    rows: slice | int  # one row is an array without a first axis
    shape: tuple[int, ...]  # without lanes; empty where the rows are the array already
    fill: float | bool


class _Part(NamedTuple):
    """Where the arrays of a part lie: rows of each of its own blocks within ours."""

    name: str
    kind: type["Lanes"]
    plan: "_Plan"
    rows: list[tuple[int, slice]]


class _Plan(NamedTuple):
    """Where all arrays of a class lie. kinds: type and number of rows of each block."""

    places: list[_Place]
    parts: list[_Part]
    kinds: list[tuple[np.dtype[Any], int]]


@dataclass(init=False, eq=False)
class Lanes:
    """Base of everything remembered per bed. Subclasses are dataclasses of arrays made by `lane`, `index`, `switch`,
    and of other lanes made by `part`.

    The arrays of one type lie in one block, row under row, so that some lanes are copied out and back with one call for
    each type and not with one for each array: with few lanes it is the calls that cost. Therefore an array is changed
    in place and never replaced: to assign to its name copies into it.
    """

    @classmethod
    def plan(cls, sizes: Sizes) -> _Plan:
        """Say where everything lies."""
        places: list[_Place] = []
        parts: list[_Part] = []
        rows: dict[np.dtype[Any], int] = {}

        def lay(dtype: np.dtype[Any], n: int) -> tuple[int, slice]:
            first = rows.setdefault(dtype, 0)
            rows[dtype] += n
            return list(rows).index(dtype), slice(first, first + n)

        for f in fields(cls):
            if "part" in f.metadata:
                kind: type[Lanes] = f.metadata["part"]
                plan = kind.plan(sizes)
                parts.append(_Part(f.name, kind, plan, [lay(dtype, n) for dtype, n in plan.kinds]))
                continue
            shape = tuple(sizes[s] if isinstance(s, str) else s for s in f.metadata["shape"])
            block, where = lay(f.metadata["dtype"], math.prod(shape))
            single = where if shape else where.start
            places.append(_Place(f.name, block, single, shape if len(shape) > 1 else (), f.metadata["fill"]))
        return _Plan(places, parts, list(rows.items()))

    @classmethod
    def empty(cls, n: int, sizes: Sizes) -> Self:
        """Return n lanes that have seen nothing."""
        return cls._fresh(cls.plan(sizes), n)

    @classmethod
    def _fresh(cls, plan: _Plan, n: int) -> Self:
        found = cls.over(plan, [np.empty((rows, n), dtype=dtype) for dtype, rows in plan.kinds])
        found.reset(np.arange(n))
        return found

    @classmethod
    def over(cls, plan: _Plan, blocks: list[NDArray[Any]]) -> Self:
        """Return lanes whose arrays lie in these blocks."""
        made = cls.__new__(cls)
        own = made.__dict__
        own["_held"] = plan, blocks, {}
        for name, block, rows, shape, _ in plan.places:
            found = blocks[block][rows]
            own[name] = found.reshape(*shape, found.shape[-1]) if shape else found
        for name, kind, its_plan, its_rows in plan.parts:
            own[name] = kind.over(its_plan, [blocks[block][rows] for block, rows in its_rows])
        return made

    def _all(self) -> tuple[_Plan, list[NDArray[Any]], dict[int, Self]]:
        return cast("tuple[_Plan, list[NDArray[Any]], dict[int, Self]]", self.__dict__["_held"])

    def __setattr__(self, name: str, value: Any) -> None:
        array = self.__dict__[name]
        if value is not array:  # it is after `+=`
            array[...] = value

    def take(self, lanes: Ints) -> Self:
        """Return a copy of some lanes, or these arrays themselves when all lanes are asked for in order."""
        plan, blocks, _ = self._all()
        if len(lanes) == blocks[0].shape[1]:
            return self
        return self.over(plan, [block.take(lanes, axis=1) for block in blocks])

    def borrow(self, lanes: Ints) -> Self:
        """Return the same as `take`, for a short time: the next call for as many lanes writes over it.

        With few lanes most of the time goes into making arrays, and not into copying what is in them.
        """
        plan, blocks, lent = self._all()
        m = len(lanes)
        if m == blocks[0].shape[1]:
            return self
        if m > LENT_AT_MOST:
            return self.take(lanes)
        copy = lent.get(m)
        if copy is None:
            copy = lent[m] = self.over(plan, [np.empty((len(block), m), block.dtype) for block in blocks])
        _, its_blocks, _ = copy._all()  # noqa: SLF001
        for block, its in zip(blocks, its_blocks, strict=True):
            np.take(block, lanes, axis=1, out=its, mode="clip")  # any other mode copies twice
        return copy

    def put(self, lanes: Ints, taken: Self) -> None:
        """Write back what `take` gave."""
        if taken is not self:
            for block, new in zip(self._all()[1], taken._all()[1], strict=True):
                block[:, lanes] = new

    def reset(self, lanes: Ints) -> None:
        """Let some lanes forget everything."""
        plan, _, _ = self._all()
        for place in plan.places:
            getattr(self, place.name)[..., lanes] = place.fill
        for its in plan.parts:
            getattr(self, its.name).reset(lanes)

    def grown(self, by: int) -> Self:
        """Return these lanes and fresh ones at the end."""
        plan, blocks, _ = self._all()
        more = self.over(plan, [np.concatenate([b, np.empty((len(b), by), b.dtype)], axis=1) for b in blocks])
        n = blocks[0].shape[1]
        more.reset(np.arange(n, n + by))
        return more

    def as_bytes(self) -> list[memoryview]:
        """Return the blocks as bytes, not copied."""
        return [block.data for block in self._all()[1]]

    @classmethod
    def layout(cls, sizes: Sizes) -> str:
        """Say in words how the arrays lie: what another layout has stored must not be read."""
        plan = cls.plan(sizes)
        return "\n".join([repr(plan.places), *(f"{its.name} {its.kind.layout(sizes)}" for its in plan.parts)])

    @classmethod
    def from_bytes(cls, stored: memoryview, n: int, sizes: Sizes) -> tuple[Self, memoryview]:
        """Return what `as_bytes` of the same layout said, and the bytes behind it. Raises ValueError if too short."""
        plan, blocks = cls.plan(sizes), []
        for dtype, rows in plan.kinds:
            length = rows * n * dtype.itemsize
            blocks.append(np.frombuffer(stored[:length], dtype=dtype).reshape(rows, n).copy())
            stored = stored[length:]
        return cls.over(plan, blocks), stored
