"""A device keeps what the broker has not answered for; the end of a connection is noticed at once."""

import asyncio
import signal
import socket
import struct
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import pytest
import uvloop

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import Unreachable
from quietward.contracts.inputs import Block, decode_inputs
from quietward.contracts.settings import Settings
from quietward.simulator.device import Device
from quietward.simulator.outbox import Outbox
from quietward.simulator.service import play_all, troubles
from quietward.simulator.sources import RecordedStrip
from quietward.store.client import Store
from quietward.transport import mqtt
from quietward.transport.mqtt import MqttError, Publisher, Subscriber
from tests.conftest import WAIT_S, Parts, Server, broker_command, free_port, reports, stop, until, wait_for, well
from tests.traces import flat

SECONDS = 4800


@pytest.fixture
def forgetful_broker(kind: str, tmp_path: Path) -> Iterator[Server]:
    """A broker that has forgotten everything when it is started again."""
    port = free_port()
    command = broker_command(kind, port, tmp_path)
    if kind == "real":
        config = tmp_path / "mosquitto.conf"
        config.write_text(config.read_text().replace("persistence true", "persistence false"))
    server = Server(command, port, tmp_path / "broker.log")
    server.start()
    yield server
    server.kill()


def waiting_for(ingest_is_back: asyncio.Event) -> type:
    """Return what tries again when ingest is back: a broker that has forgotten ingest's subscription, too, takes what
    comes before that and hands it to nobody, and the embedded one does not say so.
    """

    class Patient:
        def __init__(self, *_: object) -> None:
            pass

        def worked(self) -> None:
            pass

        async def wait(self, _: object) -> None:
            await ingest_is_back.wait()

    return Patient


