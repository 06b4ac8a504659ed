"""What was done at a bed, and the trace in the ten minutes before and after it: did the decelerations stop?"""

import math

from msgspec import structs

from quietward.contracts.messages import HZ, CareRecord, TraceSummary
from quietward.detect.core.measures.findings import measures_of
from quietward.detect.core.patterns.excursions import DOWN, UA
from quietward.detect.core.reporting.events import flag_id
from quietward.detect.core.state.state import State

STRETCH_S = 600
KEPT = 12
"""So many of the newest notes are kept beside the log."""


def stretch(state: State, n: int, second: int) -> TraceSummary:
    """Return the ten minutes of lane n up to `second` in numbers."""
    notable, h, e = state.rules.reading.notable, state.history, state.present.excursions
    since = (second + 1 - STRETCH_S) * HZ
    falls = [
        (float(depth), float(area))
        for onset, end, depth, area in zip(
            h.fall_onset[:, n], h.fall_end[:, n], h.fall_depth[:, n], h.fall_area[:, n], strict=True
        )
        if onset > since and depth >= notable.deceleration_bpm and end - onset >= notable.deceleration_s * HZ
    ]
    if e.open[DOWN, n] and (second + 1) * HZ - e.onset[DOWN, n] >= notable.deceleration_s * HZ:
        falls.append((float(e.height[DOWN, n]), float(e.area[DOWN, n])))
    measures = measures_of(state.findings, 0)
    baseline, variability = (float(measures[name][n]) for name in ("baseline_bpm", "variability_bpm"))
    return TraceSummary(
        decelerations=len(falls),
        deepest_bpm=round(max((depth for depth, _ in falls), default=0.0), 1),
        area_bpm_min=round(sum(area for _, area in falls) / 60, 1),
        baseline_bpm=None if math.isnan(baseline) else round(baseline, 1),
        variability_bpm=None if math.isnan(variability) else round(variability, 1),
        contractions=int((h.contraction_onset[:, n] > since).sum()) + bool(e.open[UA, n]),
    )


def has_helped(before: TraceSummary, after: TraceSummary, eased: bool) -> bool | None:
    """Say whether what was done has helped; None where there was nothing that could have become better."""
    if eased:
        return True
    return after.decelerations == 0 if before.decelerations else None


def compared(state: State, n: int, second: int, note: CareRecord) -> CareRecord:
    """Return the note with the ten minutes after it."""
    after = stretch(state, n, second)
    a = state.attention
    eased = note.flag is not None and (a.level[n] == 0 or note.flag != flag_id(state.beds[n], int(a.flag[n])))
    helped = None if state.clock.lost[n] else has_helped(note.before, after, eased)
    return structs.replace(note, after=after, helped=helped)


def due(note: CareRecord, second: int) -> bool:
    """Return whether it is time to look at the ten minutes after a note."""
    return note.after is None and second * 1000 - note.t >= STRETCH_S * 1000


def in_words(note: CareRecord) -> str:
    """Say what became of it."""
    before, after = note.before, note.after
    if after is None:
        return ""
    word = {True: "helped", False: "has not helped", None: "nothing to compare"}[note.helped]
    return (
        f"{note.text}: {word}; decelerations in 10 min {before.decelerations} before, {after.decelerations} after, "
        f"deepest {before.deepest_bpm:.0f} and {after.deepest_bpm:.0f} bpm"
    )
