"""Today's parts go on from what earlier versions left: no bed is left behind or looks calm, no flag or answer is lost.

The files are made by those versions themselves, see `tests/upgrade/make.py`.
"""

import json
import lzma
import time
import urllib.parse
import urllib.request
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import pytest
import redis

from quietward.contracts.addresses import Shard, Ward
from quietward.contracts.commands import Acknowledge
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Tick, encode_inputs
from quietward.contracts.log import Event, decode_event
from quietward.contracts.settings import Settings
from quietward.contracts.summary import SignalState, Summary, decode_summary
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.service import Detector
from quietward.detect.store import ShardStore
from quietward.runtime.embedded import wait_for_port
from quietward.store.client import Store
from quietward.transport.mqtt import Publisher
from tests.conftest import WAIT_S, Parts, Server, until, well
from tests.detectors import until as worked_through
from tests.integration.test_flow import frame, get
from tests.upgrade.make import (
    ANSWERED,
    CALM,
    CLASS,
    KEPT,
    LEARNER,
    PASSWORD,
    PERSON,
    SILENT,
    UNANSWERED,
    WARD,
    Content,
    put_back,
)

FOLDER = Path(__file__).parents[1] / "upgrade"
SHARD: Shard = Ward(WARD).shard(0)
RANK = ["quiet", "noted", "look", "bedside", "team"].index


class Left:
    """What a version has left. found: the last summary of each bed; at: ms of the last second worked through."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.content: Content = msgspec.msgpack.decode(lzma.decompress(file.read_bytes()), type=Content)
        summaries = self.content[SHARD.summary][2]
        self.found: dict[str, dict[str, Any]] = {bed.decode(): json.loads(raw) for bed, raw in summaries.items()}
        self.at = int(self.content[SHARD.position][2].decode().partition("-")[0])

    def blocks_of(self, bed: str) -> list[list[Any]]:
        """Return a bed's seconds in the input stream."""
        items = [item for _, fields in self.content[SHARD.input][2] for item in msgspec.msgpack.decode(fields[b"e"])]
        return [item for item in items if item[0] == "samples" and item[1] == bed]


@cache
def left_by(version: str) -> Left:
    return Left(FOLDER / f"{version}.msgpack.xz")


@pytest.fixture(params=["0.1.0", "0.2.0"])
def left(request: pytest.FixtureRequest) -> Left:
    return left_by(request.param)


@pytest.fixture
def settings(settings: Settings) -> Settings:
    """The ward that the files are of."""
    return msgspec.structs.replace(settings, ward=WARD)


@pytest.fixture
async def before(store: Store, store_server: Server, left: Left, tmp_path: Path) -> Store:
    """The store as that version left it; the page's files are in the test's folder."""
    with redis.Redis(port=store_server.port) as client:
        put_back(client, left.content, tmp_path)
    return store


async def summaries(store: Store) -> dict[str, Summary]:
    raw: Any = await store.hgetall(SHARD.summary)
    return {bed.decode(): decode_summary(found) for bed, found in raw.items()}


async def new_events(store: Store, left: Left, bed: str, key: Callable[[str], str] = SHARD.log) -> list[Event]:
    """What the log (or trend) says that it did not say before."""
    entries: Any = await store.xrange(key(bed))
    return [decode_event(fields[b"e"]) for _, fields in entries][len(left.content[key(bed)][2]) :]


def number_of(event: Event) -> int:
    return int(event.id.rpartition("-")[2])


async def is_told(store: Store, left: Left, bed: str) -> None:
    """A flag of before is still there, as high as it was, or one line of the log says what has become of it."""
    was, now = left.found[bed], (await summaries(store))[bed]
    if now.flag == was["flag"] and RANK(now.level) >= RANK(was["level"]):
        return
    told = [event for event in await new_events(store, left, bed) if event.kind in ("flag-lowered", "flag-eased")]
    assert [event.detail["flag"] for event in told][:1] == [was["flag"]], (bed, was, now)
    assert told[0].text


