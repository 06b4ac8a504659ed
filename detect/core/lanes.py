"""Structure of arrays: one lane per bed (or recording), always on the last axis.

A module of the core keeps what it remembers in a subclass of Lanes. The engine takes the lanes that have something
to work on, steps them together, and puts them back. Rings hold long histories; they stay where they are and are
touched by lane number only, so that the work of one second does not grow with the length of a window.
"""

from dataclasses import dataclass, field, fields
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LONG_AGO = -(2**60)
"""An index before anything that can be remembered; far enough from the border of int64 to be subtracted."""


Sizes = dict[str, int]
"""Lengths that come from the settings, by name."""


def lane(fill: float | bool, *shape: int | str, dtype: Any = np.float64) -> Any:
    """Declare an array of shape (*shape, lanes) that starts as `fill`; a name in `shape` is looked up in Sizes."""
    return field(metadata={"fill": fill, "shape": shape, "dtype": dtype})


def index(fill: int, *shape: int | str) -> Any:
    """Declare an int64 array of shape (*shape, lanes)."""
    return lane(fill, *shape, dtype=np.int64)


def switch(*shape: int | str) -> Any:
    """Declare a bool array of shape (*shape, lanes) that starts as False."""
    return lane(False, *shape, dtype=np.bool_)


@dataclass
class Lanes:
    """Base of everything remembered per bed. Subclasses are dataclasses of arrays made by `lane`, `index`, `switch`."""

    @classmethod
    def shapes(cls, n: int, sizes: Sizes) -> dict[str, tuple[int, ...]]:
        """Return the shape of every array for n lanes."""
        return {f.name: (*(sizes[s] if isinstance(s, str) else s for s in f.metadata["shape"]), n) for f in fields(cls)}

    @classmethod
    def empty(cls, n: int, sizes: Sizes) -> Self:
        """Return n lanes that have seen nothing."""
        shapes = cls.shapes(n, sizes)
        return cls(
            **{f.name: np.full(shapes[f.name], f.metadata["fill"], dtype=f.metadata["dtype"]) for f in fields(cls)}
        )

    def take(self, lanes: Ints) -> Self:
        """Return a copy of some lanes, or these arrays themselves when all lanes are asked for in order."""
        arrays = vars(self)
        if len(lanes) == next(iter(arrays.values())).shape[-1]:
            return self
        return type(self)(*[arrays[name].take(lanes, axis=-1) for name in self.__dataclass_fields__])

    def put(self, lanes: Ints, part: Self) -> None:
        """Write back what `take` gave."""
        if part is self:
            return
        arrays, new = vars(self), vars(part)
        for name in self.__dataclass_fields__:
            array = arrays[name]
            # One slice for each axis: an ellipsis says the same, and takes half as long again.
            array[(*[slice(None)] * (array.ndim - 1), lanes)] = new[name]

    def reset(self, lanes: Ints) -> None:
        """Let some lanes forget everything."""
        for f in fields(self):
            getattr(self, f.name)[..., lanes] = f.metadata["fill"]

    def grow(self, by: int) -> None:
        """Add fresh lanes at the end."""
        for f in fields(self):
            old = getattr(self, f.name)
            fresh = np.full((*old.shape[:-1], by), f.metadata["fill"], dtype=old.dtype)
            setattr(self, f.name, np.concatenate([old, fresh], axis=-1))

    def to_bytes(self) -> dict[str, bytes]:
        """Return the arrays as bytes; shapes follow from the class and the number of lanes."""
        return {f.name: np.ascontiguousarray(getattr(self, f.name)).tobytes() for f in fields(self)}

    @classmethod
    def from_bytes(cls, stored: dict[str, bytes], n: int, sizes: Sizes) -> Self:
        """Return what `to_bytes` stored. Raises KeyError or ValueError if it was stored by another layout."""
        shapes = cls.shapes(n, sizes)
        return cls(
            **{
                f.name: np.frombuffer(stored[f.name], dtype=f.metadata["dtype"]).reshape(shapes[f.name]).copy()
                for f in fields(cls)
            }
        )
