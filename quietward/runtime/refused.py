"""What was refused, by bed and reason, with an example of each: for whoever looks after a ward."""

from collections import Counter
from typing import Any, cast

import msgspec
from msgspec import Struct

from quietward.contracts.addresses import Shard, Ward
from quietward.contracts.inputs import inputs_of
from quietward.contracts.samples import RefusedMessage, example_of
from quietward.store.client import Entry, Store

LOOKED_UP = 20
"""How many inputs of a shard, the newest of those that were set aside, are shown as examples."""

_decode = msgspec.json.Decoder(RefusedMessage).decode


class Refused(Struct, frozen=True):
    """How many messages or seconds of a bed were refused for a reason; bed `?`: of no bed that the ward expects.

    by: ingest (messages) or detect (seconds). at, text, payload: of the newest message that was kept, ms since the
    epoch; None and empty where none was. Of what made the detector fail it is the input itself.
    """

    bed: str
    reason: str
    count: int
    by: str
    at: int | None = None
    text: str = ""
    payload: str = ""


async def read_refused(store: Store, ward: Ward) -> list[Refused]:
    """Return all that was refused, the most frequent first. Raises RedisError."""
    newest: dict[tuple[str, str], RefusedMessage] = {}
    kept = cast("list[Entry]", await store.at(ward.refused).xrevrange(ward.refused))
    counts = await _counts(store, ward.refusals)
    for _, fields in kept:
        message = _decode(fields[b"e"])
        bed = message.topic.split("/")[3] if message.topic.count("/") == 4 else "?"
        place = (bed if (bed, message.reason) in counts else "?", message.reason)
        newest.setdefault(place, message)
    rows = []
    for (bed, reason), count in counts.items():
        example = newest.get((bed, reason))
        of_it = (example.at, example.text, example.payload) if example is not None else (None, "", "")
        rows.append(Refused(bed, reason, count, "ingest", *of_it))
    of_detect: Counter[tuple[str, str]] = Counter()
    set_aside: dict[tuple[str, str], tuple[int, str, str]] = {}
    for shard in ward.all_shards:
        of_detect.update(await _counts(store, shard.refusals))
        set_aside |= await _set_aside(store, shard)
    rows += [
        Refused(bed, reason, count, "detect", *set_aside.get((bed, reason), (None, "", "")))
        for (bed, reason), count in of_detect.items()
    ]
    return sorted(rows, key=lambda one: (-one.count, one.bed, one.reason))


async def _counts(store: Store, key: str) -> Counter[tuple[str, str]]:
    raw = cast("dict[bytes, bytes]", await cast("Any", store.at(key).hgetall(key)))
    counts: Counter[tuple[str, str]] = Counter()
    for place, count in raw.items():
        bed, _, reason = place.decode().partition(" ")
        counts[bed, reason] = int(count)
    return counts


async def _set_aside(store: Store, shard: Shard) -> dict[tuple[str, str], tuple[int, str, str]]:
    """Return the newest input of each bed that makes the detector fail: when it came, what it raises, and its JSON."""
    noted = cast("dict[bytes, bytes]", await cast("Any", store.at(shard.aside).hgetall(shard.aside)))
    places: list[tuple[int, int, int, str]] = []
    for place, raw in noted.items():
        entry, _, number_in_it = place.decode().partition(" ")
        ms_of_it, _, nth_of_it = entry.partition("-")
        places.append((int(ms_of_it), int(nth_of_it), int(number_in_it), raw.decode()))
    newest: dict[tuple[str, str], tuple[int, str, str]] = {}
    for ms, nth, number, why in sorted(places, reverse=True)[:LOOKED_UP]:
        entry_id = f"{ms}-{nth}"
        entries = cast("list[Entry]", await store.at(shard.input).xrange(shard.input, entry_id, entry_id))
        for item in inputs_of(entries[0][1])[number : number + 1] if entries else []:
            bed = getattr(item, "bed", "?")  # a tick is of all
            example = example_of(msgspec.json.encode(item))
            newest.setdefault((bed, "failed"), (ms, f"Makes the detector fail: {why}", example))
    return newest
