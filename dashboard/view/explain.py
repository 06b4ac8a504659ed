"""Pure: why something on a strip is called what it is called, in short sentences with numbers.

Common words of both published rule sets (NICHD 2008, FIGO 2015): abrupt is less than 30 s from onset to nadir, and a
late one has onset, nadir and recovery after those of its contraction.
"""

ABRUPT_BELOW_S = 30.0


def deceleration(
    onset_s: float, nadir_s: float, end_s: float, depth_bpm: float, contraction: tuple[float, float] | None
) -> list[str]:
    """Return what makes a deceleration of its kind. contraction: onset and peak of the one it belongs to."""
    fall_s = nadir_s - onset_s
    slope = f"abrupt, less than {ABRUPT_BELOW_S:.0f} s" if fall_s < ABRUPT_BELOW_S else "gradual"
    said = [
        f"{depth_bpm:.0f} bpm below the baseline, {end_s - onset_s:.0f} s from onset to end",
        f"{fall_s:.0f} s from onset to nadir: {slope}",
    ]
    if contraction is None:
        return [*said, "no contraction was seen that it could belong to"]
    began_s, peak_s = contraction
    return [
        *said,
        f"onset {_beside(onset_s - began_s)} the start of the contraction",
        f"nadir {_beside(nadir_s - peak_s)} its peak",
    ]


def acceleration(onset_s: float, end_s: float, height_bpm: float) -> list[str]:
    """Return what makes an acceleration."""
    return [f"{height_bpm:.0f} bpm above the baseline, {end_s - onset_s:.0f} s from onset to end"]


def contraction(onset_s: float, peak_s: float, end_s: float) -> list[str]:
    """Return what is known of a contraction."""
    return [f"{end_s - onset_s:.0f} s long, its peak after {peak_s - onset_s:.0f} s"]


def _beside(lag_s: float) -> str:
    if abs(lag_s) < 0.5:
        return "at"
    return f"{abs(lag_s):.0f} s {'after' if lag_s > 0 else 'before'}"
