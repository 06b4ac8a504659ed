"""Which values of a policy's numbers are plausible: a study refuses others, which would only look like a result."""

from quietward.detect.core.measures.findings import MEASURES

Range = tuple[float, float]

DAY_S = 24 * 3600
TIMES: Range = (0, DAY_S)
NO_MEASURES: dict[str, Range] = {"concern": (0, 100), "concern_class": (1, 3)}
OF_THEIR_OWN: dict[str, Range] = NO_MEASURES | {
    "baseline_change_1h_bpm": (-210, 210),
    "variability_change_1h_bpm": (-210, 210),
}
LEVELS_BPM: Range = (30, 240)
"""Of a heart rate: the scale of the paper. Other measures in bpm are differences."""
BY_UNIT: dict[str, Range] = {
    "share": (0, 1),
    "1 or 0": (0, 1),
    "bpm": (0, 210),
    "s": TIMES,
    "min": (0, DAY_S / 60),
    "count": (0, 60),
    "in 10 min": (0, 20),
    "bpm x min": (0, 2100),
    "bpm x min in 10 min": (0, 2100),
    "ratio": (0, 10),
    "weeks": (20, 45),
}


def of_measure(name: str) -> Range:
    """Return the least and the greatest plausible limit of a measure."""
    if name in OF_THEIR_OWN:
        return OF_THEIR_OWN[name]
    return LEVELS_BPM if name.endswith("baseline_bpm") or name == "baseline_30min_bpm" else BY_UNIT[MEASURES[name].unit]


def in_words(name: str) -> str:
    """Return a measure with its unit."""
    return name if name in NO_MEASURES else f"{name} ({MEASURES[name].unit})"
