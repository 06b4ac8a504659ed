"""What all services of a ward must agree on: noted by the first of them, checked by every later one."""

import secrets
from dataclasses import dataclass
from typing import cast

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings
from quietward.contracts.liveness import SILENT_AFTER_MS, reports_of
from quietward.store.client import Script, Store

RESHARDING = "resharding"
"""Field of the ward's layout while its shards are copied and exchanged: their new number."""
PHASE, COPYING, EXCHANGING = "resharding-phase", "copying", "exchanging"
"""Field beside it: whether it can still be given up. Version 0.2 has none, and notes what it exchanges."""
RESEATING = "reseating"
"""Field of the ward's layout while its sessions at the broker are exchanged: their new number and the new word."""

RESEATED = Script("""
-- key: layout; arguments: sessions, their word, their group, field to remove
redis.call('HSET', KEYS[1], 'seats', ARGV[1], 'session', ARGV[2], 'group', ARGV[3])
redis.call('HDEL', KEYS[1], ARGV[4])
""")


@dataclass(frozen=True)
class Sessions:
    """Ingest's sessions at the broker. word: part of their names that nobody can guess, empty in wards of version 0.1.

    group: of the subscription that several of them share.
    """

    word: str = ""
    group: str = "quietward"


FIRST_SESSIONS = Sessions()
"""Those of version 0.1."""


async def check_topology(store: Store, ward: Ward, **counts: int) -> None:
    """Note the ward's counts of shards (and seats), or compare them with those that are noted.

    Services that disagree would look for a bed in different places, and one of them would show it calm.
    Raises BadSettings if another service runs with another count, and RedisError.
    """
    client = store.at(ward.topology)
    noted_before = cast("dict[bytes, bytes]", await client.hgetall(ward.topology))
    refuse_while_resharding(ward, noted_before)
    if "seats" in counts:
        refuse_while_reseating(ward, noted_before)
    for name, count in counts.items():
        await client.hsetnx(ward.topology, name, str(count))
        noted = int(cast("bytes", await client.hget(ward.topology, name)))
        if noted != count:
            change = f"stop all its parts and change it with: quietward reshard {count}"
            if name == "seats":
                change = f"stop every ingest and change it with: quietward reseat {count}"
            remedy = f"Ward {ward.name} runs with {noted}: use the same; or {change}"
            raise BadSettings(f"setting {name}", count, remedy)


def refuse_while_resharding(ward: Ward, noted: dict[bytes, bytes]) -> None:
    """Raise BadSettings if the ward's shards are being copied or exchanged. noted: its layout."""
    if (resharding := noted.get(RESHARDING.encode())) is not None:
        number = resharding.decode()
        remedy = f"The shards of ward {ward.name} are being moved; finish it with: quietward reshard {number}"
        if noted.get(PHASE.encode()) == COPYING.encode():
            before = noted.get(b"shards", b"").decode()
            remedy = (
                f"Other shards of ward {ward.name} are being prepared; go on with: quietward reshard {number}, "
                f"or give it up with: quietward reshard {before}"
            )
        raise BadSettings("setting shards", number, remedy)


def refuse_while_reseating(ward: Ward, noted: dict[bytes, bytes]) -> None:
    """Raise BadSettings if the ward's sessions at the broker are being exchanged. noted: its layout."""
    if (reseating := noted.get(RESEATING.encode())) is not None:
        number = reseating.decode().partition(" ")[0]
        remedy = f"The sessions of ward {ward.name} are being changed; finish it with: quietward reseat {number}"
        raise BadSettings("setting seats", number, remedy)


async def check_stopped(store: Store, ward: Ward, now_ms: int, remedy: str, *parts: str) -> None:
    """Raise BadSettings with a remedy if one of these parts, or without them any, has just said that it runs."""
    stored = cast("dict[bytes, bytes]", await store.at(ward.heartbeats).hgetall(ward.heartbeats))
    running = {one.part for one in reports_of(stored) if now_ms - one.at < SILENT_AFTER_MS}
    if still_running := sorted(running & set(parts) if parts else running):
        raise BadSettings("parts that run", ", ".join(still_running), remedy)


async def sessions_of(store: Store, ward: Ward) -> Sessions:
    """Return a ward's sessions at the broker, which are named by the first ingest.

    A client that connects under the name of a session takes it over, with all that it should deliver; a broker without
    accounts lets anybody do so. Called before `check_topology`: a ward that an earlier version has begun keeps its
    plain names, since what waits in its sessions would be lost; `quietward doctor` says so.
    """
    client = store.at(ward.topology)
    if not await client.hexists(ward.topology, "seats"):
        await client.hsetnx(ward.topology, "session", secrets.token_hex(8))
    noted = cast("dict[bytes, bytes]", await client.hgetall(ward.topology))
    return Sessions(noted.get(b"session", b"").decode(), noted.get(b"group", b"quietward").decode())


async def begin_reseating(store: Store, ward: Ward, seats: int, now_ms: int) -> tuple[int, Sessions, Sessions]:
    """Note that a ward is to have so many sessions; return how many it has, those, and the new ones.

    After a run that was cut off the same are returned again. Raises BadSettings when an ingest runs, and RedisError.
    """
    client = store.at(ward.topology)
    noted = cast("dict[bytes, bytes]", await client.hgetall(ward.topology))
    if b"seats" not in noted:
        raise BadSettings("setting ward", ward.name, "No ingest of it has run yet; start one with QUIETWARD_SEATS")
    refuse_while_resharding(ward, noted)  # what is written to the shards of before would be lost with them
    if int(noted.get(b"shards", b"0")) != ward.shards:
        raise BadSettings("setting shards", ward.shards, f"Ward {ward.name} runs with {int(noted[b'shards'])}")
    remedy = "Stop every ingest, and try again; devices and broker keep what comes meanwhile"
    await check_stopped(store, ward, now_ms, remedy, "ingest")
    await client.hsetnx(ward.topology, RESEATING, f"{seats} {secrets.token_hex(8)}")
    begun, _, word = cast("bytes", await client.hget(ward.topology, RESEATING)).decode().partition(" ")
    if int(begun) != seats:
        raise BadSettings(
            "seats", seats, f"A change to {begun} has begun and must be finished first: quietward reseat {begun}"
        )
    return int(noted[b"seats"]), await sessions_of(store, ward), Sessions(word, word)


async def end_reseating(store: Store, ward: Ward, seats: int, sessions: Sessions) -> None:
    """Note that a ward has so many sessions now."""
    await RESEATED.run(store.at(ward.topology), [ward.topology], [seats, sessions.word, sessions.group, RESEATING])


async def has_plain_sessions(store: Store, ward: Ward) -> bool:
    """Return whether anybody can guess the names of a ward's sessions at the broker."""
    noted = cast("dict[bytes, bytes]", await store.at(ward.topology).hgetall(ward.topology))
    return b"seats" in noted and b"session" not in noted
