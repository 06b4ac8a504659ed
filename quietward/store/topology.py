"""What all services of a ward must agree on: noted by the first of them, checked by every later one."""

import secrets
from typing import cast

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings
from quietward.store.client import Store


async def check_topology(store: Store, ward: Ward, **counts: int) -> None:
    """Note the ward's counts of shards (and seats), or compare them with those that are noted.

    Services that disagree would look for a bed in different places, and one of them would show it calm.
    Raises BadSettings if another service runs with another count, and RedisError.
    """
    client = store.at(ward.topology)
    resharding = await client.hget(ward.topology, "resharding")
    if resharding is not None:
        number = cast("bytes", resharding).decode()
        remedy = f"The shards of ward {ward.name} are being moved; finish it with: quietward reshard {number}"
        raise BadSettings("setting shards", number, remedy)
    for name, count in counts.items():
        await client.hsetnx(ward.topology, name, str(count))
        noted = int(cast("bytes", await client.hget(ward.topology, name)))
        if noted != count:
            change = f"stop all its parts and change it with: quietward reshard {count}"
            if name != "shards":
                change = "see docs/running.md on changing it"
            remedy = f"Ward {ward.name} runs with {noted}: use the same; or {change}"
            raise BadSettings(f"setting {name}", count, remedy)


async def session_name(store: Store, ward: Ward) -> str:
    """Return the part of the names of ingest's sessions at the broker that nobody can guess.

    A client that connects under the name of a session takes it over, with all that it should deliver; a broker without
    accounts lets anybody do so. Called before `check_topology`: a ward that an earlier version has begun keeps its
    plain names, and '' is returned, since what waits in its sessions would be lost; `quietward doctor` says so.
    """
    client = store.at(ward.topology)
    if not await client.hexists(ward.topology, "seats"):
        await client.hsetnx(ward.topology, "session", secrets.token_hex(8))
    found = cast("bytes | None", await client.hget(ward.topology, "session"))
    return "" if found is None else found.decode()


async def has_plain_sessions(store: Store, ward: Ward) -> bool:
    """Return whether anybody can guess the names of a ward's sessions at the broker."""
    noted = cast("dict[bytes, bytes]", await store.at(ward.topology).hgetall(ward.topology))
    return b"seats" in noted and b"session" not in noted
