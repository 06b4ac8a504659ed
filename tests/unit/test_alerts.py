"""Alert rules, dashboard and what is counted: Prometheus takes them, they fit each other, and alerts come in time."""

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import prometheus_client
import pytest
import yaml

from quietward.runtime import metrics
from tests.promql import BadQuery, check
from tests.unit.test_deploy import DEPLOY, ROOT

ALERTS: list[dict[str, Any]] = [
    rule for group in yaml.safe_load((DEPLOY / "alerts.yml").read_text())["groups"] for rule in group["rules"]
]
PANELS: list[dict[str, Any]] = json.loads((DEPLOY / "dashboard.json").read_text())["panels"]
CASES = sorted(Path(__file__).parent.glob("alert_cases*.yml"))
OF_PROMETHEUS = {"up", "process_resident_memory_bytes", "process_cpu_seconds_total"}


def counted() -> dict[str, set[str]]:
    """Every metric of ours by name, as Prometheus knows it, with the names of its labels."""
    found: dict[str, set[str]] = {}
    for one in vars(metrics).values():
        if isinstance(one, prometheus_client.metrics.MetricWrapperBase):
            name, labels = one._name, set(one._labelnames)
            match one._type:
                case "counter":
                    found[f"{name}_total"] = labels
                case "histogram":
                    found |= {f"{name}_{end}": labels | {"le"} for end in ("bucket", "count", "sum")}
                case "info":
                    found[f"{name}_info"] = labels
                case _:
                    found[name] = labels
    shards = {family.name: set(family.samples[0].labels) for family in metrics.SHARDS.collect() if family.samples}
    return found | shards | {"quietward_lag_seconds": {"shard"}}


@pytest.mark.parametrize(
    "expr",
    [rule["expr"] for rule in ALERTS] + [target["expr"] for panel in PANELS for target in panel["targets"]],
)
def test_rules_and_dashboard_ask_for_what_is_counted(expr: str) -> None:
    known = counted()
    names = set(re.findall(r"[a-z_]+(?=[\[{ )=]|$)", expr)) & {
        n for n in re.findall(r"[a-z_]+", expr) if "_" in n or n == "up"
    }
    ours = {name for name in names if name.startswith("quietward_")}
    assert ours <= known.keys(), expr
    assert ours or names & OF_PROMETHEUS, expr
    labels = set().union(*(known[name] for name in ours)) | {"job", "instance"}
    assert set(re.findall(r"[{,](\w+)[=!]", expr)) <= labels, expr
    assert {name.strip() for by in re.findall(r"by \((.*?)\)", expr) for name in by.split(",")} <= labels, expr
    check(expr)


def test_every_alert_says_what_to_do() -> None:
    page = (ROOT / "docs" / "on-call.md").read_text()
    names = [rule["alert"] for rule in ALERTS]
    assert len(set(names)) == len(names)
    assert re.findall(r"^## (Quietward\w+)$", page, re.MULTILINE) == names, "in the same order"
    for rule in ALERTS:
        assert rule["labels"]["severity"] in ("page", "ticket")
        assert rule["annotations"]["summary"]


@pytest.mark.parametrize(
    "query",
    [
        "rate(quietward_sent_total)", "quietward_sent_total[5m]", "rate(quietward_sent_total[5])", "sum by number (up)",
        "quietward_lag_seconds >> 5", "quietward_lag_seconds > 5 s", 'up{job="detect" == 0',
        'up{job=~"detect"}} == 0', "absent(up", "rates(up[5m])", "histogram_quantile(up, 0.99)", "sum(up, up)", "> 5",
        "", "up == ", 'up{job=="x"}', "increase(up[5m]) up",
    ],
)  # fmt: skip
def test_what_prometheus_does_not_take_is_refused_here(query: str) -> None:
    """`promtool` refuses the same, but for a range, with which a rule fails when it is evaluated."""
    with pytest.raises(BadQuery):
        check(query)


def test_rules_have_the_fields_that_prometheus_knows() -> None:
    assert ALERTS
    for rule in ALERTS:
        assert rule.keys() <= {"alert", "expr", "for", "labels", "annotations"}
        assert re.fullmatch(r"(\d+(ms|[smhdwy]))+", rule.get("for", "0s")), rule
        in_text = set(re.findall(r"\$labels\.(\w+)", rule["annotations"]["summary"]))
        filled = re.sub(r'\{\{ \$(labels\.\w+|value \| printf "%\.\df") \}\}', "", rule["annotations"]["summary"])
        assert "{{" not in filled, "a number has a sensible number of digits"
        if by := re.search(r"by \((.*?)\)", rule["expr"]):
            assert in_text <= {name.strip() for name in by[1].split(",")}, "what is added up has lost its other labels"


def test_names_follow_prometheus() -> None:
    """https://prometheus.io/docs/practices/naming/: a prefix, base units at the end, `_total` for what only grows."""
    for name, one in vars(metrics).items():
        if not isinstance(one, prometheus_client.metrics.MetricWrapperBase):
            continue
        counted_as = f"{one._name}_total" if one._type == "counter" else one._name
        assert re.fullmatch(r"quietward(_[a-z]+)+", counted_as), name
        assert not re.search(r"_(ms|milliseconds|minutes|hours|mb|kb|percent|counter|gauge|histogram)(_|$)", counted_as)
        assert (counted_as.endswith("_total")) == (one._type == "counter"), name
        assert all(re.fullmatch(r"[a-z]+", label) and label not in counted_as.split("_") for label in one._labelnames)
        assert one._documentation.endswith("."), name
        if one._type == "histogram" and getattr(metrics, name)._upper_bounds[:-1] == list(metrics.FAST):
            assert counted_as.endswith("_seconds"), name


def promtool(*arguments: str, text: bytes = b"") -> str:
    program = shutil.which("promtool")
    if program is None:
        pytest.skip("promtool is not installed")
    done = subprocess.run([program, *arguments], input=text, capture_output=True, check=False, timeout=60)
    said = (done.stdout + done.stderr).decode()
    assert done.returncode == 0, said
    return said


def test_promtool_takes_the_rules() -> None:
    promtool("check", "rules", str(DEPLOY / "alerts.yml"))


def test_promtool_takes_what_is_counted() -> None:
    assert promtool("check", "metrics", text=prometheus_client.generate_latest()) == ""


def test_each_alert_comes_when_it_should_and_not_before() -> None:
    promtool("test", "rules", *map(str, CASES))


def test_every_alert_has_a_case_in_which_it_comes_and_one_in_which_it_does_not() -> None:
    cases = [case for file in CASES for case in yaml.safe_load(file.read_text())["tests"]]
    asked = [one for case in cases for one in case.get("alert_rule_test", ())]
    assert {(one["alertname"], bool(one.get("exp_alerts"))) for one in asked} == {
        (rule["alert"], comes) for rule in ALERTS for comes in (True, False)
    }


def test_a_shard_that_has_committed_nothing_has_no_lag() -> None:
    """A number would be that of another time: 0 says that all is well, and the age of an old input that nothing is."""
    shards, behind_s = metrics.Shards(), [None, 7.0]
    for number, seconds in enumerate(behind_s):
        shards.hold(number, lambda seconds=seconds: seconds)  # type: ignore[misc]
    (lag,) = (family for family in shards.collect() if family.name == "quietward_lag_seconds")
    assert [(sample.labels, sample.value) for sample in lag.samples] == [({"shard": "1"}, 7.0)]
