"""Assessment of recordings by the live system's own core: many recordings as beds side by side, no MQTT, no Redis."""

from collections.abc import Callable
from dataclasses import dataclass, field
from math import isnan
from typing import Any, NamedTuple, TypeVar, cast

import numpy as np
from msgspec import Struct, structs
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from quietward.contracts.errors import BadRules, possible
from quietward.contracts.fields import HZ, WINDOW_S
from quietward.contracts.log import Event
from quietward.contracts.summary import RuleClass
from quietward.detect import assessment
from quietward.detect.assessment import Assessment
from quietward.detect.core import engine
from quietward.detect.core.arrays import Ints
from quietward.detect.core.measures.findings import BASELINE_BPM, CONCERN_CLASS
from quietward.detect.core.parameters import ToneLimits
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import SECOND, State
from quietward.recordings.recording import Recording, Signal

EVERY_S = 60
TOGETHER = 1024
MOST_BYTES = 2**30
"""Recordings of one go, and what their samples may take: enough to spread the cost of a step, few enough for memory."""
STILL_S = 180
"""The toco of a woman moves with her breath, and in labour a contraction comes every few minutes; no source."""
FLAT_STEP_S = 10
NOT_KNOWN_TO_BE_NORMAL = 2
SECOND_FETUS = 2.0
"""What the details of a line about the second twin have under `fetus`."""
UNKNOWN = "too little usable FHR to say anything"
GAPS_S = (2.25, 15.25, 60.25)
"""Upper ends of the classes of gaps, a sample beyond: 2, 15 and 60 s count as short."""

T = TypeVar("T", bound=Struct)


class Outcome(NamedTuple):
    """What came of one recording. events: its log, as the live system writes it; their bed is its place in the list."""

    assessment: Assessment
    events: list[Event]


@dataclass
class _Series:
    """What is collected of one recording while it runs."""

    baseline: list[assessment.BaselinePoint] = field(default_factory=list)
    variability: list[assessment.VariabilityPoint] = field(default_factory=list)
    assessments: list[assessment.Minute] = field(default_factory=list)
    not_assessed: list[assessment.Minute] = field(default_factory=list)


def assess(
    recordings: list[Recording],
    rules: Rules,
    rule_set: str,
    moved: Callable[[int], None] = lambda _: None,
) -> list[Assessment]:
    """Return one object per recording, in order. moved: told how many recording-seconds are done.

    Raises BadRules if there is no such rule set.
    """
    return [outcome.assessment for outcome in with_events(recordings, rules, rule_set, moved)]


def with_events(
    recordings: list[Recording],
    rules: Rules,
    rule_set: str,
    moved: Callable[[int], None] = lambda _: None,
) -> list[Outcome]:
    """Return the same with the log of each recording. Raises BadRules."""
    names = [r.name for r in rules.rule_sets]
    if rule_set not in names:
        raise BadRules("rules", rule_set, possible(names, rule_set))
    done: dict[int, Outcome] = {}
    for group in _groups(recordings):
        objects = _together([recordings[i] for i in group], rules, names.index(rule_set), moved)
        done |= dict(zip(group, objects, strict=True))
    return [done[i] for i in range(len(recordings))]


def _groups(recordings: list[Recording]) -> list[list[int]]:
    """Put recordings of similar length side by side: that wastes neither work nor memory."""
    groups: list[list[int]] = []
    for i in sorted(range(len(recordings)), key=lambda i: recordings[i].seconds):
        fetuses = sum(1 + (recordings[j].fhr2 is not None) for j in [*(groups[-1] if groups else []), i])
        needed = recordings[i].seconds * HZ * 2 * 8 * fetuses
        if not groups or len(groups[-1]) == TOGETHER or needed > MOST_BYTES:
            groups.append([])
        groups[-1].append(i)
    return groups


