"""The live summary of a bed: what the newest evaluation found, for the page."""

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from msgspec import structs

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Transfer
from quietward.contracts.summary import (
    BedLimit,
    ConcernContribution,
    Contractions,
    FetusSummary,
    Level,
    OngoingDeceleration,
    Paused,
    RuleClass,
    Shelved,
    SignalState,
    Summary,
)
from quietward.detect.core.alerting.flags import NOT_SUPPRESSED, OFF, SHELVED, WHY_SUPPRESSED, Attention
from quietward.detect.core.alerting.policy import LEVELS, NOTED
from quietward.detect.core.alerting.rule_sets import RuleSet, holding, rounded_baseline
from quietward.detect.core.arrays import LONG_AGO, Bools, Floats, Ints
from quietward.detect.core.measures.findings import Values, measures_at, tachysystole_at, values_of
from quietward.detect.core.patterns import hand
from quietward.detect.core.patterns.decelerations import Kind
from quietward.detect.core.patterns.excursions import DOWN
from quietward.detect.core.reporting import events as reporting
from quietward.detect.core.reporting import twins
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.reporting.quantities import time_in_words
from quietward.detect.core.reporting.reasons import of_which_twin, reason_for
from quietward.detect.core.state import ordering
from quietward.detect.core.state.state import Evaluation, Occupancy, State, Words


def of(state: State, output: Output) -> list[Summary]:
    """Return the summaries of all beds whose summary is new."""
    beds = np.array(sorted(output.updated - state.first_at.keys()), dtype=np.int64)
    evaluations = evaluations_of(state, beds)
    return [_summary(state, row, evaluation) for row, evaluation in zip(_rows(state, beds), evaluations, strict=True)]


def _rows(state: State, beds: Ints) -> "list[_Row]":
    clock, a, c, e = state.clock, state.attention, state.conditioning, state.excursions
    columns: tuple[Ints | Floats | Bools, ...] = (
        clock.second, clock.at, clock.event, c.last_bpm, c.last_at, a.level, a.noted, a.level_since, a.flag,
        a.acknowledged, a.paused_until, state.all.ongoing.onset, e.height[DOWN],
    )  # fmt: skip
    rows = zip(beds.tolist(), *(c[beds].tolist() for c in columns), _some_suppressed(a, beds).tolist(), strict=True)
    return [_Row(*row) for row in rows]


def _some_suppressed(a: Attention, beds: Ints) -> Bools:
    """Return at which beds a condition is shelved, has a limit of its own, or is suppressed."""
    suppressed = a.suppressed[:, beds]
    is_suppressed = (suppressed != NOT_SUPPRESSED) & (suppressed != SHELVED)
    has_own = (a.shelved_until[:, beds] >= 0) | (a.own_limit_until[:, beds] >= 0)
    is_there: Bools = np.logical_or.reduce(has_own | is_suppressed, axis=0)
    return is_there


class _Row(NamedTuple):
    """What is said of one bed anew with every second."""

    n: int
    second: int
    at: int
    event: int
    fhr_bpm: float
    fhr_at: int
    level: int
    noted: int
    level_since: int
    flag: int
    acknowledged: bool
    paused_until: int
    onset: int
    height: float
    some_suppressed: bool


def evaluations_of(state: State, beds: Ints) -> list[Evaluation]:
    """Return, for each bed, what follows from its newest evaluation alone; worked out once for each evaluation."""
    unknown = np.array([n for n in beds.tolist() if n not in state.evaluations], dtype=np.int64)
    if len(unknown):
        values = values_of(state.findings, 0, unknown)
        for n, own, classes in zip(unknown.tolist(), values, classes_of(state, unknown), strict=True):
            state.evaluations[n] = _evaluation(state, n, own, classes)
    return [state.evaluations[n] for n in beds.tolist()]


def classes_of(state: State, beds: Ints) -> list[tuple[RuleClass, ...]]:
    """Return the class of each bed at its newest evaluation, by rule set."""
    f, rule_sets = state.findings, state.rules.rule_sets
    by_rule_set = []
    for i, rules in enumerate(rule_sets):
        led = holding(rules, measures_at(f, i, beds)).T.tolist()
        by_rule_set.append([_class(rules, *of_bed) for of_bed in zip(values_of(f, i, beds), led, strict=True)])
    return list(zip(*by_rule_set, strict=True))


