"""Parquet: the columns `t_s`, `fhr`, `ua` and, of a second twin, `fhr2`, null for no value.

Annotations, when it began and the notice are metadata. Read with the names, units and gaps that CSV may have. Its
library, `pyarrow`, comes with the extra `parquet`.
"""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from quietward.contracts.errors import BadRecording, extra
from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.contracts.validation import NOT_DECODED
from quietward.recordings.recording import NOTHING_KNOWN, Annotation, Content, Recording, Signal
from quietward.recordings.signal_names import FHR, FHR2, STAGE, TIME, UA, SignalPlace
from quietward.recordings.tables import at_one_rate, find_columns, is_table, labour_of

if TYPE_CHECKING:
    import pyarrow as pa

KEY = b"quietward"


class Metadata(msgspec.Struct, frozen=True):
    """What stands beside the columns."""

    notice: str = NOTICE
    began: datetime | None = None
    annotations: tuple[Annotation, ...] = ()


def read(path: Path) -> Content:
    """Return what a file holds. Raises BadRecording, MissingExtra."""
    with extra("parquet", f"{path}"):
        import pyarrow as pa
        import pyarrow.parquet as pq
    try:
        schema = pq.read_schema(path)
    except (OSError, pa.ArrowException, UnicodeDecodeError) as error:
        raise BadRecording(
            str(path), type(error).__name__, f"Is not a Parquet file that can be read: {error}"
        ) from error
    places, notes = find_columns(str(path), schema.names)
    try:
        table = pq.read_table(path, columns=[schema.names[one.place] for one in places.values()])
        metadata = msgspec.json.decode((schema.metadata or {}).get(KEY, b"{}"), type=Metadata)
    except (OSError, pa.ArrowException, *NOT_DECODED) as error:
        raise BadRecording(str(path), type(error).__name__, f"Cannot be read: {error}") from error
    began, names = metadata.began, dict(zip(places, table.column_names, strict=True))
    if pa.types.is_timestamp(table.schema.field(names[TIME]).type):
        times_s, began = _timestamps(table.column(names[TIME]))
    else:
        times_s = _numbers(path, table, names[TIME], places[TIME])
    fhr = _numbers(path, table, names[FHR], places[FHR])
    ua = _numbers(path, table, names[UA], places[UA]) if UA in places else np.full(len(fhr), np.nan)
    fhr2 = _numbers(path, table, names[FHR2], places[FHR2]) if FHR2 in places else None
    labour = NOTHING_KNOWN
    if STAGE in places:
        labour = labour_of(_numbers(path, table, names[STAGE], places[STAGE]), times_s)
    content = Content(fhr, ua, HZ, notes, metadata.annotations, began, labour, fhr2)
    return at_one_rate(content, times_s, lambda i: f"{path} row {i}")


def _numbers(path: Path, table: "pa.Table", name: str, place: SignalPlace) -> Signal:
    import pyarrow as pa

    try:
        column = table.column(name).cast(pa.float64(), safe=False)
    except pa.ArrowException as error:
        raise BadRecording(
            f"{path}: {name}", str(table.schema.field(name).type), "Must be a column of numbers"
        ) from error
    return np.array(column.to_numpy(), dtype=np.float64) * place.factor


def _timestamps(column: "pa.ChunkedArray") -> tuple[Signal, datetime | None]:
    """Return seconds from the first time on, NaN for none, and the first; a time without a zone is UTC."""
    times = np.array(column.to_numpy(), dtype="datetime64[ns]")
    if not len(times) or np.isnat(times[0]):
        return np.full(len(times), np.nan), None
    since = (times - times[0]) / np.timedelta64(1, "s")
    began_us = int(times[0].astype("datetime64[us]").astype(np.int64))
    return np.where(np.isnat(times), np.nan, since), datetime.fromtimestamp(began_us / 1e6, UTC)


def write(path: Path, recording: Recording) -> None:
    """Write a row for each sample. Raises OSError, MissingExtra."""
    with extra("parquet", f"{path}"):
        import pyarrow as pa
        import pyarrow.parquet as pq
    columns = {"t_s": np.arange(len(recording.fhr)) / HZ, "fhr": recording.fhr, "ua": recording.ua}
    if recording.fhr2 is not None:
        columns["fhr2"] = recording.fhr2
    table = pa.table({name: pa.array(values, from_pandas=True) for name, values in columns.items()})
    metadata = Metadata(began=recording.began, annotations=recording.annotations)
    pq.write_table(table.replace_schema_metadata({KEY: msgspec.json.encode(metadata)}), path)


def beside(_: Path) -> list[Path]:
    """Return no other file: all is in one."""
    return []


def is_recording(path: Path) -> bool:
    """Return whether its columns are those of a recording. Raises OSError, MissingExtra."""
    with extra("parquet", f"{path}"):
        import pyarrow as pa
        import pyarrow.parquet as pq
    try:
        return is_table(pq.read_schema(path).names)
    except pa.ArrowException:
        return True  # that it is broken is told where it is read
