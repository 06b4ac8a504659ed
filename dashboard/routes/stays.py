"""Routes of a stay at a bed, the present one or one that has ended: its record, to be read and taken along."""

import asyncio
from typing import Annotated

from fastapi import FastAPI, Path, Response
from fastapi.responses import HTMLResponse
from msgspec import structs

from quietward.contracts.fields import HZ
from quietward.contracts.stays import Stay
from quietward.dashboard.history import export
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.history.reader import read_log, read_stay
from quietward.dashboard.live.hub import Hub
from quietward.dashboard.print import stay_page, strip_svg
from quietward.dashboard.print.clock_format import ClockFormat
from quietward.dashboard.routes.downloads import UnknownBed, UtcOffset, zone_of
from quietward.dashboard.routes.history import Minutes, PaperHeight, PaperSpeed
from quietward.dashboard.web.responses import file_response
from quietward.drawing.strip import PaperScale
from quietward.runtime.clock import now_ms

StayNumber = Annotated[int, Path(ge=0)]


def add_routes(server: FastAPI, hub: Hub) -> None:
    """Register the routes."""

    one_at_a_time = asyncio.Semaphore(1)

    def stay_of(bed: str, number: int) -> Stay:
        summary = hub.summaries.get(bed)
        known = [] if summary is None else [stay for stay in (summary.stay, *summary.former) if stay is not None]
        for stay in known:
            if stay.id == number and not stay.is_empty:
                return stay
        raise UnknownBed("stay", f"{bed}, {number}", "There is no such record, or it is out of sight by now")

    async def history_of(bed: str, number: int) -> tuple[Stay, BedHistory]:
        stay = stay_of(bed, number)
        async with one_at_a_time:
            return stay, await read_stay(hub.store, hub.ward, bed, stay, now_ms())

    @server.get("/stay/{bed}/{number}")
    async def record(bed: str, number: StayNumber, offset_min: UtcOffset = 0) -> Response:
        stay, history = await history_of(bed, number)
        return HTMLResponse(stay_page.page(history, stay, hub.ward.name, now_ms(), zone_of(offset_min)))

    @server.get("/stay/{bed}/{number}/log.csv")
    async def log_csv(bed: str, number: StayNumber) -> Response:
        stay = stay_of(bed, number)
        table = export.log_as_csv(bed, await read_log(hub.store, hub.ward, bed, number)).encode()
        return file_response(table, "text/csv; charset=utf-8", f"{stay_page.file_name(bed, stay)}-log.csv")

    @server.get("/stay/{bed}/{number}/record.zip")
    async def record_zip(bed: str, number: StayNumber) -> Response:
        stay, history = await history_of(bed, number)
        archive = await asyncio.to_thread(stay_page.record_zip, history, stay, hub.ward.name, now_ms())
        return file_response(archive, "application/zip", f"{stay_page.file_name(bed, stay)}.zip")

    @server.get("/stay/{bed}/{number}/strip")
    async def strip(
        bed: str,
        number: StayNumber,
        minutes: Minutes = 60,
        cm: PaperSpeed = "1",
        bpm: PaperHeight = "20",
        offset_min: UtcOffset = 0,
    ) -> Response:
        _, history = await history_of(bed, number)
        scale = PaperScale(int(cm), int(bpm))
        clock = ClockFormat(now_ms(), zone_of(offset_min))
        shown = _last(history, minutes)
        return HTMLResponse(await asyncio.to_thread(strip_svg.page, shown, hub.ward.name, scale, clock))


def _last(history: BedHistory, minutes: int) -> BedHistory:
    """Return the last minutes of a trace."""
    most = minutes * 60 * HZ
    left_out_s = max(0, len(history.fhr) - most) // HZ
    fhr2 = None if history.fhr2 is None else history.fhr2[-most:]
    return structs.replace(
        history, fhr=history.fhr[-most:], ua=history.ua[-most:], fhr2=fhr2, first_s=history.first_s + left_out_s
    )
