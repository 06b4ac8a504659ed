"""Where a shard's detector works at the moment, for whoever takes the shard over when it never comes back.

A file mapped into memory, so that a note costs a microsecond and outlives a process that ends in the middle of compiled
code. It helps detectors of one host, as long as its temporary folder is kept.
"""

import contextlib
import hashlib
import logging
import mmap
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from quietward.detect.store import Place, ShardStore, entry_key

log = logging.getLogger("quietward.detect")

BYTES = 128


SET_ASIDE_AFTER = 2
"""Owners that have ended in an input while they worked at it alone. One may have been killed there by chance."""


class Doubt(NamedTuple):
    """What an earlier owner began and did not end. ended: of those who worked at it alone, so many ended too."""

    first: Place
    last: Place
    ended: int

    def holds_some(self, first: Place, last: Place) -> bool:
        """Return whether any place from first to last is in it."""
        return _order(first) <= _order(self.last) and _order(self.first) <= _order(last)


class WorkingNote:
    """The note of one owner of a shard at a time, each in a file of its own."""

    def __init__(self) -> None:
        self._note: mmap.mmap | bytearray = bytearray(BYTES)
        self._path = Path()

    def begin(self, store: ShardStore) -> Doubt | None:
        """Begin as the owner that a store has now, and return what earlier ones have left, which is removed.

        Without a folder to write to nothing is noted, and that is logged.
        """
        self.close()
        shard = hashlib.sha256(f"{store.store.urls} {store.shard.root} {store.shard.ward.shards}".encode()).hexdigest()[
            :16
        ]
        doubt = None
        try:
            folder = _own_folder()
            for path in sorted(folder.glob(f"{shard}.*"), key=lambda path: int(path.suffix[1:])):
                with contextlib.suppress(ValueError):  # empty: that owner was between two steps
                    first, n, last, m, ended = path.read_text().rstrip("\0").split()
                    doubt = Doubt((first, int(n)), (last, int(m)), int(ended))
                path.unlink()
            self._path = folder / f"{shard}.{store.token}"
            self._path.write_bytes(bytes(BYTES))
            with self._path.open("r+b") as file:
                self._note = mmap.mmap(file.fileno(), BYTES)
        except (OSError, ValueError) as error:  # ValueError: somebody's file in our folder
            log.warning("shard %d: where it works is not noted: %s", store.shard.number, error)
        return doubt

    @contextlib.contextmanager
    def working(self, first: Place, last: Place, ended: int) -> Iterator[None]:
        """Note what is worked through, for as long as that takes. ended: what a Doubt of it would say."""
        self._note[:] = f"{first[0]} {first[1]} {last[0]} {last[1]} {ended}".encode().ljust(BYTES, b"\0")
        try:
            yield
        finally:
            self._note[:] = bytes(BYTES)

    def close(self) -> None:
        """Leave nothing behind: this owner has come to an orderly end."""
        if isinstance(self._note, mmap.mmap):
            self._note.close()
            self._note = bytearray(BYTES)
            self._path.unlink(missing_ok=True)


def _own_folder() -> Path:
    """Return a folder of this user alone. Raises OSError when there can be none."""
    folder = Path(tempfile.gettempdir()) / f"quietward-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    status = folder.lstat()
    if status.st_uid != os.getuid() or status.st_mode & 0o77:
        raise PermissionError(f"{folder} is not this user's alone")
    return folder


def _order(place: Place) -> tuple[int, int, int]:
    return *entry_key(place[0]), place[1]
