"""Pure: why something on a strip is called what it is called, in short sentences with the numbers that decided it.

Common words of the published rule sets (NICHD 2008, FIGO 2015): a deceleration is abrupt or gradual by the time from
onset to nadir, and a late one has onset, nadir and recovery after those of its contraction; by FIGO 2015 its fall may
be abrupt if its return is gradual. Limits are those of the rule set that named it.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from quietward.contracts.policy_info import RuleSetInfo

GRADUAL = ("early", "late", "undetermined")
MOST_DIGITS = 6


class Fall(NamedTuple):
    """A deceleration, in seconds. fall_s: from onset until the nadir is reached; nadir_s: the middle of a flat one."""

    onset_s: float
    nadir_s: float
    end_s: float
    fall_s: float
    depth_bpm: float


def deceleration(
    fall: Fall,
    contraction: tuple[float, float] | None,
    kinds: Mapping[str, str],
    rule_sets: Sequence[RuleSetInfo] = (),
) -> list[str]:
    """Return what makes a deceleration of its kinds.

    contraction: onset and peak of the one it belongs to. kinds: what each rule set calls it. rule_sets: those of which
    the numbers are known; of another one no limits are told.
    """
    numbers = {one.name: one for one in rule_sets if one.name in kinds}
    depth = _beyond(fall.depth_bpm, [x for n in numbers.values() for x in (n.depth_bpm, n.gradual_depth_bpm)])
    length = _beyond(fall.end_s - fall.onset_s, [x for n in numbers.values() for x in (n.length_s, n.prolonged_s)])
    said = [
        f"{depth} bpm below the baseline, {length} s from onset to end",
        _slope(fall, kinds, numbers),
    ]
    if contraction is None:
        return [*said, "no contraction was seen that it could belong to"]
    began_s, peak_s = contraction
    lates = [x for n in numbers.values() for x in (n.late_onset_after_s, n.late_onset_after_s - n.abrupt_doubt_s)]
    return [
        *said,
        f"onset {_beside(fall.onset_s - began_s, lates)} the start of the contraction",
        f"nadir {_beside(fall.nadir_s - peak_s, [])} its peak",
    ]


def acceleration(onset_s: float, end_s: float, height_bpm: float) -> list[str]:
    """Return what makes an acceleration."""
    return [f"{height_bpm:.0f} bpm above the baseline, {end_s - onset_s:.0f} s from onset to end"]


def contraction(onset_s: float, peak_s: float, end_s: float) -> list[str]:
    """Return what is known of a contraction."""
    return [f"{end_s - onset_s:.0f} s long, its peak after {peak_s - onset_s:.0f} s"]


def _slope(fall: Fall, kinds: Mapping[str, str], numbers: Mapping[str, RuleSetInfo]) -> str:
    """Return how long the fall takes and what that makes it; by which rule set, if they do not agree."""
    slopes = {name: _slope_by(fall, kind, numbers.get(name)) for name, kind in kinds.items()}
    told = {name: slope for name, slope in slopes.items() if slope}
    limits = [n.abrupt_below_s + sign * n.abrupt_doubt_s for n in numbers.values() for sign in (-1, 0, 1)]
    begins = f"{_beyond(fall.fall_s, limits)} s from onset to nadir"
    if len(set(told.values())) > 1:
        return f"{begins}: " + "; ".join(f"{slope}, by {name}" for name, slope in sorted(told.items()))
    return ": ".join([begins, *dict.fromkeys(told.values())])


def _slope_by(fall: Fall, kind: str, numbers: RuleSetInfo | None) -> str:
    """Return what the fall is by one rule set; nothing where only its numbers, which are not known, would say it."""
    if numbers is None:
        return "abrupt" if kind == "variable" else "gradual" if kind in GRADUAL else ""
    limit_s, doubt_s = numbers.abrupt_below_s, numbers.abrupt_doubt_s
    near = f"within {doubt_s:g} s of {limit_s:g} s"
    if fall.fall_s >= limit_s:
        return f"counted as abrupt, {near}, with no place at a contraction" if kind == "variable" else "gradual"
    if kind not in GRADUAL:
        return f"abrupt, less than {limit_s:g} s"
    if fall.fall_s >= limit_s - doubt_s and fall.end_s - fall.nadir_s >= limit_s:
        return f"counted as gradual, {near}, with a gradual way back"
    return "abrupt, with a gradual way back"


def _beside(lag_s: float, limits: Sequence[float]) -> str:
    if abs(lag_s) < 0.5 and all(lag_s <= limit for limit in limits):
        return "at"
    return f"{_beyond(abs(lag_s), limits)} s {'after' if lag_s > 0 else 'before'}"


def _beyond(value: float, limits: Sequence[float]) -> str:
    """Return a number rounded, but never to the other side of a limit it was compared with."""
    for digits in range(MOST_DIGITS):
        shown = round(value, digits)
        if all((shown < limit, shown > limit) == (value < limit, value > limit) for limit in limits):
            break
    return f"{shown:.{digits}f}"
