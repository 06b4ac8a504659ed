"""Every message that cannot be used is refused with the field, the value and the remedy."""

import contextlib
import json

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.bounds import AHEAD_OF_ARRIVAL_MS, LARGEST_SEQ
from quietward.contracts.errors import BadMessage
from quietward.contracts.inputs import Block, DeviceStatus
from quietward.ingest.validate import LARGEST_BYTES, LONGEST_NAME, MOST_NAMED, REASONS, SENML, check, session_in

TOPIC = "quietward/v1/ward-1/bed-3/samples"
GOOD = {
    "session": "a-1",
    "seq": 17,
    "t": 1_790_000_000_000,
    "hz": 4,
    "fhr": [142.25, None, 141, 140],
    "ua": [12.0, 12, 13, None],
}
NOW = 1_790_000_000_005
WITHOUT = object()


def message(**changes: object) -> bytes:
    return msgspec.json.encode({k: v for k, v in (GOOD | changes).items() if v is not WITHOUT})


def test_a_good_message_becomes_a_block() -> None:
    block = check(TOPIC, message(mhr=81.0, stage=2, src="probe"), "application/json", NOW)
    assert block == Block(
        "bed-3", "a-1", 17, 1_790_000_000_000, NOW, [142.25, None, 141.0, 140.0], [12.0, 12.0, 13.0, None], 81.0, 2
    )


def test_a_field_that_nobody_knows_may_hold_what_nobody_can_read() -> None:
    ignored: list[str] = []
    payload = message()[:-1] + b',"colour":[1e400]}'
    assert check(TOPIC, payload, "", NOW, "", ignored) == check(TOPIC, message(), "", NOW)
    assert ignored == ["colour"]
    with pytest.raises(BadMessage, match="Is not JSON") as caught:
        check(TOPIC, message()[:-1] + b',"\xff":1}', "", NOW, "", [])
    assert caught.value.reason == "json"


@pytest.mark.parametrize(
    ("changes", "field", "value"),
    [
        ({"fhr": [1420, 140, 140, 140]}, "fhr", 1420),
        ({"fhr": [140, 140, 140, 19.9]}, "fhr", 19.9),
        ({"fhr": [140, 140, 140]}, "fhr", [140, 140, 140]),
        ({"fhr": [140] * 5}, "fhr", [140] * 5),
        ({"fhr": "140"}, "fhr", "140"),
        ({"fhr": [True, 1, 1, 1]}, "fhr", True),
        ({"ua": [128, 0, 0, 0]}, "ua", 128),
        ({"ua": [-1, 0, 0, 0]}, "ua", -1),
        ({"seq": -1}, "seq", -1),
        ({"seq": 1.5}, "seq", 1.5),
        ({"seq": 2**60}, "seq", 2**60),
        ({"seq": LARGEST_SEQ + 1}, "seq", LARGEST_SEQ + 1),
        ({"t": "now"}, "t", "now"),
        ({"t": -5}, "t", -5),
        ({"hz": 2}, "hz", 2),
        ({"session": ""}, "session", ""),
        ({"session": "a b"}, "session", "a b"),
        ({"stage": 3}, "stage", 3),
        ({"mhr": 500}, "mhr", 500),
        ({"src": "<script>"}, "src", "<script>"),
        ({"t": WITHOUT}, "message", None),
    ],
)
def test_a_wrong_field_is_named_with_its_value(changes: dict[str, object], field: str, value: object) -> None:
    with pytest.raises(BadMessage) as caught:
        check(TOPIC, message(**changes), "", NOW)
    assert caught.value.reason == "field"
    assert caught.value.what.startswith(field)
    if field != "message":
        found = caught.value.value
        assert found == value or (isinstance(found, list) and value in found)
    assert caught.value.remedy


def test_fields_that_are_not_known_are_left_out_and_named() -> None:
    """A device of tomorrow sends more than this version knows: its second must not be lost for it."""
    ignored: list[str] = []
    more = {f"x{n}" * 30: n for n in range(9)}
    assert check(TOPIC, message(colour="red", **more), "", NOW, "", ignored) == check(TOPIC, message(), "", NOW)
    assert ignored[0] == "colour"
    assert len(ignored) == MOST_NAMED
    assert all(len(name) <= LONGEST_NAME for name in ignored)
    ignored.clear()
    check(TOPIC, message(), "", NOW, "", ignored)
    assert ignored == []
    with pytest.raises(BadMessage) as caught:  # what is known must be right all the same
        check(TOPIC, message(colour="red", seq=-1), "", NOW)
    assert caught.value.what == "seq"


