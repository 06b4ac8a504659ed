"""Writes a bed's log and hand-over sheet as files, straight from the store."""

from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable
from quietward.contracts.settings import Settings, without_password
from quietward.dashboard.history import export
from quietward.dashboard.history.bed_record import BedRecord
from quietward.dashboard.history.reader import read_record
from quietward.dashboard.print import handover_html
from quietward.dashboard.print.handover import hand_over
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
        except RedisError as error:
            raise Unreachable("store", without_password(settings.store), f"It said: {error}") from error
    if record.is_empty:
        raise BadSettings("bed", bed, f"Nothing is kept of such a bed of ward {ward.name}; check bed, --ward, --shards")
    if log is not None:
        _write(log, _log_content(log, record, ward))
    if handover is not None:
        _write(handover, _handover_content(record, ward))
    return [file for file in (log, handover) if file is not None]


def _check_suffix(file: Path | None, option: str, suffixes: tuple[str, ...]) -> None:
    if file is not None and file.suffix.lower() not in suffixes:
        raise BadSettings(option, str(file), f"Give a name that ends in {' or '.join(suffixes)}")


def _log_content(file: Path, record: BedRecord, ward: Ward) -> bytes:
    if file.suffix.lower() == ".csv":
        return export.log_as_csv(record.bed, record.log).encode()
    return export.log_as_json(ward.name, record.bed, record.log, now_ms())


def _handover_content(record: BedRecord, ward: Ward) -> bytes:
    local_zone = datetime.now().astimezone().tzinfo or UTC
    style = (files("quietward.dashboard") / "assets" / handover_html.STYLE).read_text()
    return handover_html.page([hand_over(record, ward.name, now_ms(), local_zone)], style).encode()


def _write(file: Path, content: bytes) -> None:
    try:
        file.write_bytes(content)
    except OSError as error:
        raise BadSettings("file", str(file), f"Cannot be written: {error.strerror}") from error
