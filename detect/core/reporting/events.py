"""From numbers to events: what is said of closed excursions, of the signal, of flags, in the trade's words."""

import numpy as np

from quietward.contracts.messages import HZ, UA_LOWEST, Event, Summary, TraceSummary
from quietward.detect.core.alerting import concern
from quietward.detect.core.alerting.attention import LEVELS, SHELVED, WHY_HELD_BACK, Aside, Change, counting_at
from quietward.detect.core.arrays import Bools, Ints
from quietward.detect.core.measures.findings import asked, measures_of
from quietward.detect.core.patterns import history
from quietward.detect.core.patterns.accelerations import Rise, rise
from quietward.detect.core.patterns.decelerations import Contraction, Kind, kind, nearest
from quietward.detect.core.patterns.excursions import DOWN, UA, UP, Excursion
from quietward.detect.core.patterns.shape import refine
from quietward.detect.core.signal import histogram, minute
from quietward.detect.core.signal.conditioning import DOUBLE, HALF, Mark
from quietward.detect.core.state.state import State

Detail = dict[str, float | str | None]


def event(state: State, n: int, second: int, what: str, text: str, detail: Detail) -> Event:
    """Return the next line of lane n's log."""
    state.clock.event[n] += 1
    number = int(state.clock.event[n])
    return Event(f"{state.beds[n]}-{number}", state.beds[n], second * 1000, what, text, detail, state.rules.digest)


def closed_excursions(
    state: State,
    lanes: Ints,
    second: Ints,
    closed: list[Excursion],
    events: list[Event],
) -> list[int]:
    """Name what has just closed, take it out of the baseline's window, remember it.

    Returns the places (in `lanes`) where the level has changed and a look must be taken at once.
    """
    at_once = []
    b = state.present.baseline
    limits = state.rules.reading.baseline
    for seen_first in closed:
        x, n, now = seen_first, int(lanes[seen_first.lane]), int(second[seen_first.lane])
        if x.row == UA:
            if x.kept:
                _contraction(state, n, now, _seen_again(state, n, now, x), events)
            continue
        reference_bpm = float(b.before_bpm[n])
        moved = abs(float(b.reference_bpm[n]) - reference_bpm) > limits.moved_bpm
        if x.kept and not moved:
            x = _seen_again(state, n, now, x)
            state.history.until[n] = x.end
            if x.row == DOWN or x.length_s <= limits.leave_out_rise_s:
                histogram.leave_out(state.fhr, n, x.onset, x.end)
                b.renewed[n] = True
            if x.row == DOWN:
                _deceleration(state, n, now, x, reference_bpm, events)
            else:
                _acceleration(state, n, now, x, events)
            continue
        minute.set_apart(state.minute, n, x.onset, x.end, now, False)
        if x.new_level or (x.kept and moved):
            b.renewed[n] = True
            at_once.append(x.lane)
            if (x.end - x.onset) / HZ < state.rules.reading.deceleration.longest_s / 2:
                continue  # a drift, not worth a line
            sign = -1 if x.row == DOWN else 1
            detail: Detail = {"onset_s": x.onset / HZ, "by_bpm": sign * x.area / ((x.end - x.onset) / HZ)}
            events.append(event(state, n, now, "baseline-change", "baseline has changed", detail))
    return at_once


def _seen_again(state: State, n: int, now: int, x: Excursion) -> Excursion:
    reading = state.rules.reading
    ring, lowest = (state.ua, UA_LOWEST) if x.row == UA else (state.fhr, reading.signal.fhr_lowest_bpm)
    first, end = x.onset - int(reading.shape.before_s * HZ), (now + 1) * HZ
    if x.row != UA:  # between the neighbours: departures do not overlap
        e, other = state.present.excursions, UP if x.row == DOWN else DOWN
        first = max(first, min(int(state.history.until[n]), x.onset))
        end = max(x.end, int(e.onset[other, n])) if e.open[other, n] else end
    first = max(first, (now + 1) * HZ - ring.ring.shape[0])
    values = histogram.values_of(ring, n, first, end, lowest)
    if x.row == UA:
        return refine(x, first, values - float(state.present.tone.rest[n]), reading.shape)
    if state.variability.bpm[n] < reading.shape.from_variability_bpm:
        return x
    reference_bpm = float(state.present.baseline.before_bpm[n])
    return refine(x, first, reference_bpm - values if x.row == DOWN else values - reference_bpm, reading.shape)


