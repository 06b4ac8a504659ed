"""Writes a bed's log, hand-over sheet and signals as files, straight from the store."""

from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from importlib.resources import files
from math import inf
from pathlib import Path
from typing import TypeVar

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable
from quietward.contracts.fields import WINDOW_S
from quietward.contracts.log import Event
from quietward.contracts.settings import Settings, without_password
from quietward.contracts.stays import Stay
from quietward.contracts.summary import Summary
from quietward.dashboard.history import export
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.history.bed_record import BedRecord
from quietward.dashboard.history.reader import read_history, read_log, read_record, read_stay, read_summary
from quietward.dashboard.print import handover_html, stay_page
from quietward.dashboard.print.handover import hand_over
from quietward.dashboard.print.small_strip import RecentSignal
from quietward.recordings.annotations import annotations_of
from quietward.recordings.files import write_recording, writing_format
from quietward.recordings.recording import LabourContext
from quietward.runtime.clock import now_ms
from quietward.store.client import RedisError, Store, connected

T = TypeVar("T")


async def write(
    settings: Settings, bed: str, log: Path | None, handover: Path | None, stay: str | None = None
) -> list[Path]:
    """Write the files that are not None and return them. Raises BadSettings, Unreachable.

    stay: whose log it is, by the stay's label or number; None: of who is in the bed now.
    """
    _check_suffix(log, "--log", (".csv", ".json"))
    _check_suffix(handover, "--handover", (".html",))
    if log is None and handover is None:
        raise BadSettings("export", bed, "Say what to write: --log FILE.csv, --log FILE.json or --handover FILE.html")
    ward = Ward(settings.ward, settings.shards)
    if stay is not None:
        if handover is not None or log is None:
            raise BadSettings("--handover", str(handover), "Is of who is in the bed now; leave --stay out")
        events = await from_store(settings, lambda store: _log_of_stay(store, ward, bed, stay))
        _write(log, _log_content(log, bed, events, ward))
        return [log]
    record = await from_store(settings, lambda store: read_record(store, ward, bed))
    if record.is_empty:
        raise _nothing_kept(bed, ward)
    if log is not None:
        _write(log, _log_content(log, record.bed, record.log, ward))
    if handover is not None:
        hours = WINDOW_S / 3600
        history = await from_store(settings, lambda store: read_history(store, ward, bed, hours, now_ms()))
        signal = RecentSignal(history.first_s, history.fhr, history.ua, history.fhr2)
        _write(handover, _handover_content(record, ward, signal))
    return [file for file in (log, handover) if file is not None]


async def write_signals(settings: Settings, bed: str, hours: float, stay: str | None, file: Path) -> Path:
    """Write the signals of a woman as a recording, with her log as annotations, and return the file.

    hours: the last ones of who is in the bed now, all beds that she was in; stay: all of this one instead, by its label
    or number. FHR to a quarter of a bpm and UA to a half, as the page has them. Raises BadSettings, BadRecording,
    Unreachable.
    """
    writing_format(file)
    ward = Ward(settings.ward, settings.shards)

    async def read(store: Store) -> BedHistory:
        summary = await read_summary(store, ward, bed)
        if stay is not None:
            return await read_stay(store, ward, bed, stay_of(bed, summary, stay), now_ms())
        if summary is not None and summary.is_empty:
            remedy = f"Nobody is in it now; name who was with --stay: {_listed(summary)}"
            raise BadSettings("bed", bed, remedy)
        return await read_history(store, ward, bed, hours, now_ms())

    history = await from_store(settings, read)
    if not len(history.fhr):
        raise _nothing_kept(bed, ward)
    said = [x for x in annotations_of(history.log, history.first_s) if x.from_s >= 0]  # a log is kept for longer
    began = datetime.fromtimestamp(history.first_s, UTC)
    stage_s = history.second_stage_from_s
    labour = LabourContext(history.weeks or 0, inf if stage_s is None else max(0.0, stage_s - history.first_s))
    try:
        write_recording(file, history.fhr, history.ua, fhr2=history.fhr2, annotations=said, began=began, labour=labour)
    except OSError as error:
        raise BadSettings("--out", str(file), f"Cannot be written: {error.strerror}") from error
    return file


def _stays(summary: Summary | None) -> list[Stay]:
    stays = [] if summary is None else [summary.stay, *summary.former]
    return [stay for stay in stays if stay is not None and not stay.is_empty]


def _listed(summary: Summary | None) -> str:
    return (
        ", ".join(f"{stay.id} ({stay_page.label_of(stay)})" for stay in _stays(summary)) or "none can be read any more"
    )


def stay_of(bed: str, summary: Summary | None, wanted: str) -> Stay:
    """Return the stay at a bed that has this label, or number. Raises BadSettings."""
    found = [stay for stay in _stays(summary) if wanted in (str(stay.id), stay_page.label_of(stay))]
    if len(found) == 1:
        return found[0]
    what = "Several have this label, so give a number" if found else f"Nobody of that label was in {bed}"
    raise BadSettings("--stay", wanted, f"{what}; there are: {_listed(summary)}")


async def from_store(settings: Settings, read: Callable[[Store], Awaitable[T]]) -> T:
    """Return what `read` returns. Raises Unreachable if the store does not answer."""
    async with connected(settings.store, settings.tls) as store:
        try:
            return await read(store)
        except RedisError as error:
            raise Unreachable("store", without_password(settings.store), f"It said: {error}") from error


def _nothing_kept(bed: str, ward: Ward) -> BadSettings:
    return BadSettings("bed", bed, f"Nothing is kept of such a bed of ward {ward.name}; check bed, --ward, --shards")


def _check_suffix(file: Path | None, option: str, suffixes: tuple[str, ...]) -> None:
    if file is not None and file.suffix.lower() not in suffixes:
        raise BadSettings(option, str(file), f"Give a name that ends in {' or '.join(suffixes)}")


async def _log_of_stay(store: Store, ward: Ward, bed: str, wanted: str) -> list[Event]:
    stay = stay_of(bed, await read_summary(store, ward, bed), wanted)
    return await read_log(store, ward, bed, stay.id)


def _log_content(file: Path, bed: str, log: list[Event], ward: Ward) -> bytes:
    if file.suffix.lower() == ".csv":
        return export.log_as_csv(bed, log).encode()
    return export.log_as_json(ward.name, bed, log, now_ms())


def _handover_content(record: BedRecord, ward: Ward, signal: RecentSignal | None) -> bytes:
    local_zone = datetime.now().astimezone().tzinfo or UTC
    style = (files("quietward.dashboard") / "assets" / handover_html.STYLE).read_text()
    return handover_html.page([hand_over(record, ward.name, now_ms(), local_zone, signal)], style).encode()


def _write(file: Path, content: bytes) -> None:
    try:
        file.write_bytes(content)
    except OSError as error:
        raise BadSettings("file", str(file), f"Cannot be written: {error.strerror}") from error
