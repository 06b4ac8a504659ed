"""TLS on real mosquitto and redis-server, on loopback, with certificates made here: it works, or says what is wrong."""

import asyncio
import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import pytest
import trustme
from msgspec import structs

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable
from quietward.contracts.settings import Settings, load
from quietward.contracts.tls import Tls
from quietward.runtime.doctor import examine
from quietward.runtime.embedded import mosquitto_settings, store_command
from quietward.store.ask import ask
from quietward.store.client import PipelinedConnections, connected
from quietward.transport.mqtt import Publisher, Subscriber
from tests.conftest import MOSQUITTO, REDIS, Parts, Server, free_port, require, until, well

EXPIRED = dt.datetime(2020, 1, 1, tzinfo=dt.UTC)


@dataclass
class Secured:
    """A broker and a store that speak nothing but TLS, and who may be believed."""

    broker_port: int
    store_port: int
    tls: Tls

    def broker(self, host: str = "localhost") -> str:
        return f"mqtts://{host}:{self.broker_port}"

    def store(self, host: str = "localhost") -> str:
        return f"rediss://{host}:{self.store_port}/0"


Secure = Callable[..., Secured]


@pytest.fixture
def secure(tmp_path: Path) -> Iterator[Secure]:
    """Start a broker and a store with a certificate."""
    servers: list[Server] = []

    def start(name: str = "localhost", *, expired: bool = False, asks_for_certificate: bool = False) -> Secured:
        broker, store = require(MOSQUITTO, "mosquitto"), require(REDIS, "redis-server")
        ca = trustme.CA()
        own = ca.issue_cert(name, not_after=EXPIRED if expired else None)
        ca_file, certificate, key = (str(tmp_path / f"{one}.pem") for one in ("ca", "certificate", "key"))
        ca.cert_pem.write_to_path(ca_file)
        own.cert_chain_pems[0].write_to_path(certificate)
        own.private_key_pem.write_to_path(key)
        broker_port, store_port = free_port(), free_port()
        config = mosquitto_settings(broker_port, tmp_path)
        config.write_text(
            f"{config.read_text()}cafile {ca_file}\ncertfile {certificate}\nkeyfile {key}\n"
            f"require_certificate {str(asks_for_certificate).lower()}\n"
        )
        line = [store, *store_command(0, tmp_path)[1:]]
        line += ["--tls-port", str(store_port), "--tls-cert-file", certificate, "--tls-key-file", key]
        line += ["--tls-ca-cert-file", ca_file, "--tls-auth-clients", "yes" if asks_for_certificate else "no"]
        for program, port in (([broker, "-c", str(config)], broker_port), (line, store_port)):
            server = Server(program, port, tmp_path / f"{Path(program[0]).name}.log")
            servers.append(server)
            server.start()
        return Secured(
            broker_port, store_port, Tls(ca_file, certificate, key) if asks_for_certificate else Tls(ca_file)
        )

    yield start
    for server in servers:
        server.kill()


async def refusal(secured: Secured, tls: Tls, host: str = "localhost") -> list[str]:
    """What publisher, subscriber, store and health check say when they must not connect."""
    said: list[str] = []
    with pytest.raises(Unreachable) as caught:
        async with Publisher(secured.broker(host), "p", "w", lambda _: None, tls):
            pass
    said.append(str(caught.value))
    with pytest.raises(Unreachable) as caught:
        async with Subscriber(secured.broker(host), "s", "t", tls=tls):
            pass
    said.append(str(caught.value))
    with pytest.raises(Unreachable) as caught:
        async with connected(secured.store(host), tls):
            pass
    said.append(str(caught.value))
    with pytest.raises(Unreachable) as caught:
        ask(secured.store(host), tls, "PING")
    said.append(str(caught.value))
    assert all("\n" not in line for line in said)
    return said


async def test_messages_and_commands_go_through_tls(secure: Secure) -> None:
    secured = secure()
    ward, tls = Ward("w"), secured.tls
    sent = [b"%06d" % n + b"x" * (n % 3000) for n in range(3000)]  # many records, read ahead and in one turn
    async with Subscriber(secured.broker(), "s", ward.all_topics, tls=tls) as ingest:
        async with Publisher(secured.broker(), "p", ward.status_topic("b"), print, tls) as out:
            for payload in sent:
                await out.publish(ward.samples_topic("b"), payload)
            assert await out.settle(30) == 0
        got: list[bytes] = []
        while len(got) < len(sent):
            batch = await ingest.next_batch()
            ingest.acknowledge(batch)
            got += [one.payload for one in batch]
    assert got == sent
    async with connected(secured.store(), tls) as store, PipelinedConnections() as connections:
        assert await connections.execute(store, ("SET", "a", b"x" * 200_000), ("STRLEN", "a")) == [b"OK", 200_000]
    assert ask(secured.store(), tls, "STRLEN", "a") == 200_000


