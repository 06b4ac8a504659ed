"""Pure: the card of a bed, from its summary and the present time."""

from collections.abc import Mapping

from msgspec import Struct, structs

from quietward.contracts.liveness import CLOCKS_AGREE_MS
from quietward.contracts.policy_info import PolicyInfo
from quietward.contracts.stays import Arrival, Stay
from quietward.contracts.summary import (
    TWIN_WORDS,
    TWINS,
    Attending,
    BedLimit,
    CareRecord,
    FetusSummary,
    Level,
    Paused,
    Shelved,
    SignalState,
    Summary,
    Undoable,
)
from quietward.dashboard.view import wording
from quietward.dashboard.view.clocks import bed_now_ms, device_clock, far_clock, lateness, never_usable

UNWATCHED_AFTER_MS = 8_000
"""A bed whose last evaluation is older than this is unwatched, whatever its summary says. With a second until the next
evaluation is due and one until the next frame, no bed looks calm for 10 s after its detector stands still.
"""
BASELINE_STEP_BPM, VARIABILITY_STEP_BPM = 10.0, 5.0
"""Against an hour ago, what counts as a change (our own choice: two of the steps to which baselines are rounded, a band
of variability).
"""
SHAPES = {
    "team": "hexagon",
    "bedside": "triangle",
    "look": "diamond",
    "noted": "square",
    "quiet": "ring",
    "lost": "gap",
    "unwatched": "cross",
    "paused": "bars",
    "shelved": "shelf",
    "empty": "frame",
}


class CareNote(Struct, frozen=True):
    """Care that was given: what, by whom, and the trace before and after it.

    numbers: word, before, after, unit of each measure. result: helped, no improvement, nothing to compare; empty until
    it is due. result_at: when it is due, in ms by the bed's clock; None if no policy is known.
    """

    t: int
    by: str
    what: str
    numbers: list[tuple[str, str, str, str]]
    result: str
    result_at: int | None


class ManualTimingLine(Struct, frozen=True):
    """Contractions timed by hand. differs: from the recorded, in words. running_from_s: onset of one in progress."""

    text: str
    differs: str
    is_running: bool
    since_onset_s: float
    running_from_s: float | None


class FormerStay(Struct, frozen=True):
    """A stay that has ended and can still be read. label: empty where none was given; began, ended: ms by the bed's
    clock; began: None where nobody has said when. moved_to: the bed to which she went, which has all of her record.
    """

    stay: int
    label: str
    began: int | None
    ended: int
    moved_to: str = ""


RUNNING_LENGTH = 21
"""Of what the page puts before a deceleration that goes on, where it stands behind a bed's line (shared/words.mjs)."""
CALM = frozenset({"quiet", "noted"})
"""States that call nobody, of a bed that can be read."""
CATCHING_UP = "catching up"
"""Said of a bed that is late: what is known of it is old, newer is on its way."""


class Twin(Struct, frozen=True):
    """One of two fetuses of a bed, the first FHR channel first. running_from_s: seconds by the bed's clock.

    _trend: an arrow, the change against an hour ago.
    """

    name: str
    level: str
    reason: str
    signal: str
    fhr: str
    baseline: str
    variability: str
    concern: float | None
    flag: str | None
    acknowledged_by: str | None
    running_from_s: float | None
    baseline_trend: str
    variability_trend: str


class Card(Struct, frozen=True):
    """One bed as it is shown. Times ending in _at, _since, until and t: ms by the bed's clock; _from_s: seconds by it.

    state: a level, or one of `lost`, `unwatched`, `paused` and `shelved` where a level would look calm and must not; or
    `empty`: nobody is in the bed.
    hides: the level that a shelved bed would have. until: the time that the headline ends with.
    running: of twins of each, running_from_s of the first. contraction_from_s: onset of the last recorded contraction.
    full_reason: the reason with all that a row has no room for, empty where it is the same.
    _trend: an arrow, the change against an hour ago. stay: who is in the bed, an id; label, facts: what was said of
    her, and arrival, as it is corrected; here_since: since when she, or nobody, is in it; came_from: the bed she was
    moved from, moving_to: that she is being moved to.
    """

    bed: str
    state: str
    shape: str
    headline: str
    reason: str
    signal: str
    signal_reason: str
    full_reason: str = ""
    until: int | None = None
    level: str = "quiet"
    hides: str = ""
    age_s: float | None = None
    level_since: int | None = None
    level_s: float | None = None
    waiting_s: float | None = None
    fhr: str = "–"
    baseline: str = "–"
    variability: str = "–"
    baseline_trend: str = ""
    variability_trend: str = ""
    contractions: str = "–"
    contraction_rate: str = "–"
    contraction_from_s: float | None = None
    running: str = ""
    running_from_s: float | None = None
    concern: float | None = None
    concern_parts: list[tuple[str, float]] = []
    classes: list[tuple[str, str, list[str]]] = []
    flag: str | None = None
    acknowledged_by: str | None = None
    source: str = ""
    events: int = 0
    t: int | None = None
    clock: str = ""
    far_clock: str = ""
    rules: str = ""
    paused: Paused | None = None
    shelved: list[Shelved] = []
    limited: list[BedLimit] = []
    held_back: list[str] = []
    notes: list[CareNote] = []
    hand: ManualTimingLine | None = None
    attending: list[Attending] = []
    stay: int = 0
    label: str = ""
    facts: list[str] = []
    here_since: int | None = None
    former: list[FormerStay] = []
    undoable: Undoable | None = None
    arrival: Arrival | None = None
    came_from: str = ""
    moving_to: str = ""
    twins: list[Twin] = []


