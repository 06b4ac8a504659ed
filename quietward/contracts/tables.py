"""Tables that people write, in TOML or JSON, as structs. Errors name the place, the value, and the remedy."""

import functools
import tomllib
from typing import Any, TypeVar

import msgspec
from msgspec import inspect

from quietward.contracts.errors import QuietwardError, possible
from quietward.contracts.validation import NOT_DECODED, NOT_TOML, STEP, InvalidField, invalid_field, invalid_json

T = TypeVar("T")

MISSING, UNKNOWN = "Object missing required field `", "Object contains unknown field `"
NO_CHOICE = ("Invalid enum value", "Invalid value")
"""How msgspec's messages begin."""


def parse_toml_table(text: str, of: type[T], where: str, error: type[QuietwardError]) -> T:
    """Return TOML as a struct. where: name of the table in messages. Raises `error`."""
    try:
        table = tomllib.loads(text)
    except NOT_TOML as broken:
        raise error(where, str(broken), "Fix the TOML") from broken
    return check_table(table, of, f"{where}: ", error)


def parse_json(body: bytes, of: type[T], where: str, error: type[QuietwardError]) -> T:
    """Return JSON that was sent as a struct. where: what was sent, in messages. Raises `error`."""
    try:
        return msgspec.json.decode(body, type=of)
    except NOT_DECODED as wrong:
        field = invalid_json(wrong, body)
        if not field.is_json:
            raise error(where, field.value, field.reason) from wrong
        path, value, remedy = _in_words(field, of)
        raise error(f"{where}: {path or 'top level'}", value, remedy) from wrong


def check_table(table: dict[str, Any], of: type[T], before: str, error: type[QuietwardError]) -> T:
    """Return a table as a struct. before: what messages write before the path of a field. Raises `error`."""
    try:
        return msgspec.convert(table, of)
    except msgspec.ValidationError as invalid:
        field = invalid_field(invalid, table)
        path, value, remedy = _in_words(field, of)
        raise error(f"{before}{path or 'top level'}", value, remedy) from invalid


def _in_words(field: InvalidField, of: type) -> tuple[str, object, str]:
    """Return path, value and remedy: of a key or a value that is wrong, which are possible."""
    types = _types_at(of, field.path)
    within = f"{field.path}." if field.path else ""
    if field.reason.startswith(MISSING):
        key = field.reason.removeprefix(MISSING).rstrip("`")
        is_list = any(isinstance(one, inspect.ListType) for one in _types_at(of, within + key))
        return (
            within + key,
            None,
            "Is missing; give a list, empty where there were none" if is_list else "Is missing; add it",
        )
    if field.reason.startswith(UNKNOWN):
        key = field.reason.removeprefix(UNKNOWN).rstrip("`")
        known = [one.encode_name for own in types if isinstance(own, inspect.StructType) for one in own.fields]
        known += [own.tag_field for own in types if isinstance(own, inspect.StructType) and own.tag_field]
        value = field.value.get(key) if isinstance(field.value, dict) else None
        return within + key, value, f"There is no such key. {possible(dict.fromkeys(known), key)}"
    choices = [value for one in types if isinstance(one, inspect.LiteralType) for value in one.values]
    choices += [value.value for one in types if isinstance(one, inspect.EnumType) for value in one.cls]
    if not choices and field.reason.startswith(NO_CHOICE):  # the tag of one struct of several
        outer, _, tag_field = field.path.rpartition(".")
        own = [one for one in _types_at(of, outer) if isinstance(one, inspect.StructType)]
        choices = [one.tag for one in own if one.tag_field == tag_field]
    if choices:
        return field.path, field.value, possible(choices, field.value)
    value = field.value if field.path else None  # never the whole table
    return field.path, value, f"{field.reason}. Fix this value"


def _types_at(of: type, path: str) -> list[inspect.Type]:
    """Return the types that are possible at a path, such as `condition[2].level`."""
    types = _alternatives(_type_info(of))
    for key, index in STEP.findall(f".{path}" if path and not path.startswith("[") else path):
        inner: list[inspect.Type] = []
        for one in types:
            if isinstance(one, inspect.StructType):
                inner += [own.type for own in one.fields if own.encode_name == key]
            elif isinstance(one, inspect.DictType):
                inner.append(one.value_type)
            elif isinstance(one, inspect.ListType | inspect.VarTupleType):
                inner.append(one.item_type)
            elif isinstance(one, inspect.TupleType) and int(index or 0) < len(one.item_types):
                inner.append(one.item_types[int(index or 0)])
        types = [alternative for one in inner for alternative in _alternatives(one)]
    return types


_type_info = functools.cache(inspect.type_info)
"""There are few kinds of tables, and a look at one takes milliseconds."""


def _alternatives(of: inspect.Type) -> list[inspect.Type]:
    if isinstance(of, inspect.Metadata):
        return _alternatives(of.type)
    return [a for one in of.types for a in _alternatives(one)] if isinstance(of, inspect.UnionType) else [of]
