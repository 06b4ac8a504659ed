"""Structure of arrays: everything remembered per bed, one place for each bed on the last axis.

A module of the core declares what it remembers as a NamedTuple of arrays: that is what compiled functions take, and
`c.last_bpm[n]` reads the same in them as anywhere else. An array stays where it is and is written to in place. More
beds mean longer arrays, never more objects. In memory what belongs to one bed lies together (Fortran's order), since
beds are taken one after the other.
"""

from collections.abc import Iterator
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Arrays = TypeVar("Arrays", bound=tuple[Any, ...])
"""A NamedTuple whose fields are declared by `array`, `index`, `switch` and `part`."""

LONG_AGO = -(2**60)
"""An index before anything that can be remembered; far enough from the border of int64 to be subtracted."""

Sizes = dict[str, int]
"""Lengths that come from the settings, by name."""


class _Array(NamedTuple):
    """Declares an array of shape (*shape, beds) that starts as `fill`."""

    fill: float | bool
    shape: tuple[int | str, ...]
    dtype: np.dtype[Any]

    def full_shape(self, sizes: Sizes, beds: int) -> tuple[int, ...]:
        return (*(sizes[s] if isinstance(s, str) else s for s in self.shape), beds)


class _Nested(NamedTuple):
    """Declares arrays within others; sizes: by their name there, the name of the size here."""

    kind: type[Any]
    sizes: dict[str, str]

    def own(self, sizes: Sizes) -> Sizes:
        return sizes | {there: sizes[here] for there, here in self.sizes.items()}


def array(fill: float | bool, *shape: int | str, dtype: Any = np.float64) -> Any:
    """Declare an array of shape (*shape, beds) that starts as `fill`; a name in `shape` is looked up in Sizes."""
    return _Array(fill, shape, np.dtype(dtype))


def index(fill: int, *shape: int | str) -> Any:
    """Declare an int64 array of shape (*shape, beds)."""
    return array(fill, *shape, dtype=np.int64)


def switch(*shape: int | str) -> Any:
    """Declare a bool array of shape (*shape, beds) that starts as False."""
    return array(False, *shape, dtype=np.bool_)


def part(kind: type[Any], **sizes: str) -> Any:
    """Declare arrays that are part of others; sizes: `ring="fhr_ring"` gives what is named ring in them."""
    return _Nested(kind, sizes)


def _declared(kind: type[Any]) -> dict[str, Any]:
    defaults: dict[str, Any] = kind._field_defaults
    return defaults


def empty(kind: type[Arrays], beds: int, sizes: Sizes) -> Arrays:
    """Return the arrays of so many beds that have seen nothing."""
    return kind(
        *(
            empty(d.kind, beds, d.own(sizes))
            if isinstance(d, _Nested)
            else np.full(d.full_shape(sizes, beds), d.fill, d.dtype, order="F")
            for d in _declared(kind).values()
        )
    )


def every(arrays: Arrays) -> Iterator[NDArray[Any]]:
    """Return all arrays in their order."""
    for inner in arrays:
        if isinstance(inner, tuple):
            yield from every(inner)
        else:
            yield inner


def reset(arrays: Arrays, beds: Ints) -> None:
    """Let some beds forget everything."""
    for own, declared in zip(arrays, _declared(type(arrays)).values(), strict=True):
        if isinstance(declared, _Nested):
            reset(own, beds)
        else:
            own[..., beds] = declared.fill


def copy_bed(of: Arrays, n: int, to: Arrays, place: int) -> None:
    """Let bed `place` of `to` remember what bed `n` of `of` does."""
    for source, target in zip(every(of), every(to), strict=True):
        target[..., place] = source[..., n]


def grown(arrays: Arrays, by: int) -> Arrays:
    """Return these beds and fresh ones at the end."""
    longer = []
    for own, declared in zip(arrays, _declared(type(arrays)).values(), strict=True):
        if isinstance(declared, _Nested):
            longer.append(grown(own, by))
        else:
            beds = own.shape[-1]
            longer.append(np.full((*own.shape[:-1], beds + by), declared.fill, declared.dtype, order="F"))
            longer[-1][..., :beds] = own
    return type(arrays)(*longer)


def as_bytes(arrays: Arrays) -> list[memoryview]:
    """Return the arrays as bytes, not copied, bed by bed."""
    return [own.T.data for own in every(arrays)]


def from_bytes(kind: type[Arrays], stored: memoryview, beds: int, sizes: Sizes) -> tuple[Arrays, memoryview]:
    """Return what `as_bytes` of the same layout said, and the bytes behind it. Raises ValueError if too short."""
    values: list[Any] = []
    for declared in _declared(kind).values():
        if isinstance(declared, _Nested):
            inner, stored = from_bytes(declared.kind, stored, beds, declared.own(sizes))
            values.append(inner)
            continue
        shape = declared.full_shape(sizes, beds)
        length = int(np.prod(shape)) * declared.dtype.itemsize
        values.append(np.frombuffer(stored[:length], declared.dtype).reshape(shape, order="F").copy(order="F"))
        stored = stored[length:]
    return kind(*values), stored


def layout(kind: type[Any], sizes: Sizes) -> str:
    """Say in words how the arrays lie: what another layout has stored must not be read."""
    return "\n".join(
        f"{name} ({layout(d.kind, d.own(sizes))})"
        if isinstance(d, _Nested)
        else f"{name} {d.dtype} {d.full_shape(sizes, 1)} {d.fill} bed by bed"
        for name, d in _declared(kind).items()
    )