def _evaluation(state: State, n: int, values: Values, classes: Sequence[RuleClass]) -> Evaluation:
    def known(name: str) -> float | None:
        value = values[name]
        return None if math.isnan(value) else round(value, 2)

    concern = float(state.findings.concern[n])
    least = state.rules.concern.least_points_shown
    parts = zip(state.rules.concern.finding, state.findings.points[:, n].tolist(), strict=True)
    too_many = tachysystole_at(state.findings, n)
    return Evaluation(
        values=values,
        baseline_bpm=known("baseline_bpm"),
        variability_bpm=known("variability_bpm"),
        baseline_change_1h_bpm=known("baseline_change_1h_bpm"),
        variability_change_1h_bpm=known("variability_change_1h_bpm"),
        contractions=Contractions(
            known("contractions_per_10min"),
            known("contraction_interval_s"),
            known("contraction_duration_s"),
            known("contraction_since_s"),
            tachysystole=[r.name for r, value in zip(state.rules.rule_sets, too_many, strict=True) if value == 1],
            rest_s=known("contraction_rest_s"),
        ),
        concern=None if math.isnan(concern) else round(concern, 1),
        concern_parts=[ConcernContribution(f.name, round(p, 1)) for f, p in parts if p >= least],
        classes=list(classes),
        reason="" if state.attention.level[n] else reason_for(state, n),
    )


NO_WORDS = Words()

MISSING = {
    "baseline_bpm": "the baseline is undetermined",
    "variability_bpm": "the variability is unknown",
    "late_or_prolonged_share_30min": "fewer than two contractions seen: decelerations cannot be related to them",
}
"""What it means for a class when one of these measures cannot be said."""


def _class(rules: RuleSet, values: Values, led: list[bool]) -> RuleClass:
    """Return the class of one bed. led: which criteria hold there."""
    missing = [text for name, text in MISSING.items() if math.isnan(values[name])]
    criteria = [c for c, holds in zip(rules.criterion, led, strict=True) if holds]
    if not criteria:
        if math.isnan(values["baseline_bpm"]):
            return RuleClass(rules.name, 0, "cannot be said", [], missing)
        return RuleClass(rules.name, 1, rules.classes[0], [], missing)
    worst = max(c.rank for c in criteria)
    own = values | {"baseline_bpm": rounded_baseline(values["baseline_bpm"], rules.round_baseline_to_bpm)}
    return RuleClass(rules.name, worst, rules.classes[worst - 1], [c.text.format_map(own) for c in criteria], missing)


def _summary(state: State, row: _Row, evaluation: Evaluation) -> Summary:
    n, bed = row.n, state.beds[row.n]
    occupancy = state.stays.get(bed)
    asked = None if occupancy is None else occupancy.asked
    if isinstance(asked, Transfer):
        return _of_her_who_is_moved(row, asked)
    if occupancy is not None and occupancy.stay.is_empty:
        return _of_empty_bed(state, row, occupancy)
    first = worse = _fetus(state, row, evaluation)
    classes, fetuses, shelved = evaluation.classes, [], first.shelved
    held_back = _suppressed(state, n) if row.some_suppressed else []
    if (place := state.second_of(n)) is not None:
        here = np.array([place])
        (second_row,), (second_evaluation,) = _rows(state, here), evaluations_of(state, here)
        second = _fetus(state, second_row._replace(at=row.at, event=row.event), second_evaluation)
        first, second = twins.doubted(first, second, second_evaluation.values, state.rules.reading.twins)
        worse, fetuses = twins.worse_of(first, second), [first, second]
        classes = twins.worse_classes(evaluation.classes, second_evaluation.classes)
        shelved = [*first.shelved, *second.shelved]
        held_back += _suppressed(state, place) if second_row.some_suppressed else []
    words = state.words.get(bed) or NO_WORDS
    return Summary(
        bed=bed,
        session=state.sessions[n],
        t=row.second * 1000,
        at=row.at if row.second >= 0 else 0,  # what came before is not of her
        looked_at=state.now,
        signal=worse.signal,
        signal_reason=worse.signal_reason,
        fhr_bpm=first.fhr_bpm,
        baseline_bpm=first.baseline_bpm,
        variability_bpm=first.variability_bpm,
        baseline_change_1h_bpm=first.baseline_change_1h_bpm,
        variability_change_1h_bpm=first.variability_change_1h_bpm,
        running=first.running,
        contractions=evaluation.contractions,
        concern=worse.concern,
        concern_parts=worse.concern_parts,
        classes=classes,
        level=worse.level,
        reason=worse.reason,
        level_since=worse.level_since,
        flag=worse.flag,
        acknowledged_by=worse.acknowledged_by,
        events=row.event,
        rules=state.rules.digest,
        shelved=shelved,
        cared=words.cared,
        paused=Paused(*words.paused, row.paused_until * 1000) if row.paused_until >= 0 else None,
        limited=_limited(state, n, words) if row.some_suppressed else [],
        hand=hand.of(state.hand, state.history, n, _present_second(state, row), state.rules.reading.hand),
        held_back=held_back,
        attending=[one for one in words.attending if one.until > state.now],
        **({} if occupancy is None else _stay(state, occupancy)),
        fetuses=fetuses,
    )


