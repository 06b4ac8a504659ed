"""Injects faults one after the other, and measures what a nurse sees, when, and what was lost."""

import asyncio
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tests.faults.faults import CALM_AT_MOST_S, Fault
from tests.faults.ward import BLIND, NO_FRAME_S, FaultWard, Moment

STARTS_WITHIN_S = 240.0
LOOKS_EVERY_S = 0.1


@dataclass
class Row:
    """What came of one fault. first, said: what the page said first, and at last; said_s: until it said anything.

    calm_s: until no bed looked calm any more (None: one did until the fault was lifted); well_s: from then until all
    was well (None: not in time); lost: seconds that are in no stream; unused: that no detector used;
    gap_s: longest time between two frames of the page.
    """

    fault: Fault
    first: str = ""
    said: str = ""
    said_s: float | None = None
    calm_s: float | None = None
    well_s: float | None = None
    lost: int = 0
    unused: int = 0
    gap_s: float = 0.0
    log_is_whole: bool = True

    @property
    def faults(self) -> list[str]:
        """Return what should not be, in words."""
        found = []
        if self.well_s is None:
            found.append("not well again")
        if self.fault.is_said and not self.first:
            found.append("the page said nothing")
        if self.lost and not self.fault.may_lose:
            found.append(f"{self.lost} s lost")
        if not self.log_is_whole and not self.fault.may_lose:
            found.append("a log's lines are not numbered one by one")
        if self.fault.blind and self.fault.hold_s > CALM_AT_MOST_S and (self.calm_s or 1e9) > CALM_AT_MOST_S:
            found.append("a bed looked calm for too long")
        return found


async def measure(ward: FaultWard, faults: Sequence[Fault], told: Callable[[Row], None]) -> list[Row]:
    """Inject faults one at a time and return a row for each. told: called with every row that is done."""
    rows = []
    for fault in faults:
        if await _until(ward.is_well, STARTS_WITHIN_S) is None:
            raise RuntimeError(f"the ward is not well before: {fault.name}; {ward.page.newest}")
        rows.append(await _one(ward, fault))
        told(rows[-1])
    return rows


async def _one(ward: FaultWard, fault: Fault) -> Row:
    row = Row(fault)
    await fault.prepare(ward)
    before, unused, _ = await ward.found()
    began = time.monotonic()
    gaps = len(ward.page.gaps)
    await fault.inject(ward)
    injected = time.monotonic() if fault.blind else began
    while time.monotonic() < injected + fault.hold_s:
        _look(ward, row, time.monotonic() - injected)
        await asyncio.sleep(LOOKS_EVERY_S)
    await fault.lift(ward)
    row.well_s = await _until(ward.is_well, fault.well_within_s)
    await asyncio.sleep(2)
    row.gap_s = max(ward.page.gaps[gaps:], default=0.0)
    after, still_unused, row.log_is_whole = await ward.found()
    row.lost = max(0, after - before)
    row.unused = max(0, still_unused - unused)
    return row


def _look(ward: FaultWard, row: Row, passed_s: float) -> bool:
    """Note what the page says for the first time. Returns False."""
    if passed_s <= 0:
        return False
    page = ward.page
    if page.is_lost:
        _say(row, "lost connection to the server", passed_s)
        row.calm_s = row.calm_s or passed_s
        return False
    newest = page.newest
    if time.monotonic() - newest.at > NO_FRAME_S:
        return False
    if said := _said(newest):
        _say(row, said, passed_s)
    if all(state in BLIND for state, _ in newest.beds.values()):
        row.calm_s = row.calm_s or passed_s
    return False


def _said(newest: Moment) -> str:
    blind = [
        f"{state}: {words.partition('; last known')[0]}"
        for state, words in newest.beds.values()
        if state in BLIND or "clock" in words
    ]
    return "; ".join([*newest.troubles, *blind[:1]])


def _say(row: Row, said: str, passed_s: float) -> None:
    if row.said_s is None:
        row.first, row.said_s = said, passed_s
    row.said = said


async def _until(true: Callable[[], bool], within_s: float) -> float | None:
    began = time.monotonic()
    while time.monotonic() < began + within_s:
        if true():
            return time.monotonic() - began
        await asyncio.sleep(LOOKS_EVERY_S)
    return None


HEAD = (
    "| fault | held | what the page says first | after | and at last | no bed calm after | well again after | lost "
    "| longest gap of frames | |\n|---|---|---|---|---|---|---|---|---|---|"
)


def line(row: Row) -> str:
    """Return a row of the table, in Markdown."""

    def seconds(value: float | None, nothing: str = "–") -> str:
        return nothing if value is None else f"{value:.1f} s"

    calm = seconds(row.calm_s, "–" if not row.fault.blind or row.fault.hold_s <= CALM_AT_MOST_S else "never")
    lost = f"{row.lost} s" if row.lost else "nothing"
    unused = f", {row.unused} s unused" if row.unused else ""
    verdict = "; ".join(row.faults) or "ok"
    return (
        f"| {row.fault.name} | {row.fault.hold_s:.0f} s | {row.first or 'nothing'} | {seconds(row.said_s)} "
        f"| {row.said if row.said != row.first else ''} | {calm} "
        f"| {seconds(row.well_s, 'never')} | {lost}{unused} | {row.gap_s:.1f} s | {verdict} |"
    )
