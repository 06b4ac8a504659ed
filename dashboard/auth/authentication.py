"""Who is behind a request: a signed-in user, or everybody where the page is open."""

from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie

from fastapi import Request
from starlette.datastructures import Headers

from quietward.dashboard.auth import audit
from quietward.dashboard.auth.people import People, Role
from quietward.dashboard.auth.sessions import Session, Sessions


@dataclass(frozen=True)
class User:
    """Somebody who uses the page. name: empty where the page is open and everybody types their own name."""

    name: str
    role: Role
    session: Session | None = None


ANYBODY = User("", Role.IN_CHARGE)
"""The user of an open page, which listens on this machine only."""


@dataclass
class Authenticator:
    """Finds the user behind a request and writes the audit log. people: None leaves the page open."""

    people: People | None
    sessions: Sessions

    @property
    def cookie(self) -> str:
        """The cookie's name: a browser sends it to all ports of a machine, where other wards have their pages."""
        return f"quietward-{self.sessions.ward.name}"

    async def user(self, headers: Headers) -> User | None:
        """Return the user who sent these headers, None if nobody is signed in. Raises RedisError."""
        if self.people is None:
            return ANYBODY
        cookie = _cookie(headers.get("cookie", ""), self.cookie)
        session = None if cookie is None else await self.sessions.read(cookie)
        person = None if session is None else self.people.find(session.name)
        if person is None or session is None or session.credential_version != person.credential_version:
            return None
        return User(person.name, person.role, session)

    async def audit(
        self, user: User, what: str, bed: str = "", by: str = "", *, to: str = "", refused: bool = False
    ) -> None:
        """Append what a user did to the audit log. by: the name typed on an open page; to: where a woman was moved.

        Raises RedisError.
        """
        role = "" if user is ANYBODY else user.role.value
        store, ward = self.sessions.store, self.sessions.ward
        await audit.append(store, ward, user.name or by, role, what, bed, to=to, refused=refused)


def user_of(request: Request) -> User:
    """Return the user of a request that AuthMiddleware has let through."""
    user: User = request.state.user
    return user


def _cookie(header: str, name: str) -> str | None:
    try:
        morsel = SimpleCookie(header).get(name)
    except CookieError:
        return None
    return None if morsel is None else morsel.value
