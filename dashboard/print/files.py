"""Writes a bed's log and hand-over sheet as files, straight from the store."""

from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable
from quietward.contracts.messages import WINDOW_S
from quietward.contracts.settings import Settings, without_password
from quietward.dashboard.history import export
from quietward.dashboard.history.bed_record import BedRecord
from quietward.dashboard.history.reader import read_history, read_record
from quietward.dashboard.print import handover_html
from quietward.dashboard.print.handover import hand_over
from quietward.dashboard.print.small_strip import RecentSignal
from quietward.runtime.clock import now_ms
from quietward.store.client import RedisError, connected


async def write(settings: Settings, bed: str, log: Path | None, handover: Path | None) -> list[Path]:
    """Write the files that are not None and return them. Raises BadSettings, Unreachable."""
    _check_suffix(log, "--log", (".csv", ".json"))
    _check_suffix(handover, "--handover", (".html",))
    if log is None and handover is None:
        raise BadSettings("export", bed, "Say what to write: --log FILE.csv, --log FILE.json or --handover FILE.html")
    ward = Ward(settings.ward, settings.shards)
    async with connected(settings.store) as store:
        try:
            record = await read_record(store, ward, bed)
            history = await read_history(store, ward, bed, WINDOW_S / 3600, now_ms()) if handover else None
        except RedisError as error:
            raise Unreachable("store", without_password(settings.store), f"It said: {error}") from error
    if record.is_empty:
        raise BadSettings("bed", bed, f"Nothing is kept of such a bed of ward {ward.name}; check bed, --ward, --shards")
    if log is not None:
        _write(log, _log_content(log, record, ward))
    if handover is not None:
        signal = None if history is None else RecentSignal(history.first_s, history.fhr, history.ua)
        _write(handover, _handover_content(record, ward, signal))
    return [file for file in (log, handover) if file is not None]


def _check_suffix(file: Path | None, option: str, suffixes: tuple[str, ...]) -> None:
    if file is not None and file.suffix.lower() not in suffixes:
        raise BadSettings(option, str(file), f"Give a name that ends in {' or '.join(suffixes)}")


def _log_content(file: Path, record: BedRecord, ward: Ward) -> bytes:
    if file.suffix.lower() == ".csv":
        return export.log_as_csv(record.bed, record.log).encode()
    return export.log_as_json(ward.name, record.bed, record.log, now_ms())


def _handover_content(record: BedRecord, ward: Ward, signal: RecentSignal | None) -> bytes:
    local_zone = datetime.now().astimezone().tzinfo or UTC
    style = (files("quietward.dashboard") / "assets" / handover_html.STYLE).read_text()
    return handover_html.page([hand_over(record, ward.name, now_ms(), local_zone, signal)], style).encode()


def _write(file: Path, content: bytes) -> None:
    try:
        file.write_bytes(content)
    except OSError as error:
        raise BadSettings("file", str(file), f"Cannot be written: {error.strerror}") from error
