"""Pure: contents of a bed's hand-over sheet, in the order situation, background, assessment, recommendation (SBAR).

The recommendation stays empty: it is the clinician's to write. The sheet is one page: of flags, notes and log it has
the newest. No identifier of a machine is on it.
"""

import re
from collections import Counter
from collections.abc import Iterable
from datetime import tzinfo

from msgspec import Struct

from quietward.contracts.fields import WINDOW_S
from quietward.contracts.inputs import Block
from quietward.contracts.log import LOG_WORDS, Event
from quietward.dashboard.history.bed_record import BedRecord
from quietward.dashboard.history.flags import alert_episodes
from quietward.dashboard.print.clock_format import ClockFormat
from quietward.dashboard.print.small_strip import RecentSignal, SmallStrip, small_strip
from quietward.dashboard.view import wording
from quietward.dashboard.view.clocks import bed_now_ms
from quietward.dashboard.view.view_model import Card, Twin, build_card
from quietward.language.catalogue import reader

FLAGS_MS = 12 * 3600 * 1000
FLAG_ROWS, NOTE_ROWS, LOG_LINES = 3, 3, 60
"""At most so many are on the sheet, the newest of them; of the log, as many as there is room for."""
STRIP_MM = (186.0, 35.0)
"""Width and height of the strip."""
TEXT_LENGTH = 72
"""Of a reason or a note in a table; the rest of it is in the log."""
NOT_IN_LOG = {"contraction", "hand-contraction", "hand-undone", "acceleration"}

Row = tuple[str, str]
"""Name and text."""


class Table(Struct, frozen=True):
    """A table with a row of headings. none: the sentence that stands for a table without rows.

    more: how many older rows were left out.
    """

    title: str
    head: list[str]
    rows: list[list[str]]
    none: str
    more: int = 0


class HandOver(Struct, frozen=True):
    """Contents of a sheet, ready to print. zone: of all its times. log: time, kind and text, the newest first."""

    bed: str
    ward: str
    written: str
    zone: str
    situation: list[Row]
    background: list[Row]
    assessment: list[Row]
    flags: Table
    notes: Table
    log: list[tuple[str, str, str]]
    strip: SmallStrip
    strip_until: str


def hand_over(
    record: BedRecord,
    ward: str,
    now_ms: int,
    zone: tzinfo,
    signal: RecentSignal | None = None,
    *,
    is_late: bool = False,
) -> HandOver:
    """Return the sheet of a bed, written at `now_ms` by the server's clock. zone: of all its times.

    is_late: what is known of the bed is old, newer is on its way.
    """
    summary, log = record.summary, record.log
    bed_ms = now_ms if summary is None else bed_now_ms(summary)
    clock = ClockFormat(bed_ms, zone)
    card = build_card(record.bed, summary, now_ms, record.policy, is_late=is_late, longest=wording.WHOLE)
    return HandOver(
        bed=record.bed,
        ward=ward,
        written=clock.full(now_ms),
        zone=clock.zone_name(now_ms),
        situation=_situation(card, bed_ms, clock),
        background=_background(card, record.newest, record.on_record_since, clock),
        assessment=_assessment(card, [e for e in log if _is_recent(e, bed_ms)]),
        flags=_flags(log, bed_ms, clock),
        notes=_care(card, log, bed_ms, clock),
        log=_log(record.bed, log, clock),
        strip=small_strip(signal, log, bed_ms / 1000, *STRIP_MM),
        strip_until=clock.time(bed_ms),
    )


def _log(bed: str, oldest_first: list[Event], clock: ClockFormat) -> list[tuple[str, str, str]]:
    """Return the newest lines of a log without contractions and accelerations."""
    chosen = [e for e in reversed(oldest_first) if e.kind not in NOT_IN_LOG][:LOG_LINES]
    return [log_line(bed, e, clock) for e in chosen]


def log_line(bed: str, e: Event, clock: ClockFormat) -> tuple[str, str, str]:
    """Return time, kind and text of a line of a bed's log, in words and without identifiers."""
    by = str(e.detail.get("by") or "")
    text = f"{e.text} ({by})" if by and by not in e.text else e.text
    return clock.time(e.t), LOG_WORDS.get(e.kind, wording.plain(e.kind)), without_ids(bed, text)


