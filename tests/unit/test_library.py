"""quietward as a library says what the command says, from whatever holds the numbers, at once or as it comes."""

import doctest
import json
import subprocess
import sys
from collections.abc import Callable
from importlib import import_module
from itertools import cycle
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from typer.testing import CliRunner

import quietward
from quietward.api.result import TABLES
from quietward.cli import app
from quietward.contracts.errors import BadRecording, BadRules, BadSettings
from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.recordings.files import find_recordings, write_recording
from quietward.simulator import bed, scenario
from tests.traces import Signal, flat, ripple

ROOT = Path(__file__).parents[2]
MODULES = ("quietward", "quietward.api.assessing", "quietward.api.monitor")
NOT_READY = "not enough trace to judge yet"


@pytest.fixture(scope="module")
def labour() -> bed.SimulatedLabour:
    return bed.simulate(scenario.load("cord-not-recovering"), 3, 3600)


@pytest.fixture(scope="module")
def result(labour: bed.SimulatedLabour) -> quietward.Result:
    return quietward.assess(labour.fhr, labour.ua, name="<b>one</b>")


@pytest.mark.parametrize("module", MODULES)
def test_examples_of_docstrings_are_right(module: str) -> None:
    tested = doctest.testmod(import_module(module))
    assert tested.attempted
    assert not tested.failed


@pytest.mark.parametrize("page", ["docs/library.md", "README.md"])
def test_examples_of_documents_are_right(page: str) -> None:
    tested = doctest.testfile(str(ROOT / page), module_relative=False, encoding="utf-8", optionflags=doctest.ELLIPSIS)
    assert tested.attempted
    assert not tested.failed


def test_it_is_what_the_command_prints(labour: bed.SimulatedLabour, tmp_path: Path) -> None:
    path = tmp_path / "one.csv"
    write_recording(path, labour.fhr, labour.ua)
    recording = quietward.read_recording(path)
    printed = CliRunner().invoke(app, ["assess", str(path), "--json", "--rules", "nichd-2008", "--weeks", "30"]).stdout
    found = quietward.assess(recording.fhr, recording.ua, rules="nichd-2008", weeks=30, name="one")
    assert found.flags
    assert found.decelerations
    assert json.loads(found.to_json()) == json.loads(printed)
    assert found.to_json() == printed.strip()


@pytest.mark.parametrize("name", ["wfdb", "fhir"])
def test_the_command_writes_what_it_found_as_annotations(
    labour: bed.SimulatedLabour, name: str, tmp_path: Path
) -> None:
    path, out = tmp_path / "one.csv", tmp_path / "out"
    write_recording(path, labour.fhr, labour.ua)
    arguments = ["assess", str(path), "--weeks", "31", "--out", str(out), "--format", name]
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 0, done.output
    (file,) = find_recordings([out])
    recording = quietward.read_recording(file)
    found = quietward.assess(recording.fhr, recording.ua, weeks=31)
    said = [(x.kind, x.from_s, x.to_s, x.text) for x in recording.annotations]
    assert said == [(x.kind, x.from_s, x.to_s, x.text) for x in found.findings]
    assert (recording.labour.weeks, found.flags != []) == (31, True)
    with pytest.raises(BadSettings, match="Already exists"):
        CliRunner().invoke(app, arguments, catch_exceptions=False)
    with pytest.raises(BadSettings, match="did you mean 'edf'"):
        CliRunner().invoke(app, ["assess", str(path), "--format", "edg"], catch_exceptions=False)


def test_importing_it_loads_nothing_else() -> None:
    code = "import sys; before = set(sys.modules); import quietward; print(*(set(sys.modules) - before))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert {name for name in loaded.stdout.split() if name.partition(".")[0] not in sys.stdlib_module_names} == {
        "quietward"
    }


def test_everything_it_offers_is_there() -> None:
    assert set(quietward._WHERE) <= set(dir(quietward))
    for name in quietward._WHERE:
        assert getattr(quietward, name).__doc__
    with pytest.raises(AttributeError, match="no attribute 'asess'"):
        quietward.asess  # type: ignore[attr-defined]  # noqa: B018


WHOLE = np.array([140, 142, 0, 139] * HZ * 60)


