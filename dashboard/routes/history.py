"""Routes of the last hours: what happened on the ward, and one bed's signal as a figure and on paper."""

import asyncio
from typing import Annotated, Literal

from fastapi import FastAPI, Query, Response
from fastapi.responses import HTMLResponse
from plotly import __version__ as plotly_version
from plotly.offline import get_plotlyjs

from quietward.contracts.notice import NOTICE
from quietward.dashboard.history import export
from quietward.dashboard.history.hours_figure import figure
from quietward.dashboard.history.records import Memory, now_of, read_hours
from quietward.dashboard.history.shift import Kept, Shift, shift
from quietward.dashboard.live.hub import Hub
from quietward.dashboard.print import strip_svg as paper_strip
from quietward.dashboard.print.handover import Times
from quietward.dashboard.routes.downloads import Offset, zone_of
from quietward.dashboard.view.order import natural
from quietward.dashboard.web.responses import file_answer, json_answer
from quietward.runtime.clock import now_ms

LONGEST_H = 24.0
USUAL_H = 4.0
LONGEST_SIGNAL_H = 8.0
Hours = Annotated[float, Query(gt=0, le=LONGEST_H)]
SignalHours = Annotated[float, Query(gt=0, le=LONGEST_SIGNAL_H)]
PaperSpeed = Literal["1", "2", "3"]
PaperHeight = Literal["20", "30"]
KEPT = {"cache-control": "max-age=86400"}
Minutes = Annotated[int, Query(ge=1, le=round(LONGEST_SIGNAL_H * 60))]


def add_routes(server: FastAPI, hub: Hub) -> None:
    """Add the routes to the server."""

    memories: dict[str, Memory] = {}
    one_at_a_time = asyncio.Semaphore(1)

    async def found(hours: float) -> Shift:
        now = now_ms()
        kept = []
        async with one_at_a_time:
            for bed in sorted(hub.beds, key=natural):
                memory, bed_now = memories.setdefault(bed, Memory()), now_of(hub.summaries.get(bed), now)
                await memory.read_on(hub.store, hub.ward, bed, now, bed_now)
                kept.append(Kept(bed, bed_now, memory.log, memory.minutes))
            return await asyncio.to_thread(shift, kept, hours)

    @server.get("/shift/flags.json")
    async def flags_json(hours: Hours = USUAL_H) -> Response:
        return json_answer({"notice": NOTICE, "shift": await found(hours)})

    @server.get("/shift/flags.csv")
    async def flags_csv(hours: Hours = USUAL_H) -> Response:
        table = export.shift_as_csv(await found(hours)).encode()
        return file_answer(table, "text/csv; charset=utf-8", f"{hub.ward.name}-shift.csv")

    @server.get("/hours/plotly.js")
    async def plotly() -> Response:
        """The library that draws the figure, from the installed package."""
        return Response(get_plotlyjs(), media_type="text/javascript", headers={"etag": f'"{plotly_version}"'} | KEPT)

    @server.get("/hours/{bed}.json")
    async def hours_json(bed: str, hours: SignalHours = USUAL_H, offset_min: Offset = 0) -> Response:
        async with one_at_a_time:
            found = await read_hours(hub.store, hub.ward, bed, hours, now_ms())
            drawn = await asyncio.to_thread(figure, found, zone_of(offset_min))
        return json_answer({"notice": NOTICE, "figure": drawn, "is_empty": not len(found.fhr)})

    @server.get("/paper/{bed}")
    async def paper(
        bed: str, minutes: Minutes = 30, cm: PaperSpeed = "1", bpm: PaperHeight = "20", offset_min: Offset = 0
    ) -> Response:
        now = now_ms()
        scale = paper_strip.Scale(int(cm), int(bpm))
        async with one_at_a_time:
            found = await read_hours(hub.store, hub.ward, bed, minutes / 60, now)
            times = Times(now, zone_of(offset_min))
            return HTMLResponse(await asyncio.to_thread(paper_strip.page, found, hub.ward.name, scale, times))
