"""Pure: the packets of MQTT 5 that fly by the thousand, PUBLISH and PUBACK, to and from bytes.

paho-mqtt does this, too, and all else of the protocol stays with it; for these two it builds so many objects that they
were half of what ingest and devices did. Standard: OASIS MQTT Version 5.0, sections 2.1 to 2.2, 3.3 and 3.4.
"""

from collections.abc import Iterable
from typing import NamedTuple

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties, VariableByteIntegers

CONTENT_TYPE_ID = 3
PUBACK_HEAD = bytes((PacketTypes.PUBACK << 4, 2))  # nothing but an identifier: success
AT_QOS_1, RETAINED = 2, 1
FAILED_FROM = 0x80


class Message(NamedTuple):
    """What was published. mid: to be acknowledged by, if qos is not 0."""

    topic: str
    payload: bytes
    qos: int
    mid: int
    content_type: str


def message(command: int, packet: bytes) -> Message:
    """Return a PUBLISH without its fixed header, of which command is the first byte; QoS 0 or 1."""
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
        found = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        found.unpack(packet[at:])  # type: ignore[no-untyped-call]
        content_type = getattr(found, "ContentType", "")
    return Message(topic, payload, qos, mid, content_type)


def publish(topic: str, payload: bytes, mid: int, content_type: str, *, retain: bool) -> bytes:
    """Return a PUBLISH at QoS 1."""
    name, kind = topic.encode(), content_type.encode()
    properties = bytes((CONTENT_TYPE_ID,)) + len(kind).to_bytes(2) + kind
    body = b"".join((
        len(name).to_bytes(2), name, mid.to_bytes(2), _variable(len(properties)), properties, payload
    ))  # fmt: skip
    return bytes((PacketTypes.PUBLISH << 4 | AT_QOS_1 | (RETAINED if retain else 0),)) + _variable(len(body)) + body


def _variable(number: int) -> bytes:
    """Return a variable byte integer (section 1.5.5)."""
    found = bytearray()
    while number > 0x7F:
        found.append(number & 0x7F | 0x80)
        number >>= 7
    found.append(number)
    return bytes(found)


def acknowledgements(mids: Iterable[int]) -> bytes:
    """Return a PUBACK for each identifier."""
    return b"".join(PUBACK_HEAD + mid.to_bytes(2) for mid in mids)


def answer(packet: bytes) -> tuple[int, bool]:
    """Return the identifier of a PUBACK without its fixed header, and whether the broker has taken the message."""
    return int.from_bytes(packet[:2]), len(packet) < 3 or packet[2] < FAILED_FROM