@pytest.mark.parametrize(
    "made",
    [
        lambda x: x,
        lambda x: x.astype(np.int16),
        lambda x: [None if v == 0 else v for v in x.tolist()],
        lambda x: tuple(x.tolist()),
        pd.Series,
        lambda x: pd.Series(x, index=pd.date_range("2026-01-01", periods=len(x), freq="250ms")),
        lambda x: pd.Series(x).replace(0, pd.NA).astype("Int64"),
        lambda x: np.ma.masked_array(np.where(x == 0, 200, x), mask=x == 0),
        lambda x: np.repeat(x, 2)[::2],
    ],
    ids=["array", "int16", "list", "tuple", "Series", "times", "Int64", "masked", "strided"],
)
def test_samples_may_come_in_anything_that_holds_numbers(made: Callable[[Any], Any]) -> None:
    given = made(WHOLE)
    before = list(given)
    found = quietward.assess(given, made(WHOLE))
    np.testing.assert_array_equal(found.fhr, np.where(WHOLE == 0, np.nan, WHOLE))
    assert found.signal.fhr_usable == 0.75
    assert all(a is b or a == b for a, b in zip(before, given, strict=True)), "what was given stays as it was"


@pytest.mark.parametrize(("rate", "samples"), [(1, 600), (2, 1200), (4, 2400), (8, 4800)])
def test_rates_are_brought_to_four_samples_a_second(rate: int, samples: int) -> None:
    found = quietward.assess([140] * samples, rate=rate)
    assert (found.duration_s, found.hz) == (600, HZ)
    assert bool(found.note) == (rate != HZ)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"fhr": []}, "fhr: 0. Holds no sample"),
        ({"fhr": [1400, 1410]}, "fhr: 1400.0. FHR must be in beats per minute"),
        ({"fhr": ["fast"]}, r"fhr: \['fast'\]. Needs a number for each sample"),
        ({"fhr": [[140, 141]]}, r"fhr: \(1, 2\). Must have one dimension"),
        ({"fhr": 140}, r"fhr: \(\). Must have one dimension"),
        ({"fhr": [140], "ua": [1, 2]}, r"fhr: \[1, 2\]. FHR and UA must have the same number"),
        ({"fhr": [140], "ua": {"a": 1}}, "ua: .*Needs a number"),
        ({"fhr": (x for x in [140, 141])}, "fhr: <generator .*Needs a number for each sample"),
        ({"fhr": np.full(8, 140 + 1j)}, "fhr: array.*Needs a number for each sample"),
        ({"fhr": np.full(8, "2026-01-01T12", dtype="datetime64[s]")}, "fhr: array.*Needs a number for each sample"),
        ({"fhr": [140], "rate": 5}, "rate: 5. Resample to 4 Hz"),
        ({"fhr": [140], "rate": 0}, "rate: 0. Needs samples per second"),
        ({"fhr": [140], "rate": float("nan")}, "rate: nan. Needs samples per second"),
        ({"fhr": [140], "rate": "4"}, "rate: '4'. Needs samples per second"),
        ({"fhr": [140], "rate": None}, "rate: None. Needs samples per second"),
        ({"fhr": [140], "weeks": 39.5}, "weeks: 39.5. Needs whole weeks of gestation, 0 to 45"),
        ({"fhr": [140], "weeks": -1}, "weeks: -1. Needs whole weeks"),
        ({"fhr": [140], "weeks": 46}, "weeks: 46. Needs whole weeks"),
        ({"fhr": [140], "weeks": None}, "weeks: None. Needs whole weeks"),
        ({"fhr": [140], "second_stage_from_s": -1}, "second_stage_from_s: -1. Needs seconds from the first sample"),
        ({"fhr": [140], "second_stage_from_s": None}, "second_stage_from_s: None. Needs .*leave it out"),
        ({"fhr": [140], "second_stage_from_s": float("nan")}, "second_stage_from_s: nan. Needs seconds"),
        ({"fhr": [140], "name": 3}, "name: 3. Needs text"),
    ],
)
def test_what_cannot_be_assessed_is_refused_in_one_line(arguments: dict[str, Any], says: str) -> None:
    with pytest.raises(BadRecording, match=says) as caught:
        quietward.assess(**arguments)
    assert "\n" not in str(caught.value)


def test_an_unknown_name_is_answered_with_those_there_are() -> None:
    with pytest.raises(BadRules, match="did you mean 'figo-2015'"):
        quietward.assess([140], rules="figo2015")
    with pytest.raises(BadRules, match=r"There is no such policy.*attention"):
        quietward.Monitor(policy="atention")
    with pytest.raises(BadSettings, match="Did you mean 'flags'"):
        quietward.assess([140]).to_frame("flag")


