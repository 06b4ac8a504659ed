"""What compiling must not change: calls from Python, and arguments that are not what the code was made for."""

import os
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from msgspec import Struct

from quietward.detect.core import arrays
from quietward.detect.core.arrays import Floats, Ints, array, index, part
from quietward.detect.core.compiled import EntryPoint, compiled
from quietward.detect.core.records import record_of


@compiled
def _twice(value: float) -> float:
    """Return twice as much."""
    return 2 * value


def _fill(values: Floats, value: float) -> None:
    for i in range(len(values)):
        values[i] = _twice(value)


def test_a_compiled_function_can_be_called_from_python() -> None:
    assert _twice(4.0) == 8.0
    assert _twice.__doc__ == "Return twice as much."


def test_arguments_of_another_layout_or_type_are_refused() -> None:
    """Compiled code would write beside the places of an array that lies otherwise."""
    fill = EntryPoint(_fill)
    values = np.zeros(3)
    fill(values, 1.0)
    assert values.tolist() == [2.0, 2.0, 2.0]
    table = np.zeros((3, 2))
    with pytest.raises(TypeError, match=r"_fill: values is .* was compiled as"):
        fill(table[:, 0], 1.0)
    with pytest.raises(TypeError, match="_fill: value is int64"):
        fill(values, 1)
    assert not table.any()


class _Record(Struct):
    """Numbers as the rules hold them."""

    step: float
    times: int


class _Bed(NamedTuple):
    """What is remembered of beds."""

    bpm: Floats = array(0.0)
    ring: Floats = array(0.0, 3)


class _Beds(NamedTuple):
    """With a part."""

    own: _Bed = part(_Bed)
    seen: Ints = index(0, 2)


class _Settings(NamedTuple):
    """A number, an array and a record."""

    start: float
    table: Floats
    record: _Record


def _put(beds: _Beds, n: int, settings: _Settings) -> None:
    beds.own.bpm[n] = settings.start + settings.table[1, 0]
    beds.own.ring[2, n] += settings.record.step * settings.record.times
    beds.seen[1, n] += 1


def _settings(start: float) -> _Settings:
    return _Settings(start, np.arange(6.0).reshape(3, 2), record_of(_Record(0.5, 3)))


@pytest.mark.parametrize("first", [0, 1, 4])
def test_what_is_remembered_of_any_number_of_beds_is_handed_over(first: int) -> None:
    """Arrays of one bed, or of none, are in C's and in Fortran's order; that must not make a difference."""
    put, settings = EntryPoint(_put, state="beds"), _settings(10.0)
    for beds in (first, 3, 1, 4):
        remembered = arrays.empty(_Beds, beds, {})
        for n in range(beds):
            put(remembered, n, settings)
            put(remembered, n, settings)
        assert remembered.own.bpm.tolist() == [12.0] * beds
        assert remembered.own.ring.T.tolist() == [[0.0, 0.0, 3.0]] * beds
        assert remembered.seen.T.tolist() == [[0, 2]] * beds
        settings = settings._replace()  # another one that says the same


def test_another_tuple_is_looked_at_again() -> None:
    put, beds = EntryPoint(_put, state="beds"), arrays.empty(_Beds, 2, {})
    put(beds, 1, _settings(10.0))
    put(beds, 1, _settings(20.0))
    assert beds.own.bpm.tolist() == [0.0, 22.0]
    by_row = beds._replace(seen=np.zeros((2, 2), dtype=np.int64))
    with pytest.raises(TypeError, match="_put: beds is"):
        put(by_row, 0, _settings(10.0))
    with pytest.raises(TypeError, match="_put: settings is"):
        put(beds, 0, _settings(10.0)._replace(table=np.zeros(2)))
    assert not by_row.seen.any()
    assert beds.own.bpm.tolist() == [0.0, 22.0]


def test_a_second_can_be_taken_uncompiled() -> None:
    """What counts branches and makes mutations runs the core so."""
    code = (
        "from quietward.contracts.inputs import Block\n"
        "from quietward.detect import rule_file\n"
        "from quietward.detect.core import engine\n"
        "from quietward.detect.core.state.state import State\n"
        "state = State(rule_file.load())\n"
        "for s in range(240):\n"
        "    fhr, ua = [100.0 if s % 60 > 40 else 140.0] * 4, [60.0 if s % 120 > 60 else 10.0] * 4\n"
        "    engine.step(state, [Block('b', 's', s, s * 1000, s * 1000, fhr, ua)])\n"
        "print(int(state.clock.second[0]))\n"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], env=os.environ | {"NUMBA_DISABLE_JIT": "1"}, capture_output=True, text=True,
        check=False, timeout=120,
    )  # fmt: skip
    assert result.stdout.strip() == "239", result.stderr


def test_what_other_code_has_kept_is_never_opened_and_goes(tmp_path: Path) -> None:
    """An index names classes; one of a version before may name some that are gone."""
    script, kept = tmp_path / "script.py", tmp_path / "__pycache__"
    script.write_text(
        "import numpy as np\n"
        "from quietward.detect.core.compiled import EntryPoint\n"
        "def fill(values, value):\n"
        "    values[0] = value\n"
        "values = np.zeros(1)\n"
        "EntryPoint(fill)(values, 1.5)\n"
        "print(values.tolist())\n"
    )

    def run() -> str:
        command = [sys.executable, str(script)]
        return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120).stdout.strip()

    assert run() == "[1.5]"
    own = sorted(file.name for file in kept.glob("*.nb[ic]"))
    assert len(own) == 2, "an index and the code"
    base = own[0].rpartition("-")[0]
    version = f"py{sys.version_info.major}{sys.version_info.minor}"
    of_another_python = kept / f"{base.replace(version, 'py399')}-0123456789abcdef.nbi"
    older = (f"{base}.nbi", f"{base}-0123456789abcdef.nbi", f"{base}-0123456789abcdef.1.nbc")
    for name in (of_another_python.name, *older):
        (kept / name).write_bytes(b"0.1\n" + b"cgone\nGone\n.")
    assert run() == "[1.5]"
    assert of_another_python.exists()
    of_another_python.unlink()
    assert sorted(file.name for file in kept.glob("*.nb[ic]")) == own


@pytest.mark.parametrize("environment", [{"NUMBA_DISABLE_JIT": "1"}, {"NUMBA_CACHE_DIR": "/proc/nowhere"}])
def test_it_runs_uncompiled_and_where_nothing_can_be_kept(environment: dict[str, str], tmp_path: Path) -> None:
    code = (
        "import numpy as np\n"
        "from quietward.detect.core.compiled import EntryPoint\n"
        "def fill(values, value):\n"
        "    for i in range(len(values)):\n"
        "        values[i] = value\n"
        "values = np.zeros(2)\n"
        "EntryPoint(fill)(values, 1.5)\n"
        "print(values.tolist())\n"
    )
    script = tmp_path / "script.py"
    script.write_text(code)
    result = subprocess.run(
        [sys.executable, str(script)], env=os.environ | environment, capture_output=True, text=True, check=False,
        timeout=120,
    )  # fmt: skip
    assert result.stdout.strip() == "[1.5, 1.5]", result.stderr
