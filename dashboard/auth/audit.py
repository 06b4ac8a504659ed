"""The audit log: who did what on the page. Kept apart from the beds' own logs; read by the role `in charge`."""

from typing import cast

import msgspec
from msgspec import Struct

from quietward.contracts.addresses import AUDIT_KEPT, Ward
from quietward.contracts.messages import encode_json
from quietward.runtime.clock import now_ms
from quietward.store.client import Entry, Store

NEWEST_COUNT = 200
"""Number of entries that are returned at most."""


class AuditEntry(Struct, frozen=True):
    """One action of one person. at: ms since the epoch, by the server's clock; bed: empty if it concerns none."""

    at: int
    who: str
    role: str
    what: str
    bed: str = ""


decode_entry = msgspec.json.Decoder(AuditEntry).decode


async def append(store: Store, ward: Ward, who: str, role: str, what: str, bed: str = "") -> None:
    """Append an entry, dated now. Raises RedisError."""
    line = encode_json(AuditEntry(now_ms(), who, role, what, bed))
    await store.at(ward.audit).xadd(ward.audit, {"e": line}, maxlen=AUDIT_KEPT)


async def read_newest(store: Store, ward: Ward) -> list[AuditEntry]:
    """Return the last NEWEST_COUNT entries, newest first. Raises RedisError."""
    entries = cast("list[Entry]", await store.at(ward.audit).xrevrange(ward.audit, count=NEWEST_COUNT))
    return [decode_entry(fields[b"e"]) for _, fields in entries]
