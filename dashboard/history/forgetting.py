"""The record of a woman who has left a bed is deleted before its time: her log and trend, and what leads to her trace.

What devices have sent lies with that of all other beds in one stream, and is dropped with it by age.
"""

from collections.abc import Container
from typing import cast

from msgspec import structs

from quietward.contracts.addresses import Ward
from quietward.contracts.summary import Summary
from quietward.store.client import Store

KEPT_S = 14 * 24 * 3600
"""By then every record is out of sight by itself: `read_h` of detect/rules/stay.toml is no longer."""


def why_not_yet(summary: Summary | None, stay: int, undo_s: float, now_ms: int) -> str:
    """Return why a former stay of a bed cannot be forgotten, or nothing. undo_s: how long a leaving can be undone; a
    woman who is brought back must have her log.
    """
    ended = next((one.ended_at for one in summary.former if one.id == stay), None) if summary is not None else None
    if ended is None:
        return "There is no such record, or it is out of sight by now"
    if now_ms - ended < 1000 * undo_s:
        return f"Her leaving can still be undone: delete her record {undo_s / 60:.0f} min after it"
    return ""


async def forget(store: Store, ward: Ward, bed: str, stay: int) -> None:
    """Take the record of a former stay out of sight and delete it. Raises RedisError."""
    async with store.at(ward.forgotten).pipeline(transaction=True) as pipe:  # first: from here on nothing leads to it
        pipe.sadd(ward.forgotten, _name(bed, stay))
        pipe.expire(ward.forgotten, KEPT_S)
        await pipe.execute()
    shard = ward.home_of(bed)
    await store.at(shard.root).delete(shard.log(bed, stay), shard.trend(bed, stay))


async def read_forgotten(store: Store, ward: Ward) -> set[bytes]:
    """Return the records of a ward that were forgotten, for `readable`. Raises RedisError."""
    return cast("set[bytes]", await store.at(ward.forgotten).smembers(ward.forgotten))


def readable(summary: Summary, forgotten: Container[bytes]) -> Summary:
    """Return a summary without the former stays that were forgotten."""
    former = [stay for stay in summary.former if _name(summary.bed, stay.id) not in forgotten]
    return summary if len(former) == len(summary.former) else structs.replace(summary, former=former)


def _name(bed: str, stay: int) -> bytes:
    return f"{bed} {stay}".encode()
