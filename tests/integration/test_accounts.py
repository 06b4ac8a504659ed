"""The shipped access rules on real servers: a device writes to its own bed only, a part does its work and no more."""

import asyncio
import contextlib
import hashlib
import json
import re
import signal
import subprocess
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
import trustme
from msgspec import structs

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Refused
from quietward.contracts.settings import Settings, with_account
from quietward.contracts.tls import SYSTEM, Tls
from quietward.dashboard.auth import audit
from quietward.dashboard.auth.sessions import Sessions
from quietward.dashboard.history.forgetting import forget, read_forgotten
from quietward.dashboard.history.reader import read_summary
from quietward.dashboard.live.hub import Hub
from quietward.ingest.unexpected import Unexpected
from quietward.runtime import doctor
from quietward.runtime.doctor import examine
from quietward.runtime.embedded import mosquitto_settings, store_command
from quietward.simulator.service import brokers_for
from quietward.store.client import Store, connected
from quietward.transport.mqtt import MqttError, Publisher, Subscriber
from tests.conftest import (
    MOSQUITTO,
    REDIS,
    WAIT_S,
    Parts,
    Server,
    ending_with_us,
    free_port,
    require,
    set_password,
    until,
    wait_for,
    well,
)

DEPLOY = files("quietward") / "deploy"
WARD = Ward("ward-1")
PARTS = ("operator", "ingest", "detect", "serve", "simulate")
PASSWORD = "p@ss/w:rd#%, 1"
"""Every character of it that means something in a URL would have to be escaped there."""


@dataclass
class Guarded:
    """mosquitto and redis-server with the shipped rules, with TLS on request."""

    broker: str
    store: str
    folder: Path
    tls: Tls
    mosquitto: Server

    def as_user(self, name: str) -> str:
        return with_account(self.store, name, PASSWORD)

    def set_password(self, account: str, password: str) -> None:
        """Give an account at the broker a password, while it runs."""
        set_password(self.folder / "passwords", account, password)
        assert self.mosquitto.process is not None
        self.mosquitto.process.send_signal(signal.SIGHUP)


@pytest.fixture(params=["plain", "tls"])
def guarded(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Guarded]:
    """Both servers with the shipped files, as their comments say."""
    is_tls = request.param == "tls"
    broker, store = require(MOSQUITTO, "mosquitto"), require(REDIS, "redis-server")
    broker_port, store_port = free_port(), free_port()
    tls, certificates = SYSTEM, list[str]()
    if is_tls:
        ca = trustme.CA()
        own = ca.issue_cert("localhost")
        ca.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
        own.cert_chain_pems[0].write_to_path(str(tmp_path / "certificate.pem"))
        own.private_key_pem.write_to_path(str(tmp_path / "key.pem"))
        tls = Tls(str(tmp_path / "ca.pem"))
        certificates = [
            "--tls-port", str(store_port), "--tls-cert-file", str(tmp_path / "certificate.pem"),
            "--tls-key-file", str(tmp_path / "key.pem"), "--tls-auth-clients", "no",
        ]  # fmt: skip

    for account, password in {"ingest": PASSWORD, "ward-1/bed-1": "one", "ward-1/bed-2": "t:w#o"}.items():
        set_password(tmp_path / "passwords", account, password)
    config = (DEPLOY / "mosquitto-accounts.conf").read_text()
    if is_tls:
        config = re.sub(r"(?m)^#(listener|certfile|keyfile|tls_version)", r"\1", config)
        config = config.replace("listener 1883\n", "").replace("listener 8883", f"listener {broker_port} 127.0.0.1")
    config = config.replace("listener 1883", f"listener {broker_port} 127.0.0.1")
    config = config.replace("/mosquitto/config/mosquitto.acl", str(DEPLOY / "mosquitto.acl"))
    config = config.replace("/mosquitto/config", str(tmp_path)).replace("/mosquitto/data", str(tmp_path))
    (tmp_path / "mosquitto.conf").write_text(config + "user root\n")

    users = (DEPLOY / "redis-users.conf").read_text()
    digest = hashlib.sha256(PASSWORD.encode()).hexdigest()
    (tmp_path / "users.conf").write_text(re.sub(r"SHA256-OF-THE-PASSWORD-OF-\w+", digest, users))
    line = [store, str(tmp_path / "users.conf"), *store_command(0 if is_tls else store_port, tmp_path)[1:]]
    servers = [
        Server([broker, "-c", str(tmp_path / "mosquitto.conf")], broker_port, tmp_path / "mosquitto.log"),
        Server([*line, *certificates], store_port, tmp_path / "redis.log"),
    ]
    s = "s" if is_tls else ""
    try:
        for server in servers:
            server.start()
        yield Guarded(
            f"mqtt{s}://localhost:{broker_port}", f"redis{s}://localhost:{store_port}/0", tmp_path, tls, servers[0]
        )
    finally:
        for server in servers:
            server.kill()


