"""The errors that mutation testing makes are shown to tests that can notice them."""

import pytest

from tests import mutation


def test_every_test_that_is_named_is_there() -> None:
    assert [test for test in mutation.COMPUTING if not (mutation.ROOT / test).exists()] == []


@pytest.mark.parametrize(
    ("file", "test"),
    [
        ("stay.toml", "tests/unit/test_stays.py"),
        ("nichd-2008.toml", "tests/unit/test_published_definitions.py"),
        ("figo-2015.toml", "tests/unit/test_published_definitions.py"),
        ("attention.toml", "tests/unit/test_policy_cases.py"),
        ("concern.toml", "tests/unit/test_concern.py"),
        ("reading.toml", "tests/property/test_oracle.py"),
    ],
)
def test_a_changed_number_is_shown_to_the_tests_of_its_table(file: str, test: str) -> None:
    (mutant, *_), _ = mutation.drawn([f"detect/rules/{file}"], 1, 1)
    assert test in mutation.tests_of(mutant)


def test_every_rule_table_with_numbers_is_among_them() -> None:
    tables = sorted(file.name for file in (mutation.ROOT / "detect/rules").glob("*.toml"))
    with_numbers = [name for name in tables if mutation.drawn([f"detect/rules/{name}"], 1, 1)[1]]
    assert with_numbers == [
        "attention.toml", "concern.toml", "figo-2015.toml", "nichd-2008.toml", "reading.toml", "stay.toml",
    ]  # fmt: skip
