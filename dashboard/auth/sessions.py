"""Sessions: signed cookies, cookies that were signed out early, and the limit on wrong passwords.

The signing secret is kept in the store, so that all servers of a ward accept the same cookies and a restart signs
nobody out.
"""

import hashlib
import secrets
from dataclasses import dataclass
from typing import cast

from itsdangerous import BadSignature, URLSafeTimedSerializer
from msgspec import Struct

from quietward.contracts.addresses import Ward
from quietward.store.client import Store

SESSION_S = 12 * 3600
"""A session ends by itself after this time, which is about one shift."""
ATTEMPT_WINDOW_S = 300
MAX_ATTEMPTS, MAX_UNKNOWN = 5, 30
"""Attempts within ATTEMPT_WINDOW_S: wrong passwords for one name from one address, and names that nobody has from one
address. Whoever has a name is not kept out by what others try from where she is: behind a proxy all have one address.
"""
SALT = "quietward session"


class Session(Struct, frozen=True):
    """The session of one person. credential_version: of the password used; a new password ends the session."""

    id: str
    name: str
    credential_version: str


@dataclass
class Sessions:
    """Sessions of one ward."""

    store: Store
    ward: Ward
    _serializer: URLSafeTimedSerializer | None = None

    async def begin(self, name: str, credential_version: str) -> str:
        """Return the cookie of a new session. Raises RedisError."""
        serializer = await self._get_serializer()
        return serializer.dumps([secrets.token_urlsafe(16), name, credential_version])

    async def read(self, cookie: str) -> Session | None:
        """Return the session of a cookie, None if it is forged, expired or signed out. Raises RedisError."""
        serializer = await self._get_serializer()
        try:
            session = Session(*serializer.loads(cookie, max_age=SESSION_S))
        except (BadSignature, TypeError):
            return None
        key = self.ward.signed_out(session.id)
        return None if await self.store.at(key).exists(key) else session

    async def end(self, session: Session) -> None:
        """Sign out: every copy of the cookie becomes invalid. Raises RedisError."""
        key = self.ward.signed_out(session.id)
        await self.store.at(key).set(key, 1, ex=SESSION_S)

    async def count_attempt(self, name: str, address: str, *, is_known: bool) -> int:
        """Count an attempt to sign in; return for how many seconds further attempts are locked, 0 if not at all.

        is_known: somebody has that name. Call it before the password is checked, so that simultaneous attempts count
        as well. Raises RedisError.
        """
        if not is_known and (locked_s := await self._count(self._of_address(address), MAX_UNKNOWN)):
            return locked_s
        return await self._count(self._of_name(name, address), MAX_ATTEMPTS)

    async def undo_attempt(self, name: str, address: str) -> None:
        """Undo the attempt counter after a successful sign-in. Raises RedisError."""
        key = self._of_name(name, address)
        await self.store.at(key).decr(key)
        await self.store.at(key).expire(key, ATTEMPT_WINDOW_S, nx=True)  # it may have gone since it was counted

    async def _count(self, key: str, maximum: int) -> int:
        store = self.store.at(key)
        attempts = int(await store.incr(key))
        await store.expire(key, ATTEMPT_WINDOW_S, nx=True)
        return max(1, int(await store.ttl(key))) if attempts > maximum else 0

    def _of_name(self, name: str, address: str) -> str:
        """Return the key of a counter. It holds a hash, since names are free text."""
        return self.ward.attempts(hashlib.sha256(f"{name}\0{address}".encode()).hexdigest())

    def _of_address(self, address: str) -> str:
        return self.ward.attempts(hashlib.sha256(address.encode()).hexdigest())

    async def _get_serializer(self) -> URLSafeTimedSerializer:
        if self._serializer is None:
            key = self.ward.secret
            store = self.store.at(key)
            await store.set(key, secrets.token_hex(32), nx=True)
            secret = cast("bytes", await store.get(key)).decode()
            self._serializer = URLSafeTimedSerializer(secret, salt=SALT)
        return self._serializer
