"""The files for a real deployment say the same as the code."""

import json
import os
import re
import shutil
import subprocess
import tomllib
from importlib.resources import files
from ipaddress import ip_address, ip_network
from pathlib import Path
from typing import Any

import pytest
import typer
import yaml
from typer.testing import CliRunner

from quietward import __version__
from quietward.cli import app
from quietward.contracts.addresses import TOPIC_ROOT, Ward
from quietward.contracts.errors import BadSettings
from quietward.contracts.settings import ENVIRONMENT_PREFIX, Settings, load
from quietward.dashboard.auth.people import People
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
        ours = {name.removeprefix(ENVIRONMENT_PREFIX).lower() for name in environment} - {"tmpdir"}
        assert ours <= set(Settings.__struct_fields__)
        settings = load({}, environment)
        assert settings.broker == "mqtt://broker:1883"
        assert settings.store == "redis://store:6379/0"
        assert SERVICES["serve"]["ports"] == [
            f"127.0.0.1:${{QUIETWARD_PUBLISHED_PORT:-{settings.port}}}:{settings.port}"
        ]


def test_broker_and_store_are_what_the_parts_expect() -> None:
    assert {"broker", "store"} <= set(SERVICES)
    for part in PARTS:
        assert SERVICES[part]["depends_on"] == {
            "broker": {"condition": "service_healthy"},
            "store": {"condition": "service_healthy"},
        }
    assert all("healthcheck" in service for name, service in SERVICES.items() if name != "person")
    command = SERVICES["store"]["command"]
    assert command[command.index("--appendonly") + 1] == "yes"
    assert command[command.index("--protected-mode") + 1] == "no", "whatever the image says, it answers others"
    assert "ports" not in SERVICES["store"]
    assert "ports" not in SERVICES["broker"]
    mounted = SERVICES["broker"]["volumes"][0].split(":")[0]
    config = (ROOT / mounted).read_text()
    assert re.search(r"^listener 1883$", config, re.MULTILINE)
    assert re.search(r"^max_queued_messages 0$", config, re.MULTILINE)


def dockerfile() -> list[tuple[str, str]]:
    """The instructions of the image, with lines that go on put together."""
    (path,) = {SERVICES[part]["build"]["dockerfile"] for part in PARTS}
    text = re.sub(r"\\\n\s*", "", (ROOT / path).read_text())
    lines = [line.partition(" ") for line in text.splitlines() if line and not line.startswith("#")]
    return [(instruction, rest) for instruction, _, rest in lines]


def test_the_image_is_built_from_files_that_are_there() -> None:
    assert [rest for instruction, rest in dockerfile() if instruction == "ENTRYPOINT"] == ['["quietward"]']
    ignored = (ROOT / ".dockerignore").read_text().split()
    for instruction, rest in dockerfile():
        if instruction == "COPY":
            *sources, _ = rest.split()
            assert all((ROOT / name).exists() and name not in ignored for name in sources), rest
    pip = [rest for instruction, rest in dockerfile() if instruction == "RUN" and rest.startswith("pip install")]
    assert len(pip) == 2
    assert "--require-hashes" in pip[0], "every file must be the one that was tested"
    assert "--no-deps" in pip[1]
    assert "--no-build-isolation" in pip[1], "a build would fetch setuptools without a hash"


SECRETS = ("people.toml", "settings.toml", "settings-tls.toml", "passwords", "devices", ".env", "ward.pem", "ward.key")
SECRET_PATTERNS = {"people.toml", "settings*.toml", "passwords", "devices", ".env", "*.pem", "*.key"}


def git(*arguments: str) -> list[str]:
    """Lines that git answers with; skipped where the tree is no checkout."""
    program = shutil.which("git")
    if program is None or not (ROOT / ".git").exists():
        pytest.skip("this tree is no checkout of git")
    found = subprocess.run([program, *arguments], cwd=ROOT, capture_output=True, text=True, check=False)
    assert found.returncode in (0, 1), found.stderr
    return found.stdout.splitlines()


def test_neither_repository_nor_image_takes_people_keys_answers_or_what_was_built() -> None:
    for file in (".gitignore", ".dockerignore"):
        lines = (ROOT / file).read_text().split()
        assert {"people.toml", "settings*.toml", "studies", "classroom", "build", "dist", ".venv", "*.log"} <= {
            line.strip("/").removeprefix("**/") for line in lines
        }, file
        wanted = {f"**/{name}" for name in SECRET_PATTERNS} if file == ".dockerignore" else SECRET_PATTERNS
        assert wanted <= set(lines), f"{file}: at the root only, or not at all; what it takes is passed on"
    defaults = Settings()
    assert {defaults.studies, defaults.classroom} <= {line.strip("/") for line in lines}


