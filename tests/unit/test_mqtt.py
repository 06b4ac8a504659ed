"""The private attributes we lean on are where we expect them; messages are read and written as paho does it."""

import asyncio
import gc
import sys
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt._packet import decode_puback, decode_publish
from paho.mqtt.client import MQTTv5
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties, VariableByteIntegers

from quietward.transport import mqtt, packets
from tests.property.test_streaming_core import RELAXED

TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=200)


def test_private_attributes_of_aiomqtt_are_in_their_places() -> None:
    assert mqtt.private_attributes_missing() == []


@given(
    topic=TEXT, payload=st.binary(max_size=300), qos=st.sampled_from([0, 1]), mid=st.integers(1, 0xFFFF),
    content_type=st.none() | TEXT, expiry=st.none() | st.integers(0, 2**31), user=st.lists(st.tuples(TEXT, TEXT)),
)  # fmt: skip
@settings(RELAXED)
def test_a_message_is_decoded_as_paho_does(
    topic: str, payload: bytes, qos: int, mid: int, content_type: str | None, expiry: int | None,
    user: list[tuple[str, str]],
) -> None:  # fmt: skip
    """Reference: paho-mqtt's own decoder of MQTT 5 PUBLISH packets."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    if content_type is not None:
        properties.ContentType = content_type
    if expiry is not None:
        properties.MessageExpiryInterval = expiry
    for pair in user:
        properties.UserProperty = pair
    name = topic.encode()
    packet = len(name).to_bytes(2) + name + (mid.to_bytes(2) if qos else b"")
    packet += properties.pack() + payload  # type: ignore[no-untyped-call]
    command = PacketTypes.PUBLISH << 4 | qos << 1
    expected = decode_publish(command, packet, MQTTv5)
    found = packets.message(command, packet)
    assert (found.topic, found.payload, found.qos) == (topic, expected.payload, expected.qos)
    assert found.mid == expected.mid
    assert found.content_type == getattr(expected.properties, "ContentType", "") == (content_type or "")


@given(properties=st.binary(max_size=60), topic=st.binary(max_size=20), payload=st.binary(max_size=20))
def test_whatever_a_device_writes_can_be_acknowledged(properties: bytes, topic: bytes, payload: bytes) -> None:
    packet = len(topic).to_bytes(2) + topic + (77).to_bytes(2) + len(properties).to_bytes(1) + properties + payload
    found = packets.message(PacketTypes.PUBLISH << 4 | 0b10, packet)
    assert (found.qos, found.mid) == (1, 77)
    assert found.malformed or found.payload == payload


@given(
    topic=TEXT.filter(bool), payload=st.binary(max_size=40_000), mid=st.integers(1, 0xFFFF), retain=st.booleans(),
    content_type=TEXT,
)  # fmt: skip
@settings(RELAXED)
def test_a_message_is_encoded_as_paho_reads_it(
    topic: str, payload: bytes, mid: int, retain: bool, content_type: str
) -> None:
    packet = packets.publish(topic, payload, mid, content_type, retain=retain)
    length, used = VariableByteIntegers.decode(packet[1:])  # type: ignore[no-untyped-call]
    assert len(packet) == 1 + used + length
    found = decode_publish(packet[0], packet[1 + used :], MQTTv5)
    assert (found.topic.decode(), found.payload, found.mid) == (topic, payload, mid)
    assert (found.qos, found.retain, found.dup) == (1, retain, False)
    assert getattr(found.properties, "ContentType", "") == content_type


def test_answers_are_read_and_written_as_paho_does() -> None:
    both = packets.acknowledgements([7, 65_535])
    for piece, mid in ((both[:4], 7), (both[4:], 65_535)):
        found = decode_puback(piece[0], piece[2:], MQTTv5)
        assert (found.mid, found.reason.value) == (mid, 0)
        assert packets.answer(piece[2:]) == (mid, 0)
    for code in (0x00, 0x10, 0x80, 0x87, 0x97):  # the standard's table 3-4
        for packet in (b"\x01\x02" + bytes((code,)), b"\x01\x02" + bytes((code, 0))):
            found = decode_puback(PacketTypes.PUBACK << 4, packet, MQTTv5)
            assert packets.answer(packet) == (found.mid, found.reason.value)
            assert (code >= packets.FAILED_FROM) == found.reason.is_failure


@given(st.lists(st.binary(min_size=1, max_size=40), max_size=20), st.lists(st.integers(1, 50), min_size=1, max_size=60))
@settings(RELAXED)
def test_what_is_read_ahead_comes_in_order_and_whole(came: list[bytes], asked: list[int]) -> None:
    """Whatever sizes are asked for: the same bytes, then "nothing has come", and an end stays an end."""
    left = list(came)

    def receive(at_most: int) -> bytes:
        assert at_most == mqtt.READ_AT_ONCE
        if not left:
            raise BlockingIOError
        return left.pop(0)

    ahead, found = mqtt._ReadAhead(receive), b""
    for at_most in [*asked, *[50] * 20]:
        try:
            part = ahead.take(at_most)
        except BlockingIOError:
            assert not left
            assert found == b"".join(came)
            break
        assert not ahead.is_dry
        assert 0 < len(part) <= at_most
        found += part
    assert found == b"".join(came)[: len(found)]
    assert not ahead.is_dry or found == b"".join(came)
    assert mqtt._ReadAhead(lambda _: b"").take(1) == b""


def test_a_publisher_keeps_nothing_of_what_was_answered(monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[int] = []
    monkeypatch.setattr(mqtt, "_send", lambda paho, kind, packet, mid: sent.append(mid))

    async def publish(out: mqtt.Publisher, messages: int) -> None:
        paho: Any = out._paho
        for _ in range(messages):
            await out.publish("quietward/v1/w/bed-1/samples", b"{}")
            paho._in_packet["packet"] = sent.pop().to_bytes(2)
            out._note_answer("PUBACK")

    async def run() -> int:
        out = mqtt.Publisher("mqtt://127.0.0.1:1", "device", "", lambda topic: None)
        await publish(out, 1_000)
        gc.collect()
        before = sys.getallocatedblocks()
        await publish(out, 10_000)
        gc.collect()
        return sys.getallocatedblocks() - before

    assert asyncio.run(run()) < 500, "blocks of memory after 10,000 messages"


def test_a_publishers_numbers_begin_again_at_one() -> None:
    async def run() -> list[int]:
        out = mqtt.Publisher("mqtt://127.0.0.1:1", "device", "", lambda topic: None)
        return [next(out._mids) for _ in range(0x10001)]

    numbers = asyncio.run(run())
    assert numbers == [*range(1, 0x10000), 1, 2]


def test_what_comes_at_qos_0_while_nobody_takes_it_is_dropped_from_a_bound_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """QoS 1 has its bound at the broker (receive maximum), QoS 0 has none in MQTT."""
    monkeypatch.setattr(mqtt, "WAITING_BYTES", 10 * (mqtt.MESSAGE_BYTES + 21))

    async def run() -> None:
        dropped: list[str] = []
        subscriber = mqtt.Subscriber("mqtt://127.0.0.1:1", "ingest", "#", dropped=dropped.append)
        paho: Any = subscriber._paho

        def receive(payload: bytes, qos: int, times: int) -> None:
            body = b"\x00\x01t" + (b"\x00\x07" if qos else b"") + b"\x00" + payload
            paho._in_packet |= {"command": PacketTypes.PUBLISH << 4 | qos << 1, "packet": body}
            for _ in range(times):
                subscriber._receive()

        receive(b"0" * 20, 0, 25)
        assert len(dropped) == 15
        receive(b"1" * 20, 1, 30)
        assert len(dropped) == 15, "what must be acknowledged is kept"
        assert set(dropped) == {"t"}
        batch = await subscriber.next_batch(5)
        assert [(m.qos, m.payload) for m in batch] == [(0, b"0" * 20)] * 5
        receive(b"0" * 20, 0, 6)
        assert len(dropped) == 16, "there is room for as many as were taken"
        batch = await subscriber.next_batch()
        assert sorted(m.qos for m in batch) == [0] * 10 + [1] * 30
        receive(b"0" * 20, 0, 10)
        assert len(dropped) == 16

    asyncio.run(run())
