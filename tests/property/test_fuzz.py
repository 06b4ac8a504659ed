"""A short run of every fuzzed reader; `python -m tests.fuzz READER --inputs 1000000` makes a long one."""

import gc
import mmap
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import psutil
import pytest

from tests.fuzz import run
from tests.fuzz.readers import READERS, Reader

ROOT = Path(__file__).parents[2]
INPUTS = 400
GROWS_AT_MOST_MB = 4
"""In one of some rounds of so many inputs: libraries are imported, and buffers fill, in the first."""
ROUNDS = 5
KEPT_BYTES = 65_536


def grown_mb(name: str, reader: Reader) -> list[float]:
    """What memory grew by in rounds of other inputs, until one in which it stood still, or nearly."""
    grown: list[float] = []
    while len(grown) < ROUNDS and min(grown, default=GROWS_AT_MOST_MB) >= GROWS_AT_MOST_MB:
        before = psutil.Process().memory_info().rss
        count = run.fuzz(name, reader, INPUTS, 8 + len(grown), print)
        assert not count.escapes, next(iter(count.escapes.items()))
        gc.collect()
        grown.append((psutil.Process().memory_info().rss - before) / 1e6)
    return grown


@pytest.mark.parametrize("name", READERS)
def test_a_reader_takes_its_seeds_and_refuses_the_rest_with_its_own_errors(name: str) -> None:
    with READERS[name]() as reader:
        for seed in reader.seeds[: reader.sound]:
            reader.read(seed)
        count = run.fuzz(name, reader, INPUTS, 7, print)
        gc.collect()
        grown = grown_mb(name, reader)
    assert count.inputs == INPUTS
    assert not count.escapes, next(iter(count.escapes.items()))
    refused = sum(count.refused.values())
    assert refused < INPUTS, "some inputs are taken"
    assert refused > 0 or not reader.errors
    assert min(grown) < GROWS_AT_MOST_MB, f"it grew in every round, by {grown} MB"


def test_scripts_that_there_are_not_are_not_found_and_no_error_of_the_server() -> None:
    """Dash itself answers 500 to them."""
    with READERS["http"]() as reader:
        for path in (
            "../",
            "..",
            "",
            "dash/",
            "dash/..",
            "dash/../../x.py",
            "%2e%2e/x.js",
            "dash/__init__.py",
            "x/y.js",
        ):
            with pytest.raises(reader.errors, match="404"):
                reader.read(f"GET /_dash-component-suites/{path}\n\n".encode())


def test_a_reader_that_keeps_what_it_reads_is_found() -> None:
    """Memory that no other test has left behind for it: pages of its own."""
    kept: list[mmap.mmap] = []

    def keep(data: bytes) -> None:
        kept.append(mmap.mmap(-1, KEPT_BYTES))
        kept[-1].write(bytes(KEPT_BYTES))

    grown = grown_mb("keeps", Reader([b"seed"], keep, ()))
    assert len(grown) == ROUNDS
    assert min(grown) > GROWS_AT_MOST_MB


@pytest.mark.skipif(find_spec("atheris") is None, reason="atheris, of the extra `fuzz`, is not installed")
def test_inputs_that_are_led_by_coverage_do_not_escape_either() -> None:
    command = [sys.executable, "-m", "tests.fuzz", "packet", "--inputs", "2000", "--seed", "7"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.startswith("packet: 2,000 inputs")
    assert ", 0 escapes, " in done.stdout
    assert "seed corpus: files: 3" in done.stderr, "libFuzzer says what it begins with"
