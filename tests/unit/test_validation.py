"""What is wrong with a document is named by field, value and reason, wherever the document came from."""

from typing import Annotated, Literal

import msgspec
import pytest
from msgspec import Meta, Struct

from quietward.contracts.errors import BadRules, possible
from quietward.contracts.tables import parse_toml_table
from quietward.contracts.validation import NOT_DECODED, InvalidField, invalid_field, invalid_json


class Pump(Struct, forbid_unknown_fields=True):
    """A part of a document."""

    rate: Annotated[int, Meta(ge=0)]


class Cold(Struct, tag_field="kind", tag="cold", forbid_unknown_fields=True):
    """One of several parts."""


class Hot(Struct, tag_field="kind", tag="hot", forbid_unknown_fields=True):
    """Another."""


class Room(Struct, forbid_unknown_fields=True):
    """A document."""

    pumps: list[Pump]
    name: str = ""
    taps: list[Cold | Hot] = []
    doors: list[Literal["red", "blue"]] = []
    limits: list[tuple[str, Literal["<", ">="], float]] = []


def problem_in(body: bytes) -> InvalidField:
    with pytest.raises(NOT_DECODED) as caught:
        msgspec.json.decode(body, type=Room)
    return invalid_json(caught.value, body)


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        (b'{"pumps": [], "name": 3}', InvalidField("name", 3, "Expected `str`, got `int`")),
        (b'{"pumps": 3}', InvalidField("pumps", 3, "Expected `array`, got `int`")),
        (b"[]", InvalidField("", [], "Expected `object`, got `array`")),
        (b'{"name": "a"}', InvalidField("", {"name": "a"}, "Object missing required field `pumps`")),
    ],
)
def test_json(body: bytes, expected: InvalidField) -> None:
    assert problem_in(body) == expected


@pytest.mark.parametrize("body", [b"", b"{", b"\xff", b"[" * 10_000, b'{"name": 3, "pumps": ['])
def test_what_is_not_json_is_at_fault_as_a_whole(body: bytes) -> None:
    problem = problem_in(body)
    assert (problem.path, problem.value, problem.is_json) == ("", body, False)
    assert problem.reason.startswith("Is not JSON: ")


def test_builtin_types_with_the_item_of_a_list() -> None:
    document = {"pumps": [{"rate": 1}, {"rate": -1}]}
    with pytest.raises(msgspec.ValidationError) as caught:
        msgspec.convert(document, Room)
    problem = invalid_field(caught.value, document)
    assert problem.path == "pumps[1].rate"
    assert problem.value == -1


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("pumps = [{rate = -1}]", r"room: pumps\[0\].rate: -1. .*Fix this value"),
        ("pumps = []\ncolour = 3", r"room: colour: 3. There is no such key. Use pumps, name, taps, doors or limits$"),
        ("pumps = []\nnmae = 3", r"room: nmae: 3. There is no such key. Use .*; did you mean 'name'\?$"),
        ("pumps = [{rate = 1, rat = 2}]", r"room: pumps\[0\].rat: 2. .* Use rate$"),
        ("doors = ['red', 'rde']", r"room: doors\[1\]: 'rde'. Use blue or red; did you mean 'red'\?$"),
        ("pumps = []\nlimits = [['a', '=<', 3]]", r"room: limits\[0\]\[1\]: '=<'. Use < or >=; did you mean '<'"),
        ("taps = [{kind = 'hott'}]", r"room: taps\[0\].kind: 'hott'. Use cold or hot; did you mean 'hot'\?$"),
        ("taps = [{kind = 'hot', degrees = 3}]", r"room: taps\[0\].degrees: 3. There is no such key. Use kind$"),
        ("name = ''", r"room: pumps: None. Is missing; give a list"),
        ("pumps = [", "room: .*Fix the TOML"),
    ],
)
def test_tables(text: str, says: str) -> None:
    with pytest.raises(BadRules, match=says):
        parse_toml_table(text, Room, "room", BadRules)


def test_of_many_names_the_one_that_was_meant_comes_first() -> None:
    many = [f"measure_{i}" for i in range(20)]
    assert possible(many, "measur_7").startswith("Did you mean 'measure_7'? Use measure_0, ")
    assert possible(many, "x") == f"Use {', '.join(many[:-1])} or measure_19"
    assert possible(["red", "blue"], "rde") == "Use red or blue; did you mean 'red'?"