def at_one_bed_each(cards: list[Card], before: Mapping[str, int]) -> tuple[list[Card], dict[str, int]]:
    """Return the cards with everybody at the bed alone to which she has gone last, and what to pass as `before` to the
    next call: when each went last, ms by the server's clock. A bed knows of no other, and she may have left the last
    one since: whoever has gone on is not at the one before.
    """
    newest: dict[str, int] = {}
    for card in cards:
        for one in card.attending:
            newest[one.by] = max(one.at, newest.get(one.by, before.get(one.by, 0)))
    shown = [
        structs.replace(card, attending=[one for one in card.attending if one.at == newest[one.by]])
        if card.attending
        else card
        for card in cards
    ]
    return shown, newest


class _Headline(Struct, frozen=True):
    """State, headline and reason of a bed. until: the time the headline ends with, ms by the bed's clock.

    hides: the level that a shelf keeps from being asked for.
    """

    state: str
    headline: str
    reason: str
    until: int | None = None
    hides: str = ""


def build_card(
    bed: str,
    summary: Summary | None,
    now_ms: int,
    policy: PolicyInfo | None = None,
    speed: float = 1.0,
    *,
    is_late: bool = False,
    longest: int = wording.LONGEST,
) -> Card:
    """Return the card of a bed. summary: None if its device sends but no detector has ever evaluated it.

    policy: the one that runs, None if no detector does. speed: seconds of signal per second; where it is not 1, the
    bed's clock differs on purpose, and nothing is said about it. is_late: what is known of the bed is old, newer is on
    its way. longest: of the reason, in characters.
    """
    if summary is None:
        return Card(
            bed=bed,
            state="unwatched",
            shape=SHAPES["unwatched"],
            headline="unwatched",
            reason="no detector has evaluated it yet",
            signal="unwatched",
            signal_reason="",
        )
    s = summary
    late = f"what is shown is {lateness(s)} old, newer data are on their way" if is_late else ""
    headline = _line(s, now_ms, late, longest)
    full_reason = _line(s, now_ms, late, wording.WHOLE).reason
    clock, short_clock = device_clock(s), far_clock(s)
    if late:
        clock, short_clock = late, "" if headline.headline == CATCHING_UP else CATCHING_UP
    unwatched = headline.state == "unwatched"
    arrival = None if s.stay is None else s.stay.arrival
    level_s = None if s.level_since is None else max(0.0, (bed_now_ms(s) - s.level_since) / 1000)
    return Card(
        bed=bed,
        state=headline.state,
        shape=SHAPES[headline.state],
        headline=headline.headline,
        reason=headline.reason,
        until=headline.until,
        signal="unwatched" if unwatched else s.signal.value,
        signal_reason=s.signal_reason,
        full_reason="" if full_reason == headline.reason else full_reason,
        level=s.level.value,
        hides=headline.hides,
        age_s=round((now_ms - s.at) / 1000, 1) if s.at and not s.is_empty else None,
        level_since=s.level_since,
        level_s=level_s,
        waiting_s=None if s.acknowledged_by else level_s,
        fhr=wording.number(s.fhr_bpm),
        baseline=wording.number(s.baseline_bpm),
        variability=wording.number(s.variability_bpm),
        baseline_trend=wording.arrow(s.baseline_change_1h_bpm, BASELINE_STEP_BPM),
        variability_trend=wording.arrow(s.variability_change_1h_bpm, VARIABILITY_STEP_BPM),
        contractions=_contractions(s),
        contraction_rate=wording.contraction_rate(s),
        contraction_from_s=_last_contraction_s(s),
        running=_running(s),
        running_from_s=None if s.running is None else s.t / 1000 + 1 - s.running.length_s,
        concern=None if unwatched else s.concern,
        concern_parts=[(p.finding, p.points) for p in s.concern_parts],
        classes=[(c.rules, c.name, [*c.criteria, *c.missing]) for c in s.classes],
        flag=s.flag,
        acknowledged_by=s.acknowledged_by,
        source=s.session,
        events=s.events,
        t=None if never_usable(s) else s.t,
        clock=clock if speed == 1 and not s.is_empty else "",
        far_clock=short_clock if speed == 1 and not s.is_empty else "",
        rules=s.rules,
        paused=s.paused,
        shelved=s.shelved,
        limited=s.limited,
        held_back=[wording.suppressed(text) for text in s.held_back],
        notes=_care_notes(s, policy),
        hand=_manual_timing(s),
        attending=[one for one in s.attending if one.until > now_ms],
        stay=s.stay_id,
        label="" if arrival is None else arrival.label,
        facts=[] if arrival is None else arrival.facts,
        here_since=None if s.stay is None else s.stay.began,
        former=[_former(stay) for stay in s.former],
        undoable=s.undoable,
        arrival=arrival,
        twins=[_twin(name, fetus, s.t) for name, fetus in zip(TWINS, s.fetuses, strict=False)],
        came_from=s.stay.came_from[-1].bed if s.stay is not None and s.stay.came_from else "",
        moving_to=s.moving_to,
    )


