"""The live summary of a bed: what the newest look says, for the page."""

import math

import numpy as np

from detect.core import hand, reporting
from detect.core.attention import LEVELS, NOT_HELD_BACK, SHELVED
from detect.core.engine import Output
from detect.core.excursions import DOWN
from detect.core.findings import Values, tachysystole_at, values_of
from detect.core.lanes import Ints
from detect.core.rule_sets import RuleSet, led, rounded_baseline
from detect.core.state import State, Words
from quietward.messages import HZ, Class, Contractions, Limited, Part, Paused, Running, Shelved, Signal, Summary


def of(state: State, output: Output) -> list[Summary]:
    """Return the summaries of all beds that were looked at."""
    lanes = np.array(sorted(output.looked), dtype=np.int64)
    classes = classes_of(state, lanes)
    return [
        _summary(state, n, values, classes[place])
        for place, (n, values) in enumerate(zip(lanes.tolist(), values_of(state.findings, 0, lanes), strict=True))
    ]


def classes_of(state: State, lanes: Ints) -> list[list[Class]]:
    """Return, for each lane, its class under every rule set. They are worked out once for each look."""
    unknown = np.array([n for n in lanes.tolist() if n not in state.classes], dtype=np.int64)
    if len(unknown):
        by_rules = [values_of(state.findings, number, unknown) for number in range(len(state.rules.rule_sets))]
        for n, *seen in zip(unknown.tolist(), *by_rules, strict=True):
            state.classes[n] = [_class(r, values) for r, values in zip(state.rules.rule_sets, seen, strict=True)]
    return [state.classes[n] for n in lanes.tolist()]


MISSING = {
    "baseline_bpm": "the baseline is undetermined",
    "variability_bpm": "the variability is unknown",
    "late_or_prolonged_share_30min": "fewer than two contractions seen: decelerations cannot be related to them",
}
"""What it means for a class when one of these measures cannot be said."""


def _class(rules: RuleSet, values: Values) -> Class:
    missing = [text for name, text in MISSING.items() if math.isnan(values[name])]
    own = values | {"baseline_bpm": rounded_baseline(values["baseline_bpm"], rules.round_baseline_to_bpm)}
    criteria = led(rules, own)
    if not criteria and math.isnan(values["baseline_bpm"]):
        return Class(rules.name, 0, "cannot be said", [], missing)
    worst = max((c.rank for c in criteria), default=1)
    return Class(rules.name, worst, rules.classes[worst - 1], [c.text.format_map(own) for c in criteria], missing)


def _summary(state: State, n: int, values: Values, classes: list[Class]) -> Summary:
    def known(name: str) -> float | None:
        value = values[name]
        return None if math.isnan(value) else round(value, 2)

    signal, signal_reason = _signal(state, n, values)
    attention, clock = state.attention, state.clock
    level = int(attention.level[n])
    value = float(state.findings.concern[n])
    parts = zip(state.rules.concern.finding, state.findings.parts[:, n].tolist(), strict=True)
    fhr = state.conditioning.last_bpm[n]
    is_fresh = signal is not Signal.LOST and (clock.second[n] + 1) * HZ - state.conditioning.last_at[n] <= 2 * HZ
    bed = state.beds[n]
    words = state.words.get(bed) or Words()
    names = [condition.name for condition in state.rules.policy.condition]
    return Summary(
        bed=bed,
        session=state.sessions[n],
        t=int(clock.second[n]) * 1000,
        at=int(clock.at[n]),
        looked_at=state.now,
        signal=signal,
        signal_reason=signal_reason,
        fhr_bpm=float(fhr) if is_fresh else None,
        baseline_bpm=known("baseline_bpm"),
        variability_bpm=known("variability_bpm"),
        running=_running(state, n),
        contractions=Contractions(
            known("contractions_per_10min"),
            known("contraction_interval_s"),
            known("contraction_duration_s"),
            known("contraction_since_s"),
            tachysystole=[
                r.name
                for r, value in zip(state.rules.rule_sets, tachysystole_at(state.findings, n), strict=True)
                if value == 1
            ],
            rest_s=known("contraction_rest_s"),
        ),
        concern=None if math.isnan(value) else round(value, 1),
        concern_parts=[Part(f.name, round(p, 1)) for f, p in parts if p >= 0.5],
        classes=classes,
        level=LEVELS[level],
        reason=reporting.reason_for(state, n) if level else "",
        level_since=int(attention.level_since[n]) * 1000 if level else None,
        flag=reporting.flag_id(bed, int(attention.flag[n])) if level else None,
        acknowledged_by=words.acknowledged_by if attention.answered[n] else None,
        events=int(clock.event[n]),
        rules=state.rules.digest,
        shelved=[
            Shelved(names[i], *words.shelved.get(i, ("", "")), until * 1000, active=bool(attention.active[i, n]))
            for i, until in enumerate(attention.shelved_until[:, n].tolist())
            if until >= 0
        ],
        cared=words.cared,
        paused=Paused(*words.paused, int(attention.paused_until[n]) * 1000) if attention.paused_until[n] >= 0 else None,
        limited=[
            Limited(names[i], float(attention.own_limit[i, n]), *words.limited.get(i, ("", "")), until * 1000)
            for i, until in enumerate(attention.own_limit_until[:, n].tolist())
            if until >= 0
        ],
        hand=hand.of(state.hand, state.history, n, int(clock.second[n]), state.rules.reading.hand),
        held_back=[
            f"{names[i]}: {reporting.held_back_because(state, n, i, why)}"
            for i, why in enumerate(attention.held_back[:, n].tolist())
            if why not in (NOT_HELD_BACK, SHELVED)
        ],
    )


def _running(state: State, n: int) -> Running | None:
    e = state.excursions
    length_s = ((int(state.clock.second[n]) + 1) * HZ - int(e.onset[DOWN, n])) / HZ
    return Running(length_s, float(e.height[DOWN, n])) if e.open[DOWN, n] and length_s >= 15 else None


def _signal(state: State, n: int, values: Values) -> tuple[Signal, str]:
    limits = state.rules.reading.signal
    if state.clock.second[n] < 0:
        return Signal.LOST, "its device is online, but nothing usable has come from it"
    lost_s = values["signal_lost_s"]
    silent_s = (state.now - int(state.clock.at[n])) / 1000
    if silent_s >= limits.silent_after_s:
        why = "its device is offline" if not state.clock.online[n] else "its device sends nothing"
        return Signal.LOST, f"nothing for {silent_s:.0f} s: {why}"
    if lost_s >= limits.no_value_after_s:
        never = lost_s >= values["observed_min"] * 60
        return Signal.LOST, f"{'not one FHR value yet,' if never else 'no FHR value'} for {lost_s:.0f} s"
    if values["near_mother_1min"] >= limits.mother_share:
        return Signal.POOR, "may be the mother's pulse"
    if values["stepped"]:
        return Signal.POOR, "jumped from one value to the next: may be the mother's pulse"
    share = values["fhr_usable_1min"]
    if share < limits.poor_below_share:
        return Signal.POOR, f"{share:.0%} of the last minute usable"
    return Signal.GOOD, "the uterine activity is flat" if values["ua_flat"] else ""