async def test_a_device_writes_to_its_own_bed_only(guarded: Guarded) -> None:
    refused: list[str] = []
    device = with_account(guarded.broker, "ward-1/bed-1", "one")
    reader = with_account(guarded.broker, "ingest", PASSWORD)
    async with Subscriber(reader, "i", WARD.all_topics, tls=guarded.tls) as ingest:
        async with Publisher(device, "d1", WARD.status_topic("bed-1"), refused.append, guarded.tls) as out:
            await out.publish(WARD.samples_topic("bed-1"), b"own")
            assert await out.settle(WAIT_S) == 0
        assert [m.payload for m in await ingest.next_batch()] == [b"own"]
        assert refused == []
        with contextlib.suppress(MqttError):  # this broker closes the connection after it has refused
            async with Publisher(device, "d2", WARD.status_topic("bed-1"), refused.append, guarded.tls) as out:
                await out.publish(WARD.samples_topic("bed-2"), b"foreign")

                async def told() -> bool:
                    return bool(refused)

                assert await until(told)
        assert refused == [WARD.samples_topic("bed-2")]


async def test_a_device_reads_nothing(guarded: Guarded) -> None:
    """mosquitto grants the subscription, and delivers nothing to it: not of others, not its own, not its $SYS."""
    device = with_account(guarded.broker, "ward-1/bed-1", "one")
    other = with_account(guarded.broker, "ward-1/bed-2", "t:w#o")
    reader = with_account(guarded.broker, "ingest", PASSWORD)
    topics = ("#", "$SYS/#", WARD.samples_topic("bed-1"), WARD.samples_topic("bed-2"))
    async with (
        Subscriber(device, "spy", *topics, tls=guarded.tls) as spy,
        Subscriber(reader, "i", WARD.all_topics, tls=guarded.tls) as ingest,
    ):
        for bed, url in (("bed-1", device), ("bed-2", other)):
            async with Publisher(url, f"d-{bed}", WARD.status_topic(bed), print, guarded.tls) as out:
                await out.publish(WARD.samples_topic(bed), b"secret")
                assert await out.settle() == 0
            assert [m.payload for m in await ingest.next_batch()] == [b"secret"]
        assert spy._received == []


async def test_a_device_cannot_take_the_session_of_ingest(guarded: Guarded) -> None:
    """It can use the name, which ends ingest's connection, but gets nothing of what the session should deliver."""
    device = with_account(guarded.broker, "ward-1/bed-1", "one")
    reader = with_account(guarded.broker, "ingest", PASSWORD)
    async with Subscriber(reader, "ingest-session", WARD.all_topics, tls=guarded.tls):
        pass
    async with Publisher(device, "d", WARD.status_topic("bed-1"), print, guarded.tls) as out:
        await out.publish(WARD.samples_topic("bed-1"), b"waiting")
        assert await out.settle() == 0
        async with Subscriber(device, "ingest-session", tls=guarded.tls) as thief:
            await out.publish(WARD.samples_topic("bed-1"), b"new")
            assert await out.settle() == 0
            await asyncio.sleep(0.5)
            assert thief._received == []


