"""People who may use the page: a file with names, roles and what passwords are checked against.

Without such a file the page is open: whoever reaches it writes a name and may do everything. It then listens on this
machine only.
"""

import base64
import hashlib
import hmac
import json
import logging
import os
import tomllib
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import msgspec
from msgspec import Meta, Struct

from quietward.contracts.errors import BadSettings
from quietward.contracts.messages import Command, SetBedLimit, Who
from quietward.contracts.validation import invalid_field

log = logging.getLogger("quietward.serve")

COST, BLOCK, LANES = 2**14, 8, 5
"""Of scrypt, as OWASP's password storage cheat sheet has it (from memory): 16 MiB for every check."""
LEAST_PASSWORD = 8
SALT_BYTES = 16


class Role(StrEnum):
    """What somebody may do, the least first. A viewer sees everything; a nurse answers and notes; who is in charge also
    gives a bed limits of its own and reads who did what.
    """

    VIEWER = "viewer"
    NURSE = "nurse"
    IN_CHARGE = "in charge"


class Person(Struct, frozen=True, forbid_unknown_fields=True):
    """One entry of the file; password: what it is checked against, never the password itself."""

    name: Who
    role: Role
    password: Annotated[str, Meta(pattern=r"^scrypt\$[A-Za-z0-9+/=]+\$[A-Za-z0-9+/=]+$")]

    @property
    def mark(self) -> str:
        """Tells one password from the next, and nothing else about it."""
        return hashlib.sha256(self.password.encode()).hexdigest()[:16]


class PeopleFile(Struct, frozen=True, forbid_unknown_fields=True):
    """The file."""

    person: list[Person]


def may(role: Role, act: Command) -> bool:
    """Say whether a role may do something at a bed."""
    if role is Role.VIEWER:
        return False
    return role is Role.IN_CHARGE or not isinstance(act, SetBedLimit)


class People:
    """The people of a file, read again when it changes. Raises BadSettings when it cannot be read at first."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._changed = -1
        self._known: dict[str, Person] = {}
        self._read()

    def find(self, name: str) -> Person | None:
        """Return who has that name now."""
        try:
            if self.path.stat().st_mtime_ns != self._changed:
                self._read()
        except (OSError, BadSettings) as error:
            log.warning("people: %s; those known before still count", error)
        return self._known.get(name)

    def _read(self) -> None:
        changed = self.path.stat().st_mtime_ns if self.path.exists() else -1
        self._known = {person.name: person for person in read(self.path)}
        self._changed = changed


def read(path: Path) -> list[Person]:
    """Return the people of a file. Raises BadSettings."""
    remedy = "quietward person NAME --role nurse --file FILE writes one"
    try:
        raw: dict[str, Any] = tomllib.loads(path.read_text())
        found = msgspec.convert(raw, PeopleFile).person
    except OSError as error:
        raise BadSettings("people", str(path), f"Cannot be read: {error.strerror}. {remedy}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, msgspec.ValidationError) as error:
        raise BadSettings("people", str(path), f"{error}. {remedy}") from error
    names = [person.name for person in found]
    if len(set(names)) < len(names):
        raise BadSettings("people", str(path), "A name stands twice; every person needs one of her own")
    return found


def write(path: Path, found: list[Person]) -> None:
    """Write the file, readable by its owner only. Raises BadSettings."""

    def quoted(text: str) -> str:  # a JSON string that is not reduced to ASCII is a basic string of TOML, too
        return json.dumps(text, ensure_ascii=False)

    entries = [
        f"[[person]]\nname = {quoted(p.name)}\nrole = {quoted(p.role)}\npassword = {quoted(p.password)}\n"
        for p in found
    ]
    try:
        draft = path.with_suffix(".new")
        draft.touch(mode=0o600)
        draft.write_text("\n".join(entries))
        draft.replace(path)
    except OSError as error:
        raise BadSettings("people", str(path), f"Cannot be written: {error.strerror}") from error


def person(name: str, role: Role, password: str) -> Person:
    """Return an entry for somebody. Raises BadSettings when name or password will not do."""
    if len(password) < LEAST_PASSWORD:
        raise BadSettings("password", "***", f"Is too short; take {LEAST_PASSWORD} letters or more")
    entry = {"name": name, "role": role, "password": _hashed(password, os.urandom(SALT_BYTES))}
    try:
        return msgspec.convert(entry, Person)
    except msgspec.ValidationError as error:
        raise BadSettings("name", name, invalid_field(error, entry).reason) from error


def is_right(who: Person | None, password: str) -> bool:
    """Say whether a password is that person's. Takes as long for somebody who does not exist."""
    kept = NOBODY if who is None else who.password
    salt = base64.b64decode(kept.split("$")[1])
    return hmac.compare_digest(_hashed(password, salt), kept) and who is not None


def _hashed(password: str, salt: bytes) -> str:
    key = hashlib.scrypt(password.encode(), salt=salt, n=COST, r=BLOCK, p=LANES, maxmem=2**26)
    return "$".join(["scrypt", *(base64.b64encode(one).decode() for one in (salt, key))])


NOBODY = f"scrypt${base64.b64encode(bytes(SALT_BYTES)).decode()}${base64.b64encode(bytes(64)).decode()}"
