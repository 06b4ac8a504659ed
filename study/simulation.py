"""Runs variants through shifts: calls, staff, scores. In memory, no clock, no files."""

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import simpy
from msgspec import structs

from quietward.detect.core.alerting.policy import LOOK
from quietward.study.alarms import (
    AlarmChange,
    AlarmEdge,
    Alarms,
    Call,
    NotedTime,
    PlainAlarms,
    PolicyAlarms,
    SpeakAgain,
    class_alarm_edges,
    limit_alarm_edges,
)
from quietward.study.cases import MeasuredShifts
from quietward.study.evaluations import CLASS
from quietward.study.plan import LimitAlarm, Variant
from quietward.study.score import Outcome, ShiftScore, score_shift
from quietward.study.staff import BedTruth, Staff, TruthOverTime, run_shift
from quietward.study.staff_model import TruePositiveCriteria

PpvByLevel = dict[int, float]
"""Positive predictive value of the calls of each level: the share of true positives."""


def simulate_shifts(
    measured: MeasuredShifts,
    variants: Sequence[Variant],
    ppv: Sequence[Sequence[PpvByLevel]] | None,
    moved: Callable[[float], None] = lambda _: None,
    draw: int = 1,
) -> list[list[ShiftScore]]:
    """Return the score of every shift under each variant. ppv: what staff expect, by variant and shift; None: no staff.

    moved: called with the share of all that has been done since it was called last. draw: which one of the staff.
    """
    policies = [i for i, v in enumerate(variants) if v.policy is not None]
    plain = [i for i, v in enumerate(variants) if v.policy is None]
    scores: dict[int, list[ShiftScore]] = {}
    for places in (policies, plain):
        if places:
            own = [variants[i] for i in places]
            alarms = alarms_of(measured, own)
            expected = None if ppv is None else [ppv[i] for i in places]
            share = len(own) / len(variants) / (measured.cases[0].hours * 3600)
            of_these = _simulate(measured, own, alarms, expected, partial(_times, moved, share), draw)
            scores |= dict(zip(places, of_these, strict=True))
    return [scores[i] for i in range(len(variants))]


def _times(moved: Callable[[float], None], share: float, seconds: float) -> None:
    moved(share * seconds)


def alarms_of(measured: MeasuredShifts, variants: Sequence[Variant]) -> Alarms:
    """Return what calls: variants that are all policies, or all plain alarms."""
    policies = [v.policy for v in variants if v.policy is not None]
    if policies:
        return PolicyAlarms(measured.evaluations, policies)
    edges = [_edges(measured, variant) for variant in variants]
    again = [_speak_again(v) for v in variants]
    return PlainAlarms([v.name for v in variants], edges, again, measured.seconds.tolist())


def _speak_again(variant: Variant) -> SpeakAgain:
    times = variant.alarm_times
    if times is None:
        raise TypeError("A plain alarm has times after which it speaks again")
    inf = math.inf
    return SpeakAgain(
        (inf, times.look_after_s or inf, times.bedside_after_s or inf, inf),
        (inf, times.look_repeats_s or inf, times.bedside_repeats_s or inf, times.team_repeats_s or inf),
    )


def _edges(measured: MeasuredShifts, variant: Variant) -> list[AlarmEdge]:
    alarm = variant.alarm
    if isinstance(alarm, LimitAlarm):
        # It does not say how urgent it is: people read the strip before they go.
        return [
            edge
            for bed, fhr in enumerate(measured.fhr)
            for edge in limit_alarm_edges(fhr, alarm.low_bpm, alarm.high_bpm, alarm.for_s, LOOK, bed)
        ]
    if alarm is None:
        raise TypeError("A variant is a policy or an alarm")
    return class_alarm_edges(measured.evaluations, measured.evaluations.values[f"{CLASS} {alarm.rule_set}"])


def _draw_key(draw: int) -> str:
    return f" draw {draw}" if draw > 1 else ""  # the first is that of a study with one


@dataclass(frozen=True)
class Played:
    """Shifts that have been played. staff, calls with whether each is true, changes, noted: by variant and shift."""

    staff: dict[tuple[int, int], Staff]
    calls: dict[tuple[int, int], list[tuple[Call, bool | None]]]
    changes: dict[tuple[int, int], list[AlarmChange]]
    noted: dict[tuple[int, int], list[NotedTime]]


def _simulate(
    measured: MeasuredShifts,
    variants: Sequence[Variant],
    alarms: Alarms,
    ppv: Sequence[Sequence[PpvByLevel]] | None,
    moved: Callable[[float], None],
    draw: int,
) -> list[list[ShiftScore]]:
    """Run variants whose alarms are driven together. moved: called with seconds of the shift."""
    known: list[tuple[TruePositiveCriteria, list[BedTruth]]] = []  # the criteria are the same for nearly all variants
    truth = [_truth_under(v.staff.true_positive, measured, known) for v in variants]
    played = play(measured, variants, alarms, ppv, truth, moved, draw=draw)
    return [
        [score(measured, s, played, (v, s), truth[v]) for s in range(len(measured.cases))] for v in range(len(variants))
    ]


