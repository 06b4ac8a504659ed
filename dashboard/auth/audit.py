"""Who did what on the page: kept beside the beds' own logs, and read by whoever is in charge."""

from typing import cast

import msgspec
from msgspec import Struct

from quietward.contracts.addresses import AUDIT_KEPT, Ward
from quietward.contracts.messages import encode_json
from quietward.runtime.clock import now_ms
from quietward.store.client import Entry, Store

SHOWN = 200


class Deed(Struct, frozen=True):
    """Something somebody did; at: ms since the epoch, by the server's clock."""

    at: int
    who: str
    role: str
    what: str
    bed: str = ""


decode = msgspec.json.Decoder(Deed).decode


async def write(store: Store, ward: Ward, who: str, role: str, what: str, bed: str = "") -> None:
    """Append a line. Raises RedisError."""
    line = encode_json(Deed(now_ms(), who, role, what, bed))
    await store.at(ward.audit).xadd(ward.audit, {"e": line}, maxlen=AUDIT_KEPT)


async def newest(store: Store, ward: Ward) -> list[Deed]:
    """Return the newest lines, newest first. Raises RedisError."""
    entries = cast("list[Entry]", await store.at(ward.audit).xrevrange(ward.audit, count=SHOWN))
    return [decode(fields[b"e"]) for _, fields in entries]