@pytest.mark.parametrize(
    ("topic", "payload", "content_type", "reason"),
    [
        ("quietward/v1/ward-1/BED/samples", message(), "", "topic"),
        ("quietward/v1/ward-1/bed/other", message(), "", "topic"),
        ("quietward/v2/ward-1/bed/samples", message(), "", "topic"),
        (TOPIC, b"{", "", "json"),
        (TOPIC, b"", "", "json"),
        (TOPIC, b"\xff\xfe", "", "json"),
        (TOPIC, b" " * (LARGEST_BYTES + 1), "", "size"),
        (TOPIC, message(), "text/plain", "content-type"),
        (TOPIC.replace("samples", "status"), b"gone fishing", "", "status"),
        (TOPIC, b"{}", SENML, "senml"),
        (TOPIC, message(t=NOW + AHEAD_OF_ARRIVAL_MS + 1), "", "time"),
        (TOPIC, message(t=4_102_444_800_000), "", "time"),
    ],
)
def test_everything_else_is_refused_by_reason(topic: str, payload: bytes, content_type: str, reason: str) -> None:
    with pytest.raises(BadMessage) as caught:
        check(topic, payload, content_type, NOW)
    assert caught.value.reason == reason
    assert reason in REASONS


@pytest.mark.parametrize(
    ("payload", "session"),
    [
        (message(session="a-1", seq=-1), "a-1"),
        (message(session=7), ""),
        (b"[1]", ""),
        (b"{", ""),
        (b"", ""),
    ],
)
def test_of_what_is_refused_the_session_is_told_where_there_is_one(payload: bytes, session: str) -> None:
    assert session_in(payload) == session


def test_a_device_may_say_any_time_that_has_been() -> None:
    """A clock that was never set says 1970, and its device watches somebody all the same."""
    for t in (0, NOW - 10 * 365 * 86_400_000, NOW + AHEAD_OF_ARRIVAL_MS):
        assert isinstance(check(TOPIC, message(t=t), "", NOW), Block)


def test_status() -> None:
    assert check("quietward/v1/w/b/status", b"online", "", 7) == DeviceStatus("b", 7, online=True)
    assert check("quietward/v1/w/b/status", b"offline", "", 7) == DeviceStatus("b", 7, online=False)


def test_senml_after_rfc_8428() -> None:
    """RFC 8428: base name, base time and time; `beat/min` is registered and to be accepted; 1/s is what to send."""
    pack = [
        {"bn": "urn-dev-1", "bt": 1_790_000_000, "n": "fhr", "u": "beat/min", "v": 142},
        {"n": "fhr", "u": "1/s", "t": 0.25, "v": 2.375},
        {"n": "ua", "v": 12, "t": 0.75},
    ]
    block = check(TOPIC, msgspec.json.encode(pack), SENML, NOW)
    assert isinstance(block, Block)
    assert block.fhr == [142.0, 142.5, None, None]
    assert block.ua == [None, None, None, 12.0]
    assert (block.t, block.session, block.seq) == (1_790_000_000_000, "urn-dev-1", 1_790_000_000)


@pytest.mark.parametrize(
    "record",
    [{"n": "pulse", "v": 1}, {"n": "fhr", "u": "kg", "v": 1}, {"n": "fhr", "t": 3, "v": 1}, {"n": "fhr", "v": 140}],
)
def test_senml_that_cannot_be_used(record: dict[str, object]) -> None:
    with pytest.raises(BadMessage) as caught:
        check(TOPIC, msgspec.json.encode([record]), SENML, NOW)
    assert caught.value.reason == "senml"


@pytest.mark.parametrize(
    "payload",
    [
        b'{"session": 5, xx', b"[" * 4000, b'{"session": 5, "x": "\xff"}', b"", b"null", b"[]", b"\x00",
        b'{"session":"a","seq":1,"t":1790000000000,"hz":4,"fhr":[1,2,3,400],"fhr":[1],"ua":[1,2,3,4]}',
    ],
)  # fmt: skip
@pytest.mark.parametrize("content_type", ["application/json", "application/senml+json"])
def test_whatever_comes_is_refused_and_nothing_else_happens(payload: bytes, content_type: str) -> None:
    with pytest.raises(BadMessage):
        check(TOPIC, payload, content_type, NOW)


@pytest.mark.parametrize("record", [{"t": 1e308}, {"bt": 1e306}, {"bv": 100}, {"t": -1e300}, {"bt": -5}])
def test_senml_with_numbers_that_cannot_be(record: dict[str, float]) -> None:
    pack = [{"bn": "dev:", "bt": 1790000000, "n": "fhr", "u": "beat/min", "v": 140, "t": 0} | record]
    with pytest.raises(BadMessage):
        check(TOPIC, json.dumps(pack).encode(), "application/senml+json", NOW)


@given(st.binary(max_size=300) | st.text(max_size=200).map(str.encode), st.booleans())
def test_no_bytes_at_all_bring_anything_but_a_refusal(payload: bytes, senml: bool) -> None:
    with contextlib.suppress(BadMessage):
        check(TOPIC, payload, "application/senml+json" if senml else "application/json", NOW)
