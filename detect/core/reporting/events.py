"""From numbers to events: what is said of closed excursions, of the signal, of flags, in the trade's words."""

from math import isnan

from quietward.contracts.fields import HZ
from quietward.contracts.flag_names import flag_name
from quietward.contracts.log import TREND_KIND, TREND_OF, Event
from quietward.contracts.summary import TraceSummary
from quietward.detect.core.alerting.flags import (
    IS_NOTED,
    IS_QUIET,
    OWN_LIMIT_OVER,
    PAUSE_OVER,
    SHELF_OVER,
    SHELVED,
    SUPPRESSED,
    WHY_SUPPRESSED,
    Change,
    Notice,
    counting_at,
)
from quietward.detect.core.alerting.policy import LEVELS, TEAM
from quietward.detect.core.arrays import LONG_AGO
from quietward.detect.core.measures.findings import ASKED
from quietward.detect.core.patterns import excursions
from quietward.detect.core.patterns.accelerations import Rise
from quietward.detect.core.patterns.decelerations import Kind
from quietward.detect.core.patterns.excursions import DOWN, Excursion
from quietward.detect.core.records import taken
from quietward.detect.core.reporting.quantities import time_in_words
from quietward.detect.core.reporting.reasons import LONGEST, condition_in_words, of_which_twin, reason_for
from quietward.detect.core.signal.conditioning import DOUBLE, HALF, Mark
from quietward.detect.core.state.beds import LostSignal
from quietward.detect.core.state.state import State

Detail = dict[str, float | str | None]

WHY_WITHDRAWN = {
    excursions.SMALL: "too short or too shallow",
    excursions.NOT_APART: "not apart from the variability before it",
    excursions.MOVED: "the baseline has moved there",
    excursions.LEVEL: "the level has drifted",
}
"""Why something that was said to go on is no deceleration, by why it has no name."""


def event(state: State, n: int, second: int, what: str, text: str, detail: Detail) -> Event:
    """Return the next line of bed n's log."""
    n = state.bed_at(n)
    state.clock.event[n] += 1
    number = int(state.clock.event[n])
    bed, digest = state.beds[n], state.rules.digest
    return Event(f"{bed}-{number}", bed, second * 1000, what, text, detail, digest, state.stay_id(n))


def fetal_event(state: State, n: int, second: int, what: str, text: str, detail: Detail) -> Event:
    """Return the next line of the log, about the fetus at place n: of twins it says which."""
    who = of_which_twin(state, n)
    return event(state, n, second, what, f"{who}{text}", detail | which_twin(state, n))


def which_twin(state: State, n: int) -> Detail:
    """Return what a line's details say of which twin the fetus at place n is; nothing where there is one."""
    return {"fetus": 1.0 + (n in state.first_at)} if of_which_twin(state, n) else {}


def second(state: State, events: list[Event]) -> None:
    """Say what a second has brought: runs at half or double rate that were left out, and what has closed.

    Beds come in the order of the samples with which it happened.
    """
    room = state.room
    if room.marks.written[0]:
        for mark in sorted(taken(room.marks, Mark), key=lambda mark: mark.at % HZ):
            _mark(state, mark, events)
    if room.closed.written[0]:
        kinds = room.kinds[: room.closed.written[0]].tolist()
        named = zip(taken(room.closed, Excursion), kinds, strict=True)
        for x, of_each in sorted(named, key=lambda one: (one[0].closed_at % HZ, one[0].row)):
            _closed(state, x, of_each, events)