def play(
    measured: MeasuredShifts,
    variants: Sequence[Variant],
    alarms: Alarms,
    ppv: Sequence[Sequence[PpvByLevel]] | None,
    truth: Sequence[Sequence[BedTruth | TruthOverTime]],
    moved: Callable[[float], None] = lambda _: None,
    *,
    draw: int = 1,
    changes_course: bool = False,
) -> Played:
    """Let the shifts go by under variants whose alarms are driven together. truth: by variant, of every bed.

    draw: which one of the staff. changes_course: whether what staff do changes how the women do, so that children are
    born.
    """
    beds, hours = measured.beds, measured.cases[0].hours
    env = simpy.Environment()
    played = Played({}, defaultdict(list), defaultdict(list), defaultdict(list))
    if ppv is not None:
        for v, variant in enumerate(variants):
            for s, case in enumerate(measured.cases):
                own, key = truth[v][s * beds : (s + 1) * beds], f"{case.shift} {case.seed}{_draw_key(draw)}"
                played.staff[v, s] = Staff(
                    env, variant.staff, own, alarms, v, s * beds, ppv[v][s], key, changes_course=changes_course,
                    ends_s=measured.seconds[s * beds : (s + 1) * beds].tolist(),
                )  # fmt: skip

    def on_call(call: Call) -> None:
        place = (call.variant, call.bed // beds)
        is_true = truth[call.variant][call.bed].is_true_positive(call, variants[call.variant].staff.call.ahead_s)
        played.calls[place].append((call, is_true))
        if played.staff:
            played.staff[place].on_call(call, is_true)

    run_shift(env, alarms, on_call, hours * 3600, moved)
    for change in alarms.changes:
        played.changes[change.variant, change.bed // beds].append(change._replace(bed=change.bed % beds))
    for one in alarms.noted():
        played.noted[one.variant, one.bed // beds].append(one._replace(bed=one.bed % beds))
    return played


def score(
    measured: MeasuredShifts,
    shift: int,
    played: Played,
    of: tuple[int, int],
    truth: Sequence[BedTruth],
    births: Mapping[int, float] | None = None,
) -> ShiftScore:
    """Return the score of one shift.

    shift: its place; of: variant and shift of what was played; truth: of all beds; births: when, by bed, where care
    changes the course: then outcomes are scored, too.
    """
    beds, staff = measured.beds, played.staff.get(of)
    own = slice(shift * beds, (shift + 1) * beds)
    found = score_shift(
        measured.seconds[own].tolist(),
        truth[own],
        [nurse.beds for nurse in staff.nurses] if staff else [],
        [(call._replace(bed=call.bed % beds), is_true) for call, is_true in played.calls[of]],
        played.changes[of],
        played.noted[of],
        staff.visits if staff else [],
        measured.cases[shift].what,
    )
    return found if births is None else structs.replace(found, outcomes=_outcomes(measured, shift, births))


def _outcomes(measured: MeasuredShifts, shift: int, births: Mapping[int, float]) -> list[Outcome]:
    """Return how it went with those beds of a simulated shift that had an emergency; with all if none had."""
    case, found = measured.cases[shift], []
    struck = {onset.bed for onset in case.emergencies}
    for bed, truth in enumerate(measured.truth[shift * measured.beds : (shift + 1) * measured.beds]):
        if truth is not None and truth.minutes and (bed in struck or not struck):
            ends_s = float(measured.seconds[shift * measured.beds + bed])
            used = [m.reserve_used for m in truth.minutes]
            found.append(Outcome(bed, case.what(bed, ends_s), ends_s, bed in births, used[-1], max(used)))
    return found


def _truth_under(
    criteria: TruePositiveCriteria,
    measured: MeasuredShifts,
    known: list[tuple[TruePositiveCriteria, list[BedTruth]]],
) -> list[BedTruth]:
    """Return the truth of every bed under some criteria, from `known` if it is there already."""
    for of, truth in known:
        if of == criteria:
            return truth
    known.append((criteria, [BedTruth.of(t, criteria) for t in measured.truth]))
    return known[-1][1]


def ppv_by_level(shifts: Sequence[ShiftScore]) -> PpvByLevel:
    """Return the positive predictive value of a variant's calls; a level whose calls cannot be judged is left out."""
    true: dict[int, int] = defaultdict(int)
    judged: dict[int, int] = defaultdict(int)
    for shift in shifts:
        for calls in shift.calls:
            if calls.true_positive is not None:
                judged[calls.level] += calls.count
                true[calls.level] += calls.count * calls.true_positive
    return {level: true[level] / n for level, n in sorted(judged.items())}