@pytest.mark.parametrize("folder", ["", "quietward/deploy/", "ward/", "tests/unit/"])
def test_git_takes_no_secret_wherever_it_lies(folder: str) -> None:
    paths = [folder + name for name in SECRETS]
    assert git("check-ignore", "--no-index", *paths) == paths


def test_what_is_shipped_is_no_secret() -> None:
    assert git("ls-files", "-ci", "--exclude-standard") == []
    patterns = [f"--exclude={line}" for line in (ROOT / ".dockerignore").read_text().split() if line.startswith("**/")]
    assert git("ls-files", "-ci", *patterns) == [], "the image would lack it"


def test_the_package_takes_of_what_lies_beside_the_examples_nothing_but_these() -> None:
    """Whoever fills an example in does so beside it: with `deploy/*` a wheel would take that along."""
    data = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["package-data"]["quietward"]
    listed = sorted(name.removeprefix("deploy/") for name in data if name.startswith("deploy/"))
    assert listed == sorted(Path(name).name for name in git("ls-files", "quietward/deploy"))


def test_the_base_of_the_image_can_be_pinned() -> None:
    instructions = dockerfile()
    assert instructions[0][0] == "ARG"
    assert instructions[1] == ("FROM", "${BASE}")
    minor = re.fullmatch(r"BASE=python:(3\.\d+)-slim", instructions[0][1])
    assert minor is not None
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert f"Programming Language :: Python :: {minor[1]}" in project["classifiers"]
    for part in PARTS:
        assert SERVICES[part]["build"]["args"] == {"BASE": f"${{QUIETWARD_BASE_IMAGE:-{instructions[0][1][5:]}}}"}
    for name in ("broker", "store", "proxy"):
        assert re.fullmatch(r"\$\{QUIETWARD_[A-Z]+_IMAGE:-[a-z-]+:\d+\}", SERVICES[name]["image"])


def test_what_the_image_installs_is_what_was_tested_with_the_hash_of_every_file() -> None:
    text = (ROOT / ".ci" / "image.txt").read_text()
    assert "://" not in text
    wanted = dict(re.findall(r"^([\w.-]+)==(\S+)", text, re.MULTILINE))
    tested = dict(re.findall(r"^([\w.-]+)==(\S+)", (ROOT / ".ci" / "constraints.txt").read_text(), re.MULTILINE))
    plain = {re.sub(r"[-_.]+", "-", name).lower(): version for name, version in tested.items()}
    assert {name: version for name, version in wanted.items() if plain.get(name) != version} == {}
    for block in re.split(r"\n(?=\S)", text.partition("\n\n")[2] or text):
        if "==" in block and not block.startswith("#"):
            assert "--hash=sha256:" in block, block
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert {re.split(r"[\[<>=; ]", line)[0].lower() for line in project["dependencies"]} <= wanted.keys()


def test_nobody_in_a_container_is_root_and_nothing_is_written_but_volumes() -> None:
    users = [rest for instruction, rest in dockerfile() if instruction == "USER"]
    assert users
    assert users[-1] not in ("root", "0")
    made = " ".join(rest for instruction, rest in dockerfile() if instruction == "RUN" and "chown" in rest)
    for name in (*PARTS, "person"):
        part = SERVICES[name]
        assert part["read_only"] is True
        assert part["cap_drop"] == ["ALL"]
        assert part["security_opt"] == ["no-new-privileges:true"]
        for volume in part["volumes"]:
            source, target, *_ = volume.split(":")
            assert source in COMPOSE["volumes"], volume
            assert target in made, "a volume begins as the image's folder, which the user must own"


def test_what_a_container_says_is_not_kept_without_end() -> None:
    """Docker's own default is json-file without a bound."""
    for name, service in SERVICES.items():
        assert service["logging"]["driver"] == "json-file", name
        size, files_kept = (service["logging"]["options"][key] for key in ("max-size", "max-file"))
        assert int(size.removesuffix("m")) * int(files_kept) <= 100, name


