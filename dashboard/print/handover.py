"""Pure: what is known of a bed, in the order situation, background, assessment, recommendation.

The last of the four stays empty: that one is the clinician's.
"""

from collections import Counter
from collections.abc import Iterable
from datetime import datetime, tzinfo

from msgspec import Struct

from quietward.contracts.messages import WINDOW_S, Block, Event
from quietward.dashboard.history import flags
from quietward.dashboard.history.record import Record
from quietward.dashboard.view import wording
from quietward.dashboard.view.clocks import bed_now_ms
from quietward.dashboard.view.view_model import Card, card

FLAGS_MS = 12 * 3600 * 1000

Row = tuple[str, str]


class Table(Struct, frozen=True):
    """Rows under a head; `none` is said when there are none."""

    title: str
    head: list[str]
    rows: list[list[str]]
    none: str


class HandOver(Struct, frozen=True):
    """A sheet's contents. zone: of all its times."""

    bed: str
    ward: str
    written: str
    zone: str
    situation: list[Row]
    background: list[Row]
    assessment: list[Row]
    flags: Table
    notes: Table


class Times:
    """Says times of one bed in one zone; those of another day carry their date."""

    def __init__(self, now_ms: int, zone: tzinfo) -> None:
        self.zone = zone
        self.today = self._local(now_ms).date()

    def _local(self, ms: int) -> datetime:
        return datetime.fromtimestamp(ms / 1000, self.zone)

    def full(self, ms: int) -> str:
        """Return day and time."""
        return self._local(ms).strftime("%Y-%m-%d %H:%M")

    def at(self, ms: int | None) -> str:
        """Return the time of day."""
        if ms is None:
            return "–"
        return self._local(ms).strftime("%H:%M" if self._local(ms).date() == self.today else "%Y-%m-%d %H:%M")

    def name(self, ms: int) -> str:
        """Return the zone, as what it is ahead of UTC."""
        offset = self._local(ms).strftime("%z")
        return f"UTC{offset[:3]}:{offset[3:]}"


def hand_over(record: Record, ward: str, now_ms: int, zone: tzinfo) -> HandOver:
    """Return the sheet of a bed."""
    summary, log = record.summary, record.log
    bed_ms = now_ms if summary is None else bed_now_ms(summary)
    times = Times(bed_ms, zone)
    shown = card(record.bed, summary, now_ms, record.sheet)
    return HandOver(
        bed=record.bed,
        ward=ward,
        written=times.full(now_ms),
        zone=times.name(now_ms),
        situation=_situation(shown, bed_ms, times),
        background=_background(shown, record.newest, record.on_record_since, times),
        assessment=_assessment(shown, [e for e in log if _is_recent(e, bed_ms)]),
        flags=_flags(log, bed_ms, times),
        notes=_notes(shown, log, bed_ms, times),
    )


def _situation(shown: Card, bed_ms: int, times: Times) -> list[Row]:
    rows = [
        ("Bed", shown.bed),
        ("Time", times.full(bed_ms) + (f" ({shown.clock})" if shown.clock else "")),
        ("State", shown.headline + ("" if shown.until is None else f" {times.at(shown.until)}")),
    ]
    if shown.flag is not None:
        answered = f"answered by {shown.acknowledged_by}" if shown.acknowledged_by else "unanswered"
        since = f" since {times.at(shown.level_since)}"
        rows.append(("Attention level", f"{shown.level}{since}, {answered}, flag {shown.flag}"))
    rows.append(("Reason", shown.reason or "nothing asks for attention"))
    why = f" ({shown.signal_reason})" if shown.signal_reason else ""
    rows.append(("Signal", shown.signal + why))
    if shown.paused is not None:
        text = f"until {times.at(shown.paused.until)}, by {shown.paused.by}"
        rows.append(("Monitor off on purpose", text + (f": {shown.paused.why}" if shown.paused.why else "")))
    for one in shown.shelved:
        holds = ", holds now" if one.active else ""
        text = f"{wording.plain(one.condition)} until {times.at(one.until)}, by {one.by}: {one.why}{holds}"
        rows.append(("Shelved", text))
    return rows + [("Kept quiet", text) for text in shown.held_back]


