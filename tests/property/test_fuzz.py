"""A short run of every fuzzed reader; `python -m tests.fuzz READER --inputs 1000000` makes a long one."""

import pytest

from tests.fuzz import run
from tests.fuzz.readers import READERS

INPUTS = 400
GROWS_AT_MOST_MB = 200
"""Libraries that are imported on the way are most of it."""


@pytest.mark.parametrize("name", READERS)
def test_a_reader_takes_its_seeds_and_refuses_the_rest_with_its_own_errors(name: str) -> None:
    with READERS[name]() as reader:
        for seed in reader.seeds[: reader.sound]:
            reader.read(seed)
        count = run.fuzz(name, reader, INPUTS, 7, print)
    assert count.inputs == INPUTS
    assert not count.escapes, next(iter(count.escapes.items()))
    assert run.memory_mb() - count.first_mb < GROWS_AT_MOST_MB
    refused = sum(count.refused.values())
    assert refused < INPUTS, "some inputs are taken"
    assert refused > 0 or not reader.errors
