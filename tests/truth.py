"""A long simulated labour with everything in it, and how well the detector's findings agree with what happened."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import msgspec
import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect import assess
from quietward.detect.assessment import Acceleration, Assessment, Contraction, Deceleration
from quietward.recordings.recording import Recording
from quietward.simulator import bed
from quietward.simulator.bed import Signal, SimulatedLabour
from quietward.simulator.fetus import KINDS, PROLONGED_S
from quietward.simulator.scenario import Cause, Phase, Recorder, Scenario
from quietward.simulator.truth import Span, Truth
from tests.traces import RULES

MATCH_S = 30.0
"""Onsets further apart than this are not the same event."""


def everything(hours: int, loss_share: float, recorder: Recorder) -> Scenario:
    """Return a labour that goes through all kinds of decelerations, in phases of two hours.

    Its fetus has more reserve than any of it can use, so that every phase stays as it is written.
    """
    cycle = [
        Phase(0, 140.0, 10.0, 12.0, contraction_interval_s=240.0, contraction_duration_s=75.0, causes=[]),
        Phase(120, 135.0, 12.0, 4.0, contraction_interval_s=210.0, contraction_duration_s=80.0,
              causes=[Cause("cord", 0.6, 40.0, 45.0)]),
        Phase(240, 148.0, 9.0, 2.0, contraction_interval_s=200.0, contraction_duration_s=85.0,
              causes=[Cause("head", 0.6, 22.0)]),
        Phase(360, 128.0, 8.0, 2.0, contraction_interval_s=200.0, contraction_duration_s=80.0,
              causes=[Cause("placenta", 0.6, 25.0)]),
        Phase(480, 142.0, 11.0, 8.0, contraction_interval_s=240.0, contraction_duration_s=75.0,
              causes=[Cause("cord", 0.3, 50.0, 60.0), Cause("cord", 0.05, 45.0, 200.0), Cause("placenta", 0.2, 28.0)]),
    ]  # fmt: skip
    phases = [
        msgspec.structs.replace(
            p, from_min=p.from_min + 600 * k, fhr_loss_share=loss_share, spikes_per_h=12.0, wrong_rate_per_h=2.0,
            coughs_per_h=20.0, toco_moves_per_h=0.5, toco_noise=0.5,
        )
        for k in range(-(-hours // 10))
        for p in cycle
    ]  # fmt: skip
    return Scenario(
        "everything", "test", "test", "test", hours * 60.0, [p for p in phases if p.from_min < hours * 60],
        capacity_bpm_min=100_000.0, asleep_share=0.0, recorder=recorder,
    )  # fmt: skip


PROLONGED_FROM_S = {"nichd-2008": PROLONGED_S, "figo-2015": 180.0}
ABRUPT_BELOW_S, DOUBT_S = 30.0, 5.0
"""Below the first a fall is abrupt (NICHD 2008, FIGO 2015); a true one this near to it may be read either way."""

OWN_WITHIN_S = 60.0
"""A fall that begins later after a contraction's end is not its own; no source."""

SURE_BPM = 17.0
"""15 bpm make an acceleration (NICHD 2008). Lower ones are not asked for, and in doubt neither way up to here."""


@dataclass
class Score:
    """Agreement of found with true events."""

    true: int
    found: int
    matched: int
    onset_error_s: float  # median
    kinds: Counter[tuple[str, str]] = field(default_factory=Counter)  # of the matched: true and found kind
    sure: Counter[tuple[str, str]] = field(default_factory=Counter)  # of those whose true fall is in no doubt

    @property
    def f1(self) -> float:
        return 2 * self.matched / max(1, self.true + self.found)


Excursion = Acceleration | Contraction | Deceleration
E = TypeVar("E", Acceleration, Contraction, Deceleration)


def pooled(scores: list[Score]) -> Score:
    """Return the scores of several labours as one; its error of the onset is the largest."""
    kinds: Counter[tuple[str, str]] = sum((s.kinds for s in scores), Counter())
    sure: Counter[tuple[str, str]] = sum((s.sure for s in scores), Counter())
    true, found, matched = (sum(getattr(s, name) for s in scores) for name in ("true", "found", "matched"))
    return Score(true, found, matched, max(s.onset_error_s for s in scores), kinds, sure)


def right(kinds: Counter[tuple[str, str]]) -> float:
    """Return the share of decelerations whose kind is the true one."""
    return sum(n for (true, found), n in kinds.items() if true == found) / max(1, kinds.total())


def true_kind(t: Truth, rule_set: str, contractions: list[Truth]) -> str:
    """Return what a true deceleration is by the definitions of a rule set, applied to what really happened.

    nichd-2008: abrupt or gradual by its fall; a gradual one is early or late by its cause. figo-2015: late is what
    begins more than 20 s after a contraction, has its nadir after the peak, ends after the end, and is gradual on at
    least one side.
    """
    if t.end_s - t.onset_s >= PROLONGED_FROM_S[rule_set] or not t.cause:
        return "prolonged"
    is_abrupt = t.extreme_s - t.onset_s < ABRUPT_BELOW_S
    if rule_set == "nichd-2008":
        return "variable" if is_abrupt else KINDS[t.cause]
    before = [c for c in contractions if c.onset_s <= t.onset_s <= c.end_s + OWN_WITHIN_S]
    c = before[-1] if before else None
    if c is not None and t.onset_s - c.onset_s > 20 and t.extreme_s > c.extreme_s and t.end_s > c.end_s:
        return "variable" if is_abrupt and t.end_s - t.extreme_s <= ABRUPT_BELOW_S else "late"
    return "variable" if is_abrupt else KINDS[t.cause]