class Going:
    """The ward's stream goes on, worked through by today's detector; no device sends unless told."""

    def __init__(self, store: Store, at: int) -> None:
        self.store, self.at = store, at

    async def on(self, seconds: int, *inputs: Input, blocks: Any = lambda at: []) -> None:
        last: Any = b""
        for _ in range(seconds):
            self.at += 1000
            items = [*blocks(self.at), Tick(self.at)]
            last = await self.store.xadd(SHARD.input, {"e": encode_inputs(items)}, id=f"{self.at}-0")
        if inputs:
            last = await self.store.xadd(SHARD.input, {"e": encode_inputs(list(inputs))}, id=f"{self.at}-1")
        detector = Detector(ShardStore(self.store, SHARD), rule_file.load(), 1.0)
        await worked_through(detector, self.store, SHARD.position, last.decode())


def test_the_file_holds_what_it_was_made_for(left: Left) -> None:
    found = left.found
    assert RANK(found[UNANSWERED]["level"]) >= RANK("bedside")
    assert found[UNANSWERED]["flag"]
    assert found[UNANSWERED]["acknowledged_by"] is None
    assert found[ANSWERED]["acknowledged_by"] == "Kim"
    assert (found[CALM]["level"], found[SILENT]["signal"]) == ("quiet", "lost")
    assert left.content[SHARD.checkpoint][0] == "hash"
    assert left.file.stat().st_size < 200_000