async def test_what_comes_after_the_broker_was_killed_waits_for_ingest(guarded: Guarded) -> None:
    """mosquitto 2.0.11 with access rules loses it, and tells devices that it was taken, where ingest has no account."""
    device = with_account(guarded.broker, "ward-1/bed-1", "one")
    reader = with_account(guarded.broker, "ingest", PASSWORD)
    async with Subscriber(reader, "ingest-session", WARD.all_topics, tls=guarded.tls):
        assert guarded.mosquitto.process is not None
        guarded.mosquitto.process.send_signal(signal.SIGUSR1)  # save what there is now
        assert wait_for((guarded.folder / "mosquitto.db").exists)
        guarded.mosquitto.kill()
    guarded.mosquitto.start()
    said: list[str] = []
    async with Publisher(device, "d", WARD.status_topic("bed-1"), print, guarded.tls) as out:
        await out.publish(
            WARD.samples_topic("bed-1"), b"early", answered=partial(said.append, "taken"),
            unheard=partial(said.append, "unheard"),
        )  # fmt: skip
        assert await out.settle(WAIT_S) == 0
    assert said == ["taken"]
    async with (
        Subscriber(reader, "ingest-session", WARD.all_topics, tls=guarded.tls) as ingest,
        asyncio.timeout(WAIT_S),
    ):
        assert [m.payload for m in await ingest.next_batch() if m.topic == WARD.samples_topic("bed-1")] == [b"early"]


async def test_a_wrong_password_is_said_and_not_shown(guarded: Guarded) -> None:
    url = with_account(guarded.broker, "ward-1/bed-1", "secret")
    with pytest.raises(Refused, match="refuses us") as caught:
        async with Publisher(url, "d3", WARD.status_topic("bed-1"), print, guarded.tls):
            pass
    assert "secret" not in str(caught.value)
    with pytest.raises(Refused, match="refuses us") as caught:
        async with connected(with_account(guarded.store, "serve", "secret"), guarded.tls):
            pass
    assert "secret" not in str(caught.value)
    with pytest.raises(Refused):
        async with connected(guarded.store, guarded.tls):
            pass


SHARD = "quietward:{ward-1:0}"
WHOLE = "quietward:{ward-1}"
MAY: dict[str, tuple[str, ...]] = {
    "ingest": (
        f"XADD {SHARD}:input * e x",
        f"SADD {WHOLE}:beds bed-1",
        f"SMEMBERS {WHOLE}:beds",
        f"XADD {WHOLE}:refused * e x",
    ),
    "detect": (
        f"XREAD STREAMS {SHARD}:input 0",
        f"XADD {SHARD}:log:bed-1 * e x",
        f"HSET {SHARD}:summary bed-1 x",
        f"XADD {SHARD}:input * e x",
    ),
    "serve": (
        f"XADD {SHARD}:input * e x",
        f"XRANGE {SHARD}:log:bed-1 - +",
        f"SET {WHOLE}:secret x NX",
        f"DEL {SHARD}:log:bed-1:2 {SHARD}:trend:bed-1:2",
    ),
    "simulate": (f"XADD {SHARD}:input * e x", f"XREAD STREAMS {SHARD}:input 0"),
}
MAY_NOT: dict[str, tuple[str, ...]] = {
    "ingest": (
        f"XREAD STREAMS {SHARD}:input 0", f"XRANGE {SHARD}:log:bed-1 - +", f"HGETALL {SHARD}:summary",
        f"HSET {SHARD}:summary bed-1 x", f"GET {WHOLE}:secret", f"SADD {WHOLE}:taken-in bed-9",
    ),
    "detect": (
        f"XTRIM {SHARD}:input MAXLEN 0", f"XDEL {SHARD}:input 1-1", f"DEL {SHARD}:input", f"GET {WHOLE}:secret",
        f"SADD {WHOLE}:beds bed-1", f"XADD {WHOLE}:audit * e x",
    ),
    "serve": (
        f"XTRIM {SHARD}:input MAXLEN 0", f"XDEL {SHARD}:input 1-1", f"DEL {SHARD}:input",
        f"XADD {SHARD}:log:bed-1 * e x", f"HSET {SHARD}:summary bed-1 x", f"SET {SHARD}:position 1-1",
        f"DEL {WHOLE}:audit", f"DEL {SHARD}:log:bed-1", f"HSET {WHOLE}:layout shards 9", f"SADD {WHOLE}:beds bed-1",
        "EVALSHA x 0",
    ),
    "simulate": (
        f"XRANGE {SHARD}:log:bed-1 - +", f"HGETALL {SHARD}:summary", f"GET {WHOLE}:secret",
        f"XTRIM {SHARD}:input MAXLEN 0",
    ),
}  # fmt: skip
NOBODY_MAY = ("FLUSHALL", "CONFIG GET *", "ACL LIST", "KEYS *", "SHUTDOWN", "DEBUG SLEEP 0", "MONITOR", "SET other x",
              "REPLICAOF 192.0.2.1 1", "SAVE")  # fmt: skip


