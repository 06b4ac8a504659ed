"""Study files: what varies, and what is refused with key, value and remedy."""

from pathlib import Path
from typing import Any

import pytest

from quietward.contracts.errors import BadRules, BadScenario, BadStudy
from quietward.detect.core.measures.findings import ASKED, MEASURES
from quietward.simulator import emergency, shift
from quietward.study import plan, ranges
from quietward.study.plan import BASE
from tests.studies import small


@pytest.mark.parametrize("name", plan.names())
def test_studies_that_come_along_can_be_read(name: str) -> None:
    found = plan.load(name)
    assert found.study.name == name
    assert found.variants[0].name == BASE
    assert len({v.name for v in found.variants}) == len(found.variants)


def test_the_study_that_comes_along_has_emergencies_enough() -> None:
    """At least 200 over its nights, so that a tenth of them late is known to some 4 %; they are counted, not played."""
    (nights,) = plan.read("default-policy").cases
    expected, (first, last) = nights.emergencies(), nights.seeds or (1, 0)
    assert expected is not None
    beds = len(shift.load(nights.shift or "").bed)
    assert sum(len(emergency.onsets(expected, beds, seed)) for seed in range(first, last + 1)) >= 200


def test_every_measure_has_a_plausible_range() -> None:
    for name in {*MEASURES, *ASKED}:
        low, high = ranges.of_measure(name)
        assert low < high, name
    for condition in plan.load("default-policy").rules.policy.condition:
        for measure, _, limit in [*condition.all, *condition.release, *condition.needs]:
            low, high = ranges.of_measure(measure)
            assert low <= limit <= high


def test_a_limit_moves_its_release_and_nothing_else() -> None:
    found = small(vary=[{"key": "concern-high.limit", "values": [50]}])
    today, other = (v.policy for v in found.variants[:2])
    assert today is not None
    assert other is not None
    (before,), (after,) = ([c for c in p.condition if c.name == "concern-high"] for p in (today, other))
    assert [c for c in today.condition if c != before] == [c for c in other.condition if c != after]
    assert after.all[0][2] - before.all[0][2] == after.release[0][2] - before.release[0][2] == 50 - before.all[0][2]


@pytest.mark.parametrize(("how", "count"), [("grid", 6), ("each", 5), ("sample", 7)])
def test_ways_to_vary(how: str, count: int) -> None:
    vary = [{"key": "concern-high.limit", "values": [52, 64]}, {"key": "staff.beds_per_nurse", "values": [2, 3, 4]}]
    if how == "sample":
        vary[1] = {"key": "escalation.look_after_s", "values": [60, 600]}
    found = small(vary=vary, how=how, points=7, alarm=[]).variants[1:]
    assert len(found) == count
    assert all(52 <= v.numbers.get("concern-high.limit", 60) <= 64 for v in found)
    if how == "grid":
        assert [v.staff.beds_per_nurse for v in found] == [2, 3, 4, 2, 3, 4]


def test_staff_of_its_own() -> None:
    assert small(staff={"beds_per_nurse": 2, "call": {"read_s": 5}}).variants[0].staff.call.read_s == 5


def varied(key: str, *values: float) -> dict[str, Any]:
    return {"vary": [{"key": key, "values": list(values)}]}


ALARM = {"kind": "fixed-limits", "name": "x", "low_bpm": 110.0, "high_bpm": 160.0, "for_s": 0}