def _line(s: Summary, now_ms: int, late: str, longest: int) -> _Headline:
    """Return state, headline and reason, which also says where she is moved. late: that what is known is old."""
    moving = f"moving to {s.moving_to}" if s.moving_to else ""
    headline = _headline(s, now_ms, longest - len(f"{moving}; " if moving else ""))
    if moving and s.flag is not None and wording.shortest(s.reason) not in headline.reason:
        headline = _headline(s, now_ms, longest)  # why it calls goes before where she is moved
    if late and headline.state in CALM:
        headline = _Headline("noted", CATCHING_UP, wording.fitting(late, _beside_running(s, longest)))
    if moving and s.moving_to not in headline.reason:
        reason = "; ".join(filter(None, [moving, headline.reason]))
        if len(reason) <= _beside_running(s, longest):
            headline = structs.replace(headline, reason=reason)
    return headline


def _running(s: Summary) -> str:
    """Return the deceleration that goes on, in words; of twins that of each, and whose it is."""
    each: list[tuple[str, FetusSummary | Summary]] = [*zip(TWIN_WORDS, s.fetuses, strict=False)] or [("", s)]
    return "; ".join(who + wording.ongoing_deceleration(f.running) for who, f in each if f.running is not None)


def _beside_running(s: Summary, room: int) -> int:
    """Return what of so many characters is left beside the least that is added about a deceleration that goes on."""
    if s.flag is not None or not (running := _running(s)):
        return room
    least = "; ".join(one.partition(", ")[0] for one in running.split("; "))
    return room - RUNNING_LENGTH - len(least)


def _twin(name: str, f: FetusSummary, t_ms: int) -> Twin:
    return Twin(
        name=name,
        level=f.level.value,
        reason=f.reason,
        signal=f.signal.value,
        fhr=wording.number(f.fhr_bpm),
        baseline=wording.number(f.baseline_bpm),
        variability=wording.number(f.variability_bpm),
        concern=f.concern,
        flag=f.flag,
        acknowledged_by=f.acknowledged_by,
        running_from_s=None if f.running is None else t_ms / 1000 + 1 - f.running.length_s,
        baseline_trend=wording.arrow(f.baseline_change_1h_bpm, BASELINE_STEP_BPM),
        variability_trend=wording.arrow(f.variability_change_1h_bpm, VARIABILITY_STEP_BPM),
    )


def _former(stay: Stay) -> FormerStay:
    label = "" if stay.arrival is None else stay.arrival.label
    return FormerStay(stay.id, label, stay.began or None, stay.ended or 0, stay.moved_to)


def _headline(s: Summary, now_ms: int, room: int) -> _Headline:
    """Return state, headline and reason; states that must not look calm take precedence over `quiet`.

    The reason has at most `room` characters. What is urgent (no data, nobody watches) is never what is left out of it.
    """
    age_ms = now_ms - s.looked_at
    is_ahead = age_ms < -CLOCKS_AGREE_MS
    if age_ms > UNWATCHED_AFTER_MS or is_ahead:
        since = (
            f"clocks disagree: last look {-age_ms / 1000:.0f} s ahead of this server's time"
            if is_ahead
            else f"no detector has looked for {age_ms / 1000:.0f} s"
        )
        return _Headline("unwatched", "unwatched", _last_known(since, s, room))
    if s.stay is not None and s.stay.is_empty:
        last = s.former[0].moved_to if s.former and s.former[0].ended == s.stay.began else ""
        went = (
            f"moved to {last}; {wording.in_sentence(s.signal_reason)}".removesuffix("; ") if last else s.signal_reason
        )
        return _Headline("empty", "empty since", went, s.stay.began)
    if s.signal is SignalState.LOST:
        return _without_signal(s, room)
    active = [shelf for shelf in s.shelved if shelf.active]
    if s.flag is None and active:
        hides = max((shelf.level for shelf in active), key=list(Level).index).value
        reason = _shelved(active, _beside_running(s, room))
        return _Headline("shelved", f"{hides}, shelved until", reason, min(shelf.until for shelf in active), hides)
    room = _beside_running(s, room) if s.moving_to else room
    return _Headline(s.level.value, s.level.value, wording.fitting(s.reason, room))


