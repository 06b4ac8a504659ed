"""Routes of what happened on the ward in the last hours."""

from typing import Annotated

from fastapi import FastAPI, Query, Response

from dashboard import export
from dashboard.hub import Hub
from dashboard.order import natural
from dashboard.papers import file_answer
from dashboard.records import read_kept
from dashboard.shift import Shift, shift
from quietward.messages import encode_json
from quietward.notice import NOTICE
from quietward.running import now_ms

LONGEST_H = 24.0
USUAL_H = 4.0
Hours = Annotated[float, Query(gt=0, le=LONGEST_H)]


def add_routes(server: FastAPI, hub: Hub) -> None:
    """Add the routes to the server."""

    async def found(hours: float) -> Shift:
        now = now_ms()
        beds = sorted(hub.beds, key=natural)
        return shift([await read_kept(hub.store, hub.ward, bed, hub.summaries.get(bed), now) for bed in beds], hours)

    @server.get("/shift/flags.json")
    async def flags_json(hours: Hours = USUAL_H) -> Response:
        document = {"notice": NOTICE, "shift": await found(hours)}
        return Response(encode_json(document), media_type="application/json")

    @server.get("/shift/flags.csv")
    async def flags_csv(hours: Hours = USUAL_H) -> Response:
        table = export.shift_as_csv(await found(hours)).encode()
        return file_answer(table, "text/csv; charset=utf-8", f"{hub.ward.name}-shift.csv")