@pytest.mark.parametrize("made", [quietward.assess, lambda _, **given: quietward.Monitor(**given)])
@pytest.mark.parametrize("what", ["rules", "policy"])
def test_rules_that_are_no_name_are_answered_with_what_is_taken(what: str, made: Callable[..., Any]) -> None:
    with pytest.raises(BadRules, match=rf"^{what}: None. Needs a name, a path ending in .toml, or what read_"):
        made([140], **{what: None})


def test_capitals_of_a_name_do_not_keep_the_nearest_from_being_named() -> None:
    with pytest.raises(BadRules, match="did you mean 'nichd-2008'"):
        quietward.assess([140], rules="NICHD-2008")


def test_a_rate_in_another_unit_is_told() -> None:
    """2.3 beats a second, or all of it 0: nothing of it can be used, and nobody would say why."""
    assert "check unit and column" in quietward.assess([2.3, 2.4] * 20).note
    assert "check unit and column" in quietward.assess([-5] * 40).note
    assert quietward.assess([0, None] * 20).note == ""


def test_rules_of_ones_own_by_path_and_as_they_are(labour: bed.SimulatedLabour, tmp_path: Path) -> None:
    rules = ROOT / "detect" / "rules"
    path, policy_path = tmp_path / "mine.toml", tmp_path / "policy.toml"
    path.write_text((rules / "figo-2015.toml").read_text().replace('name = "figo-2015"', 'name = "mine"'))
    policy_path.write_text((rules / "attention.toml").read_text().replace('name = "attention"', 'name = "ours"'))
    own = structs.replace(quietward.read_rule_set("figo-2015"), name="mine")
    policy = structs.replace(quietward.read_policy("attention"), name="ours")
    assert own == quietward.read_rule_set(path)
    assert policy == quietward.read_policy(policy_path)
    fhr, ua = labour.fhr[: 1200 * HZ], labour.ua[: 1200 * HZ]
    first = quietward.assess(fhr, ua, rules=path, policy=policy_path)
    second = quietward.assess(fhr, ua, rules=own, policy=policy)
    assert first.to_json() == second.to_json()
    assert (first.rules, set(first.decelerations[0].kinds)) == ("mine", {"figo-2015", "nichd-2008", "mine"})
    along = quietward.assess(fhr, ua, rules=quietward.read_rule_set("figo-2015"))
    assert (along.rules, set(along.decelerations[0].kinds)) == ("figo-2015", {"figo-2015", "nichd-2008"})
    changed = structs.replace(own, name="figo-2015", classes=("a", "b", "c"))
    with pytest.raises(BadRules, match="Is the name of a built-in rule set"):
        quietward.assess(fhr, ua, rules=changed)
    wrong = structs.replace(policy.condition[0], release=policy.condition[0].all)
    with pytest.raises(BadRules, match="two thresholds"):
        quietward.assess(fhr, ua, policy=structs.replace(policy, condition=[wrong]))


@pytest.fixture(scope="module")
def short(labour: bed.SimulatedLabour) -> tuple[Signal, Signal, quietward.Result]:
    fhr, ua = labour.fhr[2400 * HZ : 3000 * HZ], labour.ua[2400 * HZ : 3000 * HZ]
    return fhr, ua, quietward.assess(fhr, ua)


@settings(max_examples=5, deadline=None)
@given(lengths_s=st.lists(st.integers(1, 200), min_size=1, max_size=5))
def test_what_is_pushed_at_once_changes_nothing(
    short: tuple[Signal, Signal, quietward.Result], lengths_s: list[int]
) -> None:
    fhr, ua, at_once = short
    monitor, log, at, turns = quietward.Monitor(bed="0"), [], 0, cycle(lengths_s)
    while at < len(fhr):
        part = slice(at, at + HZ * next(turns))
        log += monitor.push(fhr[part], ua[part])
        at = part.stop
    assert log == at_once.log
    assert monitor.summary.concern == max(at_once.assessments, key=lambda m: m.t_s).concern
    assert monitor.summary.t == 599_000