def _background(shown: Card, newest: Block | None, on_record_since: int | None, times: Times) -> list[Row]:
    stage = None if newest is None else newest.stage
    weeks = None if newest is None else newest.weeks
    rows = [
        ("Monitoring", shown.source or "–"),
        ("On record since", times.at(on_record_since)),
        ("Stage of labour", "not said by its device" if stage is None else {1: "first", 2: "second"}.get(stage, "–")),
        ("Gestation", "not said by its device" if weeks is None else f"{weeks} completed weeks"),
        ("Contractions, recorded", _recorded(shown)),
        ("Contractions, by hand", "none timed" if shown.hand is None else shown.hand.text),
    ]
    if shown.hand is not None and shown.hand.differs:
        rows.append(("By hand and recorded", shown.hand.differs))
    for one in shown.limited:
        text = f"{wording.plain(one.condition)}: {one.limit:g} until {times.at(one.until)}, by {one.by}: {one.why}"
        rows.append(("This bed's own limit", text))
    if not shown.limited:
        rows.append(("This bed's own limits", "none, those of the policy"))
    rows.append(("Rules", shown.rules or "–"))
    return rows


def _recorded(shown: Card) -> str:
    if shown.contractions.endswith("by hand"):
        return "cannot be said from the recorded uterine activity"
    return f"{shown.contractions}; {shown.contraction_rate}"


def _assessment(shown: Card, recent: list[Event]) -> list[Row]:
    rows = [
        ("Baseline", f"{shown.baseline} bpm"),
        ("Variability", f"{shown.variability} bpm"),
        ("Deceleration running", shown.running or "none"),
    ]
    for kind, name in (("acceleration", "Accelerations, 30 min"), ("deceleration", "Decelerations, 30 min")):
        rows += _counted(name, [e for e in recent if e.kind == kind])
    depths = [d for e in recent if isinstance(d := e.detail.get("depth_bpm"), float | int)]
    rows.append(("Deepest, 30 min", f"{max(depths):.0f} bpm" if depths else "–"))
    for rules, name, criteria in shown.classes:
        rows.append((f"Class by {rules}", "; ".join([name, *criteria])))
    if shown.concern is None:
        return [*rows, ("Concern", "cannot be said")]
    parts = ", ".join(f"{name} {points:.0f}" for name, points in shown.concern_parts)
    return [*rows, ("Concern", f"{shown.concern:.0f} of 100" + (f": {parts}" if parts else ""))]


def _counted(name: str, events: list[Event]) -> list[Row]:
    """Return how many there are of each kind; rule sets may call the same one differently."""
    if not events:
        return [(name, "none")]
    rows = []
    for rules in sorted({key for e in events for key in e.detail if key.startswith("kind ")}):
        kinds = Counter(str(e.detail[rules]) for e in events if e.detail.get(rules) not in (None, "none"))
        said = ", ".join(f"{n} {kind}" for kind, n in sorted(kinds.items())) or "none"
        rows.append((f"{name}, {rules.removeprefix('kind ')}", said))
    return rows or [(name, str(len(events)))]


def _is_recent(event: Event, bed_ms: int) -> bool:
    onset_s = event.detail.get("onset_s")
    return isinstance(onset_s, float | int) and onset_s > bed_ms / 1000 - WINDOW_S


def _flags(log: Iterable[Event], bed_ms: int, times: Times) -> Table:
    found = [s for s in flags.stories(log) if s.over_at is None or s.last_at >= bed_ms - FLAGS_MS]
    rows = [
        [
            s.flag,
            times.at(s.raised_at),
            s.highest,
            s.reason,
            ", ".join(f"{times.at(a.t)} {a.by} ({a.how})" for a in s.answers) or "nobody",
            f"{s.unanswered_s(bed_ms) / 60:.1f} min",
            "still there" if s.over_at is None else times.at(s.over_at),
        ]
        for s in found
    ]
    head = ["flag", "raised", "highest level", "reason at first", "answered", "unanswered for", "over"]
    return Table("Flags of the last 12 hours", head, rows, "No flag in the last 12 hours.")


def _notes(shown: Card, log: Iterable[Event], bed_ms: int, times: Times) -> Table:
    """Return what was done, newest first; of what the summary no longer holds the log knows the words alone."""
    done: dict[int, list[str]] = {}
    for e in log:
        if e.kind == "care" and e.t >= bed_ms - FLAGS_MS:
            what = wording.care(str(e.detail.get("what") or ""), str(e.detail.get("text") or ""))
            done[e.t] = [times.at(e.t), str(e.detail.get("by") or "–"), what, "see the log", ""]
    for note in shown.notes:
        compared = "; ".join(f"{word} {_pair(b, a)} {unit}".strip() for word, b, a, unit in note.numbers)
        due = "result later" if note.result_at is None else f"result at {times.at(note.result_at)}"
        done[note.t] = [times.at(note.t), note.by, note.what, compared, note.result or due]
    rows = [row for _, row in sorted(done.items(), reverse=True)]
    return Table("What was done", ["at", "by", "what", "before → after", "result"], rows, "Nothing was noted.")


def _pair(before: str, after: str) -> str:
    return f"{before} → {after}" if after else before