@pytest.mark.parametrize("guarded", ["plain"], indirect=True)
async def test_a_user_may_do_what_its_part_does_and_nothing_else(guarded: Guarded) -> None:
    async with connected(guarded.as_user("operator"), guarded.tls) as operator:
        for user, commands in MAY.items():
            for command in commands:
                assert await operator.acl_dryrun(user, *command.split()) == b"OK", (user, command)
        for user, commands in MAY_NOT.items():
            for command in (*commands, *NOBODY_MAY):
                assert await operator.acl_dryrun(user, *command.split()) != b"OK", (user, command)


async def test_a_whole_ward_works_with_accounts(guarded: Guarded) -> None:
    """Every part with its own user, passwords from files: nothing that it does is refused by the store's rules, an act
    of the page arrives, a woman is moved, and no password stands in any log.
    """
    (guarded.folder / "secret").write_text(PASSWORD + "\n")
    devices = guarded.folder / "devices"
    devices.write_text("ward-1/bed-1:one\nward-1/bed-2:t:w#o\n")
    settings = Settings(port=free_port())
    parts = Parts(settings, guarded.folder)
    common = {
        "QUIETWARD_TLS_CA": guarded.tls.ca,
        "QUIETWARD_STORE_PASSWORD_FILE": str(guarded.folder / "secret"),
        "QUIETWARD_CHECKPOINT_S": "1",
    }
    try:
        for part in ("ingest", "detect", "serve", "simulate"):
            own = common | {"QUIETWARD_STORE": guarded.store.replace("://", f"://{part}@")}
            if part == "ingest":
                own["QUIETWARD_BROKER"] = guarded.broker.replace("://", "://ingest@")
                own["QUIETWARD_BROKER_PASSWORD_FILE"] = str(guarded.folder / "secret")
            if part == "simulate":
                own |= {"QUIETWARD_BROKER": guarded.broker, "QUIETWARD_DEVICE_PASSWORDS": str(devices)}
            parts.start(part, *(("--beds", "2") if part == "simulate" else ()), environment=own)
        async with connected(guarded.as_user("operator"), guarded.tls) as operator:
            for part in ("ingest", "detect", "serve", "simulate"):
                assert await until(lambda part=part: well(operator, WARD, part), 90), parts.log(part)  # type: ignore[misc]

            async def has_beds() -> bool:
                found: Any = await operator.hkeys(WARD.shard(0).summary)
                return sorted(found) == [b"bed-1", b"bed-2"]

            assert await until(has_beds), [parts.log(part) for part in ("simulate", "ingest", "detect")]
            turned = {"type": "care", "bed": "bed-1", "what": "turned", "by": "Nora"}
            assert await until(lambda: asyncio.to_thread(_is_taken, settings.port, turned))

            async def has_note() -> bool:
                return any(b"turned to the side" in fields[b"e"] for _, fields in await _log(operator, "bed-1"))

            assert await until(has_note), await _log(operator, "bed-1")

            for act in (
                {"type": "leave", "bed": "bed-2", "by": "Nora"},
                {"type": "move", "bed": "bed-1", "to": "bed-2", "by": "Nora"},
            ):
                assert await asyncio.to_thread(_is_taken, settings.port, act)

            async def is_moved() -> bool:
                here, there = [await read_summary(operator, WARD, bed) for bed in ("bed-1", "bed-2")]
                assert here is not None
                assert there is not None
                came_from = [] if there.stay is None else there.stay.came_from
                return not here.moving_to and [before.bed for before in came_from] == ["bed-1"]

            assert await until(is_moved), parts.log("detect")

            async def is_saved() -> bool:
                return bool(await operator.exists(WARD.shard(0).checkpoint))

            assert await until(is_saved), parts.log("detect")
            parts.end()
            assert await _denied(operator) == []
        for log in guarded.folder.glob("*.log"):
            assert PASSWORD not in log.read_text(), log
            assert "p%40ss" not in log.read_text(), log
        asked = structs.replace(
            settings, broker=with_account(guarded.broker, "ingest", PASSWORD), store=guarded.as_user("serve"),
            tls_ca=guarded.tls.ca,
        )  # fmt: skip
        found = await asyncio.to_thread(examine, asked, lambda: "")
        seen = {one.what: one for one in found}
        assert seen["broker"].well, seen["broker"]
        assert seen["store"].well, seen["store"]
        assert not any(PASSWORD in f"{one}" or "p%40ss" in f"{one}" for one in found)
    finally:
        parts.end()