def _together(group: list[Recording], rules: Rules, chosen: int, moved: Callable[[int], None]) -> list[Outcome]:
    twins = [i for i, recording in enumerate(group) if recording.fhr2 is not None]
    beds_of_group = [str(i) for i in range(len(group))]
    names = [*beds_of_group, *(beds_of_group[i] + SECOND for i in twins)]
    state = State(rules, names, [""] * len(names))
    first = np.array([*(-1 for _ in group), *twins])  # by place in the core's arrays, as `advance` has it
    of = np.where(first < 0, np.arange(len(names)), first)  # which recording the fetus at a place is of
    lengths, begins = np.array([group[i].seconds for i in of]), np.zeros(len(names))
    longest = int(lengths.max())
    weeks = np.array([group[i].labour.weeks for i in of])
    second_stage_from_s = np.array([group[i].labour.second_stage_from_s for i in of])
    fhr, ua = np.full((2, longest, HZ, len(names)), np.nan)
    for place, i in enumerate(of.tolist()):
        fhr[: lengths[place], :, place], ua[: lengths[place], :, place] = group[i].by_second()
        second_fhr = group[i].second_fhr_by_second()
        if place >= len(group) and second_fhr is not None:
            fhr[: lengths[place], :, place] = second_fhr
            begins[place] = int(np.argmax(~np.isnan(second_fhr).all(axis=1)))  # it is there with its first value
    events: list[Event] = []
    series = [_Series() for _ in names]
    for second in range(longest):
        beds = np.flatnonzero((lengths > second) & (begins <= second))
        at = np.full(len(beds), second)
        m = len(beds)
        stage = np.where(second >= second_stage_from_s[beds], 2, 1)
        engine.advance(
            state, beds, at, fhr[second][:, beds], ua[second][:, beds], np.full(m, np.nan), events,
            stage, weeks[beds], first[beds],
        )  # fmt: skip
        if (second + 1) % EVERY_S == 0:
            _collect(state, beds, second + 1, chosen, series)
        moved(int(np.count_nonzero(beds < len(group))))
    own: dict[str, list[Event]] = {bed: [] for bed in beds_of_group}
    for event in events:
        own[event.bed].append(event)
    of_second = {i: series[len(group) + k] for k, i in enumerate(twins)}
    return [
        Outcome(_assessment(recording, rules, chosen, own[str(i)], series[i], of_second.get(i)), own[str(i)])
        for i, recording in enumerate(group)
    ]


def _collect(state: State, beds: Ints, t_s: int, chosen: int, series: list[_Series]) -> None:
    classes = summaries.classes_of(state, beds)
    findings, of_concern = state.findings, state.rules.concern
    columns = (
        findings.values[chosen, BASELINE_BPM], state.variability.minute_bpm, findings.concern,
        findings.values[chosen, CONCERN_CLASS], findings.points.T,
    )  # fmt: skip
    rows = zip(beds.tolist(), classes, *(column[beds].tolist() for column in columns), strict=True)
    for n, judged, bpm, minute, value, concern_class, points in rows:
        series[n].baseline.append(assessment.BaselinePoint(t_s, None if isnan(bpm) else round(bpm, 2)))
        if not isnan(minute):
            series[n].variability.append(assessment.VariabilityPoint(t_s, round(minute, 2)))
        is_known = not isnan(value)
        parts = [
            f"{f.name}: {p:.0f} points"
            for f, p in zip(of_concern.finding, points, strict=True)
            if p >= of_concern.least_points_shown
        ]
        ranked = {one.rules: _class(one, is_known) for one in judged}
        row = assessment.Minute(
            t_s=t_s,
            window_s=min(t_s, WINDOW_S),
            rule_class=ranked[judged[chosen].rules],
            concern=round(value, 1) if is_known else None,
            concern_class=cast("assessment.Class", int(concern_class)) if is_known else None,
            reasons=[*judged[chosen].criteria, *judged[chosen].missing, *(parts if is_known else [UNKNOWN])],
            classes=ranked,
        )
        # A number that nobody knows is not made up: such a minute is told apart from the others.
        (series[n].assessments if is_known else series[n].not_assessed).append(row)


def _class(judged: RuleClass, is_known: bool) -> assessment.Class | None:
    """Return the class; where no criterion holds and one cannot be judged, the trace is not known to be normal."""
    rank = judged.rank or (NOT_KNOWN_TO_BE_NORMAL if is_known else None)
    return cast("assessment.Class | None", rank)


def _assessment(
    recording: Recording, rules: Rules, chosen: int, events: list[Event], series: _Series, of_second: _Series | None
) -> Assessment:
    ua_usable = round(float(_ua_usable(recording.ua, rules.reading.tone).mean()), 4)
    by_fetus: tuple[list[Event], list[Event]] = ([], [])
    for event in events:
        by_fetus[event.detail.get("fetus") == SECOND_FETUS].append(event)
    second_twin = None
    if recording.fhr2 is not None and of_second is not None:
        of_twin = _of_fetus(recording.fhr2, ua_usable, rules, chosen, by_fetus[1], of_second)
        second_twin = assessment.SecondTwin(**of_twin)
    return Assessment(
        record=recording.name,
        rules=rules.rule_sets[chosen].name,
        duration_s=len(recording.fhr) / HZ,
        contractions=[_finding(assessment.Contraction, e) for e in events if e.kind == "contraction"],
        note=recording.note,
        second_twin=second_twin,
        **_of_fetus(recording.fhr, ua_usable, rules, chosen, by_fetus[0], series),
    )