async def test_another_ca_is_not_believed(secure: Secure, tmp_path: Path) -> None:
    secured = secure()
    other = tmp_path / "other.pem"
    trustme.CA().cert_pem.write_to_path(str(other))
    for tls in (Tls(str(other)), Tls()):
        for line in await refusal(secured, tls):
            assert "of a CA that is not trusted" in line
            assert f"QUIETWARD_TLS_CA to the file of that CA's certificate; trusted now: {tls.believed}" in line


async def test_an_expired_certificate_is_not_believed(secure: Secure) -> None:
    secured = secure(expired=True)
    for line in await refusal(secured, secured.tls):
        assert "certificate that has expired" in line


async def test_a_certificate_for_another_name_is_not_believed(secure: Secure) -> None:
    secured = secure("broker.invalid")
    for host in ("localhost", "127.0.0.1"):
        for line in await refusal(secured, secured.tls, host):
            assert "certificate for another name" in line
            assert host in line


async def test_a_server_that_asks_for_a_certificate_gets_ours(secure: Secure) -> None:
    secured = secure(asks_for_certificate=True)
    async with Publisher(secured.broker(), "p", "w", print, secured.tls) as out:
        await out.publish("t", b"x")
        assert await out.settle() == 0
    assert ask(secured.store(), secured.tls, "PING") == b"PONG"
    async with connected(secured.store(), secured.tls) as store:
        assert await store.ping()
    with pytest.raises(Unreachable):
        async with Publisher(secured.broker(), "p", "w", print, Tls(secured.tls.ca)):
            pass
    with pytest.raises(Unreachable):
        async with connected(secured.store(), Tls(secured.tls.ca)):
            pass


async def test_tls_to_a_plain_port_and_plain_to_a_tls_port_are_told(
    broker: str, store_server: Server, secure: Secure
) -> None:
    plain = Secured(int(broker.rpartition(":")[2]), store_server.port, Tls())
    said = await refusal(plain, Tls())
    assert all("mqtt://" in line for line in said[:2]), said
    assert all("redis://" in line for line in said[2:]), said
    secured = secure()
    with pytest.raises(Unreachable, match="mqtts:// if it wants TLS"):
        async with Publisher(secured.broker().replace("mqtts", "mqtt"), "p", "w", print):
            pass
    with pytest.raises(Unreachable, match="rediss:// if it wants TLS"):
        async with connected(secured.store().replace("rediss", "redis")):
            pass


def test_files_that_cannot_be_used_are_told_at_the_start(tmp_path: Path) -> None:
    empty = tmp_path / "empty.pem"
    empty.write_text("nothing")
    address = {"QUIETWARD_BROKER": "mqtts://localhost"}
    for name, path in (("TLS_CA", str(tmp_path / "none.pem")), ("TLS_CA", str(empty)), ("TLS_KEY", str(empty))):
        with pytest.raises(BadSettings) as caught:
            load({}, address | {f"QUIETWARD_{name}": path})
        assert path[-30:] in str(caught.value)
        assert name.lower() in str(caught.value)


async def test_a_whole_ward_speaks_tls(secure: Secure, tmp_path: Path) -> None:
    secured = secure()
    settings = Settings(ward="tls", broker=secured.broker(), store=secured.store(), port=free_port())
    environment = {"QUIETWARD_TLS_CA": secured.tls.ca}
    ward, parts = Ward("tls"), Parts(settings, tmp_path)
    try:
        for part in ("ingest", "detect", "serve"):
            parts.start(part, environment=environment)
        parts.start("simulate", "--beds", "2", environment=environment)
        async with connected(settings.store, secured.tls) as store:
            for part in ("ingest", "detect", "serve", "simulate"):
                assert await until(lambda part=part: well(store, ward, part), 60), (part, parts.log(part))  # type: ignore[misc]

            async def has_beds() -> bool:
                return cast("int", await cast("Any", store).hlen(ward.shard(0).summary)) == 2

            assert await until(has_beds, 60)
        own = structs.replace(settings, tls_ca=secured.tls.ca)
        seen = {one.what: one for one in await asyncio.to_thread(examine, own, lambda: "")}
        assert seen["broker"].well, seen["broker"]
        assert seen["store"].well, seen["store"]
    finally:
        parts.end()
