"""Pure: contents of a ward's hand-over sheet: one line for each bed, with a small strip of its last half hour."""

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from datetime import tzinfo
from itertools import product

from msgspec import Struct

from quietward.dashboard.history.bed_record import BedRecord
from quietward.dashboard.print.clock_format import ClockFormat
from quietward.dashboard.print.small_strip import RecentSignal, SmallStrip, small_strip
from quietward.dashboard.view import wording
from quietward.dashboard.view.clocks import bed_now_ms
from quietward.dashboard.view.view_model import Card, Twin, at_one_bed_each, build_card
from quietward.language.catalogue import reader

BEDS_ON_A_PAGE = 24
PAGE_MM, HEAD_MM = 276.0, 35.0
"""Height of A4 without margins, and of what stands above the lines."""
STRIP_WIDTH_MM, LOWEST_MM, HIGHEST_MM = 56.0, 10.0, 20.0
TEXT_LENGTH = 160
"""Of all that a line says of a bed: three lines of print. The bed's reason has what the label and the answer leave, and
what was done what is left then.
"""
BETWEEN = " · "
LENGTHS = range(wording.LONGEST, 30, -10)
"""Of a bed's reason, in characters: the longest for which there is room."""
WITH_DONE, SHORTEST_DONE = 60, 20
"""Characters of a reason that are given up so that something is said of what was done, and what that is at least."""
NAMES_LENGTH = 20
"""Characters of the names of who goes and who has answered, so that there is room for why the bed calls."""
NOBODY: Mapping[str, int] = {}


class WardLine(Struct, frozen=True):
    """What a ward's sheet says of one bed.

    label: of the woman in it. answer: who has answered, or since when nobody has.
    """

    bed: str
    label: str
    state: str
    headline: str
    answer: str
    line: str
    signal: str
    baseline: str
    variability: str
    contractions: str
    stage: str
    done: str
    strip: SmallStrip


class WardSheet(Struct, frozen=True):
    """Contents of the sheet, ready to print. height: of a line in mm. calling: how many beds ask for somebody."""

    ward: str
    written: str
    zone: str
    height: float
    calling: int
    lines: list[WardLine]


def ward_sheet(
    beds: list[tuple[BedRecord, RecentSignal | None]],
    ward: str,
    now_ms: int,
    zone: tzinfo,
    late: AbstractSet[str] = frozenset(),
    went: Mapping[str, int] = NOBODY,
) -> WardSheet:
    """Return the sheet of a ward, its beds in the order given, written at `now_ms` by the server's clock.

    late: beds of which what is known is old, and newer on its way. went: when each of the staff last went to a bed.
    """
    clock = ClockFormat(now_ms, zone)
    rows = min(BEDS_ON_A_PAGE, max(1, len(beds)))
    height = min(HIGHEST_MM, max(LOWEST_MM, (PAGE_MM - HEAD_MM) / rows))
    cards = [build_card(one.bed, one.summary, now_ms, one.policy, is_late=one.bed in late) for one, _ in beds]
    cards, _ = at_one_bed_each(cards, went)
    lines = [
        _line(record, card, signal, now_ms, zone, height - 1.6, is_late=record.bed in late)
        for (record, signal), card in zip(beds, cards, strict=True)
    ]
    calling = sum(line.state not in ("quiet", "noted", "paused", "shelved") for line in lines)
    return WardSheet(ward, clock.full(now_ms), clock.zone_name(now_ms), height, calling, lines)


def _line(
    record: BedRecord,
    card: Card,
    signal: RecentSignal | None,
    now_ms: int,
    zone: tzinfo,
    height: float,
    *,
    is_late: bool,
) -> WardLine:
    bed_ms = now_ms if record.summary is None else bed_now_ms(record.summary)
    clock, said = ClockFormat(bed_ms, zone), reader.get().said
    newest = card.notes[0] if card.notes else None
    done = "" if newest is None else f"{clock.time(newest.t)} {said(newest.what)}, {newest.by}"
    answer = _answer(card, clock)
    stages = ("",) if record.newest is None or record.newest.stage != 2 else ("second stage", "")
    for stage, longest in product(stages, LENGTHS):
        reason = build_card(card.bed, record.summary, now_ms, record.policy, is_late=is_late, longest=longest).reason
        lost = "" if card.signal == "good" or _says_why(reason, card.signal_reason) else f"signal {card.signal}"
        before = [card.label, said(answer), said(reason), said(lost), said(stage)]
        room = TEXT_LENGTH - sum(len(text) + len(BETWEEN) for text in before if text)
        if room >= (min(len(done), SHORTEST_DONE) if longest >= WITH_DONE else -len(BETWEEN)):
            break
    each: Sequence[Card | Twin] = card.twins or [card]
    return WardLine(
        bed=card.bed,
        label=card.label,
        state=card.state,
        headline=card.headline + ("" if card.until is None else f" {clock.time(card.until)}"),
        answer=answer,
        line=reason,
        signal=lost,
        baseline=" / ".join(one.baseline + one.baseline_trend for one in each),
        variability=" / ".join(one.variability + one.variability_trend for one in each),
        contractions=card.contraction_rate.partition(" in 10 min")[0],
        stage=stage,
        done=wording.shortened(done, room) if room >= SHORTEST_DONE else "",
        strip=small_strip(signal, record.log, bed_ms / 1000, STRIP_WIDTH_MM, height),
    )


def _says_why(reason: str, signal_reason: str) -> bool:
    """Return whether a bed's line says what its signal has, whatever else there is no room for."""
    return wording.without_why(signal_reason).lower() in reason.lower()


def _answer(card: Card, clock: ClockFormat) -> str:
    if card.flag is None:
        return ""
    said = f"since {clock.time(card.level_since)}"
    goes = card.attending[-1].by if card.attending else ""
    is_there = any(one.by == card.acknowledged_by for one in card.attending)
    answered = "" if is_there else card.acknowledged_by or ""
    room = NAMES_LENGTH // 2 if goes and answered else NAMES_LENGTH
    if goes:
        by = wording.shortened(goes, room)
        said = f"{said}, {by} is going"
    if not card.acknowledged_by:
        return f"{said}, unanswered"
    return f"{said}, answered by {wording.shortened(answered, room)}" if answered else said
