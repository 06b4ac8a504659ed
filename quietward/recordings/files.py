"""Finds, reads and writes files of recordings, whatever their format."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from math import inf
from pathlib import Path
from typing import Annotated

from msgspec import Meta, Struct

from quietward.contracts.errors import BadRecording, MissingExtra, possible
from quietward.contracts.tables import parse_toml_table
from quietward.recordings import FORMATS, SUFFIXES, Format, format_of, name_of
from quietward.recordings.recording import (
    NOTHING_KNOWN,
    Annotation,
    LabourContext,
    Recording,
    Signal,
    make_recording,
    same_length,
)


def read_recording(path: Path | str) -> Recording:
    """Read one recording; what becomes of its values is said at `make_recording`.

    Raises BadRecording naming the file, what is wrong and the remedy, MissingExtra if its format needs packages.
    """
    path = Path(path)
    file_format = format_of(path)
    if file_format is None and not path.exists():
        raise BadRecording(str(path), path.name, "There is no such file or folder")
    if file_format is None:
        known = " or ".join(f"{one.title} ({one.suffix})" for one in FORMATS)
        raise BadRecording(str(path), path.suffix, f"Use {known}")
    if not path.is_file():
        raise BadRecording(str(path), path.name, "There is no such file")
    content = file_format.load().read(path)
    return make_recording(name_of(path), replace(content, labour=_read_labour(path, content.labour)), str(path))


def write_recording(
    path: Path | str,
    fhr: Signal,
    ua: Signal,
    *,
    fhr2: Signal | None = None,
    annotations: Iterable[Annotation] = (),
    began: datetime | None = None,
    labour: LabourContext = NOTHING_KNOWN,
) -> None:
    """Write signals of 4 Hz in the format that the path's name ends in.

    fhr (bpm), ua (relative units): shape (n,), NaN for no value; fhr2: as fhr, of a second twin. began: time of the
    first sample. labour: goes into `NAME.labour.toml` beside it, where something is known of it.
    Raises BadRecording, also where that file is there and says something else that was not written with this recording;
    OSError, MissingExtra if the format needs packages.
    """
    path = Path(path)
    same_length(str(path), fhr, ua, fhr2)
    said, beside, is_ours = _labour_text(path, labour), _labour_path(path), _is_written_with(path)
    is_others = beside.exists() and not is_ours
    if said and is_others and _read_labour(path, NOTHING_KNOWN) != labour:
        remedy = "Was not written with this recording, and says something else; rename one of the two"
        raise BadRecording(str(beside), beside.name, remedy)
    recording = Recording(name_of(path), fhr, ua, "", tuple(annotations), began, fhr2=fhr2)
    writing_format(path).load().write(path, recording)
    if said and not is_others:
        beside.write_text(said, encoding="utf-8")
    elif is_ours:
        beside.unlink()


def files_of(path: Path) -> list[Path]:
    """Return all files that writing a recording may make or replace. Raises BadRecording."""
    return [path, *writing_format(path).load().beside(path), _labour_path(path)]


def would_replace(path: Path, labour: LabourContext = NOTHING_KNOWN) -> Path | None:
    """Return a file that writing a recording would replace, or that would say another labour of it; None without.

    Raises BadRecording.
    """
    *own, beside = files_of(path)
    replaced = next((one for one in own if one.exists()), None)
    is_other = beside.exists() and _read_labour(path, NOTHING_KNOWN) != labour
    return beside if replaced is None and is_other else replaced


def writing_format(path: Path) -> Format:
    """Return the format in which a recording of this name is written. Raises BadRecording."""
    file_format = format_of(path)
    if file_format is None:
        raise BadRecording(
            str(path), path.name, f"Name the file by its format. {possible(SUFFIXES, ''.join(path.suffixes))}"
        )
    return file_format


class Labour(Struct, frozen=True, forbid_unknown_fields=True):
    """`NAME.labour.toml`: what is known of the labour, in place of what the recording itself says."""

    weeks: Annotated[int, Meta(ge=0, le=45)] | None = None
    second_stage_from_s: Annotated[float, Meta(ge=0)] | None = None


WRITTEN_WITH = "# Written by quietward with "


def _labour_path(path: Path) -> Path:
    return path.with_name(f"{name_of(path)}.labour.toml")


def _read_labour(path: Path, said: LabourContext) -> LabourContext:
    beside = _labour_path(path)
    try:
        text = beside.read_text(encoding="utf-8")
    except FileNotFoundError:
        return said
    except (OSError, UnicodeDecodeError) as error:
        raise BadRecording(str(beside), type(error).__name__, f"Cannot be read: {error}") from error
    labour = parse_toml_table(text, Labour, str(beside), BadRecording)
    return LabourContext(
        said.weeks if labour.weeks is None else labour.weeks,
        said.second_stage_from_s if labour.second_stage_from_s is None else labour.second_stage_from_s,
    )


def _labour_text(path: Path, labour: LabourContext) -> str:
    """Return what goes beside a recording, empty where nothing is known of the labour."""
    known = {"weeks": labour.weeks or None, "second_stage_from_s": labour.second_stage_from_s}
    lines = [f"{name} = {value}\n" for name, value in known.items() if value is not None and value < inf]
    return "".join([f"{WRITTEN_WITH}{path.name}\n", *lines]) if lines else ""


def _is_written_with(path: Path) -> bool:
    """Return whether the file beside a recording was written with it; people write such files, too."""
    try:
        first = _labour_path(path).read_text(encoding="utf-8").partition("\n")[0]
    except (OSError, UnicodeDecodeError):
        return False
    return first == f"{WRITTEN_WITH}{path.name}"


def find_recordings(paths: list[Path]) -> list[Path]:
    """Return the files meant by `paths`: a folder stands for all recordings in it and in its folders, sorted by path.

    A path without a suffix stands for the file that has one, as records are named in WFDB.
    """
    files: list[Path] = []
    for path in paths:
        if path.is_dir():
            files += [inside for inside in sorted(path.rglob("*")) if _is_recording(inside)]
        elif path.suffix == "":
            with_suffix = [path.with_suffix(suffix) for suffix in SUFFIXES]
            files.append(next((file for file in with_suffix if file.is_file()), path))
        else:
            files.append(path)
    return files


def _is_recording(path: Path) -> bool:
    file_format = format_of(path)
    try:
        return file_format is not None and file_format.load().is_recording(path)
    except (OSError, MissingExtra):
        return True  # nobody may read it, or its package is missing: that is told where it is read
