"""The files for a real deployment say the same as the code."""

import json
import re
import shutil
import subprocess
from importlib.resources import files
from pathlib import Path
from typing import Any

import prometheus_client
import pytest
import typer
import yaml

from quietward import __version__
from quietward.cli import app
from quietward.contracts.addresses import TOPIC_ROOT, Ward
from quietward.contracts.settings import ENVIRONMENT_PREFIX, Settings, load
from quietward.runtime import metrics
from quietward.transport import asyncapi

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "quietward" / "deploy"
COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
SERVICES: dict[str, Any] = COMPOSE["services"]
PARTS = ("simulate", "ingest", "detect", "serve")
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]


def test_the_four_parts_run_from_one_image_by_commands_that_exist() -> None:
    assert {SERVICES[part]["image"] for part in PARTS} == {f"quietward:{__version__}"}
    for part in PARTS:
        command, *options = SERVICES[part]["command"]
        assert command == part
        assert command in COMMANDS
        known = {name for parameter in COMMANDS[command].params for name in parameter.opts}
        assert {o for o in options if o.startswith("--")} <= known
        assert SERVICES[part]["healthcheck"]["test"] == ["CMD", "quietward", "alive", part, "--here"]
    assert "alive" in COMMANDS


def test_every_environment_name_is_a_setting_and_its_value_is_sound() -> None:
    for part in PARTS:
        environment = SERVICES[part]["environment"]
        assert all(name.removeprefix(ENVIRONMENT_PREFIX).lower() in Settings.__struct_fields__ for name in environment)
        settings = load({}, environment)
        assert settings.broker == "mqtt://broker:1883"
        assert settings.store == "redis://store:6379/0"
        assert SERVICES["serve"]["ports"] == [f"127.0.0.1:{settings.port}:{settings.port}"]


def test_broker_and_store_are_what_the_parts_expect() -> None:
    assert {"broker", "store"} <= set(SERVICES)
    for part in PARTS:
        assert SERVICES[part]["depends_on"] == {
            "broker": {"condition": "service_healthy"},
            "store": {"condition": "service_healthy"},
        }
    assert all("healthcheck" in service for service in SERVICES.values())
    command = SERVICES["store"]["command"]
    assert command[command.index("--appendonly") + 1] == "yes"
    mounted = SERVICES["broker"]["volumes"][0].split(":")[0]
    config = (ROOT / mounted).read_text()
    assert re.search(r"^listener 1883$", config, re.MULTILINE)
    assert re.search(r"^max_queued_messages 0$", config, re.MULTILINE)


def test_the_image_is_built_from_files_that_are_there() -> None:
    for part in PARTS:
        build = SERVICES[part]["build"]
        dockerfile = (ROOT / build["context"] / build["dockerfile"]).read_text()
        assert "ENTRYPOINT" in dockerfile
        for name in re.findall(r"-c (\S+)", dockerfile):
            assert (ROOT / name).is_file()


def test_docker_itself_accepts_the_file() -> None:
    docker = shutil.which("docker")
    if docker is None or subprocess.run([docker, "compose", "version"], capture_output=True, check=False).returncode:
        pytest.skip("there is no docker compose client")
    found = subprocess.run(
        [docker, "compose", "config", "--quiet"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert found.returncode == 0, found.stderr


def test_access_rules_allow_a_device_its_own_topics_and_nothing_else() -> None:
    rules = (files("quietward") / "deploy" / "mosquitto.acl").read_text()
    ward = Ward("ward-1")
    allowed = re.findall(r"^pattern write (\S+)$", rules, re.MULTILINE)
    assert {p.replace("%u", "ward-1/bed-1") for p in allowed} == {
        ward.samples_topic("bed-1"),
        ward.status_topic("bed-1"),
    }
    assert re.search(rf"^topic read {TOPIC_ROOT}/#$", rules, re.MULTILINE)


def test_asyncapi_document_and_code_are_the_same() -> None:
    """AsyncAPI 3.0.0, MQTT binding 0.2.0."""
    assert asyncapi.FILE.read_text() == asyncapi.text()
    found = json.loads(asyncapi.FILE.read_text())
    ward = Ward("{ward}")
    assert found["channels"]["samples"]["address"] == ward.samples_topic("{bed}")
    assert found["channels"]["status"]["address"] == ward.status_topic("{bed}")


ALERTS: list[dict[str, Any]] = [
    rule for group in yaml.safe_load((DEPLOY / "alerts.yml").read_text())["groups"] for rule in group["rules"]
]
PANELS: list[dict[str, Any]] = json.loads((DEPLOY / "dashboard.json").read_text())["panels"]
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
    assert expr.count("(") == expr.count(")")


def test_every_alert_says_what_to_do() -> None:
    page = (ROOT / "docs" / "on-call.md").read_text()
    names = [rule["alert"] for rule in ALERTS]
    assert len(set(names)) == len(names)
    assert re.findall(r"^## (Quietward\w+)$", page, re.MULTILINE) == names, "in the same order"
    for rule in ALERTS:
        assert rule["labels"]["severity"] in ("page", "ticket")
        assert rule["annotations"]["summary"]


def test_promtool_takes_the_rules() -> None:
    promtool = shutil.which("promtool")
    if promtool is None:
        pytest.skip("promtool is not installed")
    done = subprocess.run(
        [promtool, "check", "rules", DEPLOY / "alerts.yml"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
