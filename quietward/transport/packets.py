"""Pure: the frequent packets of MQTT 5, PUBLISH and PUBACK, to and from bytes.

paho-mqtt handles the rest of the protocol. It could handle these two as well, but builds so many objects for them that
they took half the time of ingest and devices. Standard: OASIS MQTT Version 5.0, sections 2.1 to 2.2, 3.3 and 3.4.
"""

from collections.abc import Iterable, Iterator
from functools import cache
from typing import NamedTuple

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties, VariableByteIntegers

CONTENT_TYPE_ID = 3
PUBLISH_PROPERTIES: dict[int, int | str] = {
    1: 1, 2: 4, CONTENT_TYPE_ID: "text", 8: "text", 9: "text", 11: "number", 35: 2, 38: "pair",
}  # fmt: skip
"""How long the value of each property is (table 2-4 of the standard): so many bytes, or as its own length says."""
PUBACK_HEAD = bytes((PacketTypes.PUBACK << 4, 2))  # nothing but an identifier: success
PUBLISH_HEAD = [bytes((PacketTypes.PUBLISH << 4 | flags,)) for flags in (0b010, 0b011)]  # at QoS 1; then also retained
NOBODY = 0x10  # the broker has accepted a message, found no subscriber for it, and forgotten it
FAILED_FROM = 0x80  # reason codes from here on are failures


class Message(NamedTuple):
    """A published message. mid: packet identifier to acknowledge, if qos is not 0.

    malformed: why its properties cannot be read; empty if they can.
    """

    topic: str
    payload: bytes
    qos: int
    mid: int
    content_type: str
    malformed: str = ""


def message(command: int, packet: bytes) -> Message:
    """Parse a PUBLISH of QoS 0 or 1. command: first byte of the fixed header; packet: all that follows the header.

    Devices choose topic, properties and payload, and brokers hand on nearly all of it: whatever that is, the packet's
    identifier is found, so that it can be acknowledged and does not come again.
    """
    qos = command >> 1 & 3
    at = 2 + int.from_bytes(packet[:2])
    topic = packet[2:at].decode("utf-8", "replace")
    mid = int.from_bytes(packet[at : at + 2]) if qos else 0
    at += 2 if qos else 0
    try:
        length, at = _number(packet, at)
        properties, payload = packet[at : at + length], packet[at + length :]
        if not properties:
            content_type = ""
        elif properties[0] == CONTENT_TYPE_ID and int.from_bytes(properties[1:3]) == length - 3:  # it alone: most
            content_type = properties[3:].decode("utf-8", "replace")
        else:
            content_type = _content_type(properties)
    except (LookupError, ValueError) as error:
        return Message(topic, packet[at:], qos, mid, "", str(error))
    return Message(topic, payload, qos, mid, content_type)


def _content_type(properties: bytes) -> str:
    """Return the content type among properties, empty if there is none. Others need not make sense, only end in time.

    Raises LookupError, ValueError.
    """
    found = [value for identifier, value in _split(properties) if identifier == CONTENT_TYPE_ID]
    if len(found) > 1:
        raise ValueError("the content type is there twice")
    return found[0][2:].decode("utf-8", "replace") if found else ""


def _split(properties: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield identifier and value of each property. Raises LookupError, ValueError."""
    at = 0
    while at < len(properties):
        identifier, begins = _number(properties, at)
        match PUBLISH_PROPERTIES.get(identifier):
            case None:
                raise LookupError(f"a message has no property {identifier}")
            case "number":
                _, at = _number(properties, begins)
            case "text":
                at = _end_of_text(properties, begins)
            case "pair":
                at = _end_of_text(properties, _end_of_text(properties, begins))
            case length:
                at = begins + int(length)
        if at > len(properties):
            raise ValueError(f"property {identifier} ends too soon")
        yield identifier, properties[begins:at]


def _end_of_text(packet: bytes, at: int) -> int:
    return at + 2 + int.from_bytes(packet[at : at + 2])


def _number(packet: bytes, at: int) -> tuple[int, int]:
    """Return the variable byte integer at a place, and the place behind it (section 1.5.5). Raises ValueError."""
    value = 0
    for shift in (0, 7, 14, 21):
        if at >= len(packet):
            break
        byte = packet[at]
        value |= (byte & 0x7F) << shift
        at += 1
        if byte < 0x80:
            return value, at
    raise ValueError("a length or number has no end")


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


def answer(packet: bytes) -> tuple[int, int]:
    """Return identifier and reason code of a PUBACK without its fixed header; what has no code is accepted (0)."""
    return int.from_bytes(packet[:2]), packet[2] if len(packet) > 2 else 0
