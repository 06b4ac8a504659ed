"""Recordings as files: FHR and UA, brought to 4 Hz. This module lists the formats and imports none of their libraries.

A new format is a module of this package that is a `FormatModule`, and an entry in READERS.
"""

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Protocol, cast

if TYPE_CHECKING:
    from quietward.recordings.recording import Signal


class FormatModule(Protocol):
    """What the module of a file format holds."""

    def read(self, path: Path) -> "tuple[Signal, Signal, float]":
        """Return FHR (bpm) and UA, shape (n,), NaN where there is no value, and their rate in Hz.

        Raises BadRecording.
        """

    def write(self, path: Path, fhr: "Signal", ua: "Signal") -> None:
        """Write signals of 4 Hz. Raises OSError. Needed of formats that `simulate --out` offers."""

    def is_recording(self, path: Path) -> bool:
        """Return whether a file with such a suffix holds a recording. Raises OSError."""


class Reader(NamedTuple):
    """A file format. title: in messages, with its article; module: its name within this package."""

    title: str
    suffixes: tuple[str, ...]
    module: str

    def format(self) -> FormatModule:
        """Import the format and whatever library it needs."""
        return cast("FormatModule", import_module(f"{__name__}.{self.module}"))


READERS = (
    Reader("a WFDB header", (".hea",), "wfdb_files"),
    Reader("a CSV file", (".csv",), "csv_files"),
)
"""In the order in which messages and `--help` name them."""

SUFFIXES = tuple(suffix for reader in READERS for suffix in reader.suffixes)


def reader_of(path: Path) -> Reader | None:
    """Return the reader for a file, by its suffix."""
    return next((reader for reader in READERS if path.suffix in reader.suffixes), None)
