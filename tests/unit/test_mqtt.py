"""The private attributes we lean on are where we expect them; messages are read and written as paho does it."""

from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt._packet import decode_publish
from paho.mqtt.client import MQTTv5
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from quietward import mqtt
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
    found = mqtt._decoded(command, packet)
    assert (found.topic, found.payload, found.qos) == (topic, expected.payload, expected.qos)
    assert found.mid == expected.mid
    assert found.content_type == getattr(expected.properties, "ContentType", "") == (content_type or "")


def test_properties_that_are_packed_once_are_packed_the_same() -> None:
    plain, once = Properties(PacketTypes.PUBLISH), mqtt._Packed(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    plain.ContentType = once.ContentType = "application/json"
    assert [once.pack(), once.pack()] == [plain.pack()] * 2  # type: ignore[no-untyped-call]
