"""Pipelined connections to the store, and checkpoints that are written beside the commits; on both stores."""

import asyncio
from typing import Any

import pytest

from quietward.contracts.addresses import LOG_KEPT, TREND_KEPT, Ward
from quietward.contracts.errors import LostOwnership
from quietward.contracts.inputs import Tick, encode_inputs
from quietward.contracts.log import Event, decode_event
from quietward.dashboard.auth.sessions import ATTEMPT_WINDOW_S, MAX_UNKNOWN, SESSION_S, Sessions
from quietward.detect import store as detect_store
from quietward.detect.store import ShardStore, encoded
from quietward.store.client import (
    PipelinedConnection,
    PipelinedConnections,
    RedisError,
    Store,
    entries_in_reply,
    xread_command,
)


async def test_answers_come_in_the_order_of_the_commands(store: Store) -> None:
    async with PipelinedConnections() as connections:
        found = await connections.execute(
            store, ("SET", "a", 1), ("INCR", "a"), ("XADD", "s", "1-1", "e", b"\x00x"), ("GET", "a")
        )
        assert found == [b"OK", 2, b"1-1", b"2"]
        refused, *others = await connections.execute(store, ("INCR", "s"), ("SET", "a", 7), ("GET", "a"))
        assert isinstance(refused, RedisError)
        assert "WRONGTYPE" in str(refused)
        assert others == [b"OK", b"7"], "what was taken is told"
        assert await connections.execute(store, ("GET", "a")) == [b"7"]


async def test_a_connection_that_fails_raises_and_the_next_one_works(store: Store) -> None:
    async with PipelinedConnections() as connections:
        assert await connections.execute(store, ("SET", "a", 1)) == [b"OK"]
        await store.client_kill_filter(_type="normal", skipme=True)
        with pytest.raises(RedisError):
            await connections.execute(store, ("SET", "a", 2), ("GET", "a"))
        assert await connections.execute(store, ("GET", "a")) == [b"1"]


async def test_a_stream_is_read_as_the_client_reads_it(store: Store) -> None:
    for i in range(3):
        await store.xadd("s", {"e": b"%d" % i}, id=f"{i + 1}-0")
    connection = PipelinedConnection(store)
    await connection.send(xread_command("s", "1-0", 10), xread_command("s", "3-0", 10))
    assert entries_in_reply(await connection.read_reply()) == await store.xrange("s", min="(1-0")
    await store.xadd("s", {"e": b"later"}, id="9-0")
    assert entries_in_reply(await connection.read_reply()) == [(b"9-0", {b"e": b"later"})]
    await connection.close()


async def shard_store(store: Store) -> ShardStore:
    found = ShardStore(store, Ward("saving").shard(0))
    await found.take_over()
    return found


async def test_the_next_read_goes_out_with_the_commit(store: Store) -> None:
    shard = await shard_store(store)
    await shard.commit("1-0", encoded([], []))
    assert await store.get(shard.shard.position) == b"1-0"
    await shard.commit("2-0", encoded([], []))  # without a read between
    assert await store.get(shard.shard.position) == b"2-0"
    entry = encode_inputs([Tick(1)])
    await store.xadd(shard.shard.input, {"e": entry}, id="3-0")
    await store.xadd(shard.shard.input, {"e": entry}, id="6-0")
    assert await shard.wait("5-0") == [("6-0", [Tick(1)])]  # not the answer to what the commit had asked for
    await shard.disconnect()


async def test_the_log_of_a_stay_that_never_ends_has_a_bound(store: Store) -> None:
    shard = await shard_store(store)
    for first in range(0, LOG_KEPT + 2000, 1000):
        await shard.commit(f"{first}-0", encoded([_line("contraction", n) for n in range(first, first + 1000)], []))
    for first in range(0, TREND_KEPT + 1000, 1000):
        await shard.commit(f"{first}-1", encoded([_line("minute", n) for n in range(first, first + 1000)], []))
    await shard.disconnect()
    for key, kept, newest in (
        (shard.shard.log("bed-1"), LOG_KEPT, LOG_KEPT + 1999),
        (shard.shard.trend("bed-1"), TREND_KEPT, 2999),
    ):
        entries: Any = await store.xrange(key)
        assert kept <= len(entries) < kept + 200, "trimmed in whole nodes"
        assert [decode_event(fields[b"e"]).t for _, fields in entries][-1] == newest


def _line(kind: str, n: int) -> Event:
    return Event(f"bed-1-{n + 1}", "bed-1", n, kind, "", {})


