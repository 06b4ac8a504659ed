"""Routes of the last hours: flags of the whole ward, and the signals of one bed as a figure and on paper."""

import asyncio
from typing import Annotated, Literal

from fastapi import FastAPI, Query, Response
from fastapi.responses import HTMLResponse
from plotly import __version__ as plotly_version
from plotly.offline import get_plotlyjs

from quietward.contracts.notice import NOTICE
from quietward.dashboard.history import export
from quietward.dashboard.history.hours_figure import figure
from quietward.dashboard.history.reader import LogCache, bed_clock_ms, read_history
from quietward.dashboard.history.shift import BedLog, ShiftReport, shift_report
from quietward.dashboard.live.hub import Hub
from quietward.dashboard.print import strip_svg
from quietward.dashboard.print.clock_format import ClockFormat
from quietward.dashboard.routes.downloads import UtcOffset, zone_of
from quietward.dashboard.view.ranking import natural_key
from quietward.dashboard.web.responses import file_response, json_response
from quietward.drawing.strip import PaperScale
from quietward.runtime.clock import now_ms

MAX_SHIFT_H = 24.0
MAX_SIGNAL_H = 8.0
DEFAULT_H = 4.0
ShiftHours = Annotated[float, Query(gt=0, le=MAX_SHIFT_H)]
SignalHours = Annotated[float, Query(gt=0, le=MAX_SIGNAL_H)]
Minutes = Annotated[int, Query(ge=1, le=round(MAX_SIGNAL_H * 60))]
PaperSpeed = Literal["1", "2", "3"]
PaperHeight = Literal["20", "30"]
FOR_A_DAY = {"cache-control": "max-age=86400"}


def add_routes(server: FastAPI, hub: Hub) -> None:
    """Register the routes."""

    caches: dict[str, LogCache] = {}
    one_at_a_time = asyncio.Semaphore(1)

    async def report_of(hours: float) -> ShiftReport:
        now = now_ms()
        logs = []
        async with one_at_a_time:
            for bed in sorted(hub.beds, key=natural_key):
                if (summary := hub.summaries.get(bed)) is not None and summary.is_empty:
                    continue
                cache = caches.setdefault(bed, LogCache())
                stay, bed_now = 0 if summary is None else summary.stay_id, bed_clock_ms(summary, now)
                await cache.update(hub.store, hub.ward, bed, stay, now, bed_now)
                logs.append(BedLog(bed, bed_now, cache.log, cache.trend_times))
            return await asyncio.to_thread(shift_report, logs, hours)

    @server.get("/shift/flags.json")
    async def flags_json(hours: ShiftHours = DEFAULT_H) -> Response:
        return json_response({"notice": NOTICE, "shift": await report_of(hours)})

    @server.get("/shift/flags.csv")
    async def flags_csv(hours: ShiftHours = DEFAULT_H) -> Response:
        table = export.shift_as_csv(await report_of(hours)).encode()
        return file_response(table, "text/csv; charset=utf-8", f"{hub.ward.name}-shift.csv")

    @server.get("/hours/plotly.js")
    async def plotly() -> Response:
        """The library that draws the figure, from the installed package."""
        headers = {"etag": f'"{plotly_version}"'} | FOR_A_DAY
        return Response(get_plotlyjs(), media_type="text/javascript", headers=headers)

    @server.get("/hours/{bed}.json")
    async def hours_json(bed: str, hours: SignalHours = DEFAULT_H, offset_min: UtcOffset = 0) -> Response:
        async with one_at_a_time:
            history = await read_history(hub.store, hub.ward, bed, hours, now_ms())
            drawn = await asyncio.to_thread(figure, history, zone_of(offset_min))
        return json_response({"notice": NOTICE, "figure": drawn, "is_empty": not len(history.fhr)})

    @server.get("/paper/{bed}")
    async def paper(
        bed: str, minutes: Minutes = 30, cm: PaperSpeed = "1", bpm: PaperHeight = "20", offset_min: UtcOffset = 0
    ) -> Response:
        now = now_ms()
        scale = PaperScale(int(cm), int(bpm))
        async with one_at_a_time:
            history = await read_history(hub.store, hub.ward, bed, minutes / 60, now)
            clock = ClockFormat(now, zone_of(offset_min))
            return HTMLResponse(await asyncio.to_thread(strip_svg.page, history, hub.ward.name, scale, clock))