def _fetus(state: State, row: _Row, evaluation: Evaluation) -> FetusSummary:
    """Return what is said of the fetus at place `row.n`."""
    n = row.n
    bed = state.bed_at(n)
    notice = ordering.notice_of(state, bed)  # whose signal it is, or when it was, is not known: that is not quiet
    signal, signal_reason = _signal(state, row, evaluation.values, notice)
    is_fresh = (
        signal is not SignalState.LOST
        and (row.second + 1) * HZ - row.fhr_at <= state.rules.reading.signal.shown_for_s * HZ
    )
    occupancy = state.stays.get(state.beds[bed])
    is_moving = occupancy is not None and occupancy.asked is not None
    doubt = notice.value if notice is not None else _half_of_twins(state, n, row.second, occupancy)
    doubt = doubt or (WHY_SUPPRESSED[OFF] if row.paused_until >= 0 and row.noted < 0 else "")
    is_quiet = row.noted < 0 and not doubt and not is_moving and row.second >= 0  # what is not known is not
    reason = reason_for(state, n) if row.level or not evaluation.reason else evaluation.reason
    return FetusSummary(
        signal=signal,
        signal_reason=signal_reason,
        fhr_bpm=row.fhr_bpm if is_fresh else None,
        baseline_bpm=evaluation.baseline_bpm,
        variability_bpm=evaluation.variability_bpm,
        baseline_change_1h_bpm=evaluation.baseline_change_1h_bpm,
        variability_change_1h_bpm=evaluation.variability_change_1h_bpm,
        running=_running(state, row),
        concern=evaluation.concern,
        concern_parts=evaluation.concern_parts,
        level=LEVELS[row.level] if row.level or is_quiet else Level.NOTED,
        reason=doubt if doubt and not row.level else reason,
        level_since=row.level_since * 1000 if row.level else None,
        flag=reporting.flag_at(state, n, row.flag) if row.level else None,
        acknowledged_by=(state.words.get(state.beds[n]) or NO_WORDS).acknowledged_by if row.acknowledged else None,
        shelved=_shelved(state, n) if row.some_suppressed else [],
    )


ONE_OF_TWINS = "twins, but only one heart rate comes"


def _half_of_twins(state: State, n: int, second: int, occupancy: Occupancy | None) -> str:
    """Return in words that bed n has twins of whom one has not been heard yet, or nothing."""
    arrival = None if occupancy is None else occupancy.stay.arrival
    are_twins = second >= 0 and arrival is not None and arrival.twins
    return ONE_OF_TWINS if are_twins and state.bed_at(n) == n and state.second_of(n) is None else ""


def _stay(state: State, occupancy: Occupancy) -> dict[str, Any]:
    """Return what a summary says of who is in a bed, and who was."""
    limits = state.rules.stay
    return {
        "stay": occupancy.stay,
        "former": [s for s in occupancy.former if state.now - s.ended_at <= limits.read_h * 3_600_000],
        "undoable": None if occupancy.asked else occupancy.undoable(state.now, limits.undo_s),
        "moving_to": occupancy.asked.bed if occupancy.asked else "",
    }


def _of_her_who_is_moved(row: _Row, asked: Transfer) -> Summary:
    """Return the summary of a bed whose woman is on the way to another: as she was, and never calm. It tells when she
    was last evaluated, so that readers see it grow old where the other bed does not answer.
    """
    last = asked.summary
    is_quiet = last.level is Level.QUIET
    return structs.replace(
        last,
        level=Level.NOTED if is_quiet else last.level,
        reason=last.reason if last.flag else f"moving to {asked.bed}",
        events=row.event,
        undoable=None,
        moving_to=asked.bed,
    )