def _contraction(state: State, n: int, now: int, x: Excursion, events: list[Event]) -> None:
    history.add_contraction(state.history, n, Contraction(x.onset, x.peak_at, x.end))
    detail: Detail = {
        "onset_s": x.onset / HZ,
        "peak_s": x.peak_at / HZ,
        "end_s": x.end / HZ,
        "height": x.height,
    }
    events.append(event(state, n, now, "contraction", f"contraction of {x.length_s:.0f} s", detail))


def _acceleration(state: State, n: int, now: int, x: Excursion, events: list[Event]) -> None:
    rises = [rise(x, rules.acceleration, int(state.present.running.weeks[n])) for rules in state.rules.rule_sets]
    if all(r == Rise.NONE for r in rises):
        return
    history.add_acceleration(state.history, n, x)
    detail: Detail = {"onset_s": x.onset / HZ, "peak_s": x.peak_at / HZ, "end_s": x.end / HZ, "height_bpm": x.height}
    detail |= {f"kind {rules.name}": r.word for rules, r in zip(state.rules.rule_sets, rises, strict=True)}
    text = f"acceleration of {x.height:.0f} bpm, {x.length_s:.0f} s"
    events.append(event(state, n, now, "acceleration", text, detail))


def _deceleration(state: State, n: int, now: int, x: Excursion, reference_bpm: float, events: list[Event]) -> None:
    limits = state.rules.reading.kind
    candidates = history.contractions_of(state.history, n, x.onset - int(limits.late_within_s * HZ))
    e = state.present.excursions
    if e.open[UA, n]:
        candidates.append(Contraction(int(e.onset[UA, n]), int(e.peak_at[UA, n]), (now + 1) * HZ))
    contraction = nearest(candidates, x, limits)
    kinds = [kind(x, contraction, rules.deceleration, limits) for rules in state.rules.rule_sets]
    if all(k == Kind.NONE for k in kinds):
        return
    history.add_deceleration(state.history, n, x, reference_bpm - x.height, kinds)
    detail: Detail = {
        "onset_s": x.onset / HZ,
        "nadir_s": x.peak_at / HZ,
        "end_s": x.end / HZ,
        "depth_bpm": x.height,
        "area_bpm_s": x.area,
        "fall_s": x.fall_s,
        "coverage": x.coverage,
        "contraction_onset_s": None if contraction is None else contraction.onset / HZ,
        "contraction_peak_s": None if contraction is None else contraction.peak_at / HZ,
    }
    detail |= {f"kind {rules.name}": k.word for rules, k in zip(state.rules.rule_sets, kinds, strict=True)}
    first = next(k for k in kinds if k != Kind.NONE)
    text = f"{first.word} deceleration, {x.height:.0f} bpm deep, {x.length_s:.0f} s"
    events.append(event(state, n, now, "deceleration", text, detail))


def lost_signal(state: State, lanes: Ints, second: Ints, lost: Bools, events: list[Event]) -> None:
    """Say when a bed's signal is lost and when it is back."""
    before = state.clock.lost[lanes]
    for place in np.flatnonzero(before != lost):
        n = int(lanes[place])
        text = "signal lost" if lost[place] else "signal is back"
        events.append(event(state, n, int(second[place]), "signal", text, {"lost": float(lost[place])}))
    state.clock.lost[lanes] = lost


def marks(state: State, lanes: Ints, second: Ints, found: list[Mark], events: list[Event]) -> None:
    """Say which runs at half or double rate were left out."""
    for mark in found:
        what = {HALF: "half", DOUBLE: "double"}[mark.ratio]
        detail: Detail = {"what": f"{what} rate", "onset_s": mark.onset / HZ, "end_s": mark.end / HZ}
        text = f"{what} rate for {(mark.end - mark.onset) / HZ:.0f} s, not used"
        events.append(event(state, int(lanes[mark.lane]), int(second[mark.lane]), "signal-mark", text, detail))


