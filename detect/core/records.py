"""Rows of named numbers that compiled functions read and write, and Python reads as objects."""

from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from typing import Any, Generic, NamedTuple, TypeVar, cast, get_type_hints

import numpy as np
from msgspec import Struct, structs

from quietward.detect.core.arrays import Ints
from quietward.detect.core.compiled import compiled

Row = TypeVar("Row")


def dtype_of(kind: type[Any]) -> np.dtype[Any]:
    """Return the layout of a dataclass or Struct: float, int (a Literal of ints too), bool, or others of the kind."""
    hints = get_type_hints(kind)
    names = [f.name for f in (fields(kind) if is_dataclass(kind) else structs.fields(kind))]
    layout = np.dtype([(name, _type_of(hints[name])) for name in names if hints[name] is not str], align=True)
    return np.dtype((np.record, layout))  # whose names are attributes in Python too


def _type_of(hint: Any) -> Any:
    if hint in (float, int, bool):
        return {float: np.float64, int: np.int64, bool: np.bool_}[hint]
    if isinstance(hint, type) and (issubclass(hint, Struct) or is_dataclass(hint)):
        return dtype_of(hint)
    return np.int64


def _numbers(row: Any) -> Any:
    """Return the numbers of a Struct or dataclass as nested tuples; words are left out."""
    if not isinstance(row, Struct) and not is_dataclass(row):
        return row
    names = dtype_of(type(row)).names or ()
    return tuple(_numbers(getattr(row, name)) for name in names)


def record_of(row: Row) -> Row:
    """Return one Struct's numbers as a record: read by the same names, also by compiled functions."""
    return records_of([row])[0]


def records_of(rows: Sequence[Row]) -> Sequence[Row]:
    """Return the numbers of several Structs or dataclasses of one kind as an array of records."""
    return cast("Sequence[Row]", np.array([_numbers(one) for one in rows], dtype_of(type(rows[0]))))


class Rows(NamedTuple, Generic[Row]):
    """Room for what compiled functions tell. written: how many rows are, shape (1,)."""

    rows: Sequence[Row]
    written: Ints

    @classmethod
    def of(cls, kind: type[Row], at_most: int) -> "Rows[Row]":
        """Return room for so many."""
        return cls(cast("Sequence[Row]", np.zeros(at_most, dtype_of(kind))), np.zeros(1, dtype=np.int64))


@compiled
def next_row(told: Rows[Row]) -> Row:
    """Return the next row, to be written to."""
    row: Row = told.rows[told.written[0]]
    told.written[0] += 1
    return row


def taken(told: Rows[Row], kind: type[Row]) -> list[Row]:
    """Return what was told since the last time, in its order."""
    n = int(told.written[0])
    if not n:
        return []
    told.written[0] = 0
    return [kind(*row) for row in cast("Any", told.rows)[:n].tolist()]
