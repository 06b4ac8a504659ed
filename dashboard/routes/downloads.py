"""Download and print routes: a bed's log as a file, and hand-over sheets."""

from datetime import timedelta, timezone
from typing import Annotated

from fastapi import FastAPI, Query, Request, Response
from fastapi.responses import HTMLResponse, PlainTextResponse

from quietward.contracts.errors import QuietwardError
from quietward.contracts.fields import HZ
from quietward.dashboard.history import export
from quietward.dashboard.history.bed_record import BedRecord
from quietward.dashboard.history.reader import read_record
from quietward.dashboard.live.hub import Hub
from quietward.dashboard.print import handover_html
from quietward.dashboard.print.handover import hand_over
from quietward.dashboard.print.small_strip import RecentSignal
from quietward.dashboard.print.ward_sheet import ward_sheet
from quietward.dashboard.view.ranking import natural_key
from quietward.dashboard.view.signal_buffer import SignalBuffer
from quietward.dashboard.web.responses import file_response
from quietward.dashboard.web.templates import error_in_words
from quietward.runtime.clock import now_ms

MAX_OFFSET_MIN = 14 * 60
UtcOffset = Annotated[int, Query(alias="utc-offset-min", ge=-MAX_OFFSET_MIN, le=MAX_OFFSET_MIN)]
"""Minutes by which the browser's zone is ahead of UTC."""


class UnknownBed(QuietwardError):
    """Nothing is kept of a bed of that name."""


def add_routes(server: FastAPI, hub: Hub) -> None:
    """Register the routes."""

    @server.exception_handler(UnknownBed)
    async def unknown_bed(_: Request, error: Exception) -> Response:
        return PlainTextResponse(error_in_words(error), 404)

    async def record_of(bed: str) -> BedRecord:
        record = await read_record(hub.store, hub.ward, bed)
        if record.is_empty:
            raise UnknownBed("bed", bed, f"Nothing is kept of such a bed of ward {hub.ward.name}")
        return record

    @server.get("/export/{bed}/log.csv")
    async def log_csv(bed: str) -> Response:
        record = await record_of(bed)
        return file_response(export.log_as_csv(bed, record.log).encode(), "text/csv; charset=utf-8", f"{bed}-log.csv")

    @server.get("/export/{bed}/log.json")
    async def log_json(bed: str) -> Response:
        record = await record_of(bed)
        document = export.log_as_json(hub.ward.name, bed, record.log, now_ms())
        return file_response(document, "application/json", f"{bed}-log.json")

    @server.get("/handover/{bed}")
    async def handover(bed: str, offset_min: UtcOffset = 0) -> Response:
        record = await record_of(bed)
        sheet = hand_over(record, hub.ward.name, now_ms(), zone_of(offset_min), signal_of(bed), is_late=bed in hub.late)
        return HTMLResponse(handover_html.page([sheet]))

    @server.get("/handover")
    async def handover_of_the_ward(offset_min: UtcOffset = 0) -> Response:
        beds = [(record, signal_of(record.bed)) for record in await all_records()]
        return HTMLResponse(
            handover_html.ward_page(ward_sheet(beds, hub.ward.name, now_ms(), zone_of(offset_min), hub.late, hub.went))
        )

    @server.get("/handover-sheets")
    async def handover_of_every_bed(offset_min: UtcOffset = 0) -> Response:
        name, now, zone = hub.ward.name, now_ms(), zone_of(offset_min)
        sheets = [
            hand_over(record, name, now, zone, signal_of(record.bed), is_late=record.bed in hub.late)
            for record in await all_records()
        ]
        return HTMLResponse(handover_html.page(sheets))

    async def all_records() -> list[BedRecord]:
        """Of the beds that somebody is in, as far as is known."""
        records = [await read_record(hub.store, hub.ward, bed) for bed in sorted(hub.beds, key=natural_key)]
        return [record for record in records if record.summary is None or not record.summary.is_empty]

    def signal_of(bed: str) -> RecentSignal | None:
        buffer, summary = hub.signals.get(bed), hub.summaries.get(bed)
        return None if buffer is None else signal_from(buffer, 0 if summary is None else summary.first_s)


def signal_from(buffer: SignalBuffer, hers_from_s: int) -> RecentSignal | None:
    """Return what a buffer holds of who is in the bed now, from a second on by the bed's clock; None for nothing."""
    first_s = max(buffer.first, hers_from_s)
    if buffer.last < first_s:
        return None
    others = (first_s - buffer.first) * HZ
    (fhr, ua), fhr2 = buffer.arrays(), buffer.second_fhr()
    return RecentSignal(first_s, fhr[others:], ua[others:], None if fhr2 is None else fhr2[others:])


def zone_of(offset_min: int) -> timezone:
    """Return the time zone that is this many minutes ahead of UTC."""
    return timezone(timedelta(minutes=offset_min))
