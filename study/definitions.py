"""When the trace itself is bad enough to act on, by the published definitions applied to the truth of a simulation.

A study's needs follow from the reserve, which nobody can see; this is what the best reader of a perfect trace could
know. It is worked out from what the simulation knows, free of noise, loss and whatever the detector finds.
"""

from collections.abc import Sequence

import numpy as np

from quietward.detect.core.arrays import Bools, Floats
from quietward.simulator.truth import Span, Truth, TruthFile

PROLONGED_S = 120.0
"""NICHD 2008 (Macones et al., Obstet Gynecol 2008;112:661)."""
LOWEST_BPM = 100.0
"""FIGO 2015 (Ayres-de-Campos et al., Int J Gynecol Obstet 2015;131:13): a baseline below is pathological."""
REDUCED_BPM, INCREASED_BPM = 5.0, 25.0
REDUCED_MIN, INCREASED_MIN, SINUSOIDAL_S = 50, 30, 1200.0
"""FIGO 2015: so long variability is reduced, or increased. NICHD 2008: so long a sinusoidal pattern lasts."""
REPETITIVE_MIN, REPETITIVE_REDUCED_MIN = 30, 20
"""FIGO 2015: so long late decelerations repeat, or with reduced variability; NICHD 2008, category III: 20 min, with
variable ones, too."""
REPETITIVE_SHARE = 0.5
"""Of contractions: NICHD 2008 has at least half, FIGO 2015 more than half."""
FEWEST = 3
"""Contractions in the window; no source."""
WINDOW_MIN = 10
"""Both texts: baseline and variability are of 10 minutes. NICHD's absent variability is taken to be FIGO's reduced."""
OWN_WITHIN_S = 60.0
"""A deceleration that begins later after a contraction's end is not its own; no source."""
REMEMBERED_S = 1800.0
"""So long a trace that was pathological is not forgotten; FIGO 2015 reads half hours."""


MINUTE_S = 60.0


def pathological(truth: TruthFile) -> list[Span]:
    """Return when one of the definitions holds, to the minute, and a prolonged deceleration to the second.

    `what` names the definition. They are FIGO 2015's of pathological and NICHD 2008's of category III; a prolonged
    deceleration counts while it goes on, sooner than either text has it, so that this begins rather early than late.
    """
    minute_s = np.array([minute.t_s for minute in truth.minutes])
    level = _means([minute.baseline_bpm for minute in truth.minutes])
    variability = _means([minute.variability_bpm for minute in truth.minutes])
    waves = [s for s in truth.states if s.what == "sinusoidal"]
    waving = np.array([any(s.from_s < t <= s.until_s for s in waves) for t in minute_s], np.bool_)
    reduced = (variability <= REDUCED_BPM) & ~waving  # what swings like a sine is not flat, nothing else is left of it
    late, any_kind = _lates(truth.events), _decelerations(truth.events)
    held = {
        "baseline below 100": level < LOWEST_BPM,
        "variability reduced": _for_so_long(reduced, REDUCED_MIN),
        "variability increased": _for_so_long(variability > INCREASED_BPM, INCREASED_MIN),
        "late decelerations": _repeat(truth, minute_s, late, REPETITIVE_MIN),
        "decelerations, reduced variability": reduced & _repeat(truth, minute_s, any_kind, REPETITIVE_REDUCED_MIN),
    }
    spans = [span for what, holds in held.items() for span in _spans(what, minute_s, holds)]
    spans += [Span("sinusoidal", s.from_s + SINUSOIDAL_S, s.until_s) for s in waves]
    spans += [Span("prolonged deceleration", e.onset_s + PROLONGED_S, e.end_s) for e in any_kind]
    return sorted((s for s in spans if s.until_s > s.from_s), key=lambda s: s.from_s)


def begins_to_show(pathological: Sequence[Span], need: Span) -> float | None:
    """Return from when on, since a need's beginning, the trace shows it; None if it does not while the need lasts.

    What was there within the half hour before is not forgotten: the trace then shows it from the beginning.
    """
    begins = (max(s.from_s, need.from_s) for s in pathological if s.until_s >= need.from_s - REMEMBERED_S)
    first = min(begins, default=need.until_s)
    return first if first < need.until_s else None


def _means(values: Sequence[float]) -> Floats:
    """Return the mean of the last ten minutes, of fewer at the beginning."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    ends = np.arange(1, len(sums))
    begins = np.maximum(0, ends - WINDOW_MIN)
    means: Floats = (sums[ends] - sums[begins]) / (ends - begins)
    return means


def _for_so_long(holds: Bools, minutes: int) -> Bools:
    """Return where something that is the mean of ten minutes has held for so many minutes, those ten among them."""
    places = np.arange(len(holds))
    last_not = np.maximum.accumulate(np.where(holds, -1, places))
    found: Bools = holds & (places - last_not >= minutes - WINDOW_MIN) & (places + 1 >= minutes)
    return found


def _decelerations(events: Sequence[Truth]) -> list[Truth]:
    return [e for e in events if "deceleration" in e.what and not e.what.startswith("early")]


def _lates(events: Sequence[Truth]) -> list[Truth]:
    return [e for e in _decelerations(events) if e.what.startswith(("late", "prolonged"))]


def _repeat(truth: TruthFile, minute_s: Floats, falls: Sequence[Truth], window_min: int) -> Bools:
    """Return at which minutes at least half of the contractions of so many minutes have had a deceleration."""
    contractions = [e for e in truth.events if e.what == "contraction"]
    onset_s = np.array([e.onset_s for e in falls])
    ends_s = np.array([e.end_s for e in contractions])
    with_fall = np.array(
        [((onset_s >= c.onset_s) & (onset_s <= c.end_s + OWN_WITHIN_S)).any() for c in contractions], np.bool_
    )
    found = np.zeros(len(minute_s), np.bool_)
    for place, t_s in enumerate(minute_s):
        own = with_fall[(ends_s > t_s - window_min * MINUTE_S) & (ends_s <= t_s)]
        found[place] = len(own) >= FEWEST and own.mean() >= REPETITIVE_SHARE
    return found


def _spans(what: str, minute_s: Floats, holds: Bools) -> list[Span]:
    """Return the runs of minutes in which something holds."""
    edges = np.flatnonzero(np.diff(holds, prepend=False, append=False))
    return [
        Span(what, float(minute_s[first]) - MINUTE_S, float(minute_s[until - 1]))
        for first, until in edges.reshape(-1, 2)
    ]
