"""Devices to page with real parts: broker, store, and the four processes."""

import asyncio
import json
import struct
import urllib.request
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import websockets

from quietward.contracts.addresses import Ward
from quietward.contracts.inputs import Block, decode_inputs
from quietward.contracts.log import decode_event
from quietward.contracts.notice import NOTICE
from quietward.contracts.settings import Settings
from quietward.contracts.summary import Summary, decode_summary
from quietward.recordings.files import read_recording, write_recording
from quietward.runtime.embedded import wait_for_port
from quietward.store.client import RedisError, Store
from quietward.transport.mqtt import Publisher
from tests.conftest import ANY_KIND, WAIT_S, Parts, Server, record, settled, until, wait_for
from tests.traces import flat, put, ramp, ripple


async def summary_of(store: Store, ward: Ward, bed: str) -> Summary | None:
    raw = await store.hget(ward.shard(ward.shard_of(bed)).summary, bed)
    return None if raw is None else decode_summary(raw)


async def log_of(store: Store, ward: Ward, bed: str) -> list[Any]:
    entries: Any = await store.xrange(ward.shard(ward.shard_of(bed)).log(bed))
    return [decode_event(fields[b"e"]) for _, fields in entries]


async def frame(port: int) -> tuple[dict[str, Any], bytes]:
    async with websockets.connect(f"ws://127.0.0.1:{port}/live", max_size=None) as ws:
        raw = await ws.recv()
    assert isinstance(raw, bytes)
    (length,) = struct.unpack("<I", raw[:4])
    return json.loads(raw[4 : 4 + length]), raw[4 + length :]


T0_MS = 1_790_000_000_000


def second(seq: int, **changes: object) -> bytes:
    """A device's message: one calm second."""
    plain = {"session": "s", "seq": seq, "t": T0_MS + seq * 1000, "hz": 4, "fhr": [140] * 4, "ua": [9] * 4}
    return msgspec.json.encode(plain | changes)


async def stands_at(store: Store, ward: Ward, bed: str, seq: int) -> bool:
    """True when the detector has taken this second of the bed."""
    try:
        found = await summary_of(store, ward, bed)
    except RedisError:
        return False
    return found is not None and found.t == T0_MS + seq * 1000


async def seconds_stored(store: Store, ward: Ward) -> list[int]:
    """Sequence numbers in the input stream, each once, in order."""
    entries: Any = await store.xrange(ward.shard(0).input)
    items = [item for _, fields in entries for item in msgspec.msgpack.decode(fields[b"e"])]
    return sorted({item[3] for item in items if item[0] == "samples"})


def get(port: int, path: str) -> tuple[int, str]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=WAIT_S) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()


