"""Pure: why a finding on the strip got its name, in short sentences with numbers.

The terms are those that both published rule sets share (NICHD 2008, FIGO 2015): abrupt is less than 30 s from onset to
nadir, and a late deceleration has onset, nadir and recovery after those of its contraction.
"""

ABRUPT_BELOW_S = 30.0


def deceleration(
    onset_s: float, nadir_s: float, end_s: float, depth_bpm: float, contraction: tuple[float, float] | None
) -> list[str]:
    """Return the criteria of a deceleration. contraction: onset and peak of the one that goes with it, in seconds."""
    descent_s = nadir_s - onset_s
    slope = f"abrupt, less than {ABRUPT_BELOW_S:.0f} s" if descent_s < ABRUPT_BELOW_S else "gradual"
    sentences = [
        f"{depth_bpm:.0f} bpm below the baseline, {end_s - onset_s:.0f} s from onset to end",
        f"{descent_s:.0f} s from onset to nadir: {slope}",
    ]
    if contraction is None:
        return [*sentences, "no contraction was seen that it could belong to"]
    contraction_onset_s, contraction_peak_s = contraction
    return [
        *sentences,
        f"onset {_relative_to(onset_s - contraction_onset_s)} the start of the contraction",
        f"nadir {_relative_to(nadir_s - contraction_peak_s)} its peak",
    ]


def acceleration(onset_s: float, end_s: float, height_bpm: float) -> list[str]:
    """Return the criteria of an acceleration."""
    return [f"{height_bpm:.0f} bpm above the baseline, {end_s - onset_s:.0f} s from onset to end"]


def contraction(onset_s: float, peak_s: float, end_s: float) -> list[str]:
    """Return what is known of a contraction."""
    return [f"{end_s - onset_s:.0f} s long, its peak after {peak_s - onset_s:.0f} s"]


def _relative_to(lag_s: float) -> str:
    if abs(lag_s) < 0.5:
        return "at"
    return f"{abs(lag_s):.0f} s {'after' if lag_s > 0 else 'before'}"
