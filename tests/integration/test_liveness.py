"""`quietward alive` and /health: each worker is asked whether it has worked its last second through."""

import asyncio
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.fields import encode_json
from quietward.contracts.inputs import Tick, inputs_of
from quietward.contracts.liveness import WorkerReport, encode_report
from quietward.contracts.settings import Settings
from quietward.dashboard.live.hub import Hub
from quietward.ingest import service as ingest_service
from quietward.ingest.service import Ingest
from quietward.runtime import liveness
from quietward.runtime.clock import now_ms
from quietward.runtime.embedded import wait_for_port
from quietward.runtime.liveness import StoppedSince
from quietward.store.client import Store
from tests.conftest import ANY_KIND, WAIT_S, Parts, Server, broker_command, free_port, reports, stop, until, well
from tests.integration.test_flow import get
from tests.unit.test_page_models import summary


def alive(settings: Settings, *arguments: str) -> tuple[int, str]:
    where = ["--ward", settings.ward, "--store", settings.store]
    command = [sys.executable, "-m", "quietward", "alive", *arguments, *where]
    done = subprocess.run(command, capture_output=True, text=True, timeout=2 * WAIT_S, check=False)
    return done.returncode, done.stdout + done.stderr


@pytest.mark.one_kind
async def test_one_of_two_detectors_that_hangs_is_told(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    parts.start("ingest")
    parts.start("serve")
    two = [parts.start("detect") for _ in range(2)]

    async def all_well() -> bool:
        return len(await reports(store, ward, "detect")) == 2 and all(
            [await well(store, ward, part) for part in ("ingest", "detect", "serve")]
        )

    async def is_well_by_each() -> bool:
        return alive(settings, "detect")[0] == 0 and json.loads(get(settings.port, "/health")[1])["well"]

    assert await until(all_well), parts.log("detect")
    assert wait_for_port(settings.port, WAIT_S)
    assert await until(is_well_by_each), parts.log("detect")

    two[1].send_signal(signal.SIGSTOP)
    try:

        async def is_told() -> bool:
            code, said = alive(settings, "detect")
            return code == 1 and (said.count("well"), said.count("silent for")) == (1, 1)

        async def page_tells() -> bool:
            found = json.loads(get(settings.port, "/health")[1])
            return not found["well"] and any("of 2: silent for" in trouble for trouble in found["troubles"])

        async def ingest_is_well() -> bool:
            return alive(settings, "ingest")[0] == 0

        for told in (is_told, page_tells, ingest_is_well):
            assert await until(told), (told, alive(settings))
    finally:
        two[1].send_signal(signal.SIGCONT)
    assert await until(all_well), parts.log("detect")


@pytest.mark.one_kind
async def test_who_ends_is_gone_and_who_was_killed_is_forgotten_by_its_successor(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    first = parts.start("detect")

    async def one() -> bool:
        return len(await reports(store, ward, "detect")) == 1 and await well(store, ward, "detect")

    async def none() -> bool:
        return not await reports(store, ward, "detect")

    async def the_second() -> bool:
        return [one.worker.split()[1] for one in await reports(store, ward, "detect")] == [str(second.pid)]

    assert await until(one), parts.log("detect")
    first.kill()
    first.wait()
    second = parts.start("detect")
    assert await until(the_second), parts.log("detect")
    second.terminate()
    assert await until(none), parts.log("detect")
    code, said = alive(settings, "detect")
    assert (code, said.strip()) == (1, "detect: does not run")


@pytest.mark.one_kind
async def test_a_killed_worker_is_forgotten_though_its_report_is_from_the_future(ward: Ward, store: Store) -> None:
    """The server's clock was set back since; one that is alive, on a server whose clock is ahead, reports again."""
    killed, living = [WorkerReport("detect", f"another-{n} 7 ab", now_ms() + 3_600_000) for n in range(2)]

    async def reported(one: WorkerReport) -> None:
        await store.hset(ward.heartbeats, f"{one.part} {one.worker}", encode_report(one))

    await reported(killed)
    await reported(living)
    ahead = await liveness._forget(store, ward, "detect", {}, at_start=True)
    assert {one.worker for one in await reports(store, ward, "detect")} == {killed.worker, living.worker}
    await reported(msgspec.structs.replace(living, at=living.at + 1000))
    await liveness._forget(store, ward, "detect", ahead, at_start=False)
    assert {one.worker for one in await reports(store, ward, "detect")} == {living.worker}


@pytest.mark.one_kind
async def test_only_workers_of_this_machine_may_be_asked_for(settings: Settings, ward: Ward, store: Store) -> None:
    other = WorkerReport("detect", "another-machine 7 ab", now_ms() - 90_000)
    await store.hset(ward.heartbeats, "detect another", encode_report(other))
    assert "silent for" in alive(settings, "detect")[1]
    assert alive(settings, "detect", "--here") == (1, "detect: does not run\n")


@ANY_KIND
async def test_an_ingest_whose_slot_another_has_taken_is_well(
    settings: Settings, ward: Ward, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    ahead_s = 0.0
    monkeypatch.setattr(ingest_service, "StoppedSince", lambda: StoppedSince(lambda: time.monotonic() + ahead_s))
    ingest = Ingest(ward, store, settings)
    writes: list[bool] = []

    async def takes_nothing(*_: object) -> None:
        writes.append(True)
        await asyncio.Event().wait()

    ingest.write = takes_nothing  # type: ignore[method-assign,assignment]
    slot = asyncio.create_task(ingest.run_slot(0))

    async def hangs() -> bool:
        return bool(writes)

    assert await until(hangs)
    ahead_s = 60.0
    assert any("no second was written for" in trouble for trouble in ingest.troubles())
    await stop(slot)
    assert ingest.troubles() == [], "nothing of it is ours any more"


def test_a_store_that_is_away_is_no_sign_of_life() -> None:
    code, said = alive(Settings(store="redis://127.0.0.1:1/0"), "detect")
    assert code == 1
    assert "store does not answer" in said


def test_a_health_check_loads_no_client_no_loop_and_no_other_command() -> None:
    """It runs every few seconds for every part: what it imports is what it costs."""
    code = (
        "import sys; sys.argv = ['quietward', 'alive', 'detect', '--here']\n"
        "from quietward.__main__ import main\n"
        "try: main()\n"
        "except SystemExit as end: print(end.code, *sys.modules)"
    )
    environment = os.environ | {"QUIETWARD_STORE": "redis://127.0.0.1:1/0"}
    asked = [sys.executable, "-c", code]
    done = subprocess.run(asked, env=environment, capture_output=True, text=True, timeout=2 * WAIT_S, check=True)
    ended_with, *loaded = done.stdout.split()
    assert ended_with == "1"
    assert "store does not answer" in done.stderr
    assert "quietward.store.ask" in loaded
    too_much = {
        "redis",
        "asyncio",
        "prometheus_client",
        "numpy",
        "paho.mqtt.client",
        "rich.console",
        "typer",
        "pydantic",
    }
    assert not set(loaded) & too_much


@pytest.mark.parametrize("where", [("--ward", "main"), ()])
def test_a_part_that_there_is_not_is_told_with_the_nearest_one(where: tuple[str, ...]) -> None:
    """Also where the other commands are not loaded."""
    command = [sys.executable, "-m", "quietward", "alive", "detct", *where]
    done = subprocess.run(command, capture_output=True, text=True, timeout=2 * WAIT_S, check=False)
    assert done.returncode == 2
    assert "Use simulate, ingest, detect or serve; did you mean 'detect'?" in done.stderr


@dataclass
class Strict:
    """A mosquitto whose rules for everybody can be changed while it runs."""

    server: Server
    rules: Path

    def allow(self, *rules: str) -> None:
        self.rules.write_text("\n".join([*rules, ""]))
        if self.server.process is not None:
            self.server.process.send_signal(signal.SIGHUP)


@pytest.fixture
def strict(tmp_path: Path) -> Iterator[Strict]:
    port, rules = free_port(), tmp_path / "acl"
    line = broker_command("real", port, tmp_path)
    with (tmp_path / "mosquitto.conf").open("a") as file:
        file.write(f"acl_file {rules}\n")
    found = Strict(Server(line, port, tmp_path / "broker.log"), rules)
    found.allow("topic readwrite #")
    found.server.start()
    yield found
    found.server.kill()


@pytest.mark.parametrize("seats", [1, 2])
async def test_a_broker_that_takes_messages_and_delivers_none_is_told(
    settings: Settings, ward: Ward, store: Store, parts: Parts, strict: Strict, seats: int
) -> None:
    """No bed need be in use; and what ingest sends to itself is no bed, and counts nowhere."""
    parts.start(
        "ingest",
        environment={"QUIETWARD_BROKER": f"mqtt://127.0.0.1:{strict.server.port}", "QUIETWARD_SEATS": str(seats)},
    )
    assert await until(lambda: well(store, ward, "ingest")), parts.log("ingest")

    async def told(words: str) -> bool:
        return any(words in trouble for one in await reports(store, ward, "ingest") for trouble in one.troubles)

    strict.allow("topic write #")
    assert await until(lambda: told("the broker has delivered nothing for")), parts.log("ingest")
    assert alive(settings, "ingest")[0] == 1
    strict.allow("topic readwrite #")
    assert await until(lambda: well(store, ward, "ingest"), 2 * WAIT_S), parts.log("ingest")
    strict.allow("topic read #")
    assert await until(lambda: told(f"let it write to {ward.own_topic}")), parts.log("ingest")

    assert not await store.exists(ward.beds, ward.unexpected, ward.refusals, ward.refused)
    entries: Any = await store.xrange(ward.shard(0).input)
    items = [item for _, fields in entries for item in inputs_of(fields)]
    assert all(isinstance(item, Tick) for item in items)
    assert any(item.broker_is_away for item in items if isinstance(item, Tick))


async def test_a_bed_that_the_store_has_forgotten_is_unwatched_at_once(store: Store, ward: Ward) -> None:
    """A store that comes back empty: what the page remembers of its beds is no evaluation."""
    hub, now = Hub(ward, store), now_ms()
    await store.hset(
        ward.shard(0).summary, "bed-1", encode_json(summary(t=now, at=now, looked_at=now, signal_reason="remembered"))
    )
    await hub._read_state()
    assert [card.state for card in hub.cards()] == ["quiet"]
    await store.flushall()
    await hub._read_state()
    (card,) = hub.cards()
    assert (card.bed, card.state) == ("bed-1", "unwatched")
    assert "remembered" not in str(card)
