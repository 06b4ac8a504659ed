"""`quietward alive` and /health: each worker is asked whether it has worked its last second through."""

import json
import signal
import subprocess
import sys

from quietward.contracts.addresses import Ward
from quietward.contracts.liveness import WorkerReport, encode_report
from quietward.contracts.settings import Settings
from quietward.runtime.clock import now_ms
from quietward.runtime.embedded import wait_for_port
from quietward.store.client import Store
from tests.conftest import WAIT_S, Parts, reports, until, well
from tests.integration.test_flow import get


def alive(settings: Settings, *arguments: str) -> tuple[int, str]:
    where = ["--ward", settings.ward, "--store", settings.store]
    command = [sys.executable, "-m", "quietward", "alive", *arguments, *where]
    done = subprocess.run(command, capture_output=True, text=True, timeout=2 * WAIT_S, check=False)
    return done.returncode, done.stdout + done.stderr


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


async def test_only_workers_of_this_machine_may_be_asked_for(settings: Settings, ward: Ward, store: Store) -> None:
    other = WorkerReport("detect", "another-machine 7 ab", now_ms() - 90_000)
    await store.hset(ward.heartbeats, "detect another", encode_report(other))
    assert "silent for" in alive(settings, "detect")[1]
    assert alive(settings, "detect", "--here") == (1, "detect: does not run\n")


def test_a_store_that_is_away_is_no_sign_of_life() -> None:
    code, said = alive(Settings(store="redis://127.0.0.1:1/0"), "detect")
    assert code == 1
    assert "store does not answer" in said


def test_a_health_check_loads_no_client_and_no_loop() -> None:
    """It runs every few seconds for every part: what it imports is what it costs."""
    code = (
        "import sys; sys.argv = ['quietward', 'alive', '--store', 'redis://127.0.0.1:1/0']\n"
        "from quietward.cli import main\n"
        "try: main()\n"
        "except SystemExit: print(*sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=2 * WAIT_S, check=True)
    loaded = set(done.stdout.split())
    assert "quietward.store.ask" in loaded
    assert not loaded & {"redis", "asyncio", "prometheus_client", "numpy", "paho.mqtt.client", "rich.console"}
