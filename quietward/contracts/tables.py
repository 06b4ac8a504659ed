"""Tables that people write (TOML) as structs: what is wrong is said with its place, its value and the remedy."""

from typing import Any, TypeVar

import msgspec

from quietward.contracts.errors import QuietwardError

T = TypeVar("T")


def convert(table: dict[str, Any], of: type[T], before: str, error: type[QuietwardError]) -> T:
    """Return a table as a struct. before: what stands before the place of what is wrong. Raises `error`."""
    try:
        return msgspec.convert(table, of)
    except msgspec.ValidationError as wrong:
        message, _, path = str(wrong).partition(" - at `$")
        where = path.strip(".`") or "top level"
        raise error(f"{before}{where}", _at(table, where), f"{message}. Mend this value") from wrong


def _at(table: dict[str, Any], path: str) -> object:
    """Return what stands at a path of msgspec's, as far as it can be followed."""
    found: Any = table
    for key in path.replace("[", ".").replace("]", "").split("."):
        try:
            found = found[int(key)] if isinstance(found, list) and key.isdigit() else found[key]
        except (KeyError, IndexError, TypeError, ValueError):
            break
    return None if found is table else found
