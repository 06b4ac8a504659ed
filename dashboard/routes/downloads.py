"""Routes of what can be taken away from the page: logs and hand-over sheets."""

from datetime import timedelta, timezone
from typing import Annotated

from fastapi import FastAPI, Query, Response
from fastapi.responses import HTMLResponse

from quietward.dashboard.history import export
from quietward.dashboard.history.record import Record
from quietward.dashboard.history.records import read
from quietward.dashboard.live.hub import Hub
from quietward.dashboard.print import handover_html as printed
from quietward.dashboard.print.handover import hand_over
from quietward.dashboard.view.order import natural
from quietward.dashboard.web.responses import file_answer
from quietward.runtime.clock import now_ms

FURTHEST_MIN = 14 * 60
Offset = Annotated[int, Query(alias="utc-offset-min", ge=-FURTHEST_MIN, le=FURTHEST_MIN)]


def add_routes(server: FastAPI, hub: Hub) -> None:
    """Add the routes to the server."""

    async def record_of(bed: str) -> Record | Response:
        found = await read(hub.store, hub.ward, bed)
        if found.is_empty:
            return Response(f"bed: {bed!r}. Nothing is kept of such a bed of ward {hub.ward.name}", 404)
        return found

    @server.get("/export/{bed}/log.csv")
    async def log_csv(bed: str) -> Response:
        found = await record_of(bed)
        if isinstance(found, Response):
            return found
        return file_answer(export.as_csv(bed, found.log).encode(), "text/csv; charset=utf-8", f"{bed}-log.csv")

    @server.get("/export/{bed}/log.json")
    async def log_json(bed: str) -> Response:
        found = await record_of(bed)
        if isinstance(found, Response):
            return found
        return file_answer(
            export.as_json(hub.ward.name, bed, found.log, now_ms()), "application/json", f"{bed}-log.json"
        )

    @server.get("/handover/{bed}")
    async def handover(bed: str, offset_min: Offset = 0) -> Response:
        found = await record_of(bed)
        if isinstance(found, Response):
            return found
        zone = zone_of(offset_min)
        return HTMLResponse(printed.page([hand_over(found, hub.ward.name, now_ms(), zone)]))

    @server.get("/handover")
    async def handover_of_all(offset_min: Offset = 0) -> Response:
        zone = zone_of(offset_min)
        found = [await read(hub.store, hub.ward, bed) for bed in sorted(hub.beds, key=natural)]
        return HTMLResponse(printed.page([hand_over(one, hub.ward.name, now_ms(), zone) for one in found]))


def zone_of(offset_min: int) -> timezone:
    """Return the zone that is so many minutes ahead of UTC."""
    return timezone(timedelta(minutes=offset_min))
