"""Sets of strips, by name: folders in `sets/` of the classroom folder, each with recordings, a `set.toml`, or both.

`set.toml` may hold `title`, `strips` (names of its recordings and codes of simulated strips, in the order in which
learners get them; left out: all its recordings by name) and `truth` (`marks`, `annotations` or `detector`; left out:
see `recorded.make`).
"""

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from msgspec import Meta, Struct

from quietward.contracts.errors import QuietwardError, possible
from quietward.contracts.tables import parse_toml_table
from quietward.practice import recorded, simulated
from quietward.practice.strip import BadStrip, DetectorResult, PracticeStrip
from quietward.recordings import name_of
from quietward.recordings.files import find_recordings

NAME = re.compile(r"[A-Za-z0-9_-]{1,64}")
MOST_STRIPS = 200
MOST_SETS = 500
"""More are not made on the page: the list reads them all."""
TABLE = "set.toml"


class BadSet(QuietwardError):
    """There is no such set, or it cannot be used."""


class SetTable(Struct, frozen=True, forbid_unknown_fields=True):
    """`set.toml`."""

    title: Annotated[str, Meta(max_length=200)] = ""
    strips: Annotated[list[str], Meta(max_length=MOST_STRIPS)] = []
    truth: Literal["marks", "annotations", "detector"] | None = None


class NewSet(Struct, frozen=True, forbid_unknown_fields=True):
    """A set that is made on the page. strips: codes of simulated ones."""

    name: str
    strips: Annotated[list[str], Meta(min_length=1, max_length=MOST_STRIPS)]
    title: Annotated[str, Meta(max_length=200)] = ""


@dataclass(frozen=True)
class SetStrip:
    """One strip of a set. code: by which it is asked for, says nothing of it; path: None of a simulated one."""

    code: str
    path: Path | None

    @property
    def name(self) -> str:
        """What results call it: it stays when the set is put into another order."""
        return self.code if self.path is None else name_of(self.path)


@dataclass(frozen=True)
class PracticeSet:
    """A set, in the order of its strips."""

    name: str
    title: str
    strips: list[SetStrip]
    table: SetTable

    def make(self, strip: SetStrip) -> PracticeStrip:
        """Return one of its strips. Raises as `recorded.make`."""
        if strip.path is None:
            return simulated.make(strip.code)
        return recorded.make(strip.path, strip.code, self.table.truth)


class Classroom:
    """The sets of a folder, which need not exist. They are read anew each time: a teacher puts recordings there."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "sets"

    def names(self) -> list[str]:
        """Return the names of all sets."""
        if not self.folder.is_dir():
            return []
        return [one.name for one in sorted(self.folder.iterdir()) if one.is_dir() and NAME.fullmatch(one.name)]

    def read(self, name: str) -> PracticeSet:
        """Return a set. Raises BadSet, BadStrip."""
        if not NAME.fullmatch(name) or not (self.folder / name).is_dir():
            raise BadSet("set", name, "There is none of this name; ask for its link again")
        own = self.folder / name
        file = own / TABLE
        try:
            table = (
                parse_toml_table(file.read_text("utf-8"), SetTable, str(file), BadSet) if file.exists() else SetTable()
            )
        except (OSError, UnicodeDecodeError) as error:
            raise BadSet("set", str(file), f"Cannot be read: {error}") from error
        paths: dict[str, Path] = {}
        for path in find_recordings([own]):
            if (first := paths.setdefault(name_of(path), path)) != path:
                two = [one.relative_to(own).as_posix() for one in (first, path)]
                raise BadSet(f"set {name}", two, "Have the same name, and a set tells strips apart by it; rename one")
        strips: list[SetStrip] = []
        for one in table.strips or list(paths):
            place = len(strips) + 1
            if one in paths:
                strips.append(SetStrip(f"{name}:{place}", paths[one]))
            elif _is_code(one):
                strips.append(SetStrip(one, None))
            else:
                raise BadSet(f"{file}: strips[{place - 1}]", one, possible(paths, one))
        if not strips:
            raise BadSet("set", name, f"Is empty; put recordings into {own}")
        return PracticeSet(name, table.title or name, strips, table)

    def write(self, new: NewSet) -> None:
        """Make a set of simulated strips. Raises BadSet, BadStrip."""
        if not NAME.fullmatch(new.name):
            raise BadSet("set", new.name, "Name it with letters a to z, digits, - and _, at most 64")
        for code in new.strips:
            simulated.parse_code(code)
        if len(self.names()) >= MOST_SETS:
            raise BadSet("set", new.name, f"There are {MOST_SETS} already; move old ones out of {self.folder}")
        own = self.folder / new.name
        try:
            own.mkdir(parents=True)
            text = f"title = {_as_toml(new.title)}\nstrips = {_as_toml(new.strips)}\n"
            (own / TABLE).write_text(text, "utf-8")
        except FileExistsError as error:
            raise BadSet("set", new.name, "There is one of this name; choose another") from error
        except OSError as error:
            raise BadSet("set", str(own), f"Cannot be written: {error.strerror}") from error

    def find(self, code: str) -> tuple[PracticeSet | None, SetStrip]:
        """Return the strip of a code, with the set that a recorded one is in. Raises BadStrip, BadSet."""
        name, colon, place = code.partition(":")
        if not colon:
            simulated.parse_code(code)
            return None, SetStrip(code, None)
        whole = self.read(name)
        strip = next((one for one in whole.strips if one.code == code), None)
        if strip is None:
            raise BadStrip("strip", code, f"The set {name} has no recording in place {place}")
        return whole, strip

    def make(self, code: str) -> PracticeStrip:
        """Return the strip of a code. Raises as `find`, and what `recorded.make` raises."""
        whole, strip = self.find(code)
        return simulated.make(code) if whole is None else whole.make(strip)

    def ask_detector(self, code: str, rule_set: str) -> DetectorResult:
        """Return the detector's result for the strip of a code. Raises as `make`, and BadRules."""
        _, strip = self.find(code)
        if strip.path is None:
            return simulated.ask_detector(code, rule_set)
        return recorded.ask_detector(strip.path, rule_set)


def _as_toml(value: str | list[str]) -> str:
    """Return it as JSON, which is TOML as well if it is not reduced to ASCII and holds no DEL."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _is_code(text: str) -> bool:
    try:
        simulated.parse_code(text)
    except BadStrip:
        return False
    return True
