"""A third rule set is a file and a line: everything that knows rule sets goes through the list, none counts to two."""

import re
from importlib.resources import files
from pathlib import Path

import msgspec
import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block
from quietward.dashboard.view.marks import reasons
from quietward.detect import assess, calibrate, rule_file
from quietward.detect.core import engine
from quietward.detect.core.measures.findings import MEASURES
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State
from quietward.practice import simulated
from quietward.practice.answer import Answer, check
from quietward.practice.compare import compare
from quietward.recordings.recording import Recording
from quietward.simulator import bed, scenario
from quietward.simulator.bed import SimulatedLabour
from tests.traces import put, ramp, run

NAME = "ours-2026"


@pytest.fixture
def rules(monkeypatch: pytest.MonkeyPatch) -> Rules:
    """All rules with a copy of figo-2015 in which a deceleration is prolonged after 30 s."""
    text_of = rule_file._text

    def with_third(name: str) -> tuple[str, str]:
        if name == NAME:
            text = text_of("figo-2015")[1].replace('name = "figo-2015"', f'name = "{NAME}"')
            return f"{NAME}.toml", re.sub(r"(?<=\nprolonged_s = )180", "30", text, count=1)
        where, text = text_of(name)
        return where, text.replace('"figo-2015"]', f'"figo-2015", "{NAME}"]') if name == "rule-sets" else text

    monkeypatch.setattr(rule_file, "_text", with_third)
    return rule_file.load()


@pytest.fixture(scope="module")
def labour() -> SimulatedLabour:
    """An hour with decelerations."""
    return bed.simulate(scenario.load("cord-with-shoulders"), 3, 3600)


def test_every_shipped_table_is_on_the_list_or_has_a_place_of_its_own() -> None:
    tables = {path.name.removesuffix(".toml") for path in (files("quietward.detect") / "rules").iterdir()}
    own = {"reading", "concern", "attention", "rule-sets", "stay"}
    assert tables == own | {r.name for r in rule_file.load().rule_sets}


def test_the_core_judges_by_it(rules: Rules) -> None:
    fhr = put(put(np.full(1800 * HZ, 140.0), 300, ramp(-30, 5, 40, 5)), 600, ramp(-30, 5, 15, 5))
    found = run(fhr, rules=rules)
    assert [e.detail[f"kind {NAME}"] for e in found.of("deceleration")] == ["prolonged", "variable"]
    assert [e.detail["kind figo-2015"] for e in found.of("deceleration")] == ["variable", "variable"]
    assert [c.rules for c in found.classes[-1]] == ["nichd-2008", "figo-2015", NAME]
    assert [found.measure("prolonged_30min", i) for i in range(3)] == [0, 0, 1]


def test_what_is_said_to_be_the_same_for_all_is_so_and_nothing_else(rules: Rules, labour: SimulatedLabour) -> None:
    found = run(labour.fhr, labour.ua, rules)
    evaluations = np.array(found.evaluations)
    differ = {
        name
        for i, name in enumerate(MEASURES)
        if not np.array_equal(evaluations[:, 1, i], evaluations[:, 2, i], equal_nan=True)
        or not np.array_equal(evaluations[:, 0, i], evaluations[:, 1, i], equal_nan=True)
    }
    assert differ <= {measure.name for measure in MEASURES.values() if measure.depends}
    assert {"late_or_prolonged_share_30min", "prolonged_30min"} <= differ


def test_summaries_name_its_class(rules: Rules, labour: SimulatedLabour) -> None:
    state = State(rules)
    fhr, ua = (x.reshape(-1, HZ).tolist() for x in (np.where(np.isnan(s), 0, s) for s in (labour.fhr, labour.ua)))
    at = 1_790_000_000_000
    blocks = [Block("bed-1", "s", i, at + 1000 * i, at + 1000 * i, fhr[i], ua[i], None) for i in range(900)]
    output = engine.step(state, list(blocks))
    (summary,) = summaries.of(state, output)
    assert [c.rules for c in summary.classes] == ["nichd-2008", "figo-2015", NAME]
    assert summary.rules == rules.digest != rule_file._digest(rules.reading, rules.rule_sets[:2])


def test_assess_calls_decelerations_what_it_calls_them(rules: Rules, labour: SimulatedLabour) -> None:
    recording = Recording("one", labour.fhr, labour.ua)
    kinds = {}
    for name in ("figo-2015", NAME):
        (row,) = assess.assess([recording], rules, name)
        assert msgspec.json.decode(msgspec.json.encode(row))["rules"] == name
        kinds[name] = [x.kind for x in row.decelerations if x.end_s - x.onset_s > 30]
    assert set(kinds[NAME]) == {"prolonged"}
    assert "variable" in kinds["figo-2015"]


def test_calibration_sets_it_beside_the_others(
    rules: Rules, labour: SimulatedLabour, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "quietward.detect.calibrate.read_recording", lambda path: Recording(path.stem, labour.fhr, labour.ua)
    )
    judged = [calibrate.Window("one", 1, end, [1, 2, 3]) for end in (1800, 3600)]
    shares, literal = calibrate.read(tmp_path, judged, rules)
    assert shares.shape == (2, len(rules.concern.finding))
    assert literal.shape == (2, 3)
    assert set(literal.ravel().tolist()) <= {1, 2, 3}


def test_practice_asks_and_explains_by_it(rules: Rules) -> None:
    code = simulated.code_of("cord-with-shoulders", 3)
    answer = Answer(140.0, [], NAME, 2, None)
    check(answer, rules)
    made = simulated.make(code)
    said = simulated.ask_detector(code, NAME)
    assert "prolonged" in {e.kind for e in said.events}
    falls = [line for line in compare(made, said, answer, rules).lines if line.what == "deceleration"]
    assert falls
    assert all("abrupt, less than 30 s" in line.why[1] for line in falls if line.kind == "variable")


def test_explanations_name_it(rules: Rules) -> None:
    fhr = put(np.full(900 * HZ, 140.0), 300, ramp(-30, 5, 40, 5))
    (event,) = run(fhr, rules=rules).of("deceleration")
    told = reasons(event, rule_file.policy_info(rules))
    assert told[-3:] == ["figo-2015: variable", "nichd-2008: variable", f"{NAME}: prolonged"]