def _mark(state: State, mark: Mark, events: list[Event]) -> None:
    what = {HALF: "half", DOUBLE: "double"}[mark.ratio]
    detail: Detail = {"what": f"{what} rate", "onset_s": mark.onset / HZ, "end_s": mark.end / HZ}
    text = f"{what} rate for {(mark.end - mark.onset) / HZ:.0f} s, not used"
    events.append(fetal_event(state, mark.n, mark.at // HZ, "signal-mark", text, detail))


def _closed(state: State, x: Excursion, kinds: list[int], events: list[Event]) -> None:
    """Say what a closed excursion was. kinds: under each rule set."""
    n, now = x.n, x.closed_at // HZ
    detail: Detail = {"onset_s": x.onset / HZ}
    match x.what:
        case excursions.CONTRACTION if n in state.first_at:
            pass  # there is one uterus, and the first twin's place tells of it
        case excursions.CONTRACTION:
            detail |= {"peak_s": x.peak_at / HZ, "end_s": x.end / HZ, "height": x.height}
            events.append(event(state, n, now, "contraction", f"contraction of {x.length_s:.0f} s", detail))
        case excursions.ACCELERATION:
            detail |= {"peak_s": x.peak_at / HZ, "end_s": x.end / HZ, "height_bpm": x.height}
            detail |= {f"kind {r.name}": Rise(k).word for r, k in zip(state.rules.rule_sets, kinds, strict=True)}
            text = f"acceleration of {x.height:.0f} bpm, {x.length_s:.0f} s"
            events.append(fetal_event(state, n, now, "acceleration", text, detail))
        case excursions.DECELERATION:
            _deceleration(state, x, [Kind(k) for k in kinds], events)
        case excursions.BASELINE_CHANGE:
            detail["by_bpm"] = (-1 if x.row == DOWN else 1) * x.area / ((x.end - x.onset) / HZ)
            events.append(fetal_event(state, n, now, "baseline-change", "baseline has changed", detail))
        case _ if x.said:
            cause = WHY_WITHDRAWN[x.why]
            detail |= {"end_s": x.end / HZ, "depth_bpm": x.height, "reason": cause}
            events.append(fetal_event(state, n, now, "withdrawn", f"no deceleration after all: {cause}", detail))


def began_anew(state: State, n: int, events: list[Event]) -> None:
    """Say that a deceleration that was said to go on is none any more, since bed n forgets its signal's past."""
    onset = int(state.all.ongoing.onset[n])
    if onset == LONG_AGO:
        return
    cause, now = "the monitor restarted, the end was not seen", newest_second(state, n)
    detail: Detail = {"onset_s": onset / HZ, "end_s": float(now + 1), "reason": cause}
    detail["depth_bpm"] = float(state.excursions.height[DOWN, n])
    events.append(fetal_event(state, n, now, "withdrawn", f"deceleration cut off: {cause}", detail))


def _deceleration(state: State, x: Excursion, kinds: list[Kind], events: list[Event]) -> None:
    detail: Detail = {
        "onset_s": x.onset / HZ,
        "nadir_s": x.peak_at / HZ,
        "end_s": x.end / HZ,
        "depth_bpm": x.height,
        "area_bpm_s": x.area,
        "fall_s": x.fall_s,
        "coverage": x.coverage,
        "contraction_onset_s": None if x.contraction_onset == LONG_AGO else x.contraction_onset / HZ,
        "contraction_peak_s": None if x.contraction_onset == LONG_AGO else x.contraction_peak / HZ,
    }
    detail |= {f"kind {rules.name}": k.word for rules, k in zip(state.rules.rule_sets, kinds, strict=True)}
    first = next(k for k in kinds if k != Kind.NONE)
    text = f"{first.word} deceleration, {x.height:.0f} bpm deep, {x.length_s:.0f} s"
    events.append(fetal_event(state, x.n, x.closed_at // HZ, "deceleration", text, detail))


def evaluations(state: State, now: dict[int, int], events: list[Event]) -> None:
    """Say where the signal is lost, or back, and what happened beside the flags. now: second of each bed evaluated."""
    room = state.room
    for change in taken(room.lost, LostSignal):
        text = "signal lost" if change.is_lost else "signal is back"
        events.append(fetal_event(state, change.n, now[change.n], "signal", text, {"lost": float(change.is_lost)}))
    for one in taken(room.told.notices, Notice):
        notice(state, now[one.n], one, events)


WHY_IT_SPEAKS = {
    "escalated": "unanswered: ",
    "repeated": "answered, and still: ",
    "returned": "what was done has not helped: ",
    "unresolved": "answered twice, nothing done: ",
}


def changed_flags(state: State, now: dict[int, int], events: list[Event]) -> None:
    """Say which flags were raised, escalated, reopened, cleared."""
    for change in taken(state.room.told.changes, Change):
        why = _why_it_speaks(state, change)
        reason = why + reason_for(state, change.n, LONGEST - len(why)) if change.level else ""
        text = f"{LEVELS[change.level]}: {reason}" if reason else of_which_twin(state, change.n) + "eased"
        detail = _flag(state, change, reason)
        events.append(event(state, change.n, now[change.n], f"flag-{change.word}", text, detail))


def _why_it_speaks(state: State, change: Change) -> str:
    policy, a = state.rules.policy, state.attention
    rank, asks = a.rank[:, change.n], counting_at(a, change.n) & (a.rank[:, change.n] >= change.level)
    if change.word == "worsened" and asks.any() and (rank > policy.numbers.rank)[asks].all():
        times = policy.escalation
        return f"not resolved within {time_in_words(times.team_by_s if change.level == TEAM else times.bedside_by_s)}: "
    return WHY_IT_SPEAKS.get(change.word, "")


def flag_action(state: State, second: int, change: Change, detail: Detail, text: str, events: list[Event]) -> None:
    """Say what somebody did to a flag; `detail` says who."""
    detail = _flag(state, change, "") | detail
    events.append(fetal_event(state, change.n, second, f"flag-{change.word}", text, detail))


def notice(state: State, second: int, one: Notice, events: list[Event], by: str = "") -> None:
    """Log what was suppressed, or has expired; by: somebody has ended it before its time."""
    n, who = one.n, f", ended by {by}" if by else ""
    detail: Detail = {"by": by} if by else {}
    if n in state.first_at and one.what in (PAUSE_OVER, OWN_LIMIT_OVER):
        return  # pressed once for the bed, and told at the first twin's place
    if one.what == PAUSE_OVER:
        events.append(event(state, n, second, one.word, f"the monitor should be on again{who}", detail))
        return
    if one.what == IS_QUIET:
        events.append(fetal_event(state, n, second, one.word, "quiet again", detail))
        return
    condition = state.rules.policy.condition[one.condition]
    detail["condition"] = condition.name
    if one.what == IS_NOTED:
        reason = reason_for(state, n)
        events.append(event(state, n, second, one.word, reason, detail | {"reason": reason} | which_twin(state, n)))
        return
    if one.what == SUPPRESSED:
        why = suppressed_because(state, n, one.condition, one.why)
        text = f"{why}: {condition_in_words(state, n, condition)}"
        events.append(event(state, n, second, one.word, text, detail | {"why": why} | which_twin(state, n)))
        return
    what = "no longer shelved" if one.what == SHELF_OVER else "the policy's limit again"
    events.append(fetal_event(state, n, second, one.word, f"{condition.name}: {what}{who}", detail))


def suppressed_because(state: State, n: int, condition: int, why: int) -> str:
    """Return why a condition of bed n is suppressed."""
    if why != SHELVED:
        return WHY_SUPPRESSED[why]
    by, reason = state.words_of(n).shelved.get(condition, ("somebody", ""))
    return f"shelved by {by}" + (f" ({reason})" if reason else "")


def numbers(trace: TraceSummary, when: str) -> Detail:
    """Return what a part of a trace was as details of an event."""
    return {f"{when}_{name}": getattr(trace, name) for name in trace.__struct_fields__}


def _flag(state: State, change: Change, reason: str) -> Detail:
    return {
        "flag": flag_at(state, change.n, change.flag),
        "level": LEVELS[change.level],
        "reason": reason,
        **which_twin(state, change.n),
    }


def flag_at(state: State, n: int, number: int) -> str:
    """Return the name of a flag of the fetus at place n."""
    return flag_name(state.beds[state.bed_at(n)], number, of_second=n in state.first_at)


TREND = {name: ASKED[name] for name in ("baseline_bpm", "variability_bpm", "concern", "fhr_usable_1min")}
"""What a minute's line says, and its row among the measures."""


def trend(state: State, now: dict[int, int], events: list[Event]) -> None:
    """Say once a minute how things stand: the trend."""
    for n, second in now.items():
        if second % 60 != 59 or n in state.first_at:
            continue
        detail: Detail = {}
        for fetus, which in zip(state.fetuses(n), TREND_OF, strict=False):
            values = state.findings.values[0, :, fetus]
            for name, row in TREND.items():
                value = float(values[row])
                detail[which + name] = None if isnan(value) else round(value, 2)
        events.append(event(state, n, second, TREND_KIND, "", detail))


def newest_second(state: State, n: int) -> int:
    """Return the newest second that bed n's clock has shown, 0 where it has shown none."""
    n = state.bed_at(n)
    return max(0, int(state.clock.second[n]), int(state.clock.others_until[n]))
