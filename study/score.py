"""Scores one shift under one variant: interruptions, and how long women waited.

Alarm-management measures are those of the process industry (ANSI/ISA-18.2-2016, IEC 62682), borrowed: a nurse stands
for an operator. Flood: more than 10 calls in 10 minutes, until fewer than 5. Chattering: the same call from one bed
three times or more in a minute. Fleeting: over within 10 s, and not back within 60 s. Stale there is an alarm
active for more than 24 h; a shift is shorter, so here it is one that nobody has answered for 30 minutes.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence

import numpy as np
from msgspec import Struct

from quietward.contracts.summary import Level
from quietward.detect.core.alerting.policy import BEDSIDE, TEAM
from quietward.simulator.truth import Span
from quietward.study import definitions
from quietward.study.alarms import AlarmChange, Call, NotedTime
from quietward.study.staff import CALL, CLINICIANS, BedTruth, Visit

SLICE_S = 600
FLOOD_FROM, FLOOD_UNTIL = 10, 5
CHATTER_TIMES, CHATTER_WITHIN_S = 3, 60.0
FLEETING_S, NOT_BACK_S = 10.0, 60.0
STALE_S = 1800.0


class Episode(Struct, frozen=True):
    """A time without a gap in which somebody was needed at a level, or at a higher one: from_s, lasts_s.

    flagged_s, called_s: delay from its beginning to an alarm of any level, and to one of bedside or team; reached_s: to
    somebody at the bed, who came for a call, on the round, to look again after care, or as clinicians (`reached_by`; 0:
    was there); clinicians_s: to clinicians; answered_s: to somebody who came for a call: a round is no answer, nor are
    clinicians whom a nurse has called from it. Negative: the alarm was there before. None: never while the need lasted.
    what: the emergency that was there then, or the labour. shown_s: delay until the trace itself shows it, by a
    published definition (`definitions`); None: not while the need lasted, or not known.
    """

    bed: int
    level: str
    from_s: float
    lasts_s: float
    flagged_s: float | None
    called_s: float | None
    reached_s: float | None
    reached_by: str = ""
    clinicians_s: float | None = None
    what: str = ""
    shown_s: float | None = None
    answered_s: float | None = None


class Outcome(Struct, frozen=True):
    """How it went with one bed of a simulation. what: the emergency that befell it, or the labour.

    ends_s: of the birth, or of what was watched; reserve_used, most_used: share of the reserve then, and at the most.
    """

    bed: int
    what: str
    ends_s: float
    is_birth: bool
    reserve_used: float
    most_used: float


class CallCount(Struct, frozen=True):
    """Calls of one reason, level and truth. true_positive: None if not known; heard: summed over nurses who hear it."""

    why: str
    level: int
    true_positive: bool | None
    count: int
    heard: int


class HeardCall(Struct, frozen=True, array_like=True):
    """One call. true_positive: None if not known; heard: by so many nurses."""

    bed: int
    t_s: float
    level: int
    why: str
    what: str
    true_positive: bool | None
    heard: int


class BedTime(Struct, frozen=True, array_like=True):
    """How long a bed was watched, and noted of that. nurse: whose bed it is, 1 is the first; 0: nobody is there."""

    bed: int
    nurse: int
    watched_s: float
    noted_s: float


class ShiftScore(Struct, frozen=True):
    """Measures of one shift under one variant; peak, flood and so on: see the top of this file.

    noted_hours: in which a bed called nobody and was not quiet.
    nurse_hours: a nurse counts until the last signal of her beds ends. flood_s: summed over the nurses.
    calls: counted; each_call, visits: one by one, none where nobody is there to hear them. outcomes: where care changes
    the course. each_bed: what all hours are sums of.
    """

    bed_hours: float
    nurse_hours: float
    noted_hours: float
    calls: list[CallCount]
    by_bed: dict[str, int]
    episodes: list[Episode]
    each_call: list[HeardCall]
    visits: list[Visit]
    peak_in_10_min: int
    flood_s: float
    chattering: int
    fleeting: int
    stale: int
    longest_wait_s: float
    outcomes: list[Outcome] = []
    each_bed: list[BedTime] = []

    @property
    def interruptions(self) -> int:
        """Calls, each counted once for every nurse who hears it."""
        return sum(call.heard for call in self.calls)


def score_shift(
    bed_s: Sequence[float],
    beds: Sequence[BedTruth],
    nurses: Sequence[Sequence[int]],
    calls: Sequence[tuple[Call, bool | None]],
    changes: Sequence[AlarmChange],
    noted: Sequence[NotedTime],
    visits: Sequence[Visit],
    what: Callable[[int, float], str] = lambda _bed, _t_s: "",
) -> ShiftScore:
    """Score one shift; times are seconds from its beginning.

    bed_s: how long each bed's signal lasts; recordings may end before the shift does, and nothing is counted at a bed
    after that. nurses: the beds of each. calls: each with whether it is a true positive, None if that is not known.
    what: what is wrong at a bed at a moment.
    """
    alarms = _alarm_intervals(changes, bed_s)
    came = [[v for v in visits if v.bed == bed and v.from_s < end_s] for bed, end_s in enumerate(bed_s)]
    episodes = [
        episode
        for bed, truth in enumerate(beds)
        for need in _merge_needs(truth.needs)
        if need.from_s < bed_s[bed]
        for episode in [_episode(bed, need, truth, alarms[bed], came[bed], what(bed, need.from_s))]
    ]
    counted = Counter((c.why, c.level, true_positive) for c, true_positive in calls)
    nurse_s = [max(bed_s[bed] for bed in own) for own in nurses]
    heard_by = [
        [(c, is_true) for c, is_true in calls if c.t_s <= end_s and (c.bed in own or c.level == TEAM)]
        for own, end_s in zip(nurses, nurse_s, strict=True)
    ]
    heard = [sorted(c.t_s for c, _ in own) for own in heard_by]
    times_heard = Counter(id(c) for own in heard_by for c, _ in own)
    each_call = [
        HeardCall(c.bed, c.t_s, c.level, c.why, c.what, is_true, times_heard[id(c)])
        for c, is_true in (calls if nurses else [])
    ]
    seen = sorted(v._replace(until_s=min(v.until_s, bed_s[v.bed])) for own in came for v in own)
    interrupted = Counter((c.why, c.level, is_true) for own in heard_by for c, is_true in own)
    noted_s = [0.0] * len(bed_s)
    for one in noted:
        noted_s[one.bed] += max(0.0, min(one.until_s, bed_s[one.bed]) - one.from_s)
    nurse_of = {bed: place + 1 for place, own in enumerate(nurses) for bed in own}
    waits = [min(e.lasts_s if e.reached_s is None else e.reached_s, bed_s[e.bed] - e.from_s) for e in episodes]
    return ShiftScore(
        sum(bed_s) / 3600, sum(nurse_s) / 3600,
        sum(noted_s) / 3600,
        [CallCount(*kind, n, interrupted[kind]) for kind, n in sorted(counted.items(), key=str)],
        dict(Counter(f"{c.why}, bed {c.bed + 1}" for c, _ in calls)),
        episodes, each_call, seen,
        max((_peak(times) for times in heard), default=0),
        sum(_flood_s(times, end_s) for times, end_s in zip(heard, nurse_s, strict=True)),
        _chattering([c for c, _ in calls]), _fleeting(alarms), _stale(alarms),
        max(waits, default=0.0),
        each_bed=[BedTime(bed, nurse_of.get(bed, 0), bed_s[bed], noted_s[bed]) for bed in range(len(bed_s))],
    )  # fmt: skip


class _AlarmInterval(Struct, frozen=True):
    """An alarm of one level at a bed, with a beginning and an end."""

    level: int
    acknowledged: bool
    from_s: float
    until_s: float


def _alarm_intervals(changes: Sequence[AlarmChange], bed_s: Sequence[float]) -> dict[int, list[_AlarmInterval]]:
    """Return the alarms of each bed, in the order of time."""
    by_bed: dict[int, list[AlarmChange]] = defaultdict(list)
    for change in changes:
        by_bed[change.bed].append(change)
    intervals: dict[int, list[_AlarmInterval]] = defaultdict(list)
    for bed, own in by_bed.items():
        for change, end_s in zip(own, [*(c.t_s for c in own[1:]), bed_s[bed]], strict=True):
            if change.level and end_s > change.t_s:
                intervals[bed].append(_AlarmInterval(change.level, change.acknowledged, change.t_s, end_s))
    return intervals


def _merge_needs(needs: Sequence[Span]) -> list[Span]:
    """Merge needs that follow on each other into one of level bedside, and one of level team where they become one."""
    runs: list[list[Span]] = []
    for need in needs:
        if runs and need.from_s <= max(n.until_s for n in runs[-1]):
            runs[-1].append(need)
        else:
            runs.append([need])
    merged = []
    for run in runs:
        until_s = max(n.until_s for n in run)
        merged.append(Span(Level.BEDSIDE.value, run[0].from_s, until_s))
        team_s = [n.from_s for n in run if n.what == Level.TEAM.value]
        if team_s:
            merged.append(Span(Level.TEAM.value, min(team_s), until_s))
    return merged


def _episode(
    bed: int, need: Span, truth: BedTruth, alarms: Sequence[_AlarmInterval], visits: Sequence[Visit], what: str
) -> Episode:
    came = sorted((v for v in visits if v.until_s > need.from_s and v.from_s < need.until_s), key=lambda v: v.from_s)

    def first_s(visits: Sequence[Visit]) -> float | None:
        return max(0.0, visits[0].from_s - need.from_s) if visits else None

    reached_by = "" if not came else CLINICIANS if came[0].who == CLINICIANS else came[0].why
    clinicians_s = first_s([v for v in came if v.who == CLINICIANS])
    answered_s = first_s([v for v in came if v.why == CALL])
    flagged_s, called_s = (_first_alarm_s(need, alarms, least) for least in (1, BEDSIDE))
    shows_s = definitions.begins_to_show(truth.pathological or [], need)
    return Episode(
        bed, need.what, need.from_s, need.until_s - need.from_s, flagged_s, called_s, first_s(came), reached_by,
        clinicians_s, what, None if shows_s is None else shows_s - need.from_s, answered_s,
    )  # fmt: skip


def _first_alarm_s(need: Span, alarms: Sequence[_AlarmInterval], least: int) -> float | None:
    """Return the delay from the beginning of a need to an alarm of at least this level, None if there is none."""
    for from_s, until_s in _joined([a for a in alarms if a.level >= least]):
        if until_s > need.from_s and from_s < need.until_s:
            return from_s - need.from_s
    return None


def _joined(alarms: Sequence[_AlarmInterval]) -> list[tuple[float, float]]:
    """Return (from, until) of alarms, those without a gap between them joined into one."""
    joined: list[tuple[float, float]] = []
    for alarm in alarms:
        if joined and alarm.from_s <= joined[-1][1]:
            joined[-1] = (joined[-1][0], alarm.until_s)
        else:
            joined.append((alarm.from_s, alarm.until_s))
    return joined


def _peak(times: Sequence[float]) -> int:
    at = np.asarray(times)
    return int(max((np.searchsorted(at, at + SLICE_S) - np.arange(len(at))), default=0))


def _flood_s(times: Sequence[float], until_s: float) -> float:
    """Return how long the calls of the last ten minutes were a flood, evaluated at every minute."""
    minutes = np.arange(60.0, until_s + 1, 60.0)
    counts = np.searchsorted(times, minutes) - np.searchsorted(times, minutes - SLICE_S)
    if not (counts > FLOOD_FROM).any():
        return 0.0
    flood, total = False, 0.0
    for count in counts.tolist():
        flood = count > FLOOD_FROM or (flood and count >= FLOOD_UNTIL)
        total += 60.0 * flood
    return total


def _chattering(calls: Sequence[Call]) -> int:
    """Return the number of calls that are part of a chatter."""
    times: dict[tuple[int, str], list[float]] = defaultdict(list)
    for call in calls:
        times[call.bed, call.why].append(call.t_s)
    chattering = 0
    for own in times.values():
        at = np.asarray(own)
        chattering += sum(
            bool(((at >= t - CHATTER_WITHIN_S) & (at <= t + CHATTER_WITHIN_S)).sum() >= CHATTER_TIMES) for t in own
        )
    return chattering


def _fleeting(alarms: dict[int, list[_AlarmInterval]]) -> int:
    """Return the number of alarms that were over before anybody could react, and did not come back."""
    fleeting = 0
    for own in alarms.values():
        joined = _joined(own)
        for (since, until), (back, _) in zip(joined, [*joined[1:], (np.inf, np.inf)], strict=False):
            fleeting += until - since < FLEETING_S and back - until > NOT_BACK_S
    return fleeting


def _stale(alarms: dict[int, list[_AlarmInterval]]) -> int:
    """Return how often an alarm was left unanswered for `STALE_S`."""
    unanswered = ([a for a in own if not a.acknowledged] for own in alarms.values())
    return sum(until - since >= STALE_S for own in unanswered for since, until in _joined(own))