async def test_a_broker_that_dies_costs_a_device_no_second(
    forgetful_broker: Server,
    settings: Settings,
    ward: Ward,
    store: Store,
    tmp_path: Path,
    kind: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    settings = msgspec.structs.replace(settings, broker=f"mqtt://127.0.0.1:{forgetful_broker.port}")
    ingest_is_back = asyncio.Event()

    if kind == "embedded":
        monkeypatch.setattr("quietward.simulator.device.Backoff", waiting_for(ingest_is_back))
    parts = Parts(settings, tmp_path)
    device = Device(ward, RecordedStrip("bed-1", flat(140, SECONDS), flat(10, SECONDS), "test"), speed=400)

    async def ingest_has_connected(times: int) -> bool:
        return parts.log("ingest").count("connected to the broker") >= times

    async def stored() -> list[int]:
        """Sequence numbers in the input stream, each where it comes first."""
        entries: Any = await store.xrange(ward.shard(0).input)
        items = [item for _, fields in entries for item in decode_inputs(fields[b"e"])]
        return list(dict.fromkeys(item.seq for item in items if isinstance(item, Block)))

    async def is_in_the_middle() -> bool:
        return device.played >= SECONDS // 8

    async def waits_for_many() -> bool:
        return len(device.outbox) >= 50

    async def what_was_answered_is_stored() -> bool:
        answered = set(range(device.played)) - device.outbox.unanswered.keys()
        return answered <= set(await stored())

    async def all_is_stored() -> bool:
        return len(await stored()) == SECONDS

    try:
        parts.start("ingest")
        assert await until(lambda: ingest_has_connected(1))
        playing = asyncio.create_task(device.play(settings.broker))
        assert await until(is_in_the_middle)
        # Stopped first: what is under way when it dies has not been answered for. A broker may also answer before it
        # hands on; what it alone has dies with it, and it is let go on until there is no such thing.
        assert forgetful_broker.process is not None
        for _ in range(8):
            forgetful_broker.process.send_signal(signal.SIGSTOP)
            assert await until(waits_for_many)
            if await until(what_was_answered_is_stored, 2):
                break
            forgetful_broker.process.send_signal(signal.SIGCONT)
            await asyncio.sleep(0.1)
        assert await what_was_answered_is_stored()
        assert device.played < SECONDS
        forgetful_broker.kill()
        forgetful_broker.start()
        assert await until(lambda: ingest_has_connected(2)), parts.log("ingest")
        assert not playing.done()
        ingest_is_back.set()
        async with asyncio.timeout(2 * WAIT_S):
            await playing
        assert not device.outbox
        assert await until(all_is_stored), parts.log("ingest")
        assert await stored() == list(range(SECONDS)), "out of their order"
    finally:
        parts.end()


@pytest.mark.one_kind
async def test_what_a_broker_has_nobody_for_is_kept_and_sent_again(forgetful_broker: Server, kind: str) -> None:
    """Once somebody has taken something. The embedded broker does not say that there is nobody."""
    if kind == "embedded":
        pytest.skip("the embedded broker does not say that nobody subscribes")
    url, topic, outbox = f"mqtt://127.0.0.1:{forgetful_broker.port}", "t/samples", Outbox()
    subscribed = partial(Subscriber, url, "ingest", f"$share/ingest/{topic}")

    async def sent(numbers: range) -> None:
        async with Publisher(url, "device", "", print) as out:
            await outbox.send_all(out)
            for number in numbers:
                await outbox.send(out, outbox.add(topic, str(number).encode()))
            assert await out.settle(WAIT_S) == 0

    async def taken(subscriber: Subscriber, wanted: list[str]) -> None:
        found: list[str] = []
        async with asyncio.timeout(WAIT_S):
            while len(found) < len(wanted):
                found += [message.payload.decode() for message in await subscriber.next_batch()]
        assert found == wanted

    await sent(range(1))
    assert not outbox, "nobody has ever subscribed"
    async with subscribed() as subscriber:
        await sent(range(1, 3))
        await taken(subscriber, ["1", "2"])
    forgetful_broker.kill()
    forgetful_broker.start()
    await sent(range(3, 5))
    assert len(outbox) == 2
    with pytest.raises(MqttError, match="not subscribed yet"):
        outbox.check_heard()
    async with subscribed() as subscriber:
        await sent(range(5, 6))
        await taken(subscriber, ["3", "4", "5"])
    assert not outbox


async def test_devices_that_do_not_reach_their_broker_are_told(
    forgetful_broker: Server, settings: Settings, ward: Ward
) -> None:
    """Else their part would say that all is well while no bed has data."""
    settings = msgspec.structs.replace(settings, broker=f"mqtt://127.0.0.1:{forgetful_broker.port}")
    strips = [RecordedStrip(f"bed-{n}", flat(140, SECONDS), flat(10, SECONDS), "test") for n in (1, 2)]
    devices = [Device(ward, strip, speed=4) for strip in strips]

    async def all_play() -> bool:
        return all(device.played for device in devices) and troubles(devices) == []

    async def is_told() -> bool:
        return troubles(devices) == ["2 of 2 devices do not reach the broker"]

    playing = asyncio.create_task(play_all(settings, devices))
    try:
        assert await until(all_play)
        forgetful_broker.kill()
        assert await until(is_told)
        forgetful_broker.start()
        assert await until(all_play)
    finally:
        await stop(playing)


async def test_an_ingest_that_hears_nothing_says_so(
    forgetful_broker: Server, settings: Settings, ward: Ward, store: Store, tmp_path: Path
) -> None:
    """Its process runs well, and nothing would ever come: whoever asks whether it is alive must hear that."""
    parts = Parts(msgspec.structs.replace(settings, broker=f"mqtt://127.0.0.1:{forgetful_broker.port}"), tmp_path)

    async def is_alive() -> bool:
        return await well(store, ward, "ingest")

    async def misses_the_broker() -> bool:
        troubles = [trouble for one in await reports(store, ward, "ingest") for trouble in one.troubles]
        return any("broker" in trouble for trouble in troubles)

    try:
        ingest = parts.start("ingest")
        assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
        assert await until(is_alive), parts.log("ingest")
        forgetful_broker.kill()
        assert await until(misses_the_broker), parts.log("ingest")
        assert ingest.poll() is None
        forgetful_broker.start()
        assert await until(is_alive), parts.log("ingest")
    finally:
        parts.end()


NEVER_S = 3600
"""So long a test would wait for what must be noticed at once."""
CONNACK = bytes([0x20, 3, 0, 0, 0])


def suback(subscribe: bytes) -> bytes:
    return bytes([0x90, 4, *subscribe[2:4], 0, 1])


def publish(number: int) -> bytes:
    body = struct.pack(">H1sHB", 1, b"t", number, 0) + b"x" * 50
    return bytes([0x32, len(body)]) + body


@asynccontextmanager
async def broker_that(talks: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Any]) -> AsyncIterator[str]:
    """URL of something that talks to its only client and then resets the connection."""

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await talks(reader, writer)
        sock = writer.get_extra_info("socket")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        writer.transport.abort()

    async with await asyncio.start_server(talk, "127.0.0.1", 0) as server:
        yield f"mqtt://127.0.0.1:{server.sockets[0].getsockname()[1]}"