def without_ids(bed: str, text: str) -> str:
    """Return a text with the numbers of a bed's flags in place of their identifiers."""
    text = re.sub(rf"\b{re.escape(bed)}-s(\d+)\b", r"flag \1 of the second twin", text)
    return re.sub(rf"\b{re.escape(bed)}-f(\d+)\b", r"flag \1", text)


def _situation(card: Card, bed_ms: int, clock: ClockFormat) -> list[Row]:
    rows = [
        ("Bed", card.bed),
        *([("Woman", ", ".join([card.label, *card.facts]))] if card.label else []),
        ("Time", clock.full(bed_ms) + (f"; {card.clock}" if card.clock else "")),
        ("State", card.headline + ("" if card.until is None else f" {clock.time(card.until)}")),
    ]
    if card.flag is not None:
        answered = f"answered by {card.acknowledged_by}" if card.acknowledged_by else "unanswered"
        since = f" since {clock.time(card.level_since)}"
        rows.append(("Attention level", f"{card.level}{since}, {answered}"))
    rows.append(("Reason", card.reason or "no current concern"))
    rows.append(("Signal", ": ".join(filter(None, [card.signal, card.signal_reason]))))
    if card.paused is not None:
        text = f"until {clock.time(card.paused.until)}, by {card.paused.by}"
        rows.append(("Monitor off", text + (f": {card.paused.why}" if card.paused.why else "")))
    for shelf in card.shelved:
        holds = ", holds now" if shelf.active else ""
        text = f"{wording.plain(shelf.condition)} until {clock.time(shelf.until)}, by {shelf.by}: {shelf.why}{holds}"
        rows.append(("Shelved", text))
    return [*rows, ("Suppressed", "; ".join(card.held_back))] if card.held_back else rows


def _background(card: Card, newest: Block | None, on_record_since: int | None, clock: ClockFormat) -> list[Row]:
    stage = None if newest is None else newest.stage
    weeks = None if newest is None else newest.weeks
    rows = [
        ("On record since", clock.time(on_record_since)),
        ("Stage of labour", "not sent by its monitor" if stage is None else {1: "first", 2: "second"}.get(stage, "–")),
        ("Gestation", "not sent by its monitor" if weeks is None else f"{weeks} completed weeks"),
        ("Contractions, recorded", _recorded(card)),
        ("Contractions, by hand", "none timed" if card.hand is None else card.hand.text),
    ]
    if card.hand is not None and card.hand.differs:
        rows.append(("By hand and recorded", card.hand.differs))
    for own in card.limited:
        text = f"{wording.plain(own.condition)}: {own.limit:g} until {clock.time(own.until)}, by {own.by}: {own.why}"
        rows.append(("This bed's own limit", text))
    if not card.limited:
        rows.append(("This bed's own limits", "none, ward limits apply"))
    return rows


def _recorded(card: Card) -> str:
    if card.contractions.endswith("by hand"):
        return "not measurable on the recorded uterine activity"
    return f"{card.contractions}; {card.contraction_rate}"


def _assessment(card: Card, recent: list[Event]) -> list[Row]:
    rows = [
        ("Baseline", f"{card.baseline} bpm{_against_an_hour_ago(card.baseline_trend)}"),
        ("Variability", f"{card.variability} bpm{_against_an_hour_ago(card.variability_trend)}"),
        ("Deceleration now", card.running or "none"),
    ]
    if card.twins:
        rows[:-1] = [(_sentence(twin.name), _of_twin(twin)) for twin in card.twins]
    for kind, name in (("acceleration", "Accelerations, 30 min"), ("deceleration", "Decelerations, 30 min")):
        found = [e for e in recent if e.kind == kind]
        for number, twin in enumerate(card.twins, 1):
            rows += _counted(f"{name}, {twin.name}", [e for e in found if e.detail.get("fetus") == number])
        if not card.twins:
            rows += _counted(name, found)
    depths = [d for e in recent if isinstance(d := e.detail.get("depth_bpm"), float | int)]
    rows.append(("Deepest, 30 min", f"{max(depths):.0f} bpm" if depths else "–"))
    for rules, name, criteria in card.classes:
        rows.append((f"Class by {rules}", "; ".join([name, *criteria])))
    if card.concern is None:
        return [*rows, ("Concern", "cannot be said")]
    parts = ", ".join(f"{name} {points:.0f}" for name, points in card.concern_parts)
    return [*rows, ("Concern", f"{card.concern:.0f} of 100" + (f": {parts}" if parts else ""))]


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _of_twin(twin: Twin) -> str:
    concern = "concern cannot be said" if twin.concern is None else f"concern {twin.concern:.0f}"
    baseline, variability = twin.baseline + twin.baseline_trend, twin.variability + twin.variability_trend
    numbers = f"{twin.fhr} bpm, baseline {baseline}, variability {variability}, {concern}"
    return f"{twin.level}: {numbers}, signal {twin.signal}"


