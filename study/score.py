"""What one shift was like under one variant: interruptions, and how long women waited.

Alarm-management measures are those of the process industry (ANSI/ISA-18.2-2016, IEC 62682), borrowed: a nurse stands
for an operator. Flood: more than 10 calls in 10 minutes, until fewer than 5. Chattering: the same call from one bed
three times or more in a minute. Fleeting: over within 10 s, and not back within 60 s. Stale there is what stands for
more than 24 h; a shift is shorter, so here it is what nobody has answered for 30 minutes.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from quietward.contracts.messages import Level
from quietward.detect.core.alerting.attention import BEDSIDE, TEAM
from quietward.simulator.truth import Span
from quietward.study.alarms import Call, Stood
from quietward.study.staff import BedTruth, Visit

SLICE_S = 600
FLOOD_FROM, FLOOD_UNTIL = 10, 5
CHATTER_TIMES, CHATTER_WITHIN_S = 3, 60.0
FLEETING_S, NOT_BACK_S = 10.0, 60.0
STALE_S = 1800.0


class Episode(Struct, frozen=True):
    """A time without a break in which somebody was needed at a level, or at a higher one. from_s, lasts_s: of that.

    flagged_s, called_s: from its beginning to a call that stands, of any level and of bedside or team; reached_s: to
    somebody at the bed. Below 0: before (for `reached_s` 0: somebody was there, or had been since the bed first needed
    anybody). None: never while it lasted.
    """

    bed: int
    level: str
    from_s: float
    lasts_s: float
    flagged_s: float | None
    called_s: float | None
    reached_s: float | None


class Told(Struct, frozen=True):
    """Calls of one reason, level and worth. stands: for something, None if nobody knows; heard: by how many nurses."""

    why: str
    level: int
    stands: bool | None
    count: int
    heard: int


class Shift(Struct, frozen=True):
    """One shift under one variant; peak, flood and so on: see the top of this file."""

    hours: float
    bed_hours: float
    nurses: int
    calls: list[Told]
    by_bed: dict[str, int]
    episodes: list[Episode]
    visits: int
    peak_in_10_min: int
    flood_s: float
    chattering: int
    fleeting: int
    stale: int
    longest_wait_s: float

    @property
    def interruptions(self) -> int:
        """Calls, each as often as there are nurses who hear it."""
        return sum(told.heard for told in self.calls)


def shift(
    hours: float,
    bed_hours: float,
    beds: Sequence[BedTruth],
    nurses: Sequence[Sequence[int]],
    calls: Sequence[tuple[Call, bool | None]],
    told: Sequence[Stood],
    visits: Sequence[Visit],
) -> Shift:
    """Score one shift; lanes are beds, times seconds from its beginning. nurses: the beds of each."""
    until_s = hours * 3600
    stands = _standing(told, until_s)
    episodes = [
        episode
        for bed, truth in enumerate(beds)
        for since_s, need in _together(truth.needs)
        if need.from_s < until_s
        for episode in [_episode(bed, since_s, need, stands[bed], [v for v in visits if v.bed == bed])]
    ]
    counted = Counter((c.why, c.level, worth) for c, worth in calls)
    heard_by = [[(c, worth) for c, worth in calls if c.lane in own or c.level == TEAM] for own in nurses]
    heard = [sorted(c.t_s for c, _ in own) for own in heard_by]
    interrupted = Counter((c.why, c.level, worth) for own in heard_by for c, worth in own)
    waits = [min(e.lasts_s if e.reached_s is None else e.reached_s, until_s - e.from_s) for e in episodes]
    return Shift(
        hours, bed_hours, len(nurses),
        [Told(*kind, n, interrupted[kind]) for kind, n in sorted(counted.items(), key=str)],
        dict(Counter(f"{c.why}, bed {c.lane + 1}" for c, _ in calls)),
        episodes, len(visits),
        max((_peak(times) for times in heard), default=0),
        float(np.mean([_flood_s(times, until_s) for times in heard])) if heard else 0.0,
        _chattering([c for c, _ in calls]), _fleeting(stands), _stale(stands),
        max(waits, default=0.0),
    )  # fmt: skip


class _Stand(Struct, frozen=True):
    """A bed asked for this level from then to then."""

    level: int
    answered: bool
    from_s: float
    until_s: float


def _standing(told: Sequence[Stood], until_s: float) -> dict[int, list[_Stand]]:
    """Return by bed what stood when."""
    by_bed: dict[int, list[Stood]] = defaultdict(list)
    for one in told:
        by_bed[one.lane].append(one)
    found: dict[int, list[_Stand]] = defaultdict(list)
    for bed, own in by_bed.items():
        for one, end_s in zip(own, [*(o.t_s for o in own[1:]), until_s], strict=True):
            if one.level and end_s > one.t_s:
                found[bed].append(_Stand(one.level, one.answered, one.t_s, end_s))
    return found


def _together(needs: Sequence[Span]) -> list[tuple[float, Span]]:
    """Return needs that follow on each other as one of the bedside, and as one of the team if it is a part of them.

    With each goes since when the bed has needed anybody: who came to a fall was there when it became one for the team.
    """
    whole: list[list[Span]] = []
    for need in needs:
        if whole and need.from_s <= max(n.until_s for n in whole[-1]):
            whole[-1].append(need)
        else:
            whole.append([need])
    found = []
    for parts in whole:
        since_s, until_s = parts[0].from_s, max(n.until_s for n in parts)
        found.append((since_s, Span(Level.BEDSIDE.value, since_s, until_s)))
        team_s = [n.from_s for n in parts if n.what == Level.TEAM.value]
        if team_s:
            found.append((since_s, Span(Level.TEAM.value, min(team_s), until_s)))
    return found


def _episode(bed: int, since_s: float, need: Span, stands: Sequence[_Stand], visits: Sequence[Visit]) -> Episode:
    comes_s = min((max(need.from_s, v.from_s) for v in visits if v.until_s > since_s), default=np.inf)
    reached_s = comes_s - need.from_s if comes_s < need.until_s else None
    flagged_s, called_s = (_first(need, stands, least) for least in (1, BEDSIDE))
    return Episode(bed, need.what, need.from_s, need.until_s - need.from_s, flagged_s, called_s, reached_s)


def _first(need: Span, stands: Sequence[_Stand], least: int) -> float | None:
    """Return how long after the beginning of a need a call of some level was there."""
    for from_s, until_s in _stretches([s for s in stands if s.level >= least]):
        if until_s > need.from_s and from_s < need.until_s:
            return from_s - need.from_s
    return None


def _stretches(stands: Sequence[_Stand]) -> list[tuple[float, float]]:
    """Return from when to when something stood without a break."""
    found: list[tuple[float, float]] = []
    for one in stands:
        if found and one.from_s <= found[-1][1]:
            found[-1] = (found[-1][0], one.until_s)
        else:
            found.append((one.from_s, one.until_s))
    return found


def _peak(times: Sequence[float]) -> int:
    at = np.asarray(times)
    return int(max((np.searchsorted(at, at + SLICE_S) - np.arange(len(at))), default=0))


def _flood_s(times: Sequence[float], until_s: float) -> float:
    """Return how long the calls of the last ten minutes were a flood, looked at every minute."""
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
    """Return how many calls are part of a chatter."""
    times: dict[tuple[int, str], list[float]] = defaultdict(list)
    for call in calls:
        times[call.lane, call.why].append(call.t_s)
    found = 0
    for own in times.values():
        at = np.asarray(own)
        found += sum(
            bool(((at >= t - CHATTER_WITHIN_S) & (at <= t + CHATTER_WITHIN_S)).sum() >= CHATTER_TIMES) for t in own
        )
    return found


def _fleeting(stands: dict[int, list[_Stand]]) -> int:
    """Return how many flags were over before anybody could have turned to them, and did not come back."""
    found = 0
    for own in stands.values():
        whole = _stretches(own)
        for (since, until), (back, _) in zip(whole, [*whole[1:], (np.inf, np.inf)], strict=False):
            found += until - since < FLEETING_S and back - until > NOT_BACK_S
    return found


def _stale(stands: dict[int, list[_Stand]]) -> int:
    """Return how many times something was unanswered for so long."""
    unanswered = ([s for s in own if not s.answered] for own in stands.values())
    return sum(until - since >= STALE_S for own in unanswered for since, until in _stretches(own))