USUAL_BASELINE_BPM = (110, 160)
"""Outside of it the baseline is worth a word (the normal range of FIGO 2015 and NICHD 2008)."""

WHY_IT_SPEAKS = {
    "escalated": "unanswered: ",
    "repeated": "answered, and still: ",
    "returned": "what was done has not helped: ",
}


def changed_flags(state: State, lanes: Ints, second: Ints, changes: list[Change], events: list[Event]) -> None:
    """Say which flags were raised, grew, came back, eased."""
    for change in changes:
        n = int(lanes[change.lane])
        reason = reason_for(state, n)
        if reason:
            reason = WHY_IT_SPEAKS.get(change.what, "") + reason
        text = f"{LEVELS[change.level]}: {reason}" if reason else "eased"
        detail = _flag(state, n, change, reason)
        events.append(event(state, n, int(second[change.lane]), f"flag-{change.what}", text, detail))


def answered(state: State, n: int, second: int, change: Change, detail: Detail, text: str, events: list[Event]) -> None:
    """Say what somebody did to a flag; `detail` says who."""
    events.append(event(state, n, second, f"flag-{change.what}", text, _flag(state, n, change, "") | detail))


def asides(state: State, lanes: Ints, second: Ints, found: list[Aside], events: list[Event]) -> None:
    """Say what was held back, and what is over."""
    for one in found:
        aside(state, int(lanes[one.lane]), int(second[one.lane]), one, events)


def aside(state: State, n: int, second: int, found: Aside, events: list[Event], by: str = "") -> None:
    """Say it of lane n; by: somebody has ended it before its time."""
    who = f", ended by {by}" if by else ""
    detail: Detail = {"by": by} if by else {}
    if found.what == "pause-over":
        events.append(event(state, n, second, found.what, f"the monitor should be on again{who}", detail))
        return
    condition = state.rules.policy.condition[found.condition]
    detail["condition"] = condition.name
    if found.what == "held-back":
        why = held_back_because(state, n, found.condition, found.why)
        text = f"{why}: {_in_words(state, n, [condition.text])}"
        events.append(event(state, n, second, found.what, text, detail | {"why": why}))
        return
    what = {"shelf-over": "no longer shelved", "own-limit-over": "the policy's limit again"}[found.what]
    events.append(event(state, n, second, found.what, f"{condition.name}: {what}{who}", detail))


def held_back_because(state: State, n: int, condition: int, why: int) -> str:
    """Say why a condition of lane n is kept quiet."""
    if why != SHELVED:
        return WHY_HELD_BACK[why]
    by, reason = state.words_of(n).shelved.get(condition, ("somebody", ""))
    return f"shelved by {by}" + (f" ({reason})" if reason else "")


def numbers(found: TraceSummary, when: str) -> Detail:
    """Return ten minutes of a trace as details of an event."""
    return {f"{when}_{name}": getattr(found, name) for name in found.__struct_fields__}


def _flag(state: State, n: int, change: Change, reason: str) -> Detail:
    return {
        "flag": flag_id(state.beds[n], change.flag),
        "level": LEVELS[change.level],
        "reason": reason,
    }


def flag_id(bed: str, number: int) -> str:
    """Return the name of a bed's flag."""
    return f"{bed}-f{number}"


def flag_number(flag: str) -> int:
    """Return the number in a flag's name; 0, which no flag has, where there is none."""
    number = flag.rpartition("-f")[2]
    return int(number) if number.isdecimal() else 0


def reason_for(state: State, n: int) -> str:
    """Return why lane n asks for attention, worst first; empty when it does not."""
    counts = counting_at(state.attention, n, state.rules.policy)
    conditions = [c for c, does in zip(state.rules.policy.condition, counts, strict=True) if does]
    names = {c.name for c in conditions}
    conditions = sorted((c for c in conditions if not names.intersection(c.unless)), key=lambda c: -c.rank)
    return _in_words(state, n, [c.text for c in conditions])


