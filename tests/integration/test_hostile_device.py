"""Whatever one bed's device sends, the other beds' seconds arrive, are read and shown as without it."""

import asyncio
import contextlib
import os
import signal
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any, Self, cast
from urllib.parse import urlsplit

import msgspec
import psutil
import pytest

from quietward.contracts.addresses import Shard, Ward
from quietward.contracts.bounds import LARGEST_SEQ
from quietward.contracts.inputs import Block, Input, Tick, Unreadable, encode_inputs, inputs_of
from quietward.contracts.log import Event, decode_event
from quietward.contracts.settings import Settings
from quietward.contracts.summary import SignalState, decode_summary
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.service import Detector, bed_of
from quietward.detect.store import ShardStore
from quietward.ingest.service import BEGINS_WITHIN_MS, Ingest
from quietward.runtime.clock import WatchedClock, now_ms
from quietward.runtime.embedded import wait_for_port
from quietward.store.client import Store, connected
from quietward.store.topology import has_plain_sessions, sessions_of
from quietward.transport.mqtt import Publisher
from tests.conftest import WAIT_S, Parts, settled, stop, until, wait_for
from tests.detectors import FORKS, assert_prepared, begin, outputs
from tests.detectors import until as run_until
from tests.integration.test_flow import T0_MS, frame, get, second


class RawDevice:
    """A device that writes its packets byte by byte, right or wrong. Use as `async with`."""

    def __init__(self, url: str, client_id: str) -> None:
        parts = urlsplit(url)
        self.host, self.port, self.name = parts.hostname or "", parts.port or 1883, client_id.encode()

    async def __aenter__(self) -> Self:
        self.reader, self.writer = await asyncio.open_connection(self.host, self.port)
        body = b"\x00\x04MQTT\x05\x02" + struct.pack(">H", 60) + b"\x00" + text(self.name)
        self.writer.write(b"\x10" + number(len(body)) + body)
        kind, length = await self.reader.readexactly(2)
        assert kind == 0x20, "CONNACK"
        await self.reader.readexactly(length)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.writer.close()

    async def publish(self, topic: str, payload: bytes, properties: bytes = b"", mid: int = 1) -> None:
        """Publish at QoS 1 with properties as they are given."""
        body = text(topic.encode()) + struct.pack(">H", mid) + number(len(properties)) + properties + payload
        self.writer.write(b"\x32" + number(len(body)) + body)
        await self.writer.drain()

    async def write(self, packet: bytes) -> None:
        """Send whatever it is, and wait until the broker has dealt with it, in one way or another."""
        with contextlib.suppress(OSError, asyncio.IncompleteReadError, TimeoutError):
            self.writer.write(packet + b"\xc0\x00")
            async with asyncio.timeout(5):  # no answer: our ping was taken for the rest of the packet
                await self.writer.drain()
                while (await self.reader.readexactly(1)) != b"\xd0":
                    (length,) = await self.reader.readexactly(1)
                    await self.reader.readexactly(length)

    async def is_answered(self) -> bool:
        """Wait until the broker has dealt with a message. False: it has ended the session."""
        async with asyncio.timeout(WAIT_S):
            try:
                _, length = await self.reader.readexactly(2)
                await self.reader.readexactly(length)
            except (OSError, asyncio.IncompleteReadError):
                return False
        return True


def text(raw: bytes) -> bytes:
    return struct.pack(">H", len(raw)) + raw


def number(value: int) -> bytes:
    """A variable byte integer."""
    out = b""
    while True:
        value, digit = divmod(value, 128)
        out += bytes([digit | (0x80 if value else 0)])
        if not value:
            return out


async def seconds_of(store: Store, ward: Ward, bed: str) -> list[int]:
    """The sequence numbers of a bed's seconds in the input stream, each once."""
    shard = ward.shard(ward.shard_of(bed))
    entries: Any = await store.xrange(shard.input)
    items = [item for _, fields in entries for item in inputs_of(fields)]
    return sorted({item.seq for item in items if isinstance(item, Block) and item.bed == bed})


async def stands_at(store: Store, ward: Ward, bed: str, seq: int) -> bool:
    raw = await store.hget(ward.shard(ward.shard_of(bed)).summary, bed)
    return raw is not None and decode_summary(raw).t == T0_MS + seq * 1000


@asynccontextmanager
async def neighbour(settings: Settings, ward: Ward) -> AsyncIterator[Publisher]:
    async with Publisher(settings.broker, "neighbour", ward.status_topic("bed-1"), lambda _: None) as out:
        yield out


async def send(out: Publisher, ward: Ward, bed: str, seqs: range) -> None:
    for seq in seqs:
        await out.publish(ward.samples_topic(bed), second(seq))
    assert await out.settle(WAIT_S) == 0


