"""Rule tables: what comes along is sound, and a wrong one stops the start with file, key, value and remedy."""

import re
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import pytest

from quietward.contracts.errors import BadRules, BadScenario
from quietward.detect import rule_file
from quietward.detect.core.measures.findings import MEASURES, Measure
from quietward.simulator import scenario
from tests.traces import flat, run

TABLES = {path.name.removesuffix(".toml"): path.read_text() for path in (files("quietward.detect") / "rules").iterdir()}
POLICY = TABLES["attention"]


def change(monkeypatch: pytest.MonkeyPatch, name: str, text: str) -> None:
    """Let a table say something else."""
    text_of = rule_file._text

    def changed(asked: str) -> tuple[str, str]:
        return (f"{name}.toml", text) if asked == name else text_of(asked)

    monkeypatch.setattr(rule_file, "_text", changed)


def test_every_number_of_a_published_rule_set_has_source_and_status() -> None:
    for rules in rule_file.load().rule_sets:
        assert rules.source
        assert all(c.source and c.status for c in rules.criterion)


def test_the_digest_follows_the_rules(tmp_path: Path) -> None:
    copy = tmp_path / "p.toml"
    copy.write_text(POLICY.replace("look_after_s = 1200", "look_after_s = 1201"))
    assert rule_file.load().digest != rule_file.load(str(copy)).digest


