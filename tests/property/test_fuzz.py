"""A short run of every fuzzed reader; `python -m tests.fuzz READER --inputs 1000000` makes a long one."""

import gc
import mmap
import os
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
    with READERS[name]() as plain:
        reader = run.with_corpus(name, plain)
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
    with READERS["packet"]() as reader:
        seeds = len(run.with_corpus("packet", reader).seeds)
    assert f"seed corpus: files: {seeds}" in done.stderr, "libFuzzer says what it begins with"


def test_what_a_run_found_is_begun_with_later_and_stays_small(tmp_path: Path) -> None:
    found, corpus = tmp_path / "found", tmp_path / "corpus"
    found.mkdir()
    for number in range(run.KEPT + 10):
        (found / str(number)).write_bytes(b"%d" % number)
        os.utime(found / str(number), (number, number))
    (found / "long").write_bytes(bytes(run.KEPT_BYTES + 1))
    assert run.keep(found, "one", [b"59"], corpus) == run.KEPT
    assert run.keep(found, "one", [], corpus) == 0, "there is no room"
    reader = run.with_corpus("one", Reader([b"seed"], len, ()), corpus)
    assert reader.seeds[0] == b"seed"
    assert set(reader.seeds[1:]) == {b"%d" % number for number in range(9, 59)}, "the newest, and no seed"
    assert reader.sound == 1
    assert run.with_corpus("another", Reader([b"seed"], len, (), 0), corpus).seeds == [b"seed"]


@pytest.mark.parametrize("name", [path.name for path in sorted(run.CORPUS.glob("*"))])
def test_the_corpus_is_of_a_reader_and_small(name: str) -> None:
    assert name in READERS
    sizes = [path.stat().st_size for path in (run.CORPUS / name).iterdir()]
    assert len(sizes) <= run.KEPT
    assert max(sizes) <= run.KEPT_BYTES


def test_a_run_fails_for_an_escape_growth_and_time() -> None:
    count = run.Count("x", first_mb=run.memory_mb())
    assert count.faults == []
    count.escapes["somewhere"] = b"", ""
    count.first_mb -= run.GROWS_AT_MOST_MB + 1
    count.slowest_s = run.SLOWEST_S + 0.1
    assert [fault.split()[0] for fault in count.faults] == ["ESCAPED", "GREW", "SLOW"]
