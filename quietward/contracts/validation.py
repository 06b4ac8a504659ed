"""What msgspec's errors say of a document: which field is wrong, the value it has, and why."""

import re
from typing import NamedTuple

import msgspec

NOT_DECODED = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)
"""Every error of decoding JSON that anybody may have sent; msgspec.ValidationError is one of the first kind."""
NOT_TOML = (ValueError, RecursionError)
"""Every error of reading TOML, and text that may not be UTF-8: tomllib has one of its own, but lets others through for
numbers of very many digits and for tables in tables in tables.
"""
STEP = re.compile(r"\.([^.`\[\]]+)|\[(\d+)\]")
"""One step of msgspec's paths, such as `$.fhr[2]`; `[...]` is its word for any value of a mapping."""


class InvalidField(NamedTuple):
    """path: of the field, such as `fhr[2]`, empty for the document itself; value: what it holds; reason: in words.

    is_json: False where the document is not even JSON.
    """

    path: str
    value: object
    reason: str
    is_json: bool = True


def invalid_field(error: msgspec.ValidationError, document: object) -> InvalidField:
    """Return what an error says of the document (builtin types) that was validated."""
    reason, _, path = str(error).partition(" - at `$")
    value = document
    for key, index in STEP.findall(path):
        if key and isinstance(value, dict):
            value = value.get(key)
        elif index and isinstance(value, list) and int(index) < len(value):
            value = value[int(index)]
    return InvalidField(path.strip(".`"), value, reason)


def invalid_json(error: Exception, body: bytes) -> InvalidField:
    """Return what one of NOT_DECODED says of a JSON document."""
    if isinstance(error, msgspec.ValidationError):
        try:
            return invalid_field(error, msgspec.json.decode(body))
        except NOT_DECODED as broken:  # the field came before the place where the document breaks off
            error = broken
    return InvalidField("", body, f"Is not JSON: {error}", is_json=False)