async def _denied(operator: Store) -> list[Any]:
    """What the store has refused to its users since it was last asked."""
    found: Any = await operator.execute_command("ACL", "LOG")  # type: ignore[no-untyped-call]
    return list(found)


@pytest.mark.parametrize("guarded", ["plain"], indirect=True)
async def test_the_page_signs_in_and_takes_in_as_its_user(guarded: Guarded) -> None:
    async with (
        connected(guarded.as_user("operator")) as operator,
        connected(guarded.as_user("serve")) as store,
        connected(guarded.as_user("ingest")) as of_ingest,
    ):
        unexpected = Unexpected(of_ingest, WARD)
        await unexpected.read()
        await unexpected.note(["bed-9"], 0)
        sessions, hub = Sessions(store, WARD), Hub(WARD, store)
        assert await sessions.count_attempt("Nora", "192.0.2.1", is_known=True) == 0
        assert [await sessions.count_attempt("Nora", "192.0.2.1", is_known=True) for _ in range(5)][-1] > 0
        await sessions.undo_attempt("Nora", "192.0.2.1")
        session = await sessions.read(await sessions.begin("Nora", "1"))
        assert session is not None
        await sessions.end(session)
        await audit.append(store, WARD, "Nora", "nurse", "looked")
        await audit.append(store, WARD, "Nora", "nurse", "did", refused=True)
        assert len(await audit.read_newest(store, WARD)) == 2
        await hub.take_in("bed-9")
        await unexpected.note(["bed-9"], 10_000)
        assert unexpected.taken_in == {"bed-9"}
        await forget(store, WARD, "bed-1", 2)
        assert len(await read_forgotten(store, WARD)) == 1
        assert await _denied(operator) == []


def _is_taken(port: int, act: dict[str, str]) -> bool:
    """Do something at a bed; False while the page has not read of it yet."""
    body = json.dumps(act).encode()
    request = urllib.request.Request(f"http://127.0.0.1:{port}/act", body, {"content-type": "application/json"})
    try:
        with urllib.request.urlopen(request, timeout=10) as answer:
            return bool(answer.status == 204)
    except urllib.error.HTTPError as error:
        if error.code != 404:
            raise
        return False


async def _log(store: Store, bed: str) -> list[tuple[bytes, dict[bytes, bytes]]]:
    found: Any = await store.xrange(WARD.shard(0).log(bed))
    return list(found)


@pytest.mark.parametrize("guarded", ["plain"], indirect=True)
async def test_a_refused_device_waits_and_harms_no_other(guarded: Guarded) -> None:
    devices = guarded.folder / "devices"
    devices.write_text("ward-1/bed-1:one\nward-1/bed-2:wrong\n")
    parts = Parts(Settings(broker=guarded.broker, store=guarded.as_user("simulate")), guarded.folder)
    reader = with_account(guarded.broker, "ingest", PASSWORD)
    try:
        async with Subscriber(reader, "i", WARD.samples_topic("+"), tls=guarded.tls) as ingest:
            parts.start("simulate", "--beds", "2", environment={"QUIETWARD_DEVICE_PASSWORDS": str(devices)})
            heard: set[str] = set()

            async def hears(bed: str, within_s: float) -> bool:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(within_s):
                        while WARD.samples_topic(bed) not in heard:
                            batch = await ingest.next_batch()
                            ingest.acknowledge(batch)
                            heard.update(one.topic for one in batch)
                return WARD.samples_topic(bed) in heard

            assert await hears("bed-1", 60), parts.log("simulate")

            async def refused_often() -> bool:
                return parts.log("simulate").count("broker refuses us") >= 4

            assert await until(refused_often, 60)
            waits = [float(found) for found in re.findall(r"refuses us.*next try in ([\d.]+) s", parts.log("simulate"))]
            assert max(waits) > 2 * waits[0], "it waits longer each time"
            assert len(set(waits)) > 2
            assert "wrong" not in parts.log("simulate")
            assert WARD.samples_topic("bed-2") not in heard
            guarded.set_password("ward-1/bed-2", "wrong")
            assert await hears("bed-2", 60), "once its password is right it comes"
    finally:
        parts.end()


