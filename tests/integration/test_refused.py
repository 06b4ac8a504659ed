"""Eyes: what was refused and why, what was used but for some fields, and an audit log that refusals cannot empty."""

import json
import subprocess
import sys
from typing import Any

import pytest

from quietward.contracts import samples
from quietward.contracts.addresses import AUDIT_REFUSED_KEPT, Ward
from quietward.contracts.inputs import Block, Tick, encode_inputs
from quietward.contracts.settings import Settings
from quietward.dashboard.auth import audit
from quietward.runtime.refused import read_refused
from quietward.store.client import Store
from quietward.transport.mqtt import Publisher
from tests.conftest import WAIT_S, Parts, settled, until, wait_for
from tests.integration.test_flow import second, stands_at

pytestmark = pytest.mark.one_kind


def refused(settings: Settings, *arguments: str) -> str:
    where = ["--ward", settings.ward, "--store", settings.store]
    command = [sys.executable, "-m", "quietward", "refused", *arguments, *where]
    return subprocess.run(command, capture_output=True, text=True, timeout=2 * WAIT_S, check=True).stdout


async def test_what_was_refused_is_listed_by_bed_and_reason(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    assert "nothing was refused" in refused(settings)
    parts.start("ingest")
    parts.start("detect")
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    async with Publisher(settings.broker, "test", ward.status_topic("bed-2"), lambda _: None) as out:
        for seq in range(30):
            await out.publish(ward.samples_topic("bed-2"), second(seq, spo2=98, battery="low"))
            await out.publish(ward.samples_topic("bed-3"), second(seq, fhr=[1420] * 4))
        await out.publish(ward.samples_topic("bed-2"), second(5))
        await out.publish("quietward/v1/" + ward.name + "/BED/samples", second(5))
        assert await out.settle(WAIT_S) == 0

    counted = {b"bed-3 field": b"30", b"bed-2 ignored-field": b"30", b"? topic": b"1"}
    assert await settled(lambda: store.hgetall(ward.refusals), counted) == counted, parts.log("ingest")

    async def all_there() -> bool:
        ours = await store.hgetall(ward.shard(0).refusals)
        return b"bed-2 late" in ours and await stands_at(store, ward, "bed-2", 29)

    assert await until(all_there), (await store.hgetall(ward.shard(0).refusals), parts.log("detect"))
    kept = 30 + 1 + 1
    assert await settled(lambda: store.xlen(ward.refused), kept) == kept, "an unknown field is shown once"
    found = {(one["bed"], one["reason"]): one for one in map(json.loads, refused(settings, "--json").splitlines())}
    assert found["bed-3", "field"]["count"] == 30
    assert "1420" in found["bed-3", "field"]["text"]
    assert "1420" in found["bed-3", "field"]["payload"]
    assert found["bed-2", "ignored-field"]["count"] == 30
    assert found["bed-2", "ignored-field"]["text"].endswith("spo2, battery")
    assert found["bed-2", "late"]["by"] == "detect"
    assert found["?", "topic"]["count"] == 1
    assert parts.log("ingest").count("spo2") == 1
    shown = refused(settings, "bed-3")
    assert "1420" in shown
    assert "bed-2" not in shown
    message = shown.splitlines()[-1].strip()
    assert message.startswith('{"'), "how the newest message begins"
    assert second(29, fhr=[1420] * 4).decode().startswith(message.removesuffix("..."))


async def test_what_made_the_detector_fail_is_shown_as_it_came(
    settings: Settings, ward: Ward, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    shard = ward.shard(0)
    for ms in (1_000, 2_000, 3_000):
        block = Block("bed-1", "poison", ms, ms, ms, [140.0] * 4, [1.0] * 4)
        await store.xadd(shard.input, {"e": encode_inputs([Tick(ms), block])}, id=f"{ms}-0")
    noted: dict[Any, Any] = {
        "1000-0 1": "KeyError()",
        "2000-0 1": "OverflowError('too large')",
        "500-0 0": "is no longer there",
    }
    await store.hset(shard.aside, mapping=noted)
    await store.hset(shard.refusals, mapping={"bed-1 failed": 2, "bed-1 late": 7})
    late, failed = map(json.loads, refused(settings, "--json").splitlines())
    assert (failed["bed"], failed["reason"], failed["count"], failed["by"]) == ("bed-1", "failed", 2, "detect")
    assert failed["at"] == 2_000, "the newest of those that are still there"
    assert failed["text"] == "Makes the detector fail: OverflowError('too large')"
    assert json.loads(failed["payload"])[1:4] == ["bed-1", "poison", 2_000]
    assert (late["reason"], late["text"]) == ("late", "")
    monkeypatch.setattr(samples, "EXAMPLE_BYTES", 20)  # a woman who is moved brings all of her record
    (cut,) = [one for one in await read_refused(store, ward) if one.reason == "failed"]
    assert failed["payload"].startswith(cut.payload)
    assert len(cut.payload) == 20


async def test_whoever_is_refused_pushes_no_deed_out(ward: Ward, store: Store) -> None:
    await audit.append(store, ward, "Nora", "nurse", "acknowledge", "bed-1")
    for n in range(AUDIT_REFUSED_KEPT + 50):
        await audit.append(store, ward, "Vera", "viewer", "acknowledge: refused", f"bed-{n}", refused=True)
    assert await store.xlen(ward.audit_refused) <= AUDIT_REFUSED_KEPT + 100
    found = await audit.read_newest(store, ward)
    assert [one.what for one in found].count("acknowledge") == 1
    assert found[0].bed == f"bed-{AUDIT_REFUSED_KEPT + 49}", "the newest first"


async def test_what_people_did_is_kept_up_to_a_bound(ward: Ward, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audit, "AUDIT_KEPT", 300)
    for n in range(500):
        await audit.append(store, ward, "Nora", "nurse", "acknowledge", f"bed-{n}")
    assert 300 <= await store.xlen(ward.audit) < 500, "trimmed in whole nodes"
    assert (await audit.read_newest(store, ward))[0].bed == "bed-499"
