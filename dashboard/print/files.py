"""Writes a bed's log and its hand-over sheet as files, from the store and without the page."""

from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable
from quietward.contracts.settings import Settings, without_password
from quietward.dashboard.history import export
from quietward.dashboard.history.record import Record
from quietward.dashboard.history.records import read
from quietward.dashboard.print import handover_html as printed
from quietward.dashboard.print.handover import hand_over
from quietward.runtime.clock import now_ms
from quietward.store.client import RedisError, connected


async def write(settings: Settings, bed: str, log: Path | None, handover: Path | None) -> list[Path]:
    """Write what is asked for and return what was written. Raises BadSettings, Unreachable."""
    _check(log, "--log", (".csv", ".json"))
    _check(handover, "--handover", (".html",))
    if log is None and handover is None:
        raise BadSettings("export", bed, "Say what to write: --log FILE.csv, --log FILE.json or --handover FILE.html")
    ward = Ward(settings.ward, settings.shards)
    async with connected(settings.store) as store:
        try:
            record = await read(store, ward, bed)
        except RedisError as error:
            raise Unreachable("store", without_password(settings.store), f"It said: {error}") from error
    if record.is_empty:
        raise BadSettings("bed", bed, f"Nothing is kept of such a bed of ward {ward.name}; check bed, --ward, --shards")
    if log is not None:
        _write(log, _log_as(log, record, ward))
    if handover is not None:
        _write(handover, _sheet(record, ward))
    return [file for file in (log, handover) if file is not None]


def _check(file: Path | None, name: str, endings: tuple[str, ...]) -> None:
    if file is not None and file.suffix.lower() not in endings:
        raise BadSettings(name, str(file), f"Give a name that ends in {' or '.join(endings)}")


def _log_as(file: Path, record: Record, ward: Ward) -> bytes:
    if file.suffix.lower() == ".csv":
        return export.as_csv(record.bed, record.log).encode()
    return export.as_json(ward.name, record.bed, record.log, now_ms())


def _sheet(record: Record, ward: Ward) -> bytes:
    here = datetime.now().astimezone().tzinfo or UTC
    style = (files("quietward.dashboard") / "assets" / printed.STYLE).read_text()
    return printed.page([hand_over(record, ward.name, now_ms(), here)], style).encode()


def _write(file: Path, content: bytes) -> None:
    try:
        file.write_bytes(content)
    except OSError as error:
        raise BadSettings("file", str(file), f"Cannot be written: {error.strerror}") from error