async def test_a_real_recording_from_broker_to_page(settings: Settings, ward: Ward, store: Store, parts: Parts) -> None:
    """An open CTU-UHB record with many decelerations is played at speed; its samples, findings and flags arrive."""
    path = record("1017")
    for part in ("serve", "ingest", "detect"):
        parts.start(part)
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    parts.start("replay", str(path), "--bed", "bed-7", "--speed", "100")

    async def flagged() -> bool:
        return any(e.kind == "flag-raised" for e in await log_of(store, ward, "bed-7"))

    assert await until(flagged, 90), parts.log("detect") + parts.log("replay")
    found = await summary_of(store, ward, "bed-7")
    assert found is not None
    assert found.baseline_bpm is not None
    assert found.reason or found.level == "quiet"
    kinds = {e.kind for e in await log_of(store, ward, "bed-7")}
    assert {"contraction", "deceleration", "flag-raised"} <= kinds
    shown: list[tuple[dict[str, Any], bytes]] = []

    async def is_shown() -> bool:
        shown[:] = [await frame(settings.port)]
        return any(mark["kind"] == "deceleration" for bed in shown[0][0]["beds"] for mark in bed["marks"])

    assert await until(is_shown), parts.log("serve")
    head, body = shown[0]
    (bed,) = head["beds"]
    assert bed["card"]["bed"] == "bed-7"
    assert len(body) == bed["seconds"] * 4 * 2 * 2
    # The samples on the page are the recording's.
    strip = np.frombuffer(body[: bed["seconds"] * 8], dtype="<i2")
    entries: Any = await store.xrange(ward.shard(0).input)
    inputs = [item for _, fields in entries for item in decode_inputs(fields[b"e"])]
    began = next(item.t // 1000 for item in inputs if isinstance(item, Block))
    fhr = read_recording(path).fhr[(bed["first"] - began) * 4 :][: len(strip)]
    there = ~np.isnan(fhr)
    np.testing.assert_array_equal(strip[there] / 4, fhr[there])
    status, text = get(settings.port, "/log/bed-7")
    assert status == 200
    assert json.loads(text)["notice"] == NOTICE


async def test_the_page_answers_and_the_detector_hears(
    settings: Settings, ward: Ward, store: Store, parts: Parts, tmp_path: Path
) -> None:
    seconds = 480.0
    write_recording(tmp_path / "low.csv", flat(90, seconds) + ripple(seconds, 10), flat(10, seconds))
    for part in ("serve", "ingest", "detect"):
        parts.start(part)
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    parts.start("replay", str(tmp_path / "low.csv"), "--bed", "bed-1", "--speed", "100")

    async def flagged() -> bool:
        found = await summary_of(store, ward, "bed-1")
        return found is not None and found.level == "bedside"

    assert await until(flagged), parts.log("detect")
    found = await summary_of(store, ward, "bed-1")
    assert found is not None

    def post(body: bytes, origin: str | None = None) -> int:
        request = urllib.request.Request(f"http://127.0.0.1:{settings.port}/act", body, method="POST")
        if origin:
            request.add_header("Origin", origin)
        try:
            with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
                return int(answer.status)
        except urllib.error.HTTPError as error:
            return int(error.code)

    async def is_shown() -> bool:
        head, _ = await frame(settings.port)
        return [bed["card"]["bed"] for bed in head["beds"]] == ["bed-1"]

    assert wait_for(lambda: _listens(settings.port)), parts.log("serve")
    assert await until(is_shown), parts.log("serve")
    good = msgspec.json.encode({"type": "acknowledge", "bed": "bed-1", "flag": found.flag, "by": "Kim"})
    assert post(good, "http://elsewhere.example") == 403
    assert post(b'{"bed": "bed-1"}') == 422
    assert post(good) == 204

    async def answered() -> bool:
        now = await summary_of(store, ward, "bed-1")
        return now is not None and now.acknowledged_by == "Kim"

    assert await until(answered)
    said = [e for e in await log_of(store, ward, "bed-1") if e.kind == "flag-acknowledged"]
    assert [e.detail["by"] for e in said] == ["Kim"]


async def test_bad_messages_are_counted_and_stop_nothing(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    parts.start("ingest")
    parts.start("detect")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    async with Publisher(settings.broker, "test", ward.status_topic("bed-2"), lambda _: None) as out:
        for seq in range(20):
            for payload in (second(seq), second(seq, fhr=[1420] * 4), b"{"):
                await out.publish(ward.samples_topic("bed-2"), payload)
        assert await out.settle(WAIT_S) == 0

    async def all_there() -> bool:
        counted = await store.hgetall(ward.refusals) == {b"bed-2 field": b"20", b"bed-2 json": b"20"}
        return counted and await stands_at(store, ward, "bed-2", 19)

    assert await until(all_there), (await store.hgetall(ward.refusals), parts.log("ingest"))
    assert await settled(lambda: store.xlen(ward.refused), 40) == 40
    kept: Any = await store.xrange(ward.refused)
    assert b"1420" in kept[0][1][b"e"]


async def test_what_was_published_while_ingest_was_away_arrives(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    first = parts.start("ingest")
    parts.start("detect")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    async with Publisher(settings.broker, "test", ward.status_topic("bed-2"), lambda _: None) as out:
        for seq in range(400):
            if seq == 50:
                assert await out.settle(WAIT_S) == 0
                assert await until(lambda: stands_at(store, ward, "bed-2", 49))
                first.kill()
                first.wait()
            await out.publish(ward.samples_topic("bed-2"), second(seq))
        assert await out.settle(WAIT_S) == 0
        assert not await stands_at(store, ward, "bed-2", 399)
        parts.start("ingest")
        assert await until(lambda: stands_at(store, ward, "bed-2", 399)), parts.log("ingest")
    assert await seconds_stored(store, ward) == list(range(400))


async def test_a_store_that_goes_away_comes_back_and_nothing_is_lost(
    settings: Settings, ward: Ward, store: Store, store_server: Server, parts: Parts
) -> None:
    parts.start("ingest")
    parts.start("detect")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    assert wait_for(lambda: "detect holds" in parts.log("detect"))  # else it would find no store when it starts
    async with Publisher(settings.broker, "test", ward.status_topic("bed-2"), lambda _: None) as out:
        for seq in range(300):
            await out.publish(ward.samples_topic("bed-2"), second(seq))
            if seq == 100:
                store_server.kill()
            if seq == 200:
                store_server.start()
            await asyncio.sleep(0.005)
        arrived = await until(lambda: stands_at(store, ward, "bed-2", 299))
        assert arrived, parts.log("ingest") + parts.log("detect")
    assert await seconds_stored(store, ward) == list(range(300))


async def test_a_dead_detector_is_shown(
    settings: Settings, ward: Ward, store: Store, parts: Parts, tmp_path: Path
) -> None:
    """False rest: a bed that nobody watched for more than 10 s is never shown as quiet."""
    write_recording(tmp_path / "calm.csv", put(flat(140, 900), 1, ramp(0, 1, 1, 1)), flat(10, 900))
    parts.start("serve")
    parts.start("ingest")
    detect = parts.start("detect")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    parts.start("replay", str(tmp_path / "calm.csv"), "--bed", "bed-1")

    def state(head: dict[str, Any]) -> str:
        return str(head["beds"][0]["card"]["state"]) if head["beds"] else "none"

    calm = ("quiet", "noted")  # a bed that has not been seen for long is noted

    async def is_calm() -> bool:
        head, _ = await frame(settings.port)
        return state(head) in calm

    assert wait_for(lambda: _listens(settings.port))

    assert await until(is_calm)
    detect.kill()
    detect.wait()
    last = await summary_of(store, ward, "bed-1")
    assert last is not None
    head, _ = await frame(settings.port)
    while state(head) in calm:
        assert head["now"] - last.looked_at <= 10_000, "still calm with nobody watching"
        await asyncio.sleep(0.2)
        head, _ = await frame(settings.port)
    assert state(head) == "unwatched"

    async def is_said() -> bool:
        head, _ = await frame(settings.port)
        return any("detect" in trouble for trouble in head["troubles"])

    assert await until(is_said)


async def test_the_parts_by_hand(settings: Settings, ward: Ward, store: Store, parts: Parts) -> None:
    """simulate, ingest, detect and serve as separate processes; each shows that it is alive."""
    for part in ("ingest", "detect", "serve"):
        parts.start(part)
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    parts.start("simulate", "--beds", "2", "--speed", "20", "--hours", "4", "--head-start", "3")

    async def both_known() -> bool:
        found = [await summary_of(store, ward, bed) for bed in ("bed-1", "bed-2")]
        return all(one is not None and one.baseline_bpm is not None for one in found)

    assert await until(both_known), parts.log("simulate") + parts.log("detect")
    assert wait_for_port(settings.port, WAIT_S), parts.log("serve")

    async def both_shown() -> bool:
        head, _ = await frame(settings.port)
        return sorted(bed["card"]["bed"] for bed in head["beds"]) == ["bed-1", "bed-2"] and head["troubles"] == []

    assert await until(both_shown), parts.log("serve")
    for part in ("simulate", "ingest", "detect", "serve"):
        assert wait_for(lambda part=part: parts.start("alive", part).wait(WAIT_S) == 0), part  # type: ignore[misc]
    assert parts.start("alive", "nobody").wait(WAIT_S) == 2, "there is no such part"


async def test_a_device_that_dies_is_offline_by_its_last_will(
    settings: Settings, ward: Ward, store: Store, parts: Parts, tmp_path: Path
) -> None:
    write_recording(tmp_path / "calm.csv", flat(140, 900), flat(10, 900))
    parts.start("ingest")
    parts.start("detect")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    device = parts.start("replay", str(tmp_path / "calm.csv"), "--bed", "bed-1")

    async def said(word: str) -> bool:
        found = await summary_of(store, ward, "bed-1")
        return found is not None and word in f"{found.signal} {found.signal_reason}"

    assert await until(lambda: said("good"))
    device.kill()
    device.wait()
    assert await until(lambda: said("lost No data for"))
    assert await until(lambda: said("monitor disconnected"))


@ANY_KIND
async def test_unknown_paths_are_not_found(settings: Settings, store: Store, parts: Parts) -> None:
    assert await store.ping()
    parts.start("serve")
    assert wait_for(lambda: _listens(settings.port))
    for path in ("/nowhere", "/bed/NOT-A-BED", "/assets/none.js", "/practice/page/none.mjs"):
        assert get(settings.port, path)[0] == 404, path
    status, text = get(settings.port, "/bed/bed-1")
    assert status == 200
    assert "/assets/live.mjs" in text
    assert text.count(".mjs") == 1, "what live.mjs imports must not be loaded a second time"
    assert get(settings.port, "/practice/page/view.mjs")[0] == 200


@ANY_KIND
async def test_a_page_server_that_is_stopped_says_so_and_no_more(settings: Settings, parts: Parts) -> None:
    server = parts.start("serve")
    assert wait_for(lambda: _listens(settings.port))
    async with websockets.connect(f"ws://127.0.0.1:{settings.port}/live", max_size=None) as ws:
        await ws.recv()
        server.terminate()
        await ws.wait_closed()
    assert wait_for(lambda: server.poll() is not None)
    assert (server.returncode, "stopped" in parts.log("serve")) == (0, True)
    assert "Traceback" not in parts.log("serve")


def _listens(port: int) -> bool:
    try:
        return get(port, "/health")[0] == 200
    except OSError:
        return False
