"""Another number of shards: no input, log line or flag is lost, and what comes out equals an undisturbed run."""

from typing import Any

import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings
from quietward.contracts.inputs import Input, Tick, encode_inputs
from quietward.contracts.liveness import WorkerReport, encode_report
from quietward.contracts.log import decode_event
from quietward.contracts.summary import decode_summary
from quietward.detect import rule_file
from quietward.detect.service import Detector
from quietward.detect.store import ShardStore
from quietward.runtime import metrics
from quietward.store.client import RedisError, Store
from quietward.store.reshard import reshard
from quietward.store.topology import PHASE, check_topology
from tests.conftest import STORE_ONLY
from tests.integration import test_crash
from tests.integration.test_crash import BEDS, inputs

pytestmark = STORE_ONLY

RULES = rule_file.load()
LATER_MS = 10**13


async def fill(store: Store, ward: Ward, entries: list[list[Input]], first: int) -> None:
    for place, items in enumerate(entries, first):
        for shard in ward.all_shards:
            some = [item for item in items if isinstance(item, Tick) or ward.shard_of(item.bed) == shard.number]
            await store.xadd(shard.input, {"e": encode_inputs(some)}, id=f"{place}-{shard.number}")


async def work(store: Store, ward: Ward) -> None:
    """Let a detector for each shard work through all there is."""
    for shard in ward.all_shards:
        detector = Detector(ShardStore(store, shard), RULES, 1.0)
        metrics.SHARDS.hold(shard.number, detector.behind_s)
        await detector.take_over()

        class Done(Exception):
            pass

        newest: Any = await store.xrevrange(shard.input, count=1)
        last = newest[0][0].decode()

        def stop(point: str, detector: Detector = detector, last: str = last, done: type[Exception] = Done) -> None:
            if point == "committed" and detector.store._reading_after == last:
                raise done

        detector.test_hook = stop
        if detector.position != last:
            with pytest.raises(Done):
                await detector.run()
        metrics.SHARDS.let_go(shard.number)
        await detector.store.disconnect()


async def said(store: Store, ward: Ward) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = {}
    for bed in BEDS:
        shard = ward.shard(ward.shard_of(bed))
        for kind, key in (("log", shard.log(bed)), ("trend", shard.trend(bed))):
            entries: Any = await store.xrange(key)
            found[f"{bed} {kind}"] = [decode_event(fields[b"e"]) for _, fields in entries]
        raw = await store.hget(shard.summary, bed)
        found[f"{bed} summary"] = [] if raw is None else [decode_summary(raw)]
    return found


