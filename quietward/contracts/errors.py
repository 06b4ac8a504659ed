"""Errors, named by who is at fault; each says what, where and how to mend it.

QuietwardError
├── BadMessage     a device sent something that cannot be used
├── BadRules       a rule table (TOML) is wrong
├── BadScenario    a scenario file (TOML) is wrong
├── BadStudy       a study file (TOML) is wrong
├── BadRecording   a recording cannot be read
├── BadSettings    an operator's setting is wrong
├── MissingExtra   a command needs packages that are not installed
├── Unreachable    a broker, store or port is not there, or refuses
└── LostOwnership  another detector has taken this shard over
"""

from collections.abc import Iterator
from contextlib import contextmanager


class QuietwardError(Exception):
    """Base of all errors that are shown to people as one clear line."""

    def __init__(self, what: str, value: object, remedy: str) -> None:
        super().__init__(what, value, remedy)
        self.what = what
        self.value = value
        self.remedy = remedy

    def __str__(self) -> str:
        shown = repr(self.value)
        if len(shown) > 80:  # a device may send anything; the log must stay readable
            shown = shown[:77] + "..."
        return f"{self.what}: {shown}. {self.remedy}"


class BadMessage(QuietwardError):
    """A device sent something that cannot be used. `reason` is the short word that is counted."""

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
    """A broker, store or port is not there, or refuses."""


class LostOwnership(QuietwardError):
    """Another detector has taken this shard over."""
