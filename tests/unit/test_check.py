"""`.ci/check` runs everything, names what has failed, and lets tests with real parts pass that pass alone."""

import json
import runpy
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.unit.test_deploy import ROOT


def ends(code: int, said: str = "") -> list[str]:
    return [sys.executable, "-c", f"print({said!r}, end=''); raise SystemExit({code})"]


@pytest.fixture
def check(tmp_path: Path) -> dict[str, Any]:
    """The script with commands of the test's own: one of each kind, all good."""
    names: dict[str, Any] = runpy.run_path(str(ROOT / ".ci" / "check"))["main"].__globals__
    names["FAILED_BEFORE"] = tmp_path / "cache"
    names["VIEW"] = tmp_path / "view"
    names["SIDE_BY_SIDE"] = {"types": ends(0, "typed"), "lint": ends(0)}
    names["CHOSEN"] = {"tests that compute": ends(0), names["REAL_PARTS"]: ends(0)}
    return names


def failing(check: dict[str, Any], *tests: str) -> list[str]:
    """A command that fails as pytest does, and leaves the names of these tests."""
    file = check["FAILED_BEFORE"] / "v" / "cache" / "lastfailed"
    text = json.dumps(dict.fromkeys(tests, True))
    code = f"from pathlib import Path; p = Path({str(file)!r}); p.parent.mkdir(parents=True); p.write_text({text!r})"
    return [sys.executable, "-c", f"{code}; raise SystemExit(1)"]


def test_all_is_run_and_said(check: dict[str, Any], capfd: pytest.CaptureFixture[str]) -> None:
    assert check["main"]() == 0
    said = capfd.readouterr().out.splitlines()
    assert said[-1] == "All checks passed."
    assert said[said.index("== types") + 1] == "typed"
    for name in ("types", "lint", "tests that compute", check["REAL_PARTS"]):
        assert [line for line in said if line.startswith(f"== {name}: ok in ")]
    assert (check["VIEW"] / "quietward" / "detect").is_symlink()


@pytest.mark.parametrize("kind", ["SIDE_BY_SIDE", "CHOSEN"])
def test_what_fails_is_named_and_what_cannot_run_is_no_failure(
    check: dict[str, Any], kind: str, capfd: pytest.CaptureFixture[str]
) -> None:
    check[kind] |= {"cannot": ends(check["SKIPPED"], "skipped: nothing there"), "bad": ends(1), "worse": ends(2)}
    assert check["main"]() == 1
    said = capfd.readouterr().out
    assert "skipped: nothing there" in said
    assert "Skipped: cannot\n" in said
    named = said.partition("Failed: ")[2].splitlines()[0]
    assert sorted(named.split(", ")) == ["bad", "worse"]


@pytest.mark.parametrize(("tests", "again", "passes"), [(3, 0, True), (3, 1, False), (4, 0, False)])
def test_a_few_tests_with_real_parts_are_run_once_more(
    check: dict[str, Any], tests: int, again: int, *, passes: bool, capfd: pytest.CaptureFixture[str]
) -> None:
    names = [f"test_{number}" for number in range(tests)]
    check["CHOSEN"][check["REAL_PARTS"]] = failing(check, *names)
    check["AGAIN"] = ends(again)
    assert check["main"]() == (0 if passes else 1)
    last = capfd.readouterr().out.splitlines()[-1]
    assert last == (f"Passed only when run alone: {', '.join(names)}. Look at them." if passes else last)
    assert passes or last == f"Failed: {check['REAL_PARTS']}"


def test_tests_that_compute_are_never_repeated(check: dict[str, Any]) -> None:
    check["CHOSEN"]["tests that compute"] = failing(check, "test_1")
    check["AGAIN"] = ends(0)
    assert check["main"]() == 1


def test_the_files_that_begin_first_are_there(check: dict[str, Any]) -> None:
    files = [file.relative_to(ROOT / "tests") for file in check["real_parts"]()]
    assert {file.stem for file in files} >= {f"test_{name}" for name in check["LONGEST"]}
    assert sorted(files) == sorted(
        file.relative_to(ROOT / "tests")
        for folder in ("browser", "integration")
        for file in (ROOT / "tests" / folder).glob("test_*.py")
    )
    folders = [file.parts[0] for file in files]
    assert folders == sorted(folders), "all that share a browser come together"


def test_those_that_compute_have_ended_before_a_third_part_begins(
    check: dict[str, Any], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    begun, ended = tmp_path / "begun", tmp_path / "ended"
    wait = f"import time, pathlib\nwhile not pathlib.Path({str(begun)!r}).exists(): time.sleep(0.01)"
    computes = f"{wait}\ntime.sleep(0.2)\npathlib.Path({str(ended)!r}).touch(); print('computed')"
    beside = f"import pathlib; pathlib.Path({str(begun)!r}).touch()"
    after = f"import pathlib; raise SystemExit(not pathlib.Path({str(ended)!r}).exists())"
    commands = {check["COMPUTE"]: computes, check["REAL_PARTS"]: beside, "alone": after}
    check["CHOSEN"] = {name: [sys.executable, "-c", text] for name, text in commands.items()}
    assert check["main"]() == 0
    said = capfd.readouterr().out.splitlines()
    assert said[said.index(f"== {check['COMPUTE']}") + 1] == "computed"
