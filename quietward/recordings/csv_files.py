"""CSV: a row for each sample. Written with the columns `t_s,fhr,ua` (or `time,fhr,ua`), and `fhr2` of a second twin, an
empty cell for no value.

Read with any names and units of `signal_names`, any order, other columns left out by name; commas, semicolons (and then
decimal commas) or tabs; times as seconds or in ISO 8601. Annotations stand beside it, in `NAME.annotations.csv`.
"""

import csv
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ
from quietward.recordings.recording import NOTHING_KNOWN, Annotation, Content, Recording, Signal
from quietward.recordings.signal_names import FHR, FHR2, STAGE, TIME, UA
from quietward.recordings.tables import at_one_rate, find_columns, is_table, labour_of

COLUMNS = ("t_s", "fhr", "ua")
ANNOTATION_COLUMNS = ("kind", "from_s", "to_s", "text")
DELIMITERS = ",;\t"


def read(path: Path) -> Content:
    """Return what a file holds. Raises BadRecording."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            delimiter = _delimiter(file.readline())
            file.seek(0)
            rows = list(csv.reader(file, delimiter=delimiter))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BadRecording(str(path), type(error).__name__, f"Cannot be read: {error}") from error
    if not rows:
        raise BadRecording(str(path), "", f"Is empty; the first line must name the columns, as {','.join(COLUMNS)}")
    head, rows = rows[0], rows[1:]
    places, notes = find_columns(str(path), head)
    for i, row in enumerate(rows):
        if len(row) != len(head):
            raise BadRecording(_line(path, i), row, f"Needs {len(head)} cells; an empty cell is no value")
    columns = {signal: [row[one.place].strip() for row in rows] for signal, one in places.items()}
    has_decimal_commas = delimiter == ";"
    values = {
        signal: _numbers(path, head[places[signal].place], columns[signal], has_decimal_commas) * places[signal].factor
        for signal in (FHR, FHR2, UA, STAGE)
        if signal in places
    }
    began = None
    if columns[TIME] and _is_iso(columns[TIME][0]):
        times_s, began = _iso_times(path, columns[TIME])
    else:
        times_s = _numbers(path, head[places[TIME].place], columns[TIME], has_decimal_commas) * places[TIME].factor
    ua = values.get(UA, np.full(len(rows), np.nan))
    labour = labour_of(values[STAGE], times_s) if STAGE in values else NOTHING_KNOWN
    content = Content(
        values[FHR], ua, HZ, notes, tuple(_read_annotations(*beside(path))), began, labour, values.get(FHR2)
    )
    return at_one_rate(content, times_s, lambda i: _line(path, i))


def _delimiter(head: str) -> str:
    return max(DELIMITERS, key=head.count)


def _line(path: Path, i: int) -> str:
    return f"{path} line {i + 2}"


def _numbers(path: Path, column: str, cells: list[str], has_decimal_commas: bool) -> Signal:
    """Return the numbers of a column, NaN for an empty cell. Raises BadRecording."""
    texts = [cell.replace(",", ".") for cell in cells] if has_decimal_commas else cells
    try:
        return np.array([float(text) if text else np.nan for text in texts])
    except ValueError:
        i = next(i for i, text in enumerate(texts) if text and not _is_number(text))
        remedy = f"Column {column.strip()} needs a number, or nothing for no value"
        raise BadRecording(_line(path, i), cells[i], remedy) from None


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _is_iso(cell: str) -> bool:
    try:
        datetime.fromisoformat(cell)
    except ValueError:
        return False
    return not _is_number(cell)


def _iso_times(path: Path, cells: list[str]) -> tuple[Signal, datetime]:
    """Return seconds from the first time on, and the first; a time without a zone is UTC. Raises BadRecording."""
    times = []
    for i, cell in enumerate(cells):
        try:
            time = datetime.fromisoformat(cell)
        except ValueError:
            remedy = "Needs a time as 2026-03-01T14:00:00.25+01:00, as the line before"
            raise BadRecording(_line(path, i), cell, remedy) from None
        times.append(time if time.tzinfo else time.replace(tzinfo=UTC))
    return np.array([(time - times[0]).total_seconds() for time in times]), times[0].astimezone(UTC)


def write(path: Path, recording: Recording) -> None:
    """Write a row for each sample; its time is a time of day where it is known when the recording began."""
    times: Iterator[str] = (f"{i / HZ:.2f}" for i in range(len(recording.fhr)))
    began, head = recording.began, tuple[str, ...](COLUMNS)
    if began is not None:
        head = ("time", *COLUMNS[1:])
        times = (_iso(began + timedelta(seconds=i / HZ)) for i in range(len(recording.fhr)))
    columns = [times, _cells(recording.fhr), _cells(recording.ua)]
    if recording.fhr2 is not None:
        head = (*head, "fhr2")
        columns.append(_cells(recording.fhr2))
    with path.open("w", encoding="utf-8") as file:
        file.write(",".join(head) + "\n")
        file.writelines(",".join(cells) + "\n" for cells in zip(*columns, strict=True))
    (annotations,) = beside(path)
    annotations.unlink(missing_ok=True)
    if recording.annotations:
        with annotations.open("w", newline="", encoding="utf-8") as file:
            table = csv.writer(file)
            table.writerow(ANNOTATION_COLUMNS)
            table.writerows([x.kind, x.from_s, "" if x.to_s is None else x.to_s, x.text] for x in recording.annotations)


def _iso(time: datetime) -> str:
    return time.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def _cells(values: Signal) -> list[str]:
    """Return values as text that gives the same number again, each distinct one formatted once."""
    distinct, indices = np.unique(values, return_inverse=True)
    texts = np.array(["" if np.isnan(x) else repr(x).removesuffix(".0") for x in distinct.tolist()], dtype=object)
    return list(texts[indices])


def beside(path: Path) -> list[Path]:
    """Return the file of annotations."""
    return [path.with_suffix(".annotations.csv")]


def _read_annotations(path: Path) -> Iterator[Annotation]:
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            table = csv.reader(file)
            if tuple(next(table, ())) != ANNOTATION_COLUMNS:
                raise BadRecording(f"{path} line 1", "", f"Must be {','.join(ANNOTATION_COLUMNS)}")
            for i, row in enumerate(table):
                try:
                    kind, from_s, to_s, text = row
                    yield Annotation(float(from_s), float(to_s) if to_s else None, kind, text)
                except ValueError as error:
                    raise BadRecording(_line(path, i), row, "Needs kind, two times in seconds, text") from error
    except FileNotFoundError:
        return
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BadRecording(str(path), type(error).__name__, f"Cannot be read: {error}") from error


def is_recording(path: Path) -> bool:
    """Return whether the first line is that of a recording: other tables end in .csv, too. Raises OSError."""
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        head = file.readline()
    try:
        return is_table(next(csv.reader([head], delimiter=_delimiter(head)), []))
    except csv.Error:
        return False