def _in_words(state: State, n: int, texts: list[str]) -> str:
    if not texts:
        return ""
    found = state.findings
    values = {name: float(value[0]) for name, value in asked(found, np.array([n])).items()}
    because = concern.because(state.rules.concern, found.parts[:, n].tolist(), values)
    words = {"because": because, "pattern": pattern(state, n)}
    return "; ".join(text.format_map(values | words) for text in texts)


def pattern(state: State, n: int) -> str:
    """Return what the last 30 minutes look like, in the trade's words and numbers."""
    h, second = state.history, int(state.clock.second[n])
    since = (second + 1 - 1800) * HZ
    recent = np.flatnonzero(h.fall_onset[:, n] > since)
    kinds = [Kind(int(k)) for k in h.fall_kind[0, recent, n] if k != Kind.NONE]
    contractions = int((h.contraction_onset[:, n] > since).sum())
    said = []
    if kinds:
        most = max(set(kinds), key=lambda k: (kinds.count(k), k))
        times = kinds.count(most)
        deepest = float(h.fall_depth[recent, n].max())
        if most in (Kind.EARLY, Kind.LATE, Kind.VARIABLE) and contractions >= times:
            said.append(f"{most.word} decelerations with {times} of the last {contractions} contractions")
        else:
            said.append(f"{times} {most.word} deceleration{'s' if times > 1 else ''} in 30 min")
        said.append(f"deepest {deepest:.0f} bpm")
    bpm, low_min = float(state.variability.bpm[n]), int(state.variability.low_min[n])
    if low_min >= 5:
        said.append(f"variability {bpm:.0f} bpm for {low_min} min")
    elif not np.isnan(bpm):
        said.append(f"variability {bpm:.0f} bpm")
    bpm = float(measures_of(state.findings, 0)["baseline_bpm"][n])
    if not np.isnan(bpm) and not USUAL_BASELINE_BPM[0] <= bpm <= USUAL_BASELINE_BPM[1]:
        said.append(f"baseline {bpm:.0f} bpm")
    return ", ".join(said) or "no decelerations"


def trend(state: State, lanes: Ints, second: Ints, events: list[Event]) -> None:
    """Say once a minute how things stand: the trend."""
    ended = np.flatnonzero(second % 60 == 59)
    if not len(ended):
        return
    measures = measures_of(state.findings, 0) | {"concern": state.findings.concern}
    for place in ended:
        detail: Detail = {}
        n = int(lanes[place])
        for name in ("baseline_bpm", "variability_bpm", "concern", "fhr_usable_1min"):
            value = float(measures[name][n])
            detail[name] = None if np.isnan(value) else round(value, 2)
        events.append(event(state, n, int(second[place]), "minute", "", detail))


def go_on_counting(state: State, bed: str, newest: list[Event], summary: Summary | None) -> None:
    """After a rebuild without a checkpoint: number events and flags on, and keep what people had said."""
    n = state.lane_of[bed]
    a, words = state.attention, state.words_of(n)
    numbers = [int(event.id.rpartition("-")[2]) for event in newest]
    flags = [str(event.detail["flag"]) for event in newest if "flag" in event.detail]
    if summary is not None:
        numbers.append(summary.events)
        flags += [summary.flag] if summary.flag else []
        if summary.flag and summary.acknowledged_by and a.level[n] > 0:
            a.answered[n], a.answered_at[n] = True, max(int(state.clock.second[n]), 0)
            a.answered_for[:, n] = a.active[:, n]
            words.acknowledged_by = summary.acknowledged_by
        place = state.rules.policy.place
        for shelf in summary.shelved:
            if (i := place(shelf.condition)) is not None:
                a.shelved_until[i, n], words.shelved[i] = shelf.until // 1000, (shelf.by, shelf.why)
        for limited in summary.limited:
            if (i := place(limited.condition)) is not None:
                a.own_limit[i, n], a.own_limit_until[i, n] = limited.limit, limited.until // 1000
                words.limited[i] = (limited.by, limited.why)
        if summary.paused is not None:
            a.paused_until[n] = summary.paused.until // 1000
            words.paused = (summary.paused.by, summary.paused.why)
        words.cared = list(summary.cared)
    state.clock.event[n] = max(numbers, default=0)
    a.flag[n] = max(*(flag_number(flag) for flag in flags), int(a.flag[n]), 0)