@pytest.mark.parametrize(
    ("changes", "kind", "says"),
    [
        (varied("no-such.limit", 3), BadStudy,
         r"vary: 'no-such.limit'. There is no condition or table 'no-such'. Use .*concern-high"),
        (varied("consern-high.limit", 50), BadStudy,
         r"vary: 'consern-high.limit'. .*Did you mean 'concern-high'\? Use"),
        (varied("limit", 50), BadStudy, r"vary: 'limit'. There is no condition or table 'limit'"),
        (varied("concern-high.colour", 3), BadStudy,
         r"vary: 'concern-high.colour'. There is no 'colour'. Use limit, .*hold_s"),
        (varied("concern-high.limt", 3), BadStudy, r"vary: 'concern-high.limt'. .*; did you mean 'limit'\?$"),
        (varied("concern-high.hold_s", -5), BadStudy, r"vary concern-high.hold_s: -5"),
        (varied("escalation.never", 3), BadStudy, r"vary: 'escalation.never'. There is no 'never'. Use look_after_s, "),
        (varied("staff.tasks.walk_s", -1), BadStudy, r"vary staff.tasks.walk_s: -1"),
        (varied("staff.tasks.fly_s", 1), BadStudy,
         r"vary: 'staff.tasks.fly_s'. There is no 'tasks.fly_s'. .*Use .*tasks.walk_s"),
        (varied("staff.tasks.wlak_s", 1), BadStudy, r"Did you mean 'tasks.walk_s'\? Use"),
        ({"how": "grdi"}, BadStudy, r"how: 'grdi'. Use each, grid or sample; did you mean 'grid'\?$"),
        ({"alarm": [ALARM | {"kind": "rule-est"}]}, BadStudy,
         r"alarm\[0\].kind: 'rule-est'. .*did you mean 'rule-set'\?$"),
        (varied("concern-high.release", 70), BadStudy, r"concern-high release.*70"),
        (varied("concern-high.limit", 500), BadStudy, r"vary concern-high.limit: 500.0. Use 0 to 100: concern$"),
        (varied("concern-high.limit", -5), BadStudy, r"vary concern-high.limit: -5.0. Use 0 to 100: concern$"),
        (varied("concern-high.limit", 48, 500) | {"how": "sample", "points": 1}, BadStudy,
         r"vary concern-high.limit: 500.0. Use 0 to 100"),
        (varied("signal-poor.limit", 35), BadStudy,
         r"vary signal-poor.limit: 35.0. Use 0 to 1: fhr_usable_30min \(share\)"),
        (varied("low-baseline.release", 500), BadStudy,
         r"low-baseline.release: 500.0. Use 30 to 240: baseline_bpm \(bpm\)"),
        (varied("long-fall.limit", -60), BadStudy, r"vary long-fall.limit: -60.0. Use 0 to 86400: running_s \(s\)"),
        (varied("long-fall.hold_s", 1e6), BadStudy, r"vary long-fall.hold_s: 1000000.0. Use 0 to 86400: s$"),
        (varied("escalation.look_after_s", 1e6), BadStudy, r"escalation.look_after_s: 1000000.0. Use 0 to 86400: s$"),
        ({"alarm": [ALARM | {"low_bpm": 170}]}, BadStudy, r"alarm\[0\].low_bpm: 170.0. Must be below high_bpm, 160"),
        (varied("concern-high.limit", 55, 55), BadStudy, r"concern-high.limit 55.*twice"),
        ({"seed": -1}, BadStudy, r"seed"),
        ({"cases": [{"shift": "nowhere", "hours": 1, "seeds": [1, 2]}]}, BadScenario, r"shift: 'nowhere'"),
        ({"cases": [{"shift": "two-at-once", "hours": 1, "seeds": [2, 1]}]}, BadStudy, r"cases\[0\].seeds: \[2, 1\]"),
        ({"cases": [{"shift": "two-at-once", "hours": 1, "seeds": [1, 9999]}]}, BadStudy, r"cases: 9999.*at most"),
        ({"cases": [{"shift": "two-at-once", "hours": 1}]}, BadStudy, r"cases\[0\].seeds: None"),
        ({"cases": [{"hours": 1, "seeds": [1, 2]}]}, BadStudy, r"cases\[0\]: \[\].*Name one of"),
        ({"cases": [{"recordings": "no/where", "hours": 1}]}, BadStudy, r"cases\[0\].recordings: 'no/where'"),
        ({"cases": [{"scenarios": ["nowhere"], "hours": 1, "seeds": [1, 2]}]}, BadScenario, r"scenario: 'nowhere'"),
        ({"limit": {"interruptions_per_nurse_hour": 1, "level": "bedside", "reached": "clinicians"}}, BadStudy,
         r"limit.reached: 'clinicians'. Use anybody or answer, or level team"),
        ({"policy": "nowhere"}, BadRules, r"nowhere"),
        ({"staff": {"beds_per_nurse": 0}}, BadStudy, r"staff.beds_per_nurse: 0"),
        ({"staff": {"robots": 3}}, BadStudy, r"staff.robots: 3. There is no such key. Use .*beds_per_nurse"),
        ({"staff": {"call": {"read_s": "long"}}}, BadStudy, r"staff.call.read_s: 'long'"),
        ({"alarm": [{"kind": "rule-set", "name": "x", "rule_set": "who"}]}, BadStudy,
         r"alarm\[0\].rule_set: 'who'. Use nichd-2008 or"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_refused(changes: dict[str, Any], kind: type[Exception], says: str) -> None:
    with pytest.raises(kind, match=says):
        small(**changes)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name = ", r"Fix the TOML"),
        ('name = "x"', r"purpose: None. Is missing; add it"),
        ('name = "x"\npurpose = "y"\ncolour = 3', r"colour"),
        ('name = "x"\npurpose = "y"\nlimit = {interruptions_per_nurse_hour = -1}\ncases = []', r"-1|cases"),
    ],
)
def test_a_file_that_is_wrong_is_refused(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(text)
    with pytest.raises(BadStudy, match=says) as caught:
        plan.load(str(path))
    assert "wrong.toml" in str(caught.value)


def test_a_study_that_is_not_there_says_which_are() -> None:
    names = "busy-hours, care-changes-course, default-policy"
    says = rf"study: 'busy-hour'. There is no such study. Use {names} or a path ending in .toml"
    with pytest.raises(BadStudy, match=rf"{says}; did you mean 'busy-hours'\?"):
        plan.load("busy-hour")
    with pytest.raises(BadStudy, match=r"study: 'no/where.toml'. Cannot be read: No such file"):
        plan.load("no/where.toml")
