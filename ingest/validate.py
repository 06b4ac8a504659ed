"""Pure: one MQTT message to one Input, or BadMessage with the reason that is counted."""

import re

import msgspec
from msgspec import UNSET

from quietward.contracts.addresses import TOPIC_ROOT
from quietward.contracts.bounds import AHEAD_OF_ARRIVAL_MS
from quietward.contracts.errors import BadMessage
from quietward.contracts.fields import HZ, SessionId
from quietward.contracts.inputs import Block, DeviceStatus
from quietward.contracts.samples import Samples, decode_known_samples, decode_samples
from quietward.contracts.validation import NOT_DECODED, invalid_json

LARGEST_BYTES = 4096
TOPIC = re.compile(rf"{TOPIC_ROOT}/([a-z0-9-]{{1,32}})/([a-z0-9-]{{1,32}})/(samples|status)")
SENML = "application/senml+json"
REASONS = ("packet", "topic", "size", "content-type", "json", "field", "status", "senml", "time", "bed", "rate")
"""Every reason a message can be refused for."""
IGNORED = "ignored-field"
"""Counted as these are; such a message is used, but for fields that nobody here knows."""
MOST_NAMED, LONGEST_NAME = 5, 32


def bed_in(topic: str) -> str | None:
    """Return the bed that a topic is of, None if it is no topic of ours."""
    matched = TOPIC.fullmatch(topic)
    return None if matched is None else matched[2]


def check(
    topic: str, payload: bytes, content_type: str, at: int, malformed: str = "", ignored: list[str] | None = None
) -> Block | DeviceStatus:
    """Return a message's content. at: its arrival, ms; malformed: why its packet cannot be read. Raises BadMessage.

    ignored: names of fields that are not known here, and so are left out, are added to it.
    """
    if malformed:
        raise BadMessage("packet", "packet", payload, f"Send properties as MQTT 5 has them: {malformed}")
    matched = TOPIC.fullmatch(topic)
    if matched is None:
        raise BadMessage(
            "topic", "topic", topic, "Ward and bed are 1 to 32 of a-z, 0-9 and -; then /samples or /status"
        )
    bed, kind = matched[2], matched[3]
    if len(payload) > LARGEST_BYTES:
        raise BadMessage(
            "size", "payload bytes", len(payload), f"Send one second at a time, at most {LARGEST_BYTES} bytes"
        )
    if kind == "status":
        return _status(bed, payload, at)
    if content_type == SENML:
        s = _from_senml(payload)
    elif content_type in ("", "application/json"):
        s = _from_json(payload, ignored)
    else:
        raise BadMessage("content-type", "content type", content_type, f"Send application/json or {SENML}")
    if s.t > at + AHEAD_OF_ARRIVAL_MS:
        remedy = f"Set the clocks: it is {(s.t - at) / 86_400_000:.0f} days ahead of the server's"
        raise BadMessage("time", "t", s.t, remedy)
    second = None if s.fhr2 is UNSET else s.fhr2
    return Block(bed, s.session, s.seq, s.t, at, s.fhr, s.ua, s.mhr, s.stage, s.weeks, second)


def _status(bed: str, payload: bytes, at: int) -> DeviceStatus:
    if payload not in (b"online", b"offline"):
        raise BadMessage("status", "status", payload, "Send online or offline")
    return DeviceStatus(bed, at, payload == b"online")


def _from_json(payload: bytes, ignored: list[str] | None = None) -> Samples:
    try:
        return decode_known_samples(payload)  # most of them
    except NOT_DECODED:
        pass
    try:
        samples = decode_samples(payload)
        names = _decode_names(payload)  # also says whether they are text
    except NOT_DECODED as error:
        invalid = invalid_json(error, payload)
        if not invalid.is_json:
            raise BadMessage("json", "payload", payload, invalid.reason) from error
        raise BadMessage("field", invalid.path or "message", invalid.value, invalid.reason) from error
    if ignored is not None:
        unknown = [name for name in names if name not in Samples.__struct_fields__]
        ignored += [name[:LONGEST_NAME] for name in unknown[:MOST_NAMED]]
    return samples


class _SenmlRecord(msgspec.Struct, forbid_unknown_fields=True):
    """The fields of a SenML record (RFC 8428) that are used; a record with others is refused, not half understood."""

    bn: str = ""
    bt: float = 0.0
    n: str = ""
    u: str = ""
    v: float | None = None
    t: float = 0.0


class _OfSession(msgspec.Struct):
    """What is read of a message that cannot be used."""

    session: SessionId = ""


def session_in(payload: bytes) -> str:
    """Return the session that a message names which cannot be used, empty if it names none that can be."""
    try:
        return _decode_session(payload).session
    except NOT_DECODED:
        return ""


_decode_session = msgspec.json.Decoder(_OfSession).decode
_decode_names = msgspec.json.Decoder(dict[str, msgspec.Raw]).decode  # values of fields that nobody knows are not read
_decode_senml = msgspec.json.Decoder(list[_SenmlRecord]).decode
_RATE = {"beat/min": 1.0, "": 1.0, "1/s": 60.0, "Hz": 60.0}
_UNITS = {"fhr": _RATE, "fhr2": _RATE, "ua": {"": 1.0, "/": 1.0}}


def _from_senml(payload: bytes) -> Samples:
    """Read a pack of one second: records named `fhr` and `ua`, base name = session, absolute base time; `fhr2`:
    the rate of a second twin.

    `beat/min` is accepted though RFC 8428 does not recommend it to new producers; so is 1/s.
    """
    try:
        pack = _decode_senml(payload)
    except NOT_DECODED as error:
        raise BadMessage("senml", "payload", payload, f"Is not a SenML pack: {error}") from error
    base_time, session = 0.0, ""
    values: dict[str, dict[int, float]] = {"fhr": {}, "ua": {}}
    if any(record.n == "fhr2" for record in pack):
        values["fhr2"] = {}
    for record in pack:
        base_time, session = record.bt or base_time, record.bn or session
        units = _UNITS.get(record.n)
        if units is None:
            raise BadMessage("senml", "n", record.n, "Name records fhr, ua, or fhr2 for a second twin")
        if record.u not in units:
            raise BadMessage("senml", "u", record.u, f"For {record.n} use one of {', '.join(filter(None, units))}")
        index = round(record.t * HZ) if 0 <= record.t < 1 else -1
        if not 0 <= index < HZ:
            raise BadMessage("senml", "t", record.t, "Send one second at a time: t from 0 to 0.75 after the base time")
        if record.v is not None:
            values[record.n][index] = record.v * units[record.u]
    columns = {name: [samples.get(k) for k in range(HZ)] for name, samples in values.items()}
    if not 2**28 <= base_time < 2**43:
        raise BadMessage("senml", "bt", base_time, "Give an absolute base time, in seconds since the epoch")
    message = {
        "session": session.strip(":/") or "senml",
        "seq": round(base_time),
        "t": round(base_time * 1000),
        "hz": HZ,
    }
    return _from_json(msgspec.json.encode(message | columns))