USER = b"\x26"
PROPERTIES = {
    "a byte-order mark in a user property": USER + text("\ufeffa".encode()) + text(b"b"),
    "U+FFFF in a user property": USER + text("\uffff".encode()) + text(b"b"),
    "a byte-order mark in the content type": b"\x03" + text("\ufeffapplication/json".encode()),
    "a property twice": b"\x01\x00\x01\x00",
    "the content type twice": (b"\x03" + text(b"application/json")) * 2,
    "a response topic with a byte-order mark": b"\x08" + text("\ufeffr".encode()),
    "a property that no message has": b"\x7e\x00",
    "a property without its end": USER + text(b"a") + b"\x00\xff" + b"b",
    "text that is not UTF-8": USER + text(b"\xff\xfe") + text(b"b"),
    "many properties": (USER + text(b"a" * 90) + text(b"b")) * 300,
}


@pytest.mark.parametrize("properties", PROPERTIES.values(), ids=PROPERTIES.keys())
async def test_no_properties_of_a_message_make_ingest_deaf(
    properties: bytes, settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    """A broker hands it on or ends its sender's session; either way the ward goes on, after a restart, too."""
    ingest = parts.start("ingest")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    async with neighbour(settings, ward) as out:
        await send(out, ward, "bed-1", range(3))
        async with RawDevice(settings.broker, "hostile") as device:
            await device.publish(ward.samples_topic("bed-2"), second(0), properties)
            await device.is_answered()
        await send(out, ward, "bed-1", range(3, 6))

        async def has(count: int) -> bool:
            return await seconds_of(store, ward, "bed-1") == list(range(count))

        assert await until(lambda: has(6)), parts.log("ingest")
        assert parts.log("ingest").count("connected to the broker") == 1, parts.log("ingest")
        ingest.terminate()
        ingest.wait(WAIT_S)
        parts.start("ingest")
        await send(out, ward, "bed-1", range(6, 9))
        assert await until(lambda: has(9)), parts.log("ingest")


def odd_packets(ward: Ward) -> dict[str, bytes]:
    """Packets that a device's account lets it send, legal but rare or not even legal."""
    samples, good = ward.samples_topic("bed-2"), second(0)

    def publish(
        topic: str, payload: bytes, properties: bytes = b"", head: int = 0x32, mid: bytes = b"\x00\x05"
    ) -> bytes:
        body = text(topic.encode()) + (mid if head & 6 else b"") + number(len(properties)) + properties + payload
        return bytes([head]) + number(len(body)) + body

    large = b" " * 10_000_000
    return {
        "10 MB": publish(samples, large),
        "10 MB at QoS 0": publish(samples, large, head=0x30),
        "10 MB at QoS 2": publish(samples, large, head=0x34) + b"\x62\x02\x00\x05",
        "10 MB, retained": publish(samples, large, head=0x33),
        "10 MB as status": publish(ward.status_topic("bed-2"), large, head=0x33),
        "nothing": publish(samples, b""),
        "nothing, retained": publish(samples, b"", head=0x33),
        "nothing as status": publish(ward.status_topic("bed-2"), b"", head=0x33),
        "a second that is retained": publish(samples, good, head=0x33),
        "a topic of 60,000 bytes": publish(ward.samples_topic("b" * 60_000), good),
        "a topic with an empty level": publish(ward.samples_topic(""), good),
        "a topic with a byte-order mark": publish(ward.samples_topic("\ufeffbed-2"), good),
        "a topic with a line break": publish(ward.samples_topic("bed-2\n"), good),
        "a topic with a zero": publish(ward.samples_topic("bed-\0"), good),
        "a topic for many": publish(ward.samples_topic("+"), good),
        "a topic of 200 levels": publish(samples + "/x" * 200, good),
        "no topic": publish("", good),
        "the topic of ingest itself": publish(ward.own_topic, good * 500),
        "an alias that nobody has said": publish("", good, b"\x23\x00\x07"),
        "alias 0": publish(samples, good, b"\x23\x00\x00"),
        "sent before": publish(samples, good, head=0x3A),
        "expired": publish(samples, good, b"\x02\x00\x00\x00\x00"),
        "text that is none": publish(samples, b"\xff\xfe", b"\x01\x01"),
        "an answer for everybody": publish(samples, good, b"\x08" + text(b"#")),
        "a subscription's number": publish(samples, good, b"\x0b\x07"),
        "QoS 2 that is never released": publish(samples, good, head=0x34),
        "QoS 2 at status": publish(ward.status_topic("bed-2"), b"online", head=0x34) + b"\x62\x02\x00\x05",
        "QoS 3": publish(samples, good, head=0x36),
        "identifier 0": publish(samples, good, mid=b"\x00\x00"),
        "no identifier": b"\x32" + number(2 + len(samples)) + text(samples.encode()),
        "a packet that never ends": b"\x32\xff\xff\xff\x7f" + good,
        "a length without end": b"\x32\xff\xff\xff\xff\xff",
        "the end of what never began": b"\x62\x02\x00\x09" + b"\x70\x02\x00\x09",
        "no kind of packet": b"\x00\x00",
        "a second beginning": b"\x10\x0d\x00\x04MQTT\x05\x02\x00\x3c\x00\x00\x00",
        "an end with a last will": b"\xe0\x02\x04\x00",
    }


async def test_no_packet_ends_more_than_its_senders_session(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    ingest = parts.start("ingest")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    async with neighbour(settings, ward) as out:
        await send(out, ward, "bed-1", range(3))
        assert await until(partial(has_seconds, store, ward, range(3))), parts.log("ingest")
        before, seq = resident_mb(ingest), 3
        for name, packet in odd_packets(ward).items():
            async with RawDevice(settings.broker, "hostile") as device:
                await device.write(packet)
            await send(out, ward, "bed-1", range(seq, seq + 2))
            seq += 2
            assert await until(partial(has_seconds, store, ward, range(seq))), (name, parts.log("ingest"))
        assert parts.log("ingest").count("connected to the broker") == 1, parts.log("ingest")
        assert resident_mb(ingest) - before < 20
        ingest.terminate()
        ingest.wait(WAIT_S)
        parts.start("ingest")
        await send(out, ward, "bed-1", range(seq, seq + 2))
        assert await until(partial(has_seconds, store, ward, range(seq + 2))), parts.log("ingest")
    found: Any = await store.hgetall(ward.refusals)
    counted = {key.decode() for key in found}
    assert {key.split()[0] for key in counted} <= {"bed-2", "?"}, counted
    assert {"bed-2 json", "? topic"} <= counted
    assert "bed-2 size" not in counted, "a broker does not deliver what is too large for ingest"


async def test_a_message_that_is_too_large_for_anybody_is_not_even_delivered(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    parts.start("ingest")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    async with neighbour(settings, ward) as out, RawDevice(settings.broker, "hostile") as device:
        for size in (5_000, 5_000_000):
            with contextlib.suppress(OSError):  # a broker may end the session
                await device.publish(ward.samples_topic("bed-2"), b" " * size)
                await device.is_answered()
        await out.publish(ward.samples_topic("bed-1"), b"{")  # counted after all that the other device has sent
        await send(out, ward, "bed-1", range(3))

        async def all_there() -> bool:
            return await seconds_of(store, ward, "bed-1") == [0, 1, 2]

        assert await until(all_there), parts.log("ingest")
    counted = {b"bed-2 size": b"1", b"bed-1 json": b"1"}
    assert await settled(lambda: store.hgetall(ward.refusals), counted) == counted
    assert parts.log("ingest").count("connected to the broker") == 1


UNREADABLE = {
    "no field": {"x": b""},
    "no MessagePack": {"e": b"\xc1\xff\x00"},
    "no list": {"e": b"\x01"},
    "nothing": {"e": b""},
    "a nest": {"e": b"\x91" * 5000},
    "one good, one of another version, one good": {
        "e": encode_inputs([
            Block("bed-4", "s", 3, T0_MS + 3000, T0_MS, [140.0] * 4, [9.0] * 4),
            ("from-tomorrow", 7),
            Tick(T0_MS),
        ])
    },
    "numbers that cannot be": {"e": encode_inputs([("samples", "bed-2", "s", 2**63, 2**63, 2**63, [1e308] * 9, [])])},
}  # fmt: skip


@pytest.mark.one_kind
async def test_what_cannot_be_decoded_is_passed_over_and_counted(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    running = [parts.start(part) for part in ("ingest", "detect", "serve")]
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    running.append(parts.start("simulate", "--beds", "1", "--speed", "5", "--hours", "1"))
    shard = ward.shard(0)
    async with neighbour(settings, ward) as out:
        await send(out, ward, "bed-3", range(3))
        assert await until(lambda: stands_at(store, ward, "bed-3", 2)), parts.log("detect")
        for fields in UNREADABLE.values():
            await store.xadd(shard.input, fields)  # type: ignore[arg-type]
        await send(out, ward, "bed-3", range(3, 6))
        assert await until(lambda: stands_at(store, ward, "bed-3", 5)), parts.log("detect")

    async def is_counted() -> bool:
        return await store.hgetall(shard.refusals) == {b"? unreadable": b"%d" % len(UNREADABLE)}

    assert await until(is_counted), await store.hgetall(shard.refusals)
    assert [process.poll() for process in running] == [None] * 4
    assert await until(lambda: stands_at(store, ward, "bed-4", 3)), "what is good in an entry is used"
    running[1].kill()
    running[1].wait()
    parts.start("detect")
    async with neighbour(settings, ward) as out:
        await send(out, ward, "bed-3", range(6, 9))
        assert await until(lambda: stands_at(store, ward, "bed-3", 8)), parts.log("detect")


def calm(bed: str, seq: int, session: str = "s") -> Block:
    return Block(bed, session, seq, T0_MS + seq * 1000, T0_MS + seq * 1000, [140.0] * 4, [9.0] * 4)


@pytest.mark.one_kind
@pytest.mark.parametrize("with_checkpoint", [True, False])
async def test_an_input_that_makes_the_detector_fail_is_set_aside_once(
    with_checkpoint: bool, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is known that does; it would be a defect, and must not be one for the whole ward."""
    step, failed = engine.step, []

    def fails(state: Any, inputs: list[Input]) -> Any:
        poison = [item for item in inputs if isinstance(item, Block) and item.session == "poison"]
        if poison:
            step(state, inputs)  # it fails with half of its work done
            failed.append(len(inputs))
            raise OverflowError("too large")
        return step(state, inputs)

    monkeypatch.setattr(engine, "step", fails)

    def entries() -> list[list[Input]]:
        found: list[list[Input]] = []
        for seq in range(120):
            items: list[Input] = [Tick(T0_MS + seq * 1000), calm("bed-1", seq), calm("bed-2", seq)]
            if seq in (40, 41, 90):
                items[2:2] = [calm("bed-3", seq, "poison"), calm("bed-3", seq), calm("bed-3", seq, "poison")]
            found.append(items)
        return found

    ward, plain = Ward("poison"), Ward("plain")
    for number, items in enumerate(entries()):
        await store.xadd(ward.shard(0).input, {"e": encode_inputs(items)}, id=f"{number + 1}-0")
        good = [i for i in items if not (isinstance(i, Block) and i.bed == "bed-3")]
        await store.xadd(plain.shard(0).input, {"e": encode_inputs(good)}, id=f"{number + 1}-0")
    checkpoint_s = 0.0 if with_checkpoint else 3600
    rules = rule_file.load()
    await run_until(
        Detector(ShardStore(store, ward.shard(0)), rules, checkpoint_s), store, ward.shard(0).position, "120-0"
    )
    await run_until(Detector(ShardStore(store, plain.shard(0)), rules, 3600), store, plain.shard(0).position, "120-0")
    expected, found = await outputs(store, plain), await outputs(store, ward)
    for key, said in expected.items():
        if "bed-3" not in key and key != "summaries":
            assert found[key] == said, key
    for bed in (b"bed-1", b"bed-2"):
        assert found["summaries"][bed] == expected["summaries"][bed]
    entries_of_log: Any = await store.xrange(ward.shard(0).log("bed-3"))
    log = [decode_event(fields[b"e"]) for _, fields in entries_of_log]
    assert [event.kind for event in log].count("set-aside") == 5, "the first came before the bed was known"
    assert len({event.id for event in log}) == len(log)
    assert await store.hlen(ward.shard(0).aside) == 6

    # Whoever takes the shard over does not stumble over it again, and numbers events as before.
    times = len(failed)
    second_one = Detector(ShardStore(store, ward.shard(0)), rules, 3600)
    await second_one.take_over()
    assert len(failed) == times
    n = second_one.state.index_of["bed-3"]
    assert second_one.state.clock.event[n] == max(int(event.id.rpartition("-")[2]) for event in log)
    assert second_one.state.clock.seq[n] == 90


def _end_in(url: str, shard: Shard, doubly: bool, folder: Path) -> None:
    """Be a detector that ends in the middle of a step with a certain input, as one that hangs in compiled code does."""
    assert_prepared()
    tempfile.tempdir = str(folder)
    step = engine.step

    def ends(state: Any, inputs: list[Any]) -> Any:
        if any(isinstance(item, Block) and item.session == "poison" for item in inputs):
            os.kill(os.getpid(), signal.SIGKILL)
        if doubly and any(isinstance(item, Block) and item.session == "fails" for item in inputs):
            raise OverflowError("too large")
        return step(state, inputs)

    vars(engine)["step"] = ends

    async def serve() -> None:
        async with connected(url) as store:
            await Detector(ShardStore(store, shard), rule_file.load(), 0.05).run_for_ever()

    asyncio.run(serve())


@pytest.mark.one_kind
@pytest.mark.parametrize("doubly", [False, True])
async def test_an_input_that_a_detector_never_comes_back_from_is_set_aside_when_it_ends_a_third(
    doubly: bool, store: Store, tmp_path: Path
) -> None:
    """doubly: another one of the same step only fails, so that there is more than one reason to go input by input."""
    ward, plain = Ward("ended"), Ward("ended-plain")
    for number in range(60):
        items: list[Input] = [Tick(T0_MS + number * 1000), calm("bed-1", number), calm("bed-2", number)]
        await store.xadd(plain.shard(0).input, {"e": encode_inputs(items)}, id=f"{number + 1}-0")
        if number == 30:
            items[2:2] = [calm("bed-3", number, "fails"), calm("bed-3", number, "poison")]
        await store.xadd(ward.shard(0).input, {"e": encode_inputs(items)}, id=f"{number + 1}-0")
    await run_until(
        Detector(ShardStore(store, plain.shard(0)), rule_file.load(), 3600), store, plain.shard(0).position, "60-0"
    )
    shard, ended = ward.shard(0), 0

    async def is_done() -> bool:
        return await store.get(shard.position) == b"60-0"

    async def is_over() -> bool:
        return not process.is_alive() or await is_done()

    while not await is_done():
        assert ended <= 3, "it ends one after the other"
        process = FORKS.Process(target=_end_in, args=(store.urls, shard, doubly, tmp_path), daemon=True)
        begin(process)
        try:
            assert await until(is_over)
        finally:
            if process.is_alive():
                process.kill()
            process.join()
        ended += not await is_done()
    assert ended == 3, "the first with others, then two by itself: one kill by chance costs no input"
    noted: Any = await store.hgetall(shard.aside)
    assert set(noted) == ({b"31-0 3", b"31-0 2"} if doubly else {b"31-0 3"})
    counted: Any = await store.hgetall(shard.refusals)
    assert counted[b"? failed"] == b"1"
    expected, found = await outputs(store, plain), await outputs(store, ward)
    for key, said in expected.items():
        if key != "summaries":
            assert found[key] == said, key
    for bed in (b"bed-1", b"bed-2"):
        assert found["summaries"][bed] == expected["summaries"][bed]
    assert len(files_in(tmp_path)) == 1, "what earlier ones have left is removed"


def files_in(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


@pytest.mark.one_kind
async def test_what_cannot_be_written_down_is_set_aside(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    step = engine.step

    def odd(state: Any, inputs: list[Any]) -> Any:
        output = step(state, inputs)
        if any(isinstance(item, Block) and item.session == "odd" for item in inputs):
            output.events.append(Event("x-1", "bed-2", T0_MS, "care", "turned", {"by": "\ud800"}))
        return output

    monkeypatch.setattr(engine, "step", odd)
    ward = Ward("unwritable")
    for number in range(6):
        items: list[Input] = [Tick(T0_MS + number * 1000), calm("bed-1", number)]
        if number == 3:
            items.insert(1, calm("bed-2", number, "odd"))
        await store.xadd(ward.shard(0).input, {"e": encode_inputs(items)}, id=f"{number + 1}-0")
    shard = ward.shard(0)
    await run_until(Detector(ShardStore(store, shard), rule_file.load(), 3600), store, shard.position, "6-0")
    assert set(cast("Any", await store.hgetall(shard.aside))) == {b"4-0 1"}
    assert await settled(lambda: store.hgetall(shard.refusals), {b"bed-2 failed": b"1"}) == {b"bed-2 failed": b"1"}


GROWS_AT_MOST_MB = 40
"""Of a part, whatever one device sends."""


def resident_mb(process: subprocess.Popen[bytes]) -> float:
    return float(psutil.Process(process.pid).memory_info().rss) / 1e6


async def assert_neighbour_as_without(
    bed: str, ingest: subprocess.Popen[bytes], store: Store, ward: Ward, parts: Parts
) -> None:
    """What is said of bed-1 is, to the last number, what is said in a ward that a bed's device is not in.

    Ends ingest, so that the streams of both wards have an end.
    """
    ingest.terminate()
    ingest.wait(WAIT_S)
    shard, plain = ward.shard(0), Ward(f"plain-{ward.name[-20:]}").shard(0)
    entries: Any = await store.xrange(shard.input)
    for entry_id, fields in entries:
        others = [item for item in inputs_of(fields) if not isinstance(item, Unreadable) and bed_of(item) != bed]
        await store.xadd(plain.input, {"e": encode_inputs(others)}, id=entry_id)
    last: str = entries[-1][0].decode()

    async def is_worked_through() -> bool:
        return bool(await store.get(shard.position) == last.encode())

    assert await until(is_worked_through), parts.log("detect")
    await run_until(Detector(ShardStore(store, plain), rule_file.load(), 3600), store, plain.position, last)
    expected, found = await outputs(store, plain.ward), await outputs(store, ward)
    own = [key for key in expected if key.endswith(":bed-1")]
    assert {key: found.get(key) for key in own} == {key: expected[key] for key in own}
    assert any(expected[key] for key in own), "something is said of it"
    ours, theirs = (decode_summary(one["summaries"][b"bed-1"]) for one in (found, expected))
    # When it was last looked at by a tick alone is written with the next of its seconds, or at the end of a step.
    assert msgspec.structs.replace(ours, looked_at=0) == msgspec.structs.replace(theirs, looked_at=0)


@pytest.mark.one_kind
@pytest.mark.parametrize("named", [True, False])
async def test_invented_beds_are_refused_and_cost_nothing(
    named: bool, settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    more = {"QUIETWARD_BEDS": "bed-*"} if named else {"QUIETWARD_MOST_BEDS": "20"}
    running = [parts.start("ingest", environment=more), parts.start("detect"), parts.start("serve")]
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    assert wait_for(lambda: "detect holds" in parts.log("detect"))
    assert wait_for_port(settings.port, WAIT_S), parts.log("serve")

    async def handover_s() -> float:
        began = time.monotonic()
        status, _ = await asyncio.to_thread(get, settings.port, "/handover")
        assert status == 200
        return time.monotonic() - began

    async with neighbour(settings, ward) as out:
        await send(out, ward, "bed-1", range(20))
        assert await until(lambda: stands_at(store, ward, "bed-1", 19)), parts.log("detect")
        await handover_s()  # the first one loads what the others have
        before = [resident_mb(process) for process in running]
        for number in range(4000):
            await out.publish(ward.samples_topic(f"invented-{number}"), second(0))
            await out.publish(ward.status_topic(f"invented-{number}"), b"online")
        await send(out, ward, "bed-1", range(20, 40))
        assert await until(lambda: stands_at(store, ward, "bed-1", 39)), parts.log("detect")
    taken = 1 if named else 20
    counted = {b"? bed": b"%d" % (8000 - 2 * (taken - 1))}
    assert await settled(lambda: store.hgetall(ward.refusals), counted) == counted
    assert await store.hlen(ward.shard(0).summary) <= taken
    assert await settled(lambda: store.scard(ward.beds), taken) == taken
    assert await store.xlen(ward.refused) <= 1200
    took_s = await handover_s()
    grown = [resident_mb(process) - mb for process, mb in zip(running, before, strict=True)]
    print(f"MB grown: ingest, detect, serve {grown}; hand-over in {took_s:.1f} s", file=sys.stderr)
    assert max(grown) < GROWS_AT_MOST_MB
    assert took_s < 10
    if not named:
        assert wait_for(lambda: "takes no more" in parts.log("ingest"))


@pytest.mark.one_kind
async def test_a_flood_is_cut_and_counted_and_the_neighbour_is_in_time(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    ingest, detect = parts.start("ingest"), parts.start("detect")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    assert wait_for(lambda: "detect holds" in parts.log("detect"))
    flood = 40_000
    async with neighbour(settings, ward) as out, Publisher(
        settings.broker, "hostile", ward.status_topic("bed-2"), lambda _: None
    ) as hostile:  # fmt: skip
        await send(out, ward, "bed-1", range(3))
        assert await until(lambda: stands_at(store, ward, "bed-1", 2)), parts.log("detect")
        await asyncio.sleep(BEGINS_WITHIN_MS / 1000)

        async def waits_s(seqs: range) -> list[float]:
            waits = []
            for seq in seqs:
                sent = time.monotonic()
                await send(out, ward, "bed-1", range(seq, seq + 1))
                assert await until(partial(stands_at, store, ward, "bed-1", seq)), parts.log("detect")
                waits.append(time.monotonic() - sent)
                await asyncio.sleep(0.2)
            return sorted(waits)

        calm_s = await waits_s(range(3, 18))
        before = resident_mb(detect), resident_mb(ingest)
        began = time.monotonic()

        async def flooding() -> None:
            for seq in range(flood):
                await hostile.publish(ward.samples_topic("bed-2"), second(seq))
            assert await hostile.settle(2 * WAIT_S) == 0

        task = asyncio.create_task(flooding())
        flooded_s = await waits_s(range(18, 47))
        await task

        async def is_counted() -> bool:
            counted = await store.hgetall(ward.refusals)
            return int(counted.get(b"bed-2 rate", 0)) >= flood // 2

        assert await until(is_counted), await store.hgetall(ward.refusals)
        assert set(await store.hgetall(ward.refusals)) == {b"bed-2 rate"}
    grown = resident_mb(detect) - before[0], resident_mb(ingest) - before[1]
    median_s, calm_median_s = flooded_s[len(flooded_s) // 2], calm_s[len(calm_s) // 2]
    print(
        f"flood of {flood} in {time.monotonic() - began:.0f} s: neighbour waits {flooded_s[-1]:.2f} s at most, "
        f"{median_s:.2f} median, {calm_median_s:.2f} without; MB grown {grown}", file=sys.stderr,
    )  # fmt: skip
    assert await seconds_of(store, ward, "bed-1") == list(range(47))
    assert [ingest.poll(), detect.poll()] == [None, None]
    assert median_s < 3 * calm_median_s + 0.5
    assert flooded_s[-1] < 10
    assert max(grown) < GROWS_AT_MOST_MB
    await assert_neighbour_as_without("bed-2", ingest, store, ward, parts)


def sent_at(bpm: float, seq: int, t: int, session: str = "h") -> bytes:
    plain = {"session": session, "seq": seq, "t": t, "hz": 4, "fhr": [bpm] * 4, "ua": [9] * 4}
    return msgspec.json.encode(plain)


@pytest.mark.one_kind
async def test_numbers_and_times_that_cannot_be_leave_page_and_ward_as_they_are(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    """Numbers near 2^53 by turns of two sessions, times of 2099, and numbers that go on from there."""
    running = [parts.start(part) for part in ("ingest", "detect", "serve")]
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    assert wait_for_port(settings.port, WAIT_S), parts.log("serve")
    now = now_ms()
    async with neighbour(settings, ward) as out:
        await send(out, ward, "bed-1", range(3))
        for i in range(2200):
            seq = (2**53 - 1000 + i, LARGEST_SEQ - 1000 + i // 2, i)[i % 3]
            await out.publish(ward.samples_topic("bed-2"), sent_at(140, seq, now + i * 3, f"h{i % 2}"))
            if i % 100 == 0:
                await out.publish(ward.samples_topic("bed-2"), sent_at(140, i, 4_102_444_800_000))
        await send(out, ward, "bed-1", range(3, 6))
        assert await until(lambda: stands_at(store, ward, "bed-1", 5)), parts.log("detect")

    async def are_refused() -> bool:
        return {b"bed-2 field", b"bed-2 time"} <= set(await store.hgetall(ward.refusals))

    assert await until(are_refused), await store.hgetall(ward.refusals)

    async def is_counted() -> bool:  # after the commit
        return int((await store.hgetall(ward.shard(0).refusals)).get(b"bed-2 time", 0)) > 100

    assert await until(is_counted)
    raw: Any = await store.hget(ward.shard(0).summary, "bed-2")
    found = decode_summary(raw)
    assert found.t < now + 2 * 3_600_000
    assert found.signal is not SignalState.GOOD
    for path in (
        "/handover",
        "/handover/bed-2",
        "/export/bed-2/log.csv",
        "/hours/bed-2.json",
        "/paper/bed-2",
        "/health",
    ):
        status, _ = await asyncio.to_thread(get, settings.port, path)
        assert status == 200, path

    async def both_are_shown() -> bool:
        head, _ = await frame(settings.port)
        return {bed["card"]["bed"] for bed in head["beds"]} == {"bed-1", "bed-2"}

    assert await until(both_are_shown), parts.log("serve")
    head, body = await frame(settings.port)
    assert all(0 <= bed["seconds"] <= 1800 and bed["first"] < 2**33 for bed in head["beds"])
    assert len(body) < 2 * 1800 * 16 + 1
    assert [process.poll() for process in running] == [None] * 3
    await assert_neighbour_as_without("bed-2", running[0], store, ward, parts)


@pytest.mark.one_kind
async def test_two_devices_under_one_name_are_said_on_its_card(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    parts.start("ingest")
    parts.start("detect")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    now = now_ms()
    async with neighbour(settings, ward) as out:
        for seq in range(40):
            for session, bpm in (("slow", 60), ("fast", 142)):
                await out.publish(ward.samples_topic("bed-2"), sent_at(bpm, seq, now + seq * 1000, session))
            assert await out.settle(WAIT_S) == 0

    async def is_said() -> bool:
        raw: Any = await store.hget(ward.shard(0).summary, "bed-2")
        entries: Any = await store.xrange(ward.shard(0).log("bed-2"))
        kinds = [decode_event(fields[b"e"]).kind for _, fields in entries]
        found = decode_summary(raw) if raw else None
        return found is not None and "several devices" in found.signal_reason and kinds.count("device") == 1

    assert await until(is_said), parts.log("detect")

    async def is_counted() -> bool:  # after the commit
        return int((await store.hgetall(ward.shard(0).refusals)).get(b"bed-2 superseded", 0)) >= 30

    assert await until(is_counted)


@pytest.mark.one_kind
async def test_logs_say_of_what_goes_wrong_bed_session_and_reason_and_not_each_time(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    """As JSON, an object a line: for whoever has to find the device."""
    for part in ("ingest", "detect"):
        parts.start(part, environment={"QUIETWARD_LOG": "json"})
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    now = now_ms()
    async with neighbour(settings, ward) as out:
        for seq in range(30):
            for session, bpm in (("slow", 60), ("fast", 142)):
                await out.publish(ward.samples_topic("bed-2"), sent_at(bpm, seq, now + seq * 1000, session))
            await out.publish(ward.samples_topic("bed-2"), sent_at(1e9, seq, now + seq * 1000, "odd"))
            await out.publish(ward.samples_topic("BED"), b"")
            await out.publish(ward.samples_topic("bed-3"), b"{")
        assert await out.settle(WAIT_S) == 0

    def told(part: str) -> list[tuple[str, ...]]:
        lines = [msgspec.json.decode(line) for line in parts.log(part).splitlines()]
        assert all(line.keys() >= {"time", "level", "logger", "text"} for line in lines)
        return sorted(
            tuple(line.get(n, "") for n in ("bed", "session", "reason")) for line in lines if "reason" in line
        )

    assert wait_for(lambda: len(told("detect")) == 1), parts.log("detect")
    assert told("ingest") == [("", "", "topic"), ("bed-2", "odd", "field"), ("bed-3", "", "json")]
    ((bed, session, reason),) = told("detect")
    assert (bed, reason) == ("bed-2", "superseded")
    assert session in ("slow", "fast")


@pytest.mark.one_kind
async def test_a_servers_clock_that_is_set_trims_nothing(settings: Settings, ward: Ward, store: Store) -> None:
    ahead = 0
    ingest = Ingest(ward, store, settings, clock=WatchedClock(lambda: now_ms() + ahead))
    working = asyncio.create_task(ingest.run_slot(0))
    try:
        async with neighbour(settings, ward) as out:
            assert await until(partial(exists, store, ward.shard(0).input))  # it writes ticks, and listens soon
            assert await until(lambda: is_there(out, ward, store))
            for first in (0, 300, 600):
                await send(out, ward, "bed-1", range(first, first + 300))
                assert await until(partial(has_seconds, store, ward, range(first + 300)))
                ahead += 25 * 3_600_000
            told = [item for item in await items_of(store, ward) if isinstance(item, Tick) and item.stepped_ms]
    finally:
        await stop(working)
    assert await has_seconds(store, ward, range(900))
    assert {item.stepped_ms // 3_600_000 for item in told} <= {24, 25, 49, 50}
    assert told


async def exists(store: Store, key: str) -> bool:
    return bool(await store.exists(key))


async def items_of(store: Store, ward: Ward) -> list[Any]:
    entries: Any = await store.xrange(ward.shard(0).input)
    return [item for _, fields in entries for item in inputs_of(fields)]


async def is_there(out: Publisher, ward: Ward, store: Store) -> bool:
    """Ingest has subscribed: it takes what is sent."""
    await send(out, ward, "bed-0", range(1))
    return bool(await seconds_of(store, ward, "bed-0"))


async def has_seconds(store: Store, ward: Ward, seqs: range) -> bool:
    return await seconds_of(store, ward, "bed-1") == list(seqs)


async def test_nobody_takes_over_the_session_of_ingest(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    """A broker without accounts gives a session to whoever names it; ingest's has a name that nobody can guess."""
    parts.start("ingest")
    parts.start("detect")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    async with RawDevice(settings.broker, f"quietward-ingest-{ward.name}"), neighbour(settings, ward) as out:
        await send(out, ward, "bed-1", range(200))

        async def all_there() -> bool:
            return await stands_at(store, ward, "bed-1", 199)

        assert await until(all_there), parts.log("ingest")
    assert await seconds_of(store, ward, "bed-1") == list(range(200))
    assert parts.log("ingest").count("connected to the broker") == 1, "it was cut off"
    noted: Any = await store.hgetall(ward.topology)
    assert len(noted[b"session"]) == 16


@pytest.mark.one_kind
async def test_a_ward_of_an_earlier_version_keeps_its_session_and_doctor_says_so(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    await store.hset(ward.topology, mapping={"shards": 1, "seats": 1})
    assert (await sessions_of(store, ward)).word == ""
    assert await has_plain_sessions(store, ward)
    said = parts.start("doctor")
    assert said.wait(WAIT_S) == 1
    assert "its name can be guessed" in parts.log("doctor")
    await store.hset(ward.topology, "session", "word")
    assert (await sessions_of(store, ward)).word == "word"
    assert not await has_plain_sessions(store, ward)
