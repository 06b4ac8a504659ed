"""Errors, named by what is at fault; each says what is wrong, where, and how to fix it.

QuietwardError
├── BadMessage     a device sent something unusable
├── BadRules       a rule table (TOML) is wrong
├── BadScenario    a scenario file (TOML) is wrong
├── BadStudy       a study file (TOML) is wrong
├── BadRecording   a recording cannot be read
├── BadSettings    an operator's setting is wrong
├── MissingExtra   a command needs packages that are not installed
├── Unreachable    a broker, store or port cannot be reached, or refuses
│   └── Refused    it does not take our name and password
└── LostOwnership  another detector has taken over this shard
"""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from difflib import get_close_matches


class QuietwardError(Exception):
    """Base of all errors that are shown as one clear line. remedy: how to fix it."""

    def __init__(self, what: str, value: object, remedy: str) -> None:
        super().__init__(what, value, remedy)
        self.what = what
        self.value = value
        self.remedy = remedy

    def __str__(self) -> str:
        return self.in_words(str)

    def in_words(self, said: Callable[[str], str]) -> str:
        """Return the error as one line. said: puts a sentence into the reader's language."""
        shown = repr(self.value)
        if len(shown) > 80:  # a device may send anything, and the log must stay readable
            shown = f"{shown[:38]}...{shown[-39:]}"  # the end of a path says most
        text = f"{said(self.what)}: {shown}. {in_sentences(self.remedy, said)}"
        return " ".join(text.splitlines())  # libraries' own words may have several


def in_sentences(text: str, said: Callable[[str], str]) -> str:
    """Return a text in the reader's language, sentence by sentence. said: puts one into it."""
    return ". ".join(map(said, text.split(". ")))


MANY = 12
"""More names than a reader goes through: the one that was probably meant comes first."""


def possible(known: Iterable[object], given: object) -> str:
    """Return as a remedy which values are possible, and which one was probably meant."""
    names = [str(one) for one in known]
    if not names:
        return "There is none to choose from"
    *values, name = names
    by_small_letters = {one.lower(): one for one in names}
    close = get_close_matches(str(given).lower(), by_small_letters, n=1) if len(names) > 1 else []
    nearest = [by_small_letters[one] for one in close]
    use = f"Use {', '.join(values)} or {name}" if values else f"Use {name}"
    if nearest and len(names) > MANY:
        return f"Did you mean {nearest[0]!r}? {use}"
    return f"{use}; did you mean {nearest[0]!r}?" if nearest else use


class BadMessage(QuietwardError):
    """A device sent something unusable. reason: the label under which it is counted."""

    def __init__(self, reason: str, what: str, value: object, remedy: str) -> None:
        super().__init__(what, value, remedy)
        self.reason = reason


class BadRules(QuietwardError):
    """A rule table is wrong."""


class BadScenario(QuietwardError):
    """A scenario file is wrong."""


class BadStudy(QuietwardError):
    """A study file is wrong."""


class BadRecording(QuietwardError):
    """A recording cannot be read."""


class BadSettings(QuietwardError):
    """An operator's setting is wrong."""


class MissingExtra(QuietwardError):
    """A command needs packages that are not installed: those of an extra of this one."""


@contextmanager
def extra(name: str, what: str) -> Iterator[None]:
    """Import, inside of it, what an extra of this package brings. what: the option or file that needs it.

    Raises MissingExtra, which names the extra, when a package is not there.
    """
    try:
        yield
    except ModuleNotFoundError as error:
        if (error.name or "quietward").partition(".")[0] == "quietward":
            raise  # a mistake of ours, and no missing package
        remedy = f"Is not installed; it comes with the extra `{name}`: pip install 'quietward[{name}]'"
        raise MissingExtra(f"{what} needs", error.name, remedy) from error


class Unreachable(QuietwardError):
    """A broker, store or port cannot be reached, or refuses."""


class Refused(Unreachable):
    """A broker or store does not take our name and password."""


class LostOwnership(QuietwardError):
    """Another detector has taken over this shard."""