def is_sure(t: Truth, rule_set: str) -> bool:
    """Return whether its fall, and where the rule set asks for it, its return, is clearly abrupt or clearly gradual."""
    flanks = [t.extreme_s - t.onset_s] + ([t.end_s - t.extreme_s] if rule_set == "figo-2015" else [])
    return all(abs(flank - ABRUPT_BELOW_S) > DOUBT_S for flank in flanks)


def matched_by_onset(true: list[Truth], found: Sequence[Excursion]) -> dict[int, tuple[int, float]]:
    """Return, by the place of a true event, that of the found one it belongs to and how many s their onsets are apart.

    One to one, the nearest first.
    """
    pairs = sorted(
        (abs(t.onset_s - f.onset_s), i, j)
        for i, t in enumerate(true)
        for j, f in enumerate(found)
        if abs(t.onset_s - f.onset_s) <= MATCH_S
    )
    matched: dict[int, tuple[int, float]] = {}
    taken: set[int] = set()
    for distance, i, j in pairs:
        if i not in matched and j not in taken:
            matched[i] = (j, distance)
            taken.add(j)
    return matched


def score(
    true: list[Truth],
    found: Sequence[Excursion],
    seen: list[bool],
    rule_set: str = "",
    contractions: list[Truth] | None = None,
) -> Score:
    """Match one to one by nearest onset.

    seen: which true events the sensors showed more than half of; the others are neither asked for nor held against
    the detector when it finds them. rule_set: kinds are compared as it defines them; empty: there are no kinds.
    """
    taken_true = matched_by_onset(true, found)
    unseen = [i for i in taken_true if not seen[i]]
    matched = {i: pair for i, pair in taken_true.items() if seen[i]}
    pairs_of_kinds = {
        i: (true_kind(true[i], rule_set, contractions or []), str(getattr(found[j], "kind", "")))
        for i, (j, _) in matched.items()
        if rule_set
    }
    return Score(
        sum(seen),
        len(found) - len(unseen),
        len(matched),
        float(np.median([d for _, d in matched.values()])) if matched else float("nan"),
        Counter(pairs_of_kinds.values()),
        Counter(pair for i, pair in pairs_of_kinds.items() if is_sure(true[i], rule_set)),
    )


@dataclass
class Report:
    """All scores of one labour, and what its decelerations were: each with the true one, and all contractions."""

    decelerations: Score
    accelerations: Score
    contractions: Score
    baseline_error_bpm: float  # mean absolute
    marked: int  # runs at half or double rate that were said
    runs: int
    falls: list[tuple[Truth, Deceleration]]  # matched, and seen
    true_contractions: list[Truth]
    found_contractions: list[Contraction]


def report(labours: list[SimulatedLabour], rule_set: str = "nichd-2008") -> list[Report]:
    """Assess labours side by side and score each."""
    return scored(labours, [Recording(str(i), x.fhr, x.ua) for i, x in enumerate(labours)], rule_set)


def scored(labours: list[SimulatedLabour], seen: list[Recording], rule_set: str) -> list[Report]:
    """Score what is found in recordings of labours, which may have been spoilt since."""
    rows = assess.assess(seen, RULES, rule_set)
    return [_report(labour, row, rule_set) for labour, row in zip(labours, rows, strict=True)]


def _report(labour: SimulatedLabour, row: Assessment, rule_set: str) -> Report:
    seen_s = len(labour.fhr) / HZ
    true = [t for t in labour.truth.events if t.onset_s >= 300 and t.end_s < seen_s - 60]

    def within(found: Sequence[E]) -> list[E]:
        return [f for f in found if f.onset_s >= 300 and f.end_s < seen_s - 60]

    def seen(true: list[Truth], signal: Signal) -> list[bool]:
        parts = [signal[round(t.onset_s * HZ) : round(t.end_s * HZ)] for t in true]
        return [bool(np.isnan(part).mean() < 0.5) for part in parts]

    falls = [t for t in true if "deceleration" in t.what]
    rises = [t for t in true if t.what == "acceleration"]
    contractions = [t for t in true if t.what == "contraction"]
    high = [saw and t.size >= SURE_BPM for t, saw in zip(rises, seen(rises, labour.fhr), strict=True)]
    runs: list[Span] = [x for x in labour.truth.artefacts if x.what in ("half rate", "double rate")]
    errors = []
    for b in row.baseline:
        end = b.t_s * HZ
        if b.bpm is not None and end >= 600 * HZ:
            errors.append(abs(b.bpm - float(labour.baseline[end - 600 * HZ : end].mean())))
    found = within(row.decelerations)
    seen_falls = seen(falls, labour.fhr)
    return Report(
        score(falls, found, seen_falls, rule_set, contractions),
        score(rises, within(row.accelerations), high),
        score(contractions, within(row.contractions), seen(contractions, labour.ua)),
        float(np.mean(errors)),
        len([m for m in row.marks if m.what in ("half rate", "double rate")]),
        len([x for x in runs if x.until_s - x.from_s >= 1 and x.from_s >= 300 and x.until_s < seen_s - 60]),
        [(falls[i], found[j]) for i, (j, _) in matched_by_onset(falls, found).items() if seen_falls[i]],
        contractions,
        row.contractions,
    )


def labour(hours: int, loss_share: float, seed: int, recorder: Recorder = "intervals") -> SimulatedLabour:
    return bed.simulate(everything(hours, loss_share, recorder), seed, hours * 3600)
