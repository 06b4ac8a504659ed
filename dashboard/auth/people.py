"""People who may use the page: a TOML file with names, roles and password hashes.

Without such a file the page is open: anybody types a name and may do everything. It then listens on this machine only.
"""

import base64
import hashlib
import hmac
import json
import logging
import os
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from quietward.contracts.commands import Command, Forget, SetBedLimit, TakeIn, WardCommand
from quietward.contracts.errors import BadSettings
from quietward.contracts.fields import Who
from quietward.contracts.tables import parse_toml_table
from quietward.contracts.validation import invalid_field

log = logging.getLogger("quietward.serve")

COST, BLOCK_SIZE, PARALLELISM = 2**14, 8, 5
"""Parameters N, r, p of scrypt as in OWASP's password storage cheat sheet (from memory): 16 MiB for every check."""
MAX_MEMORY_BYTES = 2**26
MIN_PASSWORD_LENGTH = 8
SALT_BYTES = 16


class Role(StrEnum):
    """What a person may do, fewest rights first.

    A viewer sees everything. A nurse also answers flags and records care. The role `in charge` also sets limits of a
    single bed, takes devices in that the ward does not expect, deletes the record of a woman who has left, and reads
    the audit log and what was refused.
    """

    VIEWER = "viewer"
    NURSE = "nurse"
    IN_CHARGE = "in charge"


class Person(Struct, frozen=True, forbid_unknown_fields=True):
    """One entry of the file. password: `scrypt$salt$hash`, both in base64; never the password itself."""

    name: Who
    role: Role
    password: Annotated[str, Meta(pattern=r"^scrypt\$[A-Za-z0-9+/=]+\$[A-Za-z0-9+/=]+$")]

    @property
    def credential_version(self) -> str:
        """A digest that changes with the password; it reveals nothing else about it."""
        return hashlib.sha256(self.password.encode()).hexdigest()[:16]


class PeopleFile(Struct, frozen=True, forbid_unknown_fields=True):
    """The whole file."""

    person: list[Person]


def why_not(role: Role, command: Command | WardCommand) -> str:
    """Return why a role may not do this at a bed; empty if it may."""
    if role is Role.VIEWER:
        return "Viewers can look, and change nothing"
    if isinstance(command, SetBedLimit) and role is not Role.IN_CHARGE:
        return "Only the nurse in charge can change limits"
    if isinstance(command, TakeIn) and role is not Role.IN_CHARGE:
        return "Only the nurse in charge can take a device in"
    if isinstance(command, Forget) and role is not Role.IN_CHARGE:
        return "Only the nurse in charge can delete a record"
    return ""


class People:
    """The people of a file, which is read again when it changes. Raises BadSettings if it cannot be read at first."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._modified_ns = -1
        self._by_name: dict[str, Person] = {}
        self._read()

    def find(self, name: str) -> Person | None:
        """Return the person of that name, None if there is none. If the file is unreadable, its last version counts."""
        try:
            if self.path.stat().st_mtime_ns != self._modified_ns:
                self._read()
        except (OSError, BadSettings) as error:
            log.warning("people: %s; those known before still count", error)
        return self._by_name.get(name)

    def _read(self) -> None:
        modified_ns = self.path.stat().st_mtime_ns if self.path.exists() else -1
        self._by_name = {person.name: person for person in read(self.path)}
        self._modified_ns = modified_ns


def read(path: Path) -> list[Person]:
    """Return the people of a file. Raises BadSettings."""
    remedy = f"This writes one: quietward person NAME --role nurse --file {path}"
    if path.parent.is_dir() and not os.access(path.parent, os.W_OK):  # as the page's container has it
        remedy = "This writes one: docker compose run --rm person NAME --role nurse"
    try:
        people = parse_toml_table(path.read_text(), PeopleFile, "people", BadSettings).person
    except OSError as error:
        raise BadSettings("people", str(path), f"Cannot be read: {error.strerror}. {remedy}") from error
    except UnicodeDecodeError as error:
        raise BadSettings("people", str(path), f"{error}. {remedy}") from None
    except BadSettings as wrong:
        is_told = wrong.what == "people" or wrong.what.endswith((".name", ".role"))
        value = wrong.value if is_told else "***"  # it may be, or hold, a password
        raise BadSettings(wrong.what, value, f"{wrong.remedy}. {remedy}") from None
    names = [person.name for person in people]
    if len(set(names)) < len(names):
        raise BadSettings("people", str(path), "A name occurs twice; every person needs her own")
    return people


def write(path: Path, people: list[Person]) -> None:
    """Write the file, readable by its owner only. Raises BadSettings."""

    def quoted(text: str) -> str:  # a JSON string that is not reduced to ASCII is also a basic string of TOML
        return json.dumps(text, ensure_ascii=False)

    entries = [
        f"[[person]]\nname = {quoted(p.name)}\nrole = {quoted(p.role)}\npassword = {quoted(p.password)}\n"
        for p in people
    ]
    try:
        draft = path.with_suffix(".new")
        draft.touch(mode=0o600)
        draft.write_text("\n".join(entries))
        draft.replace(path)
    except OSError as error:
        raise BadSettings("people", str(path), f"Cannot be written: {error.strerror}") from error


def new_person(name: str, role: Role, password: str) -> Person:
    """Return a new entry, with a fresh salt. Raises BadSettings if name or password cannot be used."""
    if len(password) < MIN_PASSWORD_LENGTH:
        raise BadSettings("password", "***", f"Is too short; take {MIN_PASSWORD_LENGTH} letters or more")
    entry = {"name": name, "role": role, "password": _hash(password, os.urandom(SALT_BYTES))}
    try:
        return msgspec.convert(entry, Person)
    except msgspec.ValidationError as error:
        raise BadSettings("name", name, invalid_field(error, entry).reason) from error


def password_matches(person: Person | None, password: str) -> bool:
    """Return True if this is the person's password. Takes as long for None, so that time does not reveal names."""
    expected = NO_PASSWORD if person is None else person.password
    salt = base64.b64decode(expected.split("$")[1])
    return hmac.compare_digest(_hash(password, salt), expected) and person is not None


def _hash(password: str, salt: bytes) -> str:
    key = hashlib.scrypt(password.encode(), salt=salt, n=COST, r=BLOCK_SIZE, p=PARALLELISM, maxmem=MAX_MEMORY_BYTES)
    return "$".join(["scrypt", *(base64.b64encode(part).decode() for part in (salt, key))])


NO_PASSWORD = f"scrypt${base64.b64encode(bytes(SALT_BYTES)).decode()}${base64.b64encode(bytes(64)).decode()}"
"""A hash that no password has."""
