"""Recordings as files: FHR and UA, brought to 4 Hz. This module lists the formats and imports none of their libraries.

A new format is a module of this package that is a `FormatModule`, and an entry in FORMATS.
"""

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Protocol, cast

if TYPE_CHECKING:
    from quietward.recordings.recording import Content, Recording


class FormatModule(Protocol):
    """What the module of a file format holds."""

    def read(self, path: Path) -> "Content":
        """Return what a file holds, at its own rate. Raises BadRecording, MissingExtra."""

    def write(self, path: Path, recording: "Recording") -> None:
        """Write signals of 4 Hz with their annotations; what stands there is replaced. Raises OSError, MissingExtra."""

    def beside(self, path: Path) -> list[Path]:
        """Return the other files that `write` makes, or takes away where nothing is to be written."""

    def is_recording(self, path: Path) -> bool:
        """Return whether a file with such a suffix holds a recording. Raises OSError."""


class Format(NamedTuple):
    """A file format. title: in messages, with its article; suffix: of its files; module: its name in this package."""

    title: str
    suffix: str
    module: str

    @property
    def name(self) -> str:
        """What `--format` calls it."""
        return self.module.removesuffix("_files")

    def load(self) -> FormatModule:
        """Import the format and whatever library it needs."""
        return cast("FormatModule", import_module(f"{__name__}.{self.module}"))


FORMATS = (
    Format("a WFDB header", ".hea", "wfdb_files"),
    Format("a CSV file", ".csv", "csv_files"),
    Format("an EDF+ file", ".edf", "edf_files"),
    Format("a Parquet file", ".parquet", "parquet_files"),
    Format("FHIR R5 Observations", ".fhir.json", "fhir_files"),
    Format("a SenML pack", ".senml.json", "senml_files"),
)
"""In the order in which messages and `--help` name them."""

SUFFIXES = tuple(one.suffix for one in FORMATS)


def format_of(path: Path) -> Format | None:
    """Return the format of a file, by how its name ends."""
    return next((one for one in FORMATS if path.name.lower().endswith(one.suffix)), None)


def name_of(path: Path) -> str:
    """Return the name of a recording: that of its file without the suffix."""
    file_format = format_of(path)
    return path.stem if file_format is None else path.name[: -len(file_format.suffix)]
