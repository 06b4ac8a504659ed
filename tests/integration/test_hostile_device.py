"""Whatever one bed's device sends, the other beds' seconds arrive, are read and shown as without it."""

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, Self
from urllib.parse import urlsplit

import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.messages import Block, decode_inputs, decode_summary
from quietward.contracts.settings import Settings
from quietward.store.client import Store
from quietward.transport.mqtt import Publisher
from tests.conftest import Parts, until, wait_for
from tests.integration.test_flow import T0_MS, second


class RawDevice:
    """A device that writes its packets byte by byte, right or wrong. Use as `async with`."""

    def __init__(self, url: str, client_id: str) -> None:
        parts = urlsplit(url)
        self.host, self.port, self.name = parts.hostname or "", parts.port or 1883, client_id.encode()

    async def __aenter__(self) -> Self:
        self.reader, self.writer = await asyncio.open_connection(self.host, self.port)
        body = b"\x00\x04MQTT\x05\x02" + struct.pack(">H", 60) + b"\x00" + text(self.name)
        self.writer.write(b"\x10" + number(len(body)) + body)
        assert (await self.reader.readexactly(2))[0] == 0x20, "CONNACK"
        return self

    async def __aexit__(self, *_: object) -> None:
        self.writer.close()

    async def publish(self, topic: str, payload: bytes, properties: bytes = b"", mid: int = 1) -> None:
        """Publish at QoS 1 with properties as they are given."""
        body = text(topic.encode()) + struct.pack(">H", mid) + number(len(properties)) + properties + payload
        self.writer.write(b"\x32" + number(len(body)) + body)
        await self.writer.drain()


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
    items = [item for _, fields in entries for item in decode_inputs(fields[b"e"])]
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
    await out.settle()


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
            await asyncio.sleep(0.2)
        await send(out, ward, "bed-1", range(3, 6))

        async def has(count: int) -> bool:
            return await seconds_of(store, ward, "bed-1") == list(range(count))

        assert await until(lambda: has(6)), parts.log("ingest")
        assert parts.log("ingest").count("connected to the broker") == 1, parts.log("ingest")
        ingest.terminate()
        ingest.wait(10)
        parts.start("ingest")
        await send(out, ward, "bed-1", range(6, 9))
        assert await until(lambda: has(9)), parts.log("ingest")


async def test_a_message_that_is_too_large_for_anybody_is_not_even_delivered(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    parts.start("ingest")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    async with neighbour(settings, ward) as out, RawDevice(settings.broker, "hostile") as device:
        for size in (5_000, 5_000_000):
            with contextlib.suppress(OSError):  # a broker may end the session
                await device.publish(ward.samples_topic("bed-2"), b" " * size)
        await send(out, ward, "bed-1", range(3))

        async def all_there() -> bool:
            return await seconds_of(store, ward, "bed-1") == [0, 1, 2]

        assert await until(all_there), parts.log("ingest")
    assert await store.hgetall(ward.refusals) == {b"bed-2 size": b"1"}
    assert parts.log("ingest").count("connected to the broker") == 1