@pytest.mark.one_kind
async def test_a_minute_later_every_bed_is_watched_and_every_flag_goes_on(
    before: Store, left: Left, caplog: pytest.LogCaptureFixture
) -> None:
    engine.prepare(rule_file.load())
    going = Going(before, left.at)
    sent = {bed: left.found[bed] for bed in (UNANSWERED, ANSWERED, CALM)}
    seqs = {bed: max(item[3] for item in left.blocks_of(bed)) for bed in sent}

    def blocks(at: int) -> list[Block]:
        found = []
        for bed, was in sent.items():
            seqs[bed] += 1
            rate = 139.0 + (at // 1000 % 4)
            found.append(Block(bed, was["session"], seqs[bed], at, at, [rate] * HZ, [10.0] * HZ))
        return found

    with caplog.at_level("WARNING", "quietward.detect"):
        await going.on(60, blocks=blocks)
    told = [line for line in caplog.messages if "checkpoint" in line]
    assert len(told) <= 1, "it counts, or one line says why it does not"
    for line in told:
        assert "the checkpoint is of " in line
        assert line.endswith("; the state is rebuilt")
    now = await summaries(before)
    assert now.keys() == left.found.keys()
    for bed, found in now.items():
        assert going.at - found.looked_at <= 5000, "somebody watches it"
        assert (found.signal is SignalState.LOST) == (bed == SILENT)
        events = [*await new_events(before, left, bed), *await new_events(before, left, bed, SHARD.trend)]
        first = left.found[bed]["events"] + 1
        assert sorted(number_of(event) for event in events) == list(range(first, first + len(events))), "none twice"
    assert now[SILENT].level != "quiet"
    await is_told(before, left, UNANSWERED)
    await is_told(before, left, ANSWERED)
    if now[ANSWERED].flag:
        assert now[ANSWERED].acknowledged_by == "Kim" or any(
            event.kind in ("flag-worsened", "flag-renewed", "flag-unresolved", "flag-repeated", "flag-returned")
            for event in await new_events(before, left, ANSWERED)
        )
    assert [care.what for care in now[ANSWERED].cared] == ["turned"]
    assert not [event for event in await new_events(before, left, CALM) if event.kind.startswith("flag-")]

    flag = now[UNANSWERED].flag
    assert flag == left.found[UNANSWERED]["flag"], "a fall that has just been seen is not over after a minute"
    await going.on(1, CommandEnvelope(going.at, Acknowledge(UNANSWERED, "Ann", flag or "")), blocks=blocks)
    assert (await summaries(before))[UNANSWERED].acknowledged_by == "Ann"


@pytest.mark.one_kind
async def test_all_parts_go_on_after_a_long_time(
    before: Store, left: Left, settings: Settings, ward: Ward, parts: Parts
) -> None:
    """The samples of before are older than what is kept, so nothing but summaries and logs is left to go on from."""
    await before.xtrim(SHARD.input, maxlen=0, approximate=False)
    for part in ("ingest", "detect", "serve"):
        parts.start(part)

    async def all_are_well() -> bool:
        return all([await well(before, ward, part) for part in ("ingest", "detect", "serve")])

    assert await until(all_are_well, 120), parts.log("detect") + parts.log("ingest")
    topology: Any = await before.hgetall(ward.topology)
    names = {key: left.content[ward.topology][2].get(key) for key in (b"session", b"seats")}
    assert {key: topology.get(key) for key in names} == names, (
        "what waits at the broker for the sessions of before still comes"
    )

    async def all_are_watched() -> bool:
        found = await summaries(before)
        return all(time.time() * 1000 - one.looked_at < 10_000 for one in found.values())

    assert await until(all_are_watched), await summaries(before)
    for bed in (UNANSWERED, ANSWERED):
        await is_told(before, left, bed)
    now = await summaries(before)
    assert now.keys() == left.found.keys()
    assert all(one.signal is SignalState.LOST for one in now.values())
    shown: dict[str, Any] = {}

    async def page_sees_them() -> bool:
        head, _ = await frame(settings.port)
        shown.update({one["card"]["bed"]: one["card"] for one in head["beds"]})
        assert not [card for card in shown.values() if card["state"] in ("quiet", "noted")], "it may not look calm"
        return shown.keys() == left.found.keys() and all(card["signal"] == "lost" for card in shown.values())

    assert await until(page_sees_them), shown
    assert shown[UNANSWERED]["flag"] == left.found[UNANSWERED]["flag"]
    flag = now[UNANSWERED].flag
    assert flag is not None
    status, _ = get(settings.port, f"/log/{UNANSWERED}")
    assert status == 200

    await act(before, Acknowledge(UNANSWERED, "Ann", flag))

    async def is_answered() -> bool:
        return (await summaries(before))[UNANSWERED].acknowledged_by == "Ann"

    assert await until(is_answered), await new_events(before, left, UNANSWERED)
    async with Publisher(settings.broker, "again", ward.status_topic(CALM), lambda _: None) as out:
        for seq in range(120):
            message = {"session": "new", "seq": seq, "t": (int(time.time()) - 120 + seq) * 1000, "hz": 4}
            traces = {"fhr": [139 + seq % 4] * 4, "ua": [10] * 4}
            await out.publish(ward.samples_topic(CALM), msgspec.json.encode(message | traces))

        async def is_back() -> bool:
            return (await summaries(before))[CALM].signal is SignalState.GOOD

        assert await until(is_back), (await summaries(before))[CALM]


@pytest.mark.one_kind
@pytest.mark.usefixtures("before")
@pytest.mark.parametrize("left", ["0.2.0"], indirect=True)
def test_people_sign_in_and_a_class_goes_on(left: Left, settings: Settings, parts: Parts, tmp_path: Path) -> None:
    assert left.content.keys() >= {KEPT[0], f"{KEPT[1]}/results.jsonl"}
    where = {f"QUIETWARD_{name.partition('.')[0].upper()}": str(tmp_path / name) for name in KEPT}
    parts.start("serve", environment=where)
    assert wait_for_port(settings.port, WAIT_S), parts.log("serve")
    ask = urllib.request.build_opener(urllib.request.HTTPCookieProcessor()).open
    address = f"http://127.0.0.1:{settings.port}"
    form = urllib.parse.urlencode({"name": PERSON, "password": PASSWORD}).encode()
    with ask(f"{address}/sign-in", form, timeout=WAIT_S) as answer:
        assert answer.status == 200
    with ask(f"{address}/practice/sets/{CLASS}/overview", timeout=WAIT_S) as answer:
        assert LEARNER in answer.read().decode()
    with ask(f"{address}/practice/learner?label={LEARNER}", timeout=WAIT_S) as answer:
        assert len(json.load(answer)["progress"]["scores"]) == 1


async def act(store: Store, command: Acknowledge) -> None:
    """What the page writes when somebody presses."""
    await store.xadd(SHARD.input, {"e": encode_inputs([CommandEnvelope(int(time.time() * 1000), command)])})