@pytest.mark.parametrize("name", ["reading", "concern", "attention", "nichd-2008", "figo-2015"])
def test_the_digest_is_of_what_a_table_says_and_not_of_how_it_is_written(
    monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """A comment must not discard the checkpoints; a number must."""
    usual = rule_file.load().digest
    bare = re.sub(r" *#.*$|(?<= =) ", "", TABLES[name], flags=re.MULTILINE)
    change(monkeypatch, name, f"# said anew\n{bare}")
    assert rule_file.load().digest == usual
    numbers = [m.span() for m in re.finditer(r"(?<== )\d+(?=(\.\d+)?( *#.*)?$)", TABLES[name], re.MULTILINE)]
    assert len(numbers) > 5
    seen = {usual}
    for begin, end in numbers:
        change(monkeypatch, name, f"{TABLES[name][:begin]}{int(TABLES[name][begin:end]) + 1}{TABLES[name][end:]}")
        try:
            seen.add(rule_file.load().digest)
        except BadRules:
            seen.add(f"refused {begin}")
    assert len(seen) == len(numbers) + 1


def test_only_rule_sets_may_ask_for_what_depends_on_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a measure is called says nothing about it: the registry does."""
    usual = '[["concern", ">=", 55]]'
    assert usual in POLICY
    monkeypatch.setitem(MEASURES, "latest_fall_s", Measure("latest_fall_s", "s", "time since the last deceleration"))
    for measure in MEASURES.values():
        text = POLICY.replace(usual, usual.replace("concern", measure.name)).replace("[50, 80]", "[0, 80]")
        change(monkeypatch, "attention", text)
        if measure.depends:
            with pytest.raises(BadRules, match=f"attention.toml: condition concern-high: '{measure.name}'"):
                rule_file.load()
        else:
            assert rule_file.load().policy.condition


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda t: t.replace('"signal_lost_s"', '"signal_lots_s"'), "no such measure"),
        (lambda t: t.replace('level = "look"', 'level = "shout"', 1), "level"),
        (lambda t: t.replace("hold_s = 0", 'hold_s = "soon"', 1), "hold_s"),
        (lambda t: t.replace("hold_s = 0\n", "", 1), "hold_s"),
        (lambda t: t.replace("look_after_s", "look_before_s"), "look_"),
        (lambda t: t.replace('">="', '"=>"', 1), "=>"),
        (lambda t: t.replace("{signal_lost_s:time}", "{nobody:time}"), "no such measure"),
        (lambda t: t + "\n[[condition", "Fix the TOML"),
        (lambda t: t.replace('release = [["signal_lost_s", "<", 10]]', "release = []"), "at least one clause"),
        (lambda t: t.replace("hold_s = 0", "hold_s = -5", 1), "hold_s"),
        (lambda t: t.replace("pause_s = 3600", "pause_s = 0"), "pause_s"),
        (lambda t: t.replace("helps_within_s = 600", "helps_within_s = 0"), "care.helps_within_s: 0"),
        (lambda t: t.replace("helps_within_s = 600", "helps_within_s = 1801"), "care.helps_within_s: 1801"),
        (
            lambda t: t.replace('release = [["signal_lost_s", "<", 10]]', 'release = [["signal_lost_s", "<", 400]]'),
            "two thresholds",
        ),
        (lambda t: t.replace('["concern", "<", 50]', '["concern", ">", 50]'), "two thresholds"),
        (lambda t: t.replace("{concern:.0f}", "{concern:.0q}", 1), "Cannot be written"),
        (lambda t: t.replace('unless = ["fall-not-recovering"]', 'unless = ["fall-not-there"]'), "no such condition"),
        (lambda t: t.replace("hold_s = 300", 'hold_s = 300\ninhibited_by = ["concern-raised"]', 1), "no such earlier"),
        (lambda t: t.replace('level = "bedside"', 'level = "bedside"\ngoes_up_to = "look"', 1), "goes_up_to"),
        (lambda t: t.replace("for_one_bed = [50, 55]", "for_one_bed = [50, 54]"), "for_one_bed"),
        (
            lambda t: t.replace("look_by_s = 900\n", "", 1).replace("hold_s = 300", "hold_s = 300\nlook_by_s = 9", 1),
            "noted",
        ),
        (lambda t: t.replace('name = "sinusoidal"', 'name = "low-baseline"'), "a name of its own"),
        (lambda t: t.replace('needs = [["observed_min"', 'needs = [["observed_hours"', 1), "no such measure"),
    ],
)
def test_a_wrong_policy_is_refused(tmp_path: Path, change: Callable[[str], str], says: str) -> None:
    wrong = tmp_path / "mine.toml"
    text = change(POLICY)
    assert text != POLICY
    wrong.write_text(text)
    with pytest.raises(BadRules, match=says) as caught:
        rule_file.load(str(wrong))
    assert "mine.toml" in str(caught.value)


@pytest.mark.parametrize(
    ("name", "before", "after", "says"),
    [
        ("reading", "every_s = 5 ", "every_s = 7 ", r"reading.toml: look.every_s: 7"),
        ("reading", "shown_for_s = 2 ", "shown_for_s = 0 ", r"reading.toml: signal.shown_for_s: 0"),
        ("reading", "low_variability_min = 5", "low_variability_min = 0", r"notable.low_variability_min: 0"),
        ("reading", "low_variability_min = 5", "low_variability_min = 4.5", r"notable.low_variability_min: 4.5"),
        ("reading", "before_s = 60", "before_s = -1", r"reading.toml: hand.before_s: -1"),
        ("reading", "before_s = 60", "before_s = 1801", r"reading.toml: hand.before_s: 1801"),
        ("concern", "most_named = 3", "most_named = 0", r"concern.toml: most_named: 0"),
        ("concern", "least_points_named = 2", "least_points_named = -1", r"concern.toml: least_points_named: -1"),
        ("concern", "least_points_shown = 0.5", "least_points_shown = -1", r"concern.toml: least_points_shown: -1"),
        ("concern", "most_named = 3", "", r"concern.toml: .*most_named"),
        ("nichd-2008", "all = [", "all = []  # [", r"nichd-2008.toml: criterion.*all: \[\]"),
        ("rule-sets", '"figo-2015"', '"nichd-2008"', r"rule-sets.toml: names: 'nichd-2008'. Occurs twice"),
        ("rule-sets", '"figo-2015"', '"figo-2051"', r"rule table: 'figo-2051'. Cannot be read"),
        ("rule-sets", "names = [", "names = []  # [", r"rule-sets.toml: names: \[\]"),
        ("figo-2015", '["baseline_bpm", ">", 160]', '["baseline_bpm", ">", 90]', r"figo-2015.toml: criterion: \[110"),
        ("nichd-2008", '[["baseline_bpm", ">", 160]]', '[["variability_bpm", ">", 160]]', r"criterion: .*usual range"),
        ("concern", "full_at = 60", "full_at = 15", r"concern.toml: finding depth of decelerations full_at: 15"),
    ],
)
def test_other_tables_are_refused_in_the_same_way(
    monkeypatch: pytest.MonkeyPatch, name: str, before: str, after: str, says: str
) -> None:
    assert before in TABLES[name]
    change(monkeypatch, name, TABLES[name].replace(before, after, 1))
    with pytest.raises(BadRules, match=says):
        rule_file.load()


def test_a_policy_that_is_not_there() -> None:
    with pytest.raises(BadRules, match=r"'nowhere.toml'. Cannot be read: No such file or directory. Give a path"):
        rule_file.load("nowhere.toml")
    says = r"There is no such policy. Use attention or a path ending in .toml"
    with pytest.raises(BadRules, match=rf"policy: 'atention'. {says}; did you mean 'attention'\?$"):
        rule_file.load("atention")
    with pytest.raises(BadRules, match=rf"policy: 'nope'. {says}$"):
        rule_file.load("nope")


def test_a_rule_set_of_ones_own_stands_beside_those_that_come_along(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(TABLES["figo-2015"].replace('name = "figo-2015"', 'name = "ours"'))
    found = rule_file.load(own_rule_set=str(own))
    assert [r.name for r in found.rule_sets] == ["nichd-2008", "figo-2015", "ours"]
    own.write_text(TABLES["figo-2015"])
    with pytest.raises(BadRules, match=r"own.toml: name: 'figo-2015'. Is the name of a built-in rule set"):
        rule_file.load(own_rule_set=str(own))
    with pytest.raises(BadRules, match=r"rule table: .*Cannot be read: No such file"):
        rule_file.load(own_rule_set=str(tmp_path / "none.toml"))


def test_scenarios_that_come_along_are_sound_and_say_what_they_are_for() -> None:
    for name in scenario.names():
        found = scenario.load(name)
        assert found.name == name
        assert found.purpose
        assert found.good_watcher


HAPPENS = '[[happening]]\nat_min = 5\nfor_min = 5\nwhat = "{}"\n{}\n'
FACTOR = '[[factor]]\nname = "one"\nloads = {{"{}" = {}}}\n'
CAUSE = '[[phase.causes]]\nkind = "{}"\nshare = {}\ndepth_bpm = 30\n{}\n'


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda t: t.replace("baseline_bpm = 138", "baseline_bpm = 1380", 1), "baseline_bpm"),
        (lambda t: t.replace("from_min = 0", "from_min = 1", 1), "Begin with 0"),
        (lambda t: t.replace("purpose", "reason", 1), "reason"),
        (lambda t: "x = [", "Fix the TOML"),
        (lambda t: t.replace("= 138", "= [150, 138, 160]", 1), r"baseline_bpm.*150.*lowest first"),
        (lambda t: t.replace("= 138", "= [130, 138]", 1), r"phase.0..baseline_bpm.*length"),
        (lambda t: t + HAPPENS.format("cord-compressed", ""), r"happening.*size: 0.0. Give more than 0"),
        (lambda t: t + HAPPENS.format("monitor-off", "size = 3"), r"happening.*size: 3.0. Leave it out"),
        (lambda t: t + HAPPENS.format("oxytocin", "size = 7"), r"happening.*size: 7.0. .*2 at most"),
        (lambda t: t + HAPPENS.format("earthquake", ""), r"happening.0..what.*earthquake"),
        (lambda t: t + CAUSE.format("head", 0.5, 'form = "w"'), r"causes.*form: 'w'. Only the cord"),
        (lambda t: t + CAUSE.format("cord", 0.7, "") + CAUSE.format("head", 0.7, ""), r"share: .0.7, 0.7.. They may"),
        (lambda t: t + '[[fault]]\nat_min = 1\nwhat = "clock-jump"\n', r"fault.*size: 0.0. Say how many seconds"),
        (
            lambda t: t.replace("needs = []", 'needs = [{level = "team", begins_min = [9, 3]}]'),
            r"begins_min: .9.0, 3.0.. The earlier",
        ),
        (
            lambda t: t.replace("[[phase]]", FACTOR.format("weather", 0.5) + "[[phase]]", 1),
            r"factor.0..loads: 'weather'",
        ),
        (
            lambda t: t.replace("[[phase]]", FACTOR.format("off_per_h", 0.8) * 2 + "[[phase]]", 1),
            r"factor.1..loads.off_per_h: 0.8. Their squares",
        ),
        (lambda t: t.replace("lasts_min", "last_min", 1), "lasts?_min"),
    ],
)
def test_a_wrong_scenario_is_refused(tmp_path: Path, change: Callable[[str], str], says: str) -> None:
    text = (files("quietward.simulator") / "scenarios" / "calm.toml").read_text()
    wrong = tmp_path / "mine.toml"
    wrong.write_text(change(text))
    with pytest.raises(BadScenario, match=says) as caught:
        scenario.load(str(wrong))
    assert "mine.toml" in str(caught.value)


def test_a_scenario_that_is_not_there_lists_those_that_are() -> None:
    with pytest.raises(BadScenario, match="calm"):
        scenario.load("nobody")


def numbers_of(text: str) -> set[float]:
    """Return the numbers that a text says in itself, not those that it is given."""
    return {float(found) for found in re.findall(r"\d+(?:\.\d+)?", re.sub(r"\{.*?\}", "", text))}


def test_no_text_says_another_number_than_what_it_stands_for() -> None:
    """Numbers of a text are limits of its clauses (in minutes, too), parts of a measure's name, or the reading's."""
    rules = rule_file.load()
    windows = {10.0, 20.0, 30.0}
    of_reading = {
        "low_fhr_share_30min": rules.reading.notable.low_fhr_bpm,
        "low_variability_min": rules.reading.variability.low_below_bpm,
        "high_variability_min": rules.reading.variability.high_above_bpm,
        "low_variability_share_30min": rules.reading.notable.low_variability_bpm,
    }

    def allowed(measures: list[str], limits: list[float]) -> set[float]:
        in_names = {float(found) for name in measures for found in re.findall(r"\d+", name)}
        read = {of_reading[name] for name in measures if name in of_reading}
        return windows | in_names | read | {*limits, *(limit / 60 for limit in limits)}

    said = 0
    for rule_set in rules.rule_sets:
        for criterion in rule_set.criterion:
            clauses = [c for other in rule_set.criterion if other.text == criterion.text for c in other.all]
            assert numbers_of(criterion.text) <= allowed([m for m, _, _ in clauses], [x for *_, x in clauses])
            said += len(numbers_of(criterion.text))
    for condition in rules.policy.condition:
        measures, limits = [m for m, _, _ in condition.all], [x for *_, x in condition.all]
        assert numbers_of(condition.text) <= allowed(measures, limits), condition.name
        said += len(numbers_of(condition.text))
    for finding in rules.concern.finding:
        assert numbers_of(finding.text) <= allowed([finding.measure], []), finding.name
        assert numbers_of(finding.name) <= allowed([finding.measure], []), finding.name
        said += len(numbers_of(finding.text))
    assert said >= 20


@pytest.mark.parametrize("name", [name for name in MEASURES if re.match(r"baseline_(below|above)_\d", name)])
def test_a_measure_of_a_level_counts_beyond_the_level_in_its_name(name: str) -> None:
    bpm = float(name.split("_")[2])
    sign = -1 if "below" in name else 1
    beyond, within = (run(flat(bpm + sign * by, 400)).measure(name) for by in (1, -1))
    assert beyond > 60
    assert within == 0