@pytest.mark.parametrize("loop", [asyncio.new_event_loop, uvloop.new_event_loop])
def test_a_connection_that_is_reset_is_read_to_its_end_and_left_at_once(
    loop: Callable[[], asyncio.AbstractEventLoop], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "KEEPALIVE_S", NEVER_S)

    async def talks(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(CONNACK)
        writer.write(suback(await reader.read(1000)))
        await asyncio.sleep(0.1)
        writer.write(b"".join(publish(number) for number in range(1, 51)))

    async def read() -> int:
        found = 0
        async with broker_that(talks) as url, asyncio.timeout(WAIT_S), Subscriber(url, "test", "t") as subscriber:
            try:
                while True:
                    found += len(await subscriber.next_batch())
            except MqttError:
                return found

    with asyncio.Runner(loop_factory=loop) as runner:
        assert runner.run(read()) == 50


async def test_a_broker_that_hangs_up_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "CONNECT_TIMEOUT_S", NEVER_S)

    async def talks(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)

    async with broker_that(talks) as url, asyncio.timeout(WAIT_S):
        with pytest.raises(Unreachable, match="closed"):
            await Subscriber(url, "test", "t").__aenter__()


@pytest.mark.parametrize("loop", [asyncio.new_event_loop, uvloop.new_event_loop])
@pytest.mark.parametrize("ending", ["closed", "reset"])
def test_a_connection_that_ends_with_its_connack_is_no_connection(
    ending: str, loop: Callable[[], asyncio.AbstractEventLoop]
) -> None:
    """The end comes along with the CONNACK: whoever did not notice would wait for ever for messages."""

    async def talks(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(CONNACK)
        if ending == "closed":
            writer.write_eof()
            await reader.read()

    async def use(client: Subscriber | Publisher) -> None:
        async with client:
            if isinstance(client, Subscriber):
                await client.next_batch()
            while isinstance(client, Publisher):
                await client.publish("t", b"x")
                await asyncio.sleep(0.01)

    async def try_it(make: Callable[[str], Subscriber | Publisher]) -> None:
        async with broker_that(talks) as url, asyncio.timeout(WAIT_S):
            with pytest.raises((Unreachable, MqttError)):
                await use(make(url))

    with asyncio.Runner(loop_factory=loop) as runner:
        for _ in range(5):
            runner.run(try_it(lambda url: Subscriber(url, "test")))
            runner.run(try_it(lambda url: Publisher(url, "test", "t", print)))


async def test_a_socket_is_not_watched_when_it_was_closed_meanwhile() -> None:
    async def talks(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(CONNACK)
        await reader.read()

    complaints: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: complaints.append(context))
    async with broker_that(talks) as url, Publisher(url, "test", "t", print) as out:
        await out.publish("t", b"x")  # the socket will be watched from the loop's next turn on
        out._paho._sock_close()
        await asyncio.sleep(0.05)
    assert complaints == []
