"""Injects faults one after the other, and measures what a nurse sees, when, and what was lost."""

import asyncio
import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import chain

from tests.faults.faults import CALM_AT_MOST_S, SAID_WITHIN_S, Fault
from tests.faults.ward import BLIND, FaultWard, Moment

STARTS_WITHIN_S = 240.0
LOOKS_EVERY_S = 0.1
GROWS_AT_MOST_MB = 40.0
"""What the page's server holds more after a fault than before it."""


@dataclass
class Row:
    """What came of one fault. first, said: what the page said first, and at last; said_s: until it said anything.

    calm_s: until the last bed looked calm for the last time (None: one did when the fault was lifted); well_s: from
    then until all was well (None: not in time); lost: seconds that are in no stream; unused: that no detector used;
    gap_s: longest time between two frames of the page; grown_mb: what its server holds more than before (None: it was
    started anew); quiet_s: when a bed was `quiet` though nothing was known of it any more.
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
    grown_mb: float | None = None
    quiet_s: float | None = None

    @property
    def faults(self) -> list[str]:
        """Return what should not be, in words."""
        found = []
        if self.well_s is None:
            found.append("not well again")
        if self.fault.is_said and not self.first:
            found.append("the page said nothing")
        if self.fault.is_said and (self.said_s or 0) > SAID_WITHIN_S:
            found.append(f"said after {self.said_s:.1f} s")
        if self.fault.gap_at_most_s and self.gap_s > self.fault.gap_at_most_s:
            found.append(f"no frame for {self.gap_s:.1f} s")
        if self.grown_mb is not None and self.grown_mb > GROWS_AT_MOST_MB:
            found.append(f"the page's server grew by {self.grown_mb:.0f} MB")
        if self.quiet_s is not None:
            found.append(f"a bed that nothing is known of was quiet after {self.quiet_s:.1f} s")
        if self.lost and not self.fault.may_lose:
            found.append(f"{self.lost} s lost")
        if not self.log_is_whole and not self.fault.may_lose:
            found.append("a log's lines are not numbered one by one")
        if self.fault.blind and self.fault.hold_s > CALM_AT_MOST_S and not 0 < (self.calm_s or 0) <= CALM_AT_MOST_S:
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
    began, serve, held_mb = time.monotonic(), ward["serve"].running, ward.page_mb()
    gaps, stood_before = len(ward.page.gaps), {_kind_of(one) for one in chain(*_words(ward.page.newest))}
    await fault.inject(ward)
    injected = time.monotonic() if fault.blind else began
    while time.monotonic() < injected + fault.hold_s:
        _look(ward, row, time.monotonic() - injected, stood_before)
        await asyncio.sleep(LOOKS_EVERY_S)
    await fault.lift(ward)
    lifted = time.monotonic()
    row.well_s = await _until(ward.is_well, fault.well_within_s)
    await asyncio.sleep(max(2.0, lifted + fault.not_quiet_s - time.monotonic()))
    row.quiet_s = _quiet_after(ward.page.moments, lifted, fault.not_quiet_s)
    now_mb = ward.page_mb()
    if ward["serve"].running is serve and None not in (held_mb, now_mb):
        row.grown_mb = (now_mb or 0) - (held_mb or 0)
    row.gap_s = max(ward.page.gaps[gaps:], default=0.0)
    after, still_unused, row.log_is_whole = await ward.found()
    row.lost = max(0, after - before)
    row.unused = max(0, still_unused - unused)
    return row


def _look(ward: FaultWard, row: Row, passed_s: float, stood_before: set[str]) -> None:
    """Note what the page says that it did not say before the fault, and since when no bed looks calm."""
    if passed_s <= 0:
        return
    page = ward.page
    if page.is_lost:
        _say(row, "lost connection to the server", passed_s)
    else:
        troubles, of_beds = ([one for one in some if _kind_of(one) not in stood_before] for some in _words(page.newest))
        if said := "; ".join([*troubles, *of_beds[:1]]):
            _say(row, said, passed_s)
    is_blind = page.is_lost or all(state in BLIND for state, _ in page.newest.beds.values())
    row.calm_s = (row.calm_s or passed_s) if is_blind else None


def _quiet_after(moments: Sequence[Moment], since: float, for_s: float) -> float | None:
    """Return after how many seconds a bed was `quiet` on a page that had no trouble, None if none was for so long."""
    return next(
        (
            one.at - since
            for one in moments
            if since < one.at < since + for_s and not one.troubles and any(s == "quiet" for s, _ in one.beds.values())
        ),
        None,
    )


def _words(newest: Moment) -> tuple[list[str], list[str]]:
    """Return the troubles that the page tells, and the words of beds that are blind or whose clock is off."""
    of_beds = [
        f"{state}: {words.partition('; last known')[0]}"
        for state, words in newest.beds.values()
        if state in BLIND or "clock" in words
    ]
    return newest.troubles, of_beds


def _kind_of(words: str) -> str:
    """Return words without their numbers: what counts on says the same."""
    return re.sub(r"\d+", "", words)


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
    "| longest gap of frames | page's server grew by | |\n|---|---|---|---|---|---|---|---|---|---|---|"
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
        f"| {seconds(row.well_s, 'never')} | {lost}{unused} | {row.gap_s:.1f} s "
        f"| {'–' if row.grown_mb is None else f'{row.grown_mb:.0f} MB'} | {verdict} |"
    )