def test_every_device_needs_its_line(tmp_path: Path) -> None:
    (tmp_path / "devices").write_text("ward-1/bed-1:one\n")
    settings = Settings(broker="mqtts://ingest:secret@h:1", device_passwords=str(tmp_path / "devices"))
    assert brokers_for(settings, ["bed-1"]) == ["mqtts://ward-1%2Fbed-1:one@h:1"]
    with pytest.raises(BadSettings, match="ward-1/bed-2"):
        brokers_for(settings, ["bed-1", "bed-2"])


def test_redis_refuses_the_file_until_its_passwords_are_set(tmp_path: Path) -> None:
    store = require(REDIS, "redis-server")
    line = [store, str(DEPLOY / "redis-users.conf"), *store_command(free_port(), tmp_path)[1:]]
    done = subprocess.run(line, capture_output=True, text=True, check=False, timeout=30)
    assert done.returncode != 0


def test_doctor_names_servers_that_are_open_to_others(tmp_path: Path) -> None:
    """On 127.0.0.2, which is as far away as a test may go."""
    broker, store = require(MOSQUITTO, "mosquitto"), require(REDIS, "redis-server")
    broker_port, store_port = free_port(), free_port()
    config = mosquitto_settings(broker_port, tmp_path)
    config.write_text(config.read_text().replace("127.0.0.1", "127.0.0.2"))
    line = ["127.0.0.2" if one == "127.0.0.1" else one for one in store_command(store_port, tmp_path)[1:]]
    processes = [subprocess.Popen(ending_with_us(one)) for one in ([broker, "-c", str(config)], [store, *line])]
    try:
        open_ward = Settings(broker=f"mqtt://127.0.0.2:{broker_port}", store=f"redis://127.0.0.2:{store_port}/0")

        def doors() -> dict[str, bool]:
            found = examine(open_ward, lambda: "")
            return {
                one.what: one.well for one in found if one.what.startswith(("connection to", "broker's", "store's acc"))
            }

        wanted = dict.fromkeys(
            ("connection to the broker", "broker's accounts", "connection to the store", "store's accounts"), False
        )
        assert wait_for(lambda: doors() == wanted), doors()
    finally:
        for process in processes:
            process.kill()
            process.wait()


@pytest.mark.parametrize("has_rules", [True, False])
def test_doctor_says_when_accounts_may_write_anything(has_rules: bool, tmp_path: Path) -> None:
    """Passwords alone let any device write under the name of any bed."""
    broker, port = require(MOSQUITTO, "mosquitto"), free_port()
    set_password(tmp_path / "passwords", "ingest", "secret")
    rules = f"acl_file {DEPLOY / 'mosquitto.acl'}\n" if has_rules else ""
    config = tmp_path / "mosquitto.conf"
    config.write_text(
        f"listener {port} 127.0.0.2\nallow_anonymous false\npassword_file {tmp_path / 'passwords'}\nuser root\n{rules}"
    )
    process = subprocess.Popen([broker, "-c", str(config)])
    try:
        settings = Settings(broker=with_account(f"mqtt://127.0.0.2:{port}", "ingest", "secret"))

        def found() -> dict[str, bool]:
            return {one.what: one.well for one in asyncio.run(doctor._broker(settings))}

        assert wait_for(lambda: found()["broker"])
        assert found() | {"broker's accounts": True, "broker's access rules": has_rules} == found()
    finally:
        process.kill()
        process.wait()