@pytest.mark.parametrize(("before", "after"), [(3, 2), (2, 5)])
async def test_what_comes_out_is_as_without_it(
    store: Store, before: int, after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(test_crash, "PER_ENTRY", 1)  # as ingest writes: what comes in one second stays together
    entries = inputs()
    half = 2 * len(entries) // 3
    calm, old, new = Ward("calm", 1), Ward("moved", before), Ward("moved", after)
    await fill(store, calm, entries, 1)
    await work(store, calm)
    await check_topology(store, old, shards=before)
    await fill(store, old, entries[:half], 1)
    await work(store, old)
    assert await reshard(store, "moved", after, LATER_MS) == before
    await check_topology(store, new, shards=after)
    left = [key async for key in store.scan_iter("*next*")]
    assert not left
    summaries = [key async for key in store.scan_iter("quietward:{moved:*}:summary")]
    held = [bed for key in summaries for bed in await store.hkeys(key)]
    assert len(held) == len(set(held)) >= len(BEDS), "a second copy of a bed would hide what is newer"
    for shard in new.all_shards:
        if await store.xlen(shard.input) == 0:
            continue
        position: Any = await store.get(shard.position)
        newest: Any = await store.xrevrange(shard.input, count=1)
        assert position == newest[0][0], "nothing is worked through twice"
    await fill(store, new, entries[half:], half + 1)
    await work(store, new)
    expected, found = await said(store, calm), await said(store, new)
    assert any(event.kind == "flag-raised" for event in expected["bed-1 log"])
    assert found == expected


async def test_it_refuses_while_a_part_runs_or_something_is_left(store: Store) -> None:
    ward = Ward("moved", 2)
    with pytest.raises(BadSettings, match="no such ward"):
        await reshard(store, "moved", 3, LATER_MS)
    await check_topology(store, ward, shards=2)
    await store.hset(ward.heartbeats, "ingest", encode_report(WorkerReport("ingest", "a 1 b", LATER_MS - 1000)))
    with pytest.raises(BadSettings, match="parts that run: 'ingest'"):
        await reshard(store, "moved", 3, LATER_MS)
    await store.delete(ward.heartbeats)
    await fill(store, ward, inputs()[:3], 1)
    with pytest.raises(BadSettings, match="no detector has processed"):
        await reshard(store, "moved", 3, LATER_MS)


@pytest.mark.parametrize("by_0_2", [False, True])
async def test_a_run_that_was_cut_off_is_ended_by_the_next(
    store: Store, monkeypatch: pytest.MonkeyPatch, by_0_2: bool
) -> None:
    ward = Ward("moved", 3)
    expected = await worked_through(store, ward)
    exchange = reshard_module()._exchange
    done: list[Any] = []

    async def dies(client: Store, shard: Any) -> None:
        if done:
            raise RedisError("the store has gone")
        done.append(shard)
        await exchange(client, shard)

    monkeypatch.setattr(reshard_module(), "_exchange", dies)
    with pytest.raises(RedisError):
        await reshard(store, "moved", 2, LATER_MS)
    with pytest.raises(BadSettings, match="quietward reshard 2"):
        await check_topology(store, Ward("moved", 3), shards=3)
    for other in (3, 4):
        with pytest.raises(BadSettings, match="must be finished first"):
            await reshard(store, "moved", other, LATER_MS)
    monkeypatch.setattr(reshard_module(), "_exchange", exchange)
    if by_0_2:  # which notes its change once it has copied
        await store.hdel(ward.topology, PHASE)
    await reshard(store, "moved", 2, LATER_MS)
    assert await said(store, Ward("moved", 2)) == expected
    assert await store.hgetall(ward.topology) == {b"shards": b"2"}


async def worked_through(store: Store, ward: Ward) -> dict[str, list[Any]]:
    """Make a ward whose inputs are worked through, and return what it has said."""
    await check_topology(store, ward, shards=ward.shards)
    await fill(store, ward, inputs()[:60], 1)
    await work(store, ward)
    return await said(store, ward)


async def staged(store: Store) -> list[Any]:
    return [key async for key in store.scan_iter("*next*")]


async def test_no_part_starts_while_it_copies(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """What it wrote would be deleted by the exchange."""
    ward = Ward("moved", 3)
    expected = await worked_through(store, ward)
    copy = reshard_module()._copy

    async def started_meanwhile(*what: Any) -> None:
        with pytest.raises(BadSettings, match="quietward reshard 2, or give it up with: quietward reshard 3"):
            await check_topology(store, ward, shards=3)
        await copy(*what)

    monkeypatch.setattr(reshard_module(), "_copy", started_meanwhile)
    await reshard(store, "moved", 2, LATER_MS)
    assert await said(store, Ward("moved", 2)) == expected


@pytest.mark.parametrize("then", [3, 4])
async def test_a_run_that_was_cut_off_while_it_copied_is_begun_anew_or_given_up(
    store: Store, monkeypatch: pytest.MonkeyPatch, then: int
) -> None:
    ward = Ward("moved", 3)
    await worked_through(store, ward)

    async def dies(*_: Any) -> None:
        raise RedisError("the store has gone")

    with monkeypatch.context() as patched:
        patched.setattr(reshard_module(), "_copy_beds", dies)
        with pytest.raises(RedisError):
            await reshard(store, "moved", 5, LATER_MS)
    assert await staged(store)
    await store.xadd(ward.shard(0).input, {"e": encode_inputs([])})  # as a part of an earlier version, which starts
    await work(store, ward)
    expected = await said(store, ward)
    assert await reshard(store, "moved", then, LATER_MS) == 3
    assert await staged(store) == []
    await check_topology(store, Ward("moved", then), shards=then)
    assert await said(store, Ward("moved", then)) == expected


@pytest.mark.parametrize("what", ["runs", "has written", "has written and worked"])
async def test_a_part_that_had_just_started_stops_it_before_anything_is_exchanged(
    store: Store, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    """It had looked at the layout just before the change was noted."""
    ward = Ward("moved", 3)
    await worked_through(store, ward)
    copy = reshard_module()._copy

    async def started_before(*arguments: Any) -> None:
        await copy(*arguments)
        if what == "runs":
            await store.hset(ward.heartbeats, "ingest", encode_report(WorkerReport("ingest", "a 1 b", LATER_MS)))
        else:
            await store.xadd(ward.shard(1).input, {"e": encode_inputs([])})
        if what == "has written and worked":
            await work(store, ward)

    monkeypatch.setattr(reshard_module(), "_copy", started_before)
    said_why = {"runs": "parts that run", "has written": "no detector has processed"}.get(what, "has come meanwhile")
    with pytest.raises(BadSettings, match=said_why):
        await reshard(store, "moved", 2, LATER_MS)
    assert await staged(store) == []
    await check_topology(store, ward, shards=3)
    assert await store.xlen(ward.shard(1).input) > 0


def reshard_module() -> Any:
    import importlib

    return importlib.import_module("quietward.store.reshard")