def _of_fetus(
    fhr: Signal, ua_usable: float, rules: Rules, chosen: int, events: list[Event], series: _Series
) -> dict[str, Any]:
    """Return the fields that are of one fetus. events: about that one."""
    fhr_limits = rules.reading.signal
    usable = (fhr >= fhr_limits.fhr_lowest_bpm) & (fhr <= fhr_limits.fhr_highest_bpm)
    kind = f"kind {rules.rule_sets[chosen].name}"
    falls = [e for e in events if e.kind == "deceleration" and e.detail[kind] != "none"]
    rises = [e for e in events if e.kind == "acceleration" and e.detail[kind] != "none"]
    return {
        "signal": assessment.SignalQuality(
            fhr_usable=round(float(usable.mean()), 4), ua_usable=ua_usable, gaps=_gaps(usable)
        ),
        "baseline": series.baseline,
        "variability": series.variability,
        "accelerations": [_finding(assessment.Acceleration, e) for e in rises],
        "decelerations": [
            _finding(assessment.Deceleration, e, {"kind": e.detail[kind], "kinds": _kinds(e, rules)}) for e in falls
        ],
        "marks": [_finding(assessment.SignalMark, e) for e in events if e.kind == "signal-mark"],
        "assessments": series.assessments,
        "not_assessed": series.not_assessed,
        "flags": _flags(events),
        "noted": _noted(events),
        "withdrawn": [_finding(assessment.Withdrawn, e, {"t_s": e.t // 1000}) for e in events if e.kind == "withdrawn"],
    }


def _ua_usable(ua: Signal, tone: ToneLimits) -> NDArray[np.bool_]:
    """Return which samples are there and part of a UA that does something.

    It does nothing while its value stays the same for `STILL_S`, and while it stays within the detector's flat range
    for as long as that looks back.
    """
    usable = ~np.isnan(ua)
    stays = np.concatenate([[False], ua[1:] == ua[:-1], [False]])  # the same as the sample before
    for begin, end in np.flatnonzero(np.diff(stays)).reshape(-1, 2).tolist():
        if end - begin + 1 >= STILL_S * HZ:
            usable[begin : end + 1] = False
    window = min(tone.window_s, len(ua) // HZ)
    if window < STILL_S:
        return usable
    whole = slice(0, len(ua) // HZ * HZ)

    def over_windows(values: NDArray[Any]) -> NDArray[Any]:
        return sliding_window_view(values, window)[::FLAT_STEP_S]

    known = over_windows(usable[whole].reshape(-1, HZ).sum(axis=1)).sum(axis=1)
    low, high = (np.where(usable, ua, beyond)[whole].reshape(-1, HZ) for beyond in (np.inf, -np.inf))
    span = over_windows(high.max(axis=1)).max(axis=1) - over_windows(low.min(axis=1)).min(axis=1)
    for i in np.flatnonzero((span < tone.flat_range) & (known >= window * HZ / 2)).tolist():
        usable[i * FLAT_STEP_S * HZ : (i * FLAT_STEP_S + window) * HZ] = False
    return usable


def _gaps(usable: NDArray[np.bool_]) -> assessment.Gaps:
    edges = np.flatnonzero(np.diff(np.concatenate([[True], usable, [True]])))
    lengths_s = np.diff(edges.reshape(-1, 2), axis=1)[:, 0] / HZ
    short, medium, long, longer = np.histogram(lengths_s, bins=[0, *GAPS_S, np.inf])[0].tolist()
    return assessment.Gaps(short, medium, long, longer, float(lengths_s.max(initial=0.0)))


def _finding(what: type[T], event: Event, more: dict[str, Any] | None = None) -> T:
    """Return a finding with what its event says under the same names."""
    same = {name: event.detail[name] for name in what.__struct_fields__ if name in event.detail}
    return what(**same, **(more or {}))


def _kinds(event: Event, rules: Rules) -> dict[str, str]:
    return {one.name: str(event.detail[f"kind {one.name}"]) for one in rules.rule_sets}


def _flags(events: list[Event]) -> list[assessment.Flag]:
    """Return one for every raising of a level; all of a flag ease together."""
    flags: list[assessment.Flag] = []
    for event in events:
        if event.kind in ("flag-raised", "flag-worsened", "flag-escalated"):  # nobody answers: there are no others
            flags.append(assessment.Flag(event.t / 1000, str(event.detail["level"]), str(event.detail["reason"])))
        elif event.kind == "flag-eased":
            eased_s = event.t / 1000
            flags = [flag if flag.eased_s else structs.replace(flag, eased_s=eased_s) for flag in flags]
    return flags


def _noted(events: list[Event]) -> list[assessment.Noted]:
    """Return each time in which the bed was noted for one reason: until that changed, it was quiet again, or a flag was
    raised.
    """
    times: list[assessment.Noted] = []
    for event in events:
        if event.kind in ("noted", "noted-over", "flag-raised") and times and times[-1].to_s is None:
            times[-1] = structs.replace(times[-1], to_s=event.t / 1000)
        if event.kind == "noted":
            times.append(assessment.Noted(event.t / 1000, None, str(event.detail["reason"])))
    return times