async def test_a_checkpoint_counts_when_it_is_whole(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(detect_store, "PIECE_BYTES", 100)
    first, second = bytes(range(256)) * 4, bytes(reversed(range(256))) * 3
    shard = await shard_store(store)
    await shard.save("1-0", first)
    task = asyncio.create_task(shard.save("2-0", second))
    seen: list[tuple[str, bytes]] = []
    while not task.done():
        seen.append(await saved(store, shard))
        await asyncio.sleep(0)
    await task
    assert ("1-0", first) in seen
    assert set(seen) <= {("1-0", first), ("2-0", second)}
    resume = await ShardStore(store, shard.shard).take_over()
    assert (resume.saved, resume.state) == ("2-0", second)
    assert await store.ttl(shard.shard.checkpoint) == -1  # for good
    assert [key async for key in store.scan_iter("*:saving:*")] == []


async def saved(store: Store, shard: ShardStore) -> tuple[str, bytes]:
    """Return what another detector would find."""
    raw: Any = await store.hgetall(shard.shard.checkpoint)
    return raw[b"position"].decode(), b"".join(raw[b"%d" % i] for i in range(len(raw) - 1))


async def test_a_checkpoint_of_another_version_is_left_aside(store: Store) -> None:
    shard = Ward("saving").shard(0)
    await store.hset(shard.checkpoint, mapping={"position": "7-0", "state": b"what an earlier version wrote"})
    resume = await ShardStore(store, shard).take_over()
    assert (resume.state, resume.saved) == (b"", "7-0")


async def test_what_is_set_aside_is_kept_as_long_as_its_entry(store: Store) -> None:
    shard = Ward("saving").shard(0)
    own = ShardStore(store, shard)
    for entry in ("5-0", "6-0"):
        await store.xadd(shard.input, {"e": encode_inputs([Tick(1)])}, id=entry)
        await own.put_aside({(entry, 0): "ValueError()"})
    assert await own.set_aside() == {("5-0", 0): "ValueError()", ("6-0", 0): "ValueError()"}
    await store.xtrim(shard.input, minid="6-0", approximate=False)
    await store.xadd(shard.input, {"e": encode_inputs([Tick(2)])}, id="7-0")
    await own.put_aside({("7-0", 0): "KeyError()"})
    assert await store.hkeys(shard.aside) == [b"6-0 0", b"7-0 0"], "a detector that never restarts forgets, too"


async def test_who_has_signed_out_is_remembered_as_long_as_the_session_would_have_lasted(store: Store) -> None:
    ward = Ward("page")
    sessions = Sessions(store, ward)
    session = await sessions.read(await sessions.begin("Nora", "1"))
    assert session is not None
    await sessions.end(session)
    assert 0 < await store.ttl(ward.signed_out(session.id)) <= SESSION_S


async def test_wrong_passwords_are_counted_in_keys_that_end(store: Store) -> None:
    sessions = Sessions(store, Ward("page"))
    for n in range(MAX_UNKNOWN + 20):
        await sessions.count_attempt(f"nobody-{n}", "192.0.2.1", is_known=False)
    await sessions.count_attempt("Nora", "192.0.2.1", is_known=True)
    await sessions.undo_attempt("Ann", "192.0.2.1")  # checking her password took longer than her count was kept
    kept = [await store.ttl(key) async for key in store.scan_iter("*:attempts:*")]
    assert len(kept) == MAX_UNKNOWN + 3, "one address makes no more keys than it may try unknown names"
    assert all(0 < left_s <= ATTEMPT_WINDOW_S for left_s in kept), kept


async def test_a_superseded_owner_leaves_the_checkpoint_alone(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(detect_store, "PIECE_BYTES", 10)
    monkeypatch.setattr(detect_store, "BETWEEN_PIECES_S", 0.0)
    old = await shard_store(store)
    await old.save("1-0", b"a state of some length")
    monkeypatch.setattr(detect_store, "BETWEEN_PIECES_S", 1.0)  # so that it is superseded meanwhile
    late = asyncio.create_task(old.save("2-0", b"another one, thirty letters long"))
    await asyncio.sleep(0.01)
    new = await shard_store(store)
    monkeypatch.setattr(detect_store, "BETWEEN_PIECES_S", 0.0)
    await new.save("3-0", b"from the new owner")
    with pytest.raises(LostOwnership):
        await late
    raw: Any = await store.hgetall(new.shard.checkpoint)
    assert raw == {b"position": b"3-0", b"0": b"from the n", b"1": b"ew owner"}
    left = [key async for key in store.scan_iter("*:saving:*")]
    assert len(left) == 1
    assert 0 < await store.ttl(left[0]) <= 600
