"""Pure: the frequent packets of MQTT 5, PUBLISH and PUBACK, to and from bytes.

paho-mqtt handles the rest of the protocol. It could handle these two as well, but builds so many objects for them that
they took half the time of ingest and devices. Standard: OASIS MQTT Version 5.0, sections 2.1 to 2.2, 3.3 and 3.4.
"""

from collections.abc import Iterable
from functools import cache
from typing import NamedTuple

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties, VariableByteIntegers

CONTENT_TYPE_ID = 3
PUBACK_HEAD = bytes((PacketTypes.PUBACK << 4, 2))  # nothing but an identifier: success
PUBLISH_HEAD = [bytes((PacketTypes.PUBLISH << 4 | flags,)) for flags in (0b010, 0b011)]  # at QoS 1; then also retained
FAILED_FROM = 0x80  # reason codes from here on are failures


class Message(NamedTuple):
    """A published message. mid: packet identifier to acknowledge, if qos is not 0."""

    topic: str
    payload: bytes
    qos: int
    mid: int
    content_type: str


def message(command: int, packet: bytes) -> Message:
    """Parse a PUBLISH of QoS 0 or 1. command: first byte of the fixed header; packet: all that follows the header."""
    qos = command >> 1 & 3
    at = 2 + int.from_bytes(packet[:2])
    topic = packet[2:at].decode()
    mid = int.from_bytes(packet[at : at + 2]) if qos else 0
    at += 2 if qos else 0
    length, used = VariableByteIntegers.decode(packet[at:])  # type: ignore[no-untyped-call]
    properties, payload = packet[at + used : at + used + length], packet[at + used + length :]
    if not properties:
        content_type = ""
    elif properties[0] == CONTENT_TYPE_ID and int.from_bytes(properties[1:3]) == length - 3:  # this and nothing else
        content_type = properties[3:].decode()
    else:
        parsed = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        parsed.unpack(packet[at:])  # type: ignore[no-untyped-call]
        content_type = getattr(parsed, "ContentType", "")
    return Message(topic, payload, qos, mid, content_type)


def publish(topic: str, payload: bytes, mid: int, content_type: str, *, retain: bool) -> bytes:
    """Return a PUBLISH at QoS 1."""
    name = topic.encode()
    body = b"".join((len(name).to_bytes(2), name, mid.to_bytes(2), _properties(content_type), payload))
    length: bytes = VariableByteIntegers.encode(len(body))  # type: ignore[no-untyped-call]
    return PUBLISH_HEAD[retain] + length + body


@cache
def _properties(content_type: str) -> bytes:
    """Return the packed properties of a PUBLISH: the same for every message, so computed once."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ContentType = content_type
    packed: bytes = properties.pack()  # type: ignore[no-untyped-call]
    return packed


def acknowledgements(mids: Iterable[int]) -> bytes:
    """Return a PUBACK for each identifier."""
    return b"".join(PUBACK_HEAD + mid.to_bytes(2) for mid in mids)


def answer(packet: bytes) -> tuple[int, bool]:
    """Return the identifier in a PUBACK without its fixed header, and whether the broker accepted the message."""
    return int.from_bytes(packet[:2]), len(packet) < 3 or packet[2] < FAILED_FROM
