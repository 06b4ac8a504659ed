"""Another number of shards: no input, log line or flag is lost, and what comes out equals an undisturbed run."""

import tempfile
from pathlib import Path
from typing import Any, cast

import msgspec
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.commands import Acknowledge
from quietward.contracts.errors import BadSettings
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Tick, Unreadable, encode_inputs, inputs_of
from quietward.contracts.liveness import WorkerReport, encode_report
from quietward.contracts.log import decode_event
from quietward.contracts.summary import decode_summary
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.service import Detector
from quietward.detect.store import ShardStore
from quietward.detect.working_note import Doubt, WorkingNote
from quietward.runtime import metrics
from quietward.store.client import Redis, RedisError, Store
from quietward.store.reshard import reshard
from quietward.store.topology import PHASE, check_topology
from tests.integration import test_crash
from tests.integration.test_crash import BEDS, T0, inputs

pytestmark = pytest.mark.one_kind

RULES = rule_file.load()
LATER_MS = 10**13


async def fill(store: Store, ward: Ward, entries: list[list[Input]], first: int) -> None:
    for place, items in enumerate(entries, first):
        for shard in ward.all_shards:
            some = [item for item in items if isinstance(item, Tick) or ward.shard_of(item.bed) == shard.number]
            await store.at(shard.input).xadd(shard.input, {"e": encode_inputs(some)}, id=f"{place}-{shard.number}")


async def work(store: Store, ward: Ward) -> None:
    """Let a detector for each shard work through all there is."""
    for shard in ward.all_shards:
        detector = Detector(ShardStore(store, shard), RULES, 1.0)
        metrics.SHARDS.hold(shard.number, detector.behind_s)
        await detector.take_over()

        class Done(Exception):
            pass

        newest: Any = await store.at(shard.input).xrevrange(shard.input, count=1)
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
            entries: Any = await store.at(key).xrange(key)
            found[f"{bed} {kind}"] = [decode_event(fields[b"e"]) for _, fields in entries]
        raw = await store.at(shard.summary).hget(shard.summary, bed)
        found[f"{bed} summary"] = [] if raw is None else [decode_summary(raw)]
    return found