def _against_an_hour_ago(arrow: str) -> str:
    return f" {arrow} against an hour ago" if arrow else ""


def _counted(name: str, events: list[Event]) -> list[Row]:
    """Return the number of events of each kind; each rule set has kinds of its own."""
    if not events:
        return [(name, "none")]
    rows = []
    for rules in sorted({key for e in events for key in e.detail if key.startswith("kind ")}):
        kinds = Counter(str(e.detail[rules]) for e in events if e.detail.get(rules) not in (None, "none"))
        counts = ", ".join(f"{n} {kind}" for kind, n in sorted(kinds.items())) or "none"
        rows.append((f"{name}, {rules.removeprefix('kind ')}", counts))
    return rows or [(name, str(len(events)))]


def _is_recent(event: Event, bed_ms: int) -> bool:
    onset_s = event.detail.get("onset_s")
    return isinstance(onset_s, float | int) and onset_s > bed_ms / 1000 - WINDOW_S


def _flags(log: Iterable[Event], bed_ms: int, clock: ClockFormat) -> Table:
    episodes = [e for e in alert_episodes(log) if e.over_at is None or e.last_at >= bed_ms - FLAGS_MS]
    rows = [
        [
            clock.time(episode.raised_at),
            episode.highest,
            _shortened(episode.reason),
            ", ".join(f"{clock.time(answer.t)} {answer.by} ({answer.how})" for answer in episode.answers) or "nobody",
            f"{episode.unanswered_s(bed_ms) / 60:.1f} min",
            "no" if episode.over_at is None else clock.time(episode.over_at),
        ]
        for episode in episodes
    ]
    head = ["raised", "level", "reason at first", "answered", "unanswered", "over"]
    title, none = "Flags of the last 12 hours", "No flag in the last 12 hours."
    return Table(title, head, rows[-FLAG_ROWS:], none, max(0, len(rows) - FLAG_ROWS))


def _care(card: Card, log: Iterable[Event], bed_ms: int, clock: ClockFormat) -> Table:
    """Return the care that was given, newest first: results from the summary, and older care from the log."""
    rows: dict[int, list[str]] = {}
    for e in log:
        if e.kind == "care" and e.t >= bed_ms - FLAGS_MS:
            what = wording.care(str(e.detail.get("what") or ""), str(e.detail.get("text") or ""))
            what = _shortened(what)
            rows[e.t] = [clock.time(e.t), str(e.detail.get("by") or "–"), what, "see the log", ""]
    for note in card.notes:
        compared = "; ".join(f"{word} {_pair(b, a)} {unit}".strip() for word, b, a, unit in note.numbers)
        due = "result later" if note.result_at is None else f"result at {clock.time(note.result_at)}"
        rows[note.t] = [
            clock.time(note.t),
            note.by,
            _shortened(note.what),
            compared,
            note.result or due,
        ]
    newest_first = [row for _, row in sorted(rows.items(), reverse=True)]
    head, none = ["at", "by", "what", "before → after", "result"], "Nothing was noted."
    return Table("What was done", head, newest_first[:NOTE_ROWS], none, max(0, len(rows) - NOTE_ROWS))


def _shortened(text: str) -> str:
    """Return a text in the reader's language, as much of it as a table has room for."""
    return wording.shortened(reader.get().said(text), TEXT_LENGTH)


def _pair(before: str, after: str) -> str:
    return f"{before} → {after}" if after else before
