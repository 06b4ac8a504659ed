"""What was done at a bed, and the trace before and after it, each for as long as it has time to help."""

import math

from msgspec import structs

from quietward.contracts.fields import HZ
from quietward.contracts.summary import CareRecord, TraceSummary
from quietward.detect.core.measures.findings import BASELINE_BPM, BELOW_EARLIER_BPM, VARIABILITY_BPM
from quietward.detect.core.patterns.excursions import DOWN, UA
from quietward.detect.core.signal import usable
from quietward.detect.core.state.state import State

KEPT = 12
"""So many of the newest notes are kept beside the log."""


def stretch(state: State, n: int, second: int) -> TraceSummary:
    """Return in numbers what the trace of bed n was up to `second`, for as long as the policy gives care to help.

    Of twins: the decelerations of both; baseline and variability of the first.
    """
    one, *others = (_of_fetus(state, fetus, second) for fetus in state.fetuses(n))
    for other in others:
        one = structs.replace(
            one,
            decelerations=one.decelerations + other.decelerations,
            deepest_bpm=max(one.deepest_bpm, other.deepest_bpm),
            area_bpm_min=round(one.area_bpm_min + other.area_bpm_min, 1),
        )
    return one


def _of_fetus(state: State, n: int, second: int) -> TraceSummary:
    notable, h, e = state.rules.reading.notable, state.history, state.excursions
    since = (second + 1 - state.rules.policy.care.helps_within_s) * HZ
    falls = [
        (float(depth), float(area))
        for onset, end, depth, area in zip(
            h.fall_onset[:, n], h.fall_end[:, n], h.fall_depth[:, n], h.fall_area[:, n], strict=True
        )
        if onset > since and depth >= notable.deceleration_bpm and end - onset >= notable.deceleration_s * HZ
    ]
    if e.open[DOWN, n] and (second + 1) * HZ - e.onset[DOWN, n] >= notable.deceleration_s * HZ:
        falls.append((float(e.height[DOWN, n]), float(e.area[DOWN, n])))
    baseline, variability = (float(state.findings.values[0, row, n]) for row in (BASELINE_BPM, VARIABILITY_BPM))
    return TraceSummary(
        decelerations=len(falls),
        deepest_bpm=round(max((depth for depth, _ in falls), default=0.0), 1),
        area_bpm_min=round(sum(area for _, area in falls) / 60, 1),
        baseline_bpm=None if math.isnan(baseline) else round(baseline, 1),
        variability_bpm=None if math.isnan(variability) else round(variability, 1),
        contractions=int((h.contraction_onset[:, n] > since).sum()) + bool(e.open[UA, n]),
    )


def has_helped(before: TraceSummary, after: TraceSummary, cleared: bool) -> bool | None:
    """Say whether what was done has helped; None where there was nothing that could have become better."""
    if cleared:
        return True
    return after.decelerations == 0 if before.decelerations else None


def compared(state: State, n: int, second: int, note: CareRecord) -> CareRecord:
    """Return the note with the trace after it."""
    after = stretch(state, n, second)
    a, fetuses = state.attention, state.fetuses(n)
    is_aside = ((a.shelved_until[:, fetuses] >= 0) & a.active[:, fetuses]).any()
    cleared = note.flag is not None and not (a.level[fetuses] > 0).any() and not is_aside
    helped = has_helped(note.before, after, cleared) if _was_seen(state, fetuses, second) else None
    below_bpm = state.findings.values[0, BELOW_EARLIER_BPM, fetuses]
    fell_s = state.all.earlier.fell_at[fetuses] - note.t // 1000
    is_of_now = fell_s >= -state.rules.policy.care.helps_within_s
    if helped and (is_of_now & (below_bpm >= state.rules.reading.notable.deceleration_bpm)).any():
        helped = False  # the fall has become the baseline: it is no deceleration any more, and not back
    return structs.replace(note, after=after, helped=helped)


def _was_seen(state: State, fetuses: list[int], second: int) -> bool:
    """Return whether at least half of the trace since what was done could be read, of each fetus, and can be now."""
    within_s = state.rules.policy.care.helps_within_s
    seen_s = [usable.of_seconds_s(state.usable, usable.FHR, n, second + 1 - within_s, second + 1) for n in fetuses]
    return bool(not state.clock.lost[fetuses].any() and 2 * min(seen_s) >= within_s)


def due(note: CareRecord, second: int, within_s: int) -> bool:
    """Return whether it is time to look at the trace after a note. within_s: what was done must have helped by then."""
    return note.after is None and second * 1000 - note.t >= within_s * 1000


def in_words(note: CareRecord, within_s: int) -> str:
    """Say what became of it in that time."""
    before, after = note.before, note.after
    if after is None:
        return ""
    word = {True: "helped", False: "has not helped", None: "nothing to compare"}[note.helped]
    return (
        f"{note.text}: {word}; decelerations in {within_s / 60:g} min "
        f"{before.decelerations} before, {after.decelerations} after, "
        f"deepest {before.deepest_bpm:.0f} and {after.deepest_bpm:.0f} bpm"
    )