def _last_known(since: str, s: Summary, room: int) -> str:
    known = f"{since}; last known: {s.level}"
    reason = wording.fitting(s.reason, room - len(f"{known}. "))
    return f"{since}; last known: {s.level}. {reason}" if reason else known


def _shelved(active: list[Shelved], room: int) -> str:
    """Return what is shelved and by whom, and as much of why as there is room for."""
    heads = [f"{wording.plain(shelf.condition)}, shelved by {shelf.by}" for shelf in active]
    each = (room - len("; ".join(heads))) // len(active) - len(": ")
    if each >= wording.SHORTEST:
        why_of = [(shelf.condition, shelf.by, wording.shortened(shelf.why, each)) for shelf in active]
        return "; ".join(f"{wording.plain(condition)}, shelved by {by}: {why}" for condition, by, why in why_of)
    if len("; ".join(heads)) <= room:
        return "; ".join(heads)
    return wording.fitting(wording.BETWEEN.join(wording.plain(shelf.condition) for shelf in active), room)


def _without_signal(s: Summary, room: int) -> _Headline:
    if s.level in (Level.BEDSIDE, Level.TEAM) or (s.flag is not None and s.paused is not None):
        return _Headline(s.level.value, s.level.value, _now_lost(s, room))
    beside = _beside_running(s, room)
    if s.paused is not None:
        because = f": {s.paused.why}" if s.paused.why else ""
        reason = wording.shortened(f"on purpose, {s.paused.by}{because}", beside)
        return _Headline("paused", "Monitor off until", reason, s.paused.until)
    calls = wording.facts_of(s.reason)[:1] if _has_more_to_say(s) else []
    has_room = len("; ".join([s.signal_reason, *calls])) <= beside
    lost = s.signal_reason if has_room else wording.without_why(s.signal_reason)
    more = wording.fitting(s.reason, beside - len(f"{lost}; ")) if _has_more_to_say(s) else ""
    reason = "; ".join(filter(None, [lost, more]))
    return _Headline("lost", "no signal yet" if never_usable(s) else "signal lost", reason)


def _now_lost(s: Summary, room: int) -> str:
    """Return why a bed calls and that it has no signal now; why not, where there is no room, its mark says."""

    def said(reason: str, now: str) -> str:
        return f"{reason}; now {now}"

    now = wording.in_sentence(s.signal_reason)
    if len(said(wording.facts_of(s.reason)[0], now)) > room:
        now = wording.in_sentence(wording.without_why(s.signal_reason))
    reason = wording.fitting(s.reason, room - len(said("", now)))
    return said(reason, now) if reason else now


def _has_more_to_say(s: Summary) -> bool:
    """Return whether a bed without signal calls for something else, too."""
    return s.flag is not None and "usable signal" not in s.reason


def _contractions(s: Summary) -> str:
    recorded = wording.timing(s.contractions.interval_s, s.contractions.duration_s)
    if recorded != "–" or s.hand is None or s.hand.interval_s is None:
        return recorded
    return f"{wording.timing(s.hand.interval_s, s.hand.duration_s)} by hand"


def _last_contraction_s(s: Summary) -> float | None:
    since_s = s.contractions.since_onset_s
    return None if since_s is None else s.t / 1000 + 1 - since_s


def _care_notes(s: Summary, policy: PolicyInfo | None) -> list[CareNote]:
    """Return the care given at a bed, newest first."""
    return [
        CareNote(
            t=c.t,
            by=c.by,
            what=wording.care(c.what, c.text),
            numbers=wording.before_and_after(c.before, c.after),
            result=_result(c),
            result_at=None if policy is None else c.t + policy.helps_within_s * 1000,
        )
        for c in s.cared
    ]


def _result(c: CareRecord) -> str:
    if c.after is None:
        return ""
    return {True: "helped", False: "no improvement", None: "nothing to compare"}[c.helped]


def _manual_timing(s: Summary) -> ManualTimingLine | None:
    if s.hand is None:
        return None
    since_s = s.hand.since_onset_s
    from_s = bed_now_ms(s) // 1000 - since_s if s.hand.is_running else None  # it also runs while nothing arrives
    return ManualTimingLine(wording.manual_timing(s.hand), s.hand.differs, s.hand.is_running, since_s, from_s)