def test_a_monitor_says_what_it_cannot_take() -> None:
    monitor = quietward.Monitor()
    with pytest.raises(BadRecording, match=r"mother: .*Needs a number"):
        monitor.push([140] * HZ, mother="x")  # type: ignore[arg-type]
    with pytest.raises(BadRecording, match=r"weeks: -3. Needs whole weeks of gestation, 0 to 45"):
        quietward.Monitor(weeks=-3)
    with pytest.raises(BadRecording, match=r"bed: 3. Needs text"):
        quietward.Monitor(bed=3)  # type: ignore[arg-type]
    with pytest.raises(BadRecording, match=r"summary: 'no second'. Push one first"):
        monitor.summary  # noqa: B018
    with pytest.raises(BadRecording, match=r"fhr: 1400.0. FHR must be in beats per minute"):
        monitor.push([1400] * HZ)
    with pytest.raises(BadRecording, match=r"fhr2: 1400.0. FHR must be in beats per minute"):
        monitor.push([140] * HZ, fhr2=[1400] * HZ)
    with pytest.raises(BadRecording, match=r"fhr: 3. Push whole seconds"):
        monitor.push([140] * 3)
    with pytest.raises(BadRecording, match=r"ua: 8. Must have as many samples as fhr: 4"):
        monitor.push([140] * 4, [1] * 8)
    with pytest.raises(BadRecording, match=r"stage: 3. Use 1 or 2"):
        monitor.push([140] * 4, stage=3)
    assert monitor.push([]) == []
    assert [event.text for event in monitor.push([140] * 4)] == [NOT_READY]
    assert (monitor.summary.bed, monitor.summary.fhr_bpm, monitor.summary.signal) == ("bed-1", 140, "good")
    monitor.push([None] * 300 * HZ)
    assert monitor.summary.signal == "lost"


def test_mothers_pulse_and_stage_reach_the_detector() -> None:
    monitor = quietward.Monitor()
    monitor.push(flat(90, 120) + ripple(120, 3), mother=90, stage=2)
    assert monitor.summary.signal_reason == "may be the mother's pulse"


@pytest.mark.parametrize("table", ["findings", "signals", *TABLES])
def test_every_table_is_a_frame_also_when_empty(result: quietward.Result, table: str) -> None:
    frame = result.to_frame(table)
    assert frame.attrs["notice"] == NOTICE
    none = quietward.assess([None]).to_frame(table)
    assert list(none.columns) == list(frame.columns)
    if table in TABLES:
        rows = getattr(result, table)
        assert len(frame) == len(rows)
        assert set(frame.columns) == set(rows[0].__struct_fields__) if rows else not len(frame)


def test_findings_are_the_log_by_time(result: quietward.Result) -> None:
    frame = result.to_frame()
    assert len(frame) == len(result.log)
    assert frame.from_s.is_monotonic_increasing
    falls = frame[frame.kind == "deceleration"]
    assert {x.onset_s for x in result.decelerations} <= set(falls.from_s)
    raised = frame[frame.kind.isin(["flag-raised", "flag-worsened", "flag-escalated"])]
    assert list(raised.from_s) == [flag.raised_s for flag in result.flags]
    assert raised.to_s.isna().all()


def test_signals_are_those_that_were_used(result: quietward.Result) -> None:
    frame = result.to_frame("signals")
    np.testing.assert_array_equal(frame.fhr, result.fhr)
    assert frame.t_s.iloc[-1] == 3600 - 0.25


def test_a_notebook_shows_strip_and_notice_with_nothing_from_elsewhere(result: quietward.Result) -> None:
    html = result._repr_html_()
    ET.fromstring(html)  # noqa: S314  # well-formed, or this fails
    assert NOTICE in html
    assert "&lt;b&gt;one" in html
    assert "<b>" not in html
    assert html.replace('xmlns="http://www.w3.org/2000/svg"', "").count("://") == 0
    for word in ("<script", "<link", "<style", "class=", "url("):
        assert word not in html
    assert html.count("<svg") == 2
    assert result.flags[0].level in html


def test_strips_begin_where_asked_and_end_with_the_recording(result: quietward.Result) -> None:
    assert ">25 min</text>" in result.strip(600)
    assert ">5 min</text>" not in result.strip(600)
    for from_s in (-1, 3600, float("nan")):
        with pytest.raises(BadSettings, match=r"from_s: .*0 to below 3600"):
            result.strip(from_s)


def test_a_strip_shows_its_flags(result: quietward.Result) -> None:
    flag = result.flags[0]
    assert f">{flag.level}</text>" in result.strip(max(0.0, flag.raised_s - 600))


def test_a_recording_without_a_value_can_be_shown() -> None:
    nothing = quietward.assess([None] * 8)
    assert "0 % of the FHR usable" in nothing._repr_html_()
    assert repr(nothing).startswith("<Result of recording: 0.0333333 min")
