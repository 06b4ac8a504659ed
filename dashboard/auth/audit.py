"""The audit log: who did what on the page. Kept apart from the beds' own logs; read by the role `in charge`.

What was refused is kept in a stream of its own: whoever is refused again and again pushes nothing out but refusals.
"""

from typing import cast

import msgspec
from msgspec import Struct

from quietward.contracts.addresses import AUDIT_KEPT, AUDIT_REFUSED_KEPT, Ward
from quietward.contracts.fields import encode_json
from quietward.runtime.clock import now_ms
from quietward.store.client import Entry, Store

NEWEST_COUNT = 200
"""Number of entries that are returned at most."""


class AuditEntry(Struct, frozen=True):
    """One action of one person. at: ms since the epoch, by the server's clock; bed: empty if it concerns none; to: the
    bed to which a woman was moved from it.
    """

    at: int
    who: str
    role: str
    what: str
    bed: str = ""
    to: str = ""


decode_entry = msgspec.json.Decoder(AuditEntry).decode


async def append(
    store: Store, ward: Ward, who: str, role: str, what: str, bed: str = "", *, to: str = "", refused: bool = False
) -> None:
    """Append an entry, dated now. Raises RedisError."""
    line = encode_json(AuditEntry(now_ms(), who, role, what, bed, to))
    key, kept = (ward.audit_refused, AUDIT_REFUSED_KEPT) if refused else (ward.audit, AUDIT_KEPT)
    await store.at(key).xadd(key, {"e": line}, maxlen=kept)


async def read_newest(store: Store, ward: Ward) -> list[AuditEntry]:
    """Return the last NEWEST_COUNT entries of what was done, and as many of what was refused, newest first.

    Raises RedisError.
    """
    found: list[AuditEntry] = []
    for key in (ward.audit, ward.audit_refused):
        entries = cast("list[Entry]", await store.at(key).xrevrange(key, count=NEWEST_COUNT))
        found += [decode_entry(fields[b"e"]) for _, fields in entries]
    return sorted(found, key=lambda entry: -entry.at)
