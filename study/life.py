"""Lets variants live through shifts: calls, people, scores. In memory, no clock, no files."""

from collections import defaultdict
from collections.abc import Sequence

import simpy

from quietward.detect.core.alerting.attention import LOOK
from quietward.study.alarms import Alarms, Call, PlainAlarms, PolicyAlarms, Stood, Turn, beyond_limits, by_class
from quietward.study.cases import Measured
from quietward.study.looks import CLASS
from quietward.study.plan import LimitAlarm, Variant
from quietward.study.score import Shift, shift
from quietward.study.staff import BedTruth, Crew, live
from quietward.study.staff_model import Worth

Earned = dict[int, float]
"""By level: the share of calls that stand for something."""


def lived(found: Measured, variants: Sequence[Variant], earned: Sequence[Earned] | None) -> list[list[Shift]]:
    """Return what every shift was like under each variant. earned: by variant; None: nobody is there to answer."""
    policies = [i for i, v in enumerate(variants) if v.policy is not None]
    plain = [i for i, v in enumerate(variants) if v.policy is None]
    shifts: dict[int, list[Shift]] = {}
    for places in (policies, plain):
        if places:
            own = [variants[i] for i in places]
            alarms = _alarms(found, own)
            of_these = _lived(found, own, alarms, None if earned is None else [earned[i] for i in places])
            shifts |= dict(zip(places, of_these, strict=True))
    return [shifts[i] for i in range(len(variants))]


def _alarms(found: Measured, variants: Sequence[Variant]) -> Alarms:
    policies = [v.policy for v in variants if v.policy is not None]
    if policies:
        return PolicyAlarms(found.looks, policies)
    return PlainAlarms([v.name for v in variants], [_turns(found, v) for v in variants], found.looks.lanes)


def _turns(found: Measured, variant: Variant) -> list[Turn]:
    alarm = variant.alarm
    if isinstance(alarm, LimitAlarm):
        # It says nothing of how urgent it is: people read the strip before they go.
        return [
            turn
            for lane, fhr in enumerate(found.fhr)
            for turn in beyond_limits(fhr, alarm.low_bpm, alarm.high_bpm, alarm.for_s, LOOK, lane)
        ]
    if alarm is None:
        raise TypeError("A variant is a policy or an alarm")
    return by_class(found.looks, found.looks.values[f"{CLASS} {alarm.rule_set}"])


def _lived(
    found: Measured, variants: Sequence[Variant], alarms: Alarms, earned: Sequence[Earned] | None
) -> list[list[Shift]]:
    beds, hours = found.beds, found.cases[0].hours
    worths: list[tuple[Worth, list[BedTruth]]] = []  # what stands for something is the same for nearly all variants
    truth = [_truth_for(v.staff.worth, found, worths) for v in variants]
    env = simpy.Environment()
    crews: dict[tuple[int, int], Crew] = {}
    calls: dict[tuple[int, int], list[tuple[Call, bool | None]]] = defaultdict(list)
    if earned is not None:
        for v, variant in enumerate(variants):
            for s, case in enumerate(found.cases):
                own, key = truth[v][s * beds : (s + 1) * beds], f"{case.shift} {case.seed}"
                crews[v, s] = Crew(env, variant.staff, own, alarms, v, s * beds, earned[v], key)

    def called(call: Call) -> None:
        place = (call.variant, call.lane // beds)
        stands = truth[call.variant][call.lane].stands_for_something(call, variants[call.variant].staff.call.ahead_s)
        calls[place].append((call, stands))
        if crews:
            crews[place].called(call, stands)

    live(env, alarms, called, hours * 3600)
    told: dict[tuple[int, int], list[Stood]] = defaultdict(list)
    for one in alarms.told:
        told[one.variant, one.lane // beds].append(one._replace(lane=one.lane % beds))
    return [
        [
            shift(
                hours,
                float(found.seconds[s * beds : (s + 1) * beds].sum()) / 3600,
                truth[v][s * beds : (s + 1) * beds],
                [nurse.beds for nurse in crews[v, s].nurses] if crews else [],
                [(call._replace(lane=call.lane % beds), stands) for call, stands in calls[v, s]],
                told[v, s],
                crews[v, s].visits if crews else [],
            )
            for s in range(len(found.cases))
        ]
        for v in range(len(variants))
    ]


def _truth_for(worth: Worth, found: Measured, known: list[tuple[Worth, list[BedTruth]]]) -> list[BedTruth]:
    for one, truth in known:
        if one == worth:
            return truth
    known.append((worth, [BedTruth.of(t, worth) for t in found.truth]))
    return known[-1][1]


def learnt(shifts: Sequence[Shift]) -> Earned:
    """Return what the calls of a variant are worth, by level; not there: a level of whose calls nothing is known."""
    stood: dict[int, int] = defaultdict(int)
    count: dict[int, int] = defaultdict(int)
    for one in shifts:
        for told in one.calls:
            if told.stands is not None:
                count[told.level] += told.count
                stood[told.level] += told.count * told.stands
    return {level: stood[level] / n for level, n in sorted(count.items())}