@pytest.mark.parametrize(("before", "after"), [(3, 2), (2, 5)])
async def test_what_comes_out_is_as_without_it(
    store: Store, before: int, after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    await assert_as_without_it(store, [store], before, after, monkeypatch)


async def assert_as_without_it(
    store: Store, servers: list[Redis], before: int, after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """servers: all that may hold a key."""
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
    left = [key for server in servers async for key in server.scan_iter("*next*")]
    assert not left
    summaries = [(server, key) for server in servers async for key in server.scan_iter("quietward:{moved:*}:summary")]
    held = [bed for server, key in summaries for bed in await cast("Any", server.hkeys(key))]
    assert len(held) == len(set(held)) >= len(BEDS), "a second copy of a bed would hide what is newer"
    for shard in new.all_shards:
        server = store.at(shard.root)
        if await server.xlen(shard.input) == 0:
            continue
        position: Any = await server.get(shard.position)
        newest: Any = await server.xrevrange(shard.input, count=1)
        assert position == newest[0][0], "nothing is worked through twice"
    await fill(store, new, entries[half:], half + 1)
    await work(store, new)
    expected, found = await said(store, calm), await said(store, new)
    assert any(event.kind == "flag-raised" for event in expected["bed-1 log"])
    assert found == expected


async def test_a_bed_that_is_silent_and_whose_samples_are_gone_keeps_its_flag(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody has answered it: it must still be there to be answered, and be looked at."""
    monkeypatch.setattr(test_crash, "PER_ENTRY", 1)
    old, new, signal_s, silent_s = Ward("moved", 3), Ward("moved", 2), 1200, 3 * 3600
    await check_topology(store, old, shards=3)
    await fill(store, old, inputs()[:signal_s], 1)
    silence = range(signal_s, signal_s + silent_s, 10)
    await fill(store, old, [[Tick((T0 + second) * 1000)] for second in silence], signal_s + 1)
    await work(store, old)
    (before,) = (await said(store, old))["bed-1 summary"]
    assert before.flag
    assert before.acknowledged_by is None
    newest = signal_s + len(silence)
    for shard in old.all_shards:
        await store.xtrim(shard.input, minid=f"{newest - 30}-0")
    await reshard(store, "moved", 2, LATER_MS)
    now_ms = (T0 + signal_s + silent_s + 1) * 1000
    await fill(store, new, [[Tick(now_ms)]], newest + 1)
    await work(store, new)
    (after,) = (await said(store, new))["bed-1 summary"]
    assert after.looked_at == now_ms
    assert (after.flag, after.level, after.level_since) == (before.flag, before.level, before.level_since)
    later: list[list[Input]] = [[Tick(now_ms + 1000 * second)] for second in range(1, 60)]
    answer = CommandEnvelope(now_ms + 30_000, Acknowledge("bed-1", "Kim", before.flag))
    later[30].insert(0, answer)
    await fill(store, new, later, newest + 2)
    await work(store, new)
    found = await said(store, new)
    assert found["bed-1 summary"][0].acknowledged_by == "Kim"
    kinds = [event.kind for event in found["bed-1 log"]]
    assert "flag-acknowledged" in kinds
    assert "flag-eased" not in kinds[kinds.index("flag-raised") :]


@pytest.mark.parametrize(("before", "after"), [(3, 2), (1, 3)])
async def test_what_was_set_aside_stays_so(
    store: Store, before: int, after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An input in which detectors end would end three more of them, and the ward be unwatched for as long."""
    old, new, bed = Ward("moved", before), Ward("moved", after), next(iter(BEDS))
    poison: list[Input] = [
        Block(bed, "poison", 1, T0 * 1000, T0 * 1000, [140.0] * 4, [9.0] * 4),
        Tick((T0 + 1) * 1000),
    ]
    step: Any = engine.step

    def ends(state: Any, items: list[Input]) -> Any:
        assert not [item for item in items if item in poison], "the process would end here"
        return step(state, items)

    monkeypatch.setattr(engine, "step", ends)
    await check_topology(store, old, shards=before)
    home = old.home_of(bed)
    beside = Block(bed, "s", 1, T0 * 1000, T0 * 1000, [140.0] * 4, [9.0] * 4)
    await fill(store, old, [[Tick(T0 * 1000)]], 1)
    raw = [msgspec.msgpack.encode(item) for item in (beside, *poison)]
    items = [raw[0], msgspec.msgpack.encode("cannot be read"), *raw[1:]]
    await store.xadd(home.input, {"e": msgspec.msgpack.encode([msgspec.Raw(item) for item in items])}, id="2-9")
    for shard in old.all_shards:
        if shard != home:
            await store.xadd(shard.input, {"e": encode_inputs(poison[1:])}, id=f"2-{shard.number}")
            await store.hset(shard.aside, f"2-{shard.number} 0", "it ended")
    await store.hset(home.aside, mapping={"2-9 2": "it ended", "2-9 3": "it ended"})
    await work(store, old)
    await reshard(store, "moved", after, LATER_MS)
    found: list[tuple[Input | Unreadable, str]] = []
    for shard in new.all_shards:
        for (entry_id, number), why in (await ShardStore(store, shard).set_aside()).items():
            ((_, fields),) = cast("Any", await store.xrange(shard.input, entry_id, entry_id))
            found.append((inputs_of(fields)[number], why))
    assert found.count((poison[0], "it ended")) == 1
    assert found.count((poison[1], "it ended")) == after, "a tick is of all beds"
    assert len(found) == 1 + after
    await fill(store, new, [[Tick((T0 + 2) * 1000)]], 3)
    await work(store, new)
    assert (await said(store, new))[f"{bed} summary"], "what stands beside it is worked through"


async def test_where_an_earlier_detector_ended_says_nothing_of_other_shards(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its place in the stream is that of another input now, which would be set aside."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    before, after = (ShardStore(store, Ward("moved", shards).shard(0)) for shards in (3, 2))
    before.token, after.token = "1", "3"
    ended = WorkingNote()
    assert ended.begin(before) is None
    with ended.working(("5-0", 1), ("5-0", 1), 2):
        left = notes_in(tmp_path)
    for path, note in left.items():
        path.write_bytes(note)
    assert WorkingNote().begin(after) is None
    assert WorkingNote().begin(before) == Doubt(("5-0", 1), ("5-0", 1), 2)


def notes_in(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


async def test_it_does_not_wait_for_each_of_a_days_entries(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A store that writes each to its disk answers a few hundred times a second, and nobody sees the ward meanwhile."""
    ward, entries = Ward("moved", 3), 600
    await check_topology(store, ward, shards=3)
    await fill(store, ward, [[Tick(1000 * n)] for n in range(entries)], 1)
    for shard in ward.all_shards:
        await store.set(shard.position, f"{entries}-{shard.number}")
    asked: list[Any] = []
    execute: Any = Store.execute_command

    async def counted(client: Any, *command: Any, **options: Any) -> Any:
        asked.append(command)
        return await execute(client, *command, **options)

    monkeypatch.setattr(Store, "execute_command", counted)
    await reshard(store, "moved", 5, LATER_MS)
    assert [await store.xlen(shard.input) for shard in Ward("moved", 5).all_shards] == [entries] * 5
    assert len(asked) < entries / 2, "it waits for the store at every entry"


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