def _of_empty_bed(state: State, row: _Row, occupancy: Occupancy) -> Summary:
    """Return the summary of a bed that nobody is in. It calls nobody; what its device sends is not judged."""
    silent_s = (state.now - row.at) / 1000
    sends = row.at > occupancy.stay.id and silent_s < state.rules.reading.signal.silent_after_s
    return Summary(
        bed=state.beds[row.n],
        session=state.sessions[row.n],
        t=int(state.clock.placed[row.n]) * 1000,
        at=row.at,
        looked_at=state.now,
        signal=SignalState.LOST,
        signal_reason="A device is sending, nobody is here" if sends else "",
        fhr_bpm=None,
        baseline_bpm=None,
        variability_bpm=None,
        running=None,
        contractions=Contractions(None, None, None, None),
        concern=None,
        concern_parts=[],
        classes=[],
        level=Level.NOTED,
        reason="nobody is in this bed",
        level_since=None,
        flag=None,
        acknowledged_by=None,
        events=row.event,
        rules=state.rules.digest,
        **_stay(state, occupancy),
    )


def _present_second(state: State, row: _Row) -> int:
    """Return the second of the bed's clock at the evaluation: it also runs while nothing arrives."""
    return row.second + max(0, state.now - row.at) // 1000


def _running(state: State, row: _Row) -> OngoingDeceleration | None:
    if row.onset == LONG_AGO:
        return None
    by_rule_set = zip(state.rules.rule_sets, state.all.ongoing.kind[:, row.n].tolist(), strict=True)
    kinds = {rules.name: Kind(kind).word for rules, kind in by_rule_set if kind != Kind.NONE}
    return OngoingDeceleration(((row.second + 1) * HZ - row.onset) / HZ, row.height, kinds)


def _shelved(state: State, n: int) -> list[Shelved]:
    attention, conditions = state.attention, state.rules.policy.condition
    words = state.words.get(state.beds[n]) or NO_WORDS
    return [
        Shelved(
            conditions[i].name,
            *words.shelved.get(i, ("", "")),
            until * 1000,
            active=bool(attention.active[i, n]),
            level=Level(conditions[i].level),
        )
        for i, until in enumerate(attention.shelved_until[:, n].tolist())
        if until >= 0
    ]


def _limited(state: State, n: int, words: Words) -> list[BedLimit]:
    attention, conditions = state.attention, state.rules.policy.condition
    return [
        BedLimit(conditions[i].name, float(attention.own_limit[i, n]), *words.limited.get(i, ("", "")), until * 1000)
        for i, until in enumerate(attention.own_limit_until[:, n].tolist())
        if until >= 0
    ]


def _suppressed(state: State, n: int) -> list[str]:
    who = of_which_twin(state, n)
    return [
        f"{who}{state.rules.policy.condition[i].name}: {reporting.suppressed_because(state, n, i, why)}"
        for i, why in enumerate(state.attention.suppressed[:, n].tolist())
        if why not in (NOT_SUPPRESSED, SHELVED) and state.rules.policy.condition[i].rank > NOTED
    ]


def _signal(state: State, row: _Row, values: Values, notice: ordering.Notice | None) -> tuple[SignalState, str]:
    limits = state.rules.reading.signal
    if row.second < 0:
        is_there = state.clock.online[row.n]
        return SignalState.LOST, "Monitor connected, but no usable data yet" if is_there else "No monitor connected yet"
    lost_s = values["signal_lost_s"]
    silent_s = (state.now - row.at) / 1000
    if silent_s >= limits.silent_after_s:
        return SignalState.LOST, f"No data for {time_in_words(silent_s)}, {_why_silent(state, row.n)}"
    if lost_s >= limits.no_value_after_s:
        never = lost_s >= values["observed_min"] * 60
        how_long = time_in_words(lost_s)
        return SignalState.LOST, f"No FHR yet, for {how_long}" if never else f"No FHR for {how_long}"
    if notice is not None:
        return SignalState.POOR, notice.value
    if values["near_mother_1min"] >= limits.mother_share:
        return SignalState.POOR, "may be the mother's pulse"
    if values["stepped"]:
        return SignalState.POOR, "jumped to another rate: may be the mother's pulse, or half or double"
    share = values["fhr_usable_1min"]
    if share < limits.poor_below_share:
        return SignalState.POOR, f"{share:.0%} of the last minute usable"
    return SignalState.GOOD, "the uterine activity is flat" if values["ua_flat"] else ""


def _why_silent(state: State, n: int) -> str:
    if state.broker_is_away:
        return "the broker is away: no monitor can be heard"
    return "monitor sends nothing" if state.clock.online[state.bed_at(n)] else "monitor disconnected"