def test_people_and_studies_lie_in_volumes_where_the_page_looks_for_them() -> None:
    settings = load({}, SERVICES["serve"]["environment"])
    mounts = {v.split(":")[1]: v.split(":")[2:] for v in SERVICES["serve"]["volumes"]}
    assert mounts[str(Path(settings.people).parent)] == ["ro"], "a folder: a file that is replaced stays the old one"
    assert mounts[settings.studies] == [], "what is worked out there is written"
    assert mounts[settings.classroom] == [], "what learners answer is kept"
    person = SERVICES["person"]
    command = [*person["entrypoint"], "NAME", "--role", "nurse"]
    assert command[:2] == ["quietward", "person"]
    assert command[command.index("--file") + 1] == settings.people
    assert f"people:{Path(settings.people).parent}" in person["volumes"]
    assert person["profiles"], "only when it is asked for"
    head = (ROOT / "docker-compose.yml").read_text().partition("name:")[0]
    assert "docker compose run --rm person NAME --role nurse" in head
    (cache,) = [rest.partition("=")[2] for instruction, rest in dockerfile() if instruction == "ENV"]
    assert all(f"compiled:{cache}" in SERVICES[part]["volumes"] for part in PARTS)
    assert SERVICES["detect"]["environment"] == SERVICES["ingest"]["environment"] | {"TMPDIR": cache}, (
        "where a detector works is noted where a container that starts again, and another one, find it"
    )


def test_a_page_without_its_file_of_people_says_which_command_writes_it(tmp_path: Path) -> None:
    missing = tmp_path / "people.toml"
    with pytest.raises(BadSettings) as raised:
        People(missing)
    command = str(raised.value).partition("This writes one: quietward ")[2].split()
    filled = [{"NAME": "Nora"}.get(word, word) for word in command]
    done = CliRunner().invoke(app, [*filled, "--password", "a long password"])
    assert done.exit_code == 0, done.output
    assert People(missing).find("Nora") is not None


def test_where_it_may_not_be_written_another_command_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page's container has the folder of people to read only; what writes there is a service of its own."""
    missing = tmp_path / "people.toml"
    writable = os.access

    def read_only(path: Any, mode: int) -> bool:
        return writable(path, mode) and not (Path(path) == tmp_path and mode & os.W_OK)

    monkeypatch.setattr(os, "access", read_only)
    with pytest.raises(BadSettings) as raised:
        People(missing)
    assert str(raised.value).endswith("docker compose run --rm person NAME --role nurse")
    assert "--file" not in str(raised.value), "it would fail here"
    assert "person" in SERVICES
    monkeypatch.undo()
    with pytest.raises(BadSettings, match="quietward person NAME"):
        People(tmp_path / "no such folder" / "people.toml")


def test_the_proxy_is_the_only_one_whose_word_counts() -> None:
    """TLS ends at the proxy; the page must see the client's address, and that it came by TLS, and from nobody else."""
    proxy, (config,) = SERVICES["proxy"], COMPOSE["networks"]["ward"]["ipam"]["config"]
    address = ip_address(proxy["networks"]["ward"]["ipv4_address"])
    assert load({}, SERVICES["serve"]["environment"]).proxies == str(address)
    assert address in ip_network(config["subnet"])
    assert address not in ip_network(config["ip_range"]), "no other container may be given it"
    for name, service in SERVICES.items():
        assert set(service["networks"]) == {"ward"}, name
        assert "network_mode" not in service
    caddyfile = (ROOT / proxy["volumes"][0].split(":")[0]).read_text()
    port = SERVICES["serve"]["environment"]["QUIETWARD_PORT"]
    assert re.search(rf"^\treverse_proxy serve:{port}$", caddyfile, re.MULTILINE)
    assert not re.search(r"trusted_proxies|header_up", caddyfile), "it sends on no such header of a client's own"
    assert proxy["profiles"] == ["tls"]
    assert SERVICES["serve"]["ports"][0].startswith("127.0.0.1:"), "others come through the proxy only"


def test_a_device_is_told_that_its_second_is_safe_when_it_is_on_the_disk() -> None:
    command = SERVICES["store"]["command"]
    assert command[command.index("--appendfsync") + 1] == "always"
    assert command[command.index("--maxmemory-policy") + 1] == "noeviction"
    assert any(volume.endswith(":/data") for volume in SERVICES["store"]["volumes"])


def test_health_checks_leave_the_time_that_a_start_takes() -> None:
    for name in PARTS:
        check = SERVICES[name]["healthcheck"]
        assert int(check["timeout"].rstrip("s")) < int(check["interval"].rstrip("s"))
    assert int(SERVICES["detect"]["healthcheck"]["start_period"].rstrip("s")) >= 60, "the core may have to be compiled"


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
