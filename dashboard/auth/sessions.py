"""Who is signed in: a signed cookie, what was signed out before its time, and how often somebody has tried in vain.

The secret lies in the store, so that all servers of a ward take the same cookies and a restart signs nobody out.
"""

import hashlib
import secrets
from dataclasses import dataclass
from typing import cast

from itsdangerous import BadSignature, URLSafeTimedSerializer
from msgspec import Struct

from quietward.contracts.addresses import Ward
from quietward.store.client import Store

LASTS_S = 12 * 3600
"""A session ends by itself after so long: about a shift."""
FORGOTTEN_S = 300
TRIES, TRIES_OF_ADDRESS = 5, 30
"""Wrong passwords in FORGOTTEN_S for one name from one address, and from one address for any name."""
SALT = "quietward session"


class Session(Struct, frozen=True):
    """Somebody's being signed in. mark: of the password she signed in with; another one ends the session."""

    id: str
    name: str
    mark: str


@dataclass
class Sessions:
    """Sessions of one ward."""

    store: Store
    ward: Ward
    _signer: URLSafeTimedSerializer | None = None

    async def begin(self, name: str, mark: str) -> str:
        """Return the cookie of a new session. Raises RedisError."""
        signer = await self._signing()
        return signer.dumps([secrets.token_urlsafe(16), name, mark])

    async def read(self, cookie: str) -> Session | None:
        """Return the session of a cookie, None when it is none, is over or was signed out. Raises RedisError."""
        signer = await self._signing()
        try:
            session = Session(*signer.loads(cookie, max_age=LASTS_S))
        except (BadSignature, TypeError):
            return None
        key = self.ward.signed_out(session.id)
        return None if await self.store.at(key).exists(key) else session

    async def end(self, session: Session) -> None:
        """Sign out: the cookie counts no longer, wherever it is. Raises RedisError."""
        key = self.ward.signed_out(session.id)
        await self.store.at(key).set(key, 1, ex=LASTS_S)

    async def try_one(self, name: str, address: str) -> int:
        """Count a try; return for how many seconds nobody may try this name from this address, 0: go on.

        Counted before the password is looked at, so that tries at the same time count, too. Raises RedisError.
        """
        waits_s = 0
        for key, most in self._counters(name, address):
            store = self.store.at(key)
            tries = int(await store.incr(key))
            await store.expire(key, FORGOTTEN_S, nx=True)
            if tries > most:
                waits_s = max(waits_s, 1, int(await store.ttl(key)))
        return waits_s

    async def was_right(self, name: str, address: str) -> None:
        """Take the last try back: it was none in vain. Raises RedisError."""
        for key, _ in self._counters(name, address):
            await self.store.at(key).decr(key)

    def _counters(self, name: str, address: str) -> list[tuple[str, int]]:
        return [
            (self.ward.attempts(hashlib.sha256(f"{name}\0{address}".encode()).hexdigest()), TRIES),
            (self.ward.attempts(hashlib.sha256(address.encode()).hexdigest()), TRIES_OF_ADDRESS),
        ]

    async def _signing(self) -> URLSafeTimedSerializer:
        if self._signer is None:
            key = self.ward.secret
            store = self.store.at(key)
            await store.set(key, secrets.token_hex(32), nx=True)
            self._signer = URLSafeTimedSerializer(str(cast("bytes", await store.get(key)).decode()), salt=SALT)
        return self._signer
