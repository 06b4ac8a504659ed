"""TOML that people write, as structs. Errors name the place, the value that stands there, and the remedy."""

import tomllib
from typing import Any, TypeVar

import msgspec

from quietward.contracts.errors import QuietwardError
from quietward.contracts.validation import invalid_field

T = TypeVar("T")


def parse_toml_table(text: str, of: type[T], where: str, error: type[QuietwardError]) -> T:
    """Return TOML as a struct. where: name of the table in messages. Raises `error`."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as broken:
        raise error(where, str(broken), "Mend the TOML") from broken
    return check_table(table, of, f"{where}: ", error)


def check_table(table: dict[str, Any], of: type[T], before: str, error: type[QuietwardError]) -> T:
    """Return a table as a struct. before: what messages write before the path of a field. Raises `error`."""
    try:
        return msgspec.convert(table, of)
    except msgspec.ValidationError as invalid:
        field = invalid_field(invalid, table)
        value = field.value if field.path else None  # never the whole table
        raise error(f"{before}{field.path or 'top level'}", value, f"{field.reason}. Mend this value") from invalid
