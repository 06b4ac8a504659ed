"""One device does all that devices do wrong: nothing stops, none of it is silent, its neighbours lose nothing."""

from collections import Counter
from pathlib import Path
from typing import Any

import msgspec
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.inputs import Block, DeviceStatus, Input, decode_inputs
from quietward.contracts.samples import RefusedMessage
from quietward.contracts.settings import Settings
from quietward.contracts.summary import SignalState, decode_summary
from quietward.store.client import Store
from tests.conftest import Parts, reports, settled, until, wait_for, well

pytestmark = pytest.mark.one_kind

STEADY = """
name = "steady"
purpose = "A calm strip, so that only its device is of interest."
course = "Nothing happens."
good_watcher = "quiet"
lasts_min = 240
asleep_share = 0

[[phase]]
from_min = 0
baseline_bpm = 140
contraction_interval_s = 200
contraction_duration_s = 60
fhr_loss_share = 0
"""
FAULTS = """
[[fault]]
at_min = 1
what = "clock-jump"
size = 90

[[fault]]
at_min = 2
what = "clock-skew"
for_s = 60
size = 600

[[fault]]
at_min = 3
what = "repeat"
for_s = 10

[[fault]]
at_min = 4
what = "late"
for_s = 12

[[fault]]
at_min = 5
what = "missing"
for_s = 5

[[fault]]
at_min = 6
what = "malformed"
for_s = 8

[[fault]]
at_min = 7
what = "disconnect"
for_s = 50

[[fault]]
at_min = 9
what = "restart"
for_s = 20
"""
LAST_OF_FIRST_SESSION = 9 * 60 - 1
NEVER_ARRIVE = {*range(300, 305), *range(360, 368)}
WELL_AGAIN_S = 60


async def test_a_device_with_every_fault(
    settings: Settings, ward: Ward, store: Store, parts: Parts, tmp_path: Path
) -> None:
    steady, faulty = tmp_path / "steady.toml", tmp_path / "faulty.toml"
    steady.write_text(STEADY)
    faulty.write_text(STEADY + FAULTS)
    running = [parts.start("ingest"), parts.start("detect")]
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    scenarios = ["--scenario", str(faulty), "--scenario", str(steady), "--scenario", str(steady)]
    running.append(parts.start("simulate", "--beds", "3", *scenarios, "--speed", "80", "--hours", "3"))

    async def inputs(bed: str) -> list[Input]:
        entries: Any = await store.xrange(ward.shard(0).input)
        items = [item for _, fields in entries for item in decode_inputs(fields[b"e"])]
        return [item for item in items if getattr(item, "bed", "") == bed]

    async def sessions(bed: str) -> dict[str, list[Block]]:
        found: dict[str, list[Block]] = {}
        for item in await inputs(bed):
            if isinstance(item, Block):
                found.setdefault(item.session, []).append(item)
        return found

    async def is_well_again() -> bool:
        raw = await store.hget(ward.shard(0).summary, "bed-1")
        *_, newest = (await sessions("bed-1")).values() or [[]]
        if raw is None or len(newest) < WELL_AGAIN_S:
            return False
        summary = decode_summary(raw)
        return summary.session == newest[0].session != "" and summary.signal is SignalState.GOOD

    async def after_the_restart() -> bool:
        return len(await sessions("bed-1")) == 2

    assert await until(after_the_restart), parts.log("simulate") + parts.log("ingest")
    assert await until(is_well_again), parts.log("simulate") + parts.log("detect")

    assert [process.poll() for process in running] == [None] * 3, "something has stopped"
    for part in ("ingest", "detect", "simulate"):
        assert await until(lambda part=part: well(store, ward, part)), await reports(store, ward, part)  # type: ignore[misc]

    # Every message that could not be used is counted and kept with its reason; the seconds that came twice, too.
    counted = {b"bed-1 json": b"2", b"bed-1 field": b"4", b"bed-1 size": b"2"}
    assert await settled(lambda: store.hgetall(ward.refusals), counted) == counted
    assert await settled(lambda: store.xlen(ward.refused), 8) == 8
    kept: Any = await store.xrange(ward.refused)
    refused = [msgspec.json.decode(fields[b"e"], type=RefusedMessage) for _, fields in kept]
    assert Counter(one.reason for one in refused) == {"json": 2, "field": 4, "size": 2}
    assert all(ward.samples_topic("bed-1") == one.topic for one in refused)

    async def repeated_are_counted() -> bool:
        dropped: Any = await store.hgetall(ward.shard(0).refusals)
        return dropped.keys() == {b"bed-1 repeated"} and int(dropped[b"bed-1 repeated"]) >= 10

    assert await until(repeated_are_counted), await store.hgetall(ward.shard(0).refusals)

    # All of the faulty bed's seconds are there that could be: also those from while it was away, and the late ones.
    first, second = (await sessions("bed-1")).values()
    assert {b.seq for b in first} == set(range(LAST_OF_FIRST_SESSION + 1)) - NEVER_ARRIVE
    assert sorted({b.seq for b in second}) == list(range(max(b.seq for b in second) + 1))
    ahead = {b.seq: b.t - first[0].t - b.seq * 1000 for b in first}
    assert [ahead[s] for s in (0, 59, 60, 119, 180, LAST_OF_FIRST_SESSION)] == [0, 0, 90_000, 90_000, 100_000, 100_000]
    online = [item.online for item in await inputs("bed-1") if isinstance(item, DeviceStatus)]
    assert online == [True, False, True, False, True], "twice it went without goodbye, and came back"

    for bed in ("bed-2", "bed-3"):
        (blocks,) = (await sessions(bed)).values()
        assert len(blocks) > LAST_OF_FIRST_SESSION
        assert [b.seq for b in blocks] == list(range(len(blocks))), bed
