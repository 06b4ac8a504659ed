"""Finds, reads and writes files of recordings, whatever their format."""

from pathlib import Path

from quietward.contracts.errors import BadRecording
from quietward.recordings import READERS, SUFFIXES, reader_of
from quietward.recordings.recording import Recording, Signal, make_recording


def read_recording(path: Path) -> Recording:
    """Read one recording; what becomes of its values is said at `make_recording`.

    Raises BadRecording naming the file, what is wrong and the remedy.
    """
    reader = reader_of(path)
    if reader is None and not path.exists():
        raise BadRecording(str(path), path.name, "There is no such file or folder")
    if reader is None:
        known = " or ".join(f"{reader.title} ({', '.join(reader.suffixes)})" for reader in READERS)
        raise BadRecording(str(path), path.suffix, f"Use {known}")
    if not path.is_file():
        raise BadRecording(str(path), path.name, "There is no such file")
    fhr, ua, hz = reader.format().read(path)
    return make_recording(path.stem, fhr, ua, hz, str(path))


def write_recording(path: Path, fhr: Signal, ua: Signal) -> None:
    """Write signals of 4 Hz in the format of the path's suffix. Raises BadRecording, OSError."""
    reader = reader_of(path)
    if reader is None:
        raise BadRecording(str(path), path.suffix, f"Use a name that ends in {' or '.join(SUFFIXES)}")
    reader.format().write(path, fhr, ua)


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
    reader = reader_of(path)
    try:
        return reader is not None and reader.format().is_recording(path)
    except OSError:
        return True  # nobody may read it: that is told where it is read
