"""Strips drawn for the measures: what is true of each at its end is known from how it was drawn, and said beside it.

Without noise a fall or rise is seen to the sample: a `box` of 60 s is 60 s long. Contractions are found in a smoothed
trace, so that their edges are known to a few seconds only; the distance of two of the same form is exact.
"""

import math
from dataclasses import dataclass

import numpy as np

from quietward.contracts.fields import HZ
from tests.traces import Signal, bell, flat, put, ramp, ripple

UNKNOWN = math.nan
STRIPS: list["Strip"] = []


@dataclass(frozen=True)
class Near:
    """A value known only within so much."""

    value: float
    within: float


Expected = float | Near | tuple[float, float]
"""A value; or one for each rule set, nichd-2008 first."""


@dataclass
class Strip:
    """Signals of a bed; mhr, stage and weeks by second. first: FHR of the first twin, where this is of the second."""

    name: str
    fhr: Signal
    ua: Signal
    mhr: Signal
    stage: list[int]
    weeks: int
    says: dict[str, Expected]
    first: Signal | None = None

    @property
    def seconds(self) -> int:
        return len(self.fhr) // HZ


def strip(
    name: str,
    fhr: Signal,
    says: dict[str, Expected],
    *,
    ua: Signal | None = None,
    mhr: Signal | float = UNKNOWN,
    second_stage_from: int | None = None,
    weeks: int = 0,
    first: Signal | None = None,
) -> None:
    """Add a strip."""
    seconds = len(fhr) // HZ
    STRIPS.append(
        Strip(
            name,
            fhr,
            flat(10, seconds) if ua is None else ua,
            np.full(seconds, mhr) if isinstance(mhr, float) else mhr,
            [0 if second_stage_from is None else 1 + (s >= second_stage_from) for s in range(seconds)],
            weeks,
            says,
            first,
        )
    )


def box(size: float, length_s: float) -> Signal:
    """A departure at full size from its first sample to its last; sizes above 25 bpm take steps of 25 at either end."""
    steps = math.ceil(abs(size) / 25)
    edge = [size / abs(size) * 25 * k for k in range(1, steps)]
    return np.array([*edge, *[size] * (round(length_s * HZ) - 2 * len(edge)), *reversed(edge)])


def put_all(signal: Signal, *pieces: tuple[float, Signal]) -> Signal:
    for at_s, piece in pieces:
        signal = put(signal, at_s, piece)
    return signal


def without(signal: Signal, *spans: tuple[float, float]) -> Signal:
    """Return the signal with nothing from one second to another."""
    left = signal.copy()
    for from_s, to_s in spans:
        left[round(from_s * HZ) : round(to_s * HZ)] = np.nan
    return left


# The baseline. It needs 2 minutes of samples: the first evaluation that has them is that at 120 s.

for level, below_100, below_110, above_160 in [
    (99.75, 480, 480, 0), (100, 0, 480, 0), (109.75, 0, 480, 0), (110, 0, 0, 0), (160, 0, 0, 0), (160.25, 0, 0, 480),
]:  # fmt: skip
    strip(
        f"constant {level} for 10 min",
        flat(level, 600),
        {
            "baseline_bpm": level,
            "baseline_30min_bpm": level,
            "baseline_below_100_s": below_100,
            "baseline_below_110_s": below_110,
            "baseline_above_160_s": above_160,
            "baseline_unknown_s": 0,
            "observed_min": 10,
            "signal_lost_s": 0,
            "weeks": UNKNOWN,
            "second_stage": 0,
        },
    )
strip(
    "too little for a baseline",
    without(flat(140, 600), (119.75, 600)),
    {
        "baseline_bpm": UNKNOWN,
        "baseline_30min_bpm": UNKNOWN,
        "baseline_below_110_s": 0,
        "baseline_unknown_s": 600,
        "signal_lost_s": 480,
    },
)
strip(
    "gone down by 30 bpm within 10 min, half an hour and more ago",
    np.concatenate([flat(155, 600), 155 - np.arange(600 * HZ) / (20 * HZ), flat(125, 2400)]),
    {"baseline_bpm": 125, "baseline_30min_bpm": 125, "observed_min": 60, "baseline_change_1h_bpm": -30},
)
strip(
    "gone up by 20 bpm within the last hour, a minute of the ten around its beginning lost",
    without(np.concatenate([flat(130, 1200), 130 + np.arange(600 * HZ) / (30 * HZ), flat(150, 2700)]), (840, 900)),
    {"baseline_change_1h_bpm": 20, "observed_min": 75},
)
strip("55 minutes are not an hour", flat(130, 3300), {"baseline_change_1h_bpm": UNKNOWN, "observed_min": 55})
strip(
    "low for 8 min of which the last 5 show nothing",
    without(flat(95, 780), (480, 780)),
    # From 120 s on it is known; it is unknown when less than 2 of the last 10 min are left: from 960 s on.
    {"baseline_below_100_s": 660, "signal_lost_s": 300, "fhr_usable_1min": 0},
)
# 120 for 5 min, 140 for 5 min, each held for half a minute or more: the minutes of the first are the lower ones.
strip(
    "two levels",
    np.concatenate([flat(120, 600), 120 + np.arange(200 * HZ) / (20 * HZ), flat(130, 1000)]),
    {"baseline_bpm": 130, "baseline_30min_bpm": Near(126, 2)},
)

# Variability: the bandwidth of a wave of 12 s with the outermost 2.5 % left out is 0.99 of it.

strip(
    "variability 4 for half an hour",
    flat(140, 1800) + ripple(1800, 4),
    {
        "variability_bpm": 4,
        "low_variability_min": 30,
        "high_variability_min": 0,
        "low_variability_share_30min": 1,
        "smooth_share_30min": 1,
        "sinusoidal_min": 0,
    },
)
strip(
    "variability 5 is not below 5",
    flat(140, 600) + ripple(600, 5),
    {"variability_bpm": 5, "low_variability_min": 0, "low_variability_share_30min": 1},
)
strip(
    "variability 6",
    flat(140, 600) + ripple(600, 6),
    {
        "variability_bpm": 6,
        "low_variability_min": 0,
        "low_variability_share_30min": 0,
        "smooth_share_30min": 0,
        "sinusoidal_min": 10,
    },
)
strip(
    "gone down from variability 14 to 6 half an hour ago, two minutes of the ten around an hour ago lost",
    without(flat(140, 4200) + np.concatenate([ripple(2400, 14), ripple(1800, 6)]), (600, 720)),
    {"variability_bpm": 6, "variability_change_1h_bpm": Near(-8, 0.2), "observed_min": 70},
)
strip(
    "variability 6 for 55 min",
    flat(140, 3300) + ripple(3300, 6),
    {"variability_bpm": 6, "variability_change_1h_bpm": UNKNOWN},
)
strip(
    "slow swings of 10 bpm and decelerations, and nothing finer",
    put_all(flat(140, 900) + ripple(900, 10, 60), (400, -bell(20, 150)), (700, -bell(20, 150))),
    {"low_variability_share_30min": 0, "smooth_share_30min": 1},
)
strip(
    "variability 25 is not above 25",
    flat(140, 720) + ripple(720, 25),
    {"variability_bpm": 25, "high_variability_min": 0, "sinusoidal_min": 0},
)
strip(
    "variability 27",
    flat(140, 720) + ripple(720, 27),
    {"variability_bpm": 27, "high_variability_min": 12, "low_variability_share_30min": 0},
)
strip(
    "40 min of variability 10 and 10 of 3",
    flat(140, 3000) + np.concatenate([ripple(2400, 10), ripple(600, 3)]),
    # Mean of ten after 7, 8 low minutes: 5.05 and 4.36, so the last 3 of them are low.
    {
        "variability_bpm": 3,
        "low_variability_min": 3,
        "low_variability_share_30min": 10 / 30,
        "smooth_share_30min": 10 / 30,
    },
)
strip(
    "four minutes known are too few for a share",
    without(flat(140, 600) + ripple(600, 3), (240, 600)),
    {
        "low_variability_share_30min": UNKNOWN,
        "smooth_share_30min": UNKNOWN,
        "low_variability_min": 10,
        "variability_bpm": 3,
    },
)
strip(
    "variability unknown",
    without(flat(140, 300), (29.75, 60), (89.75, 120), (149.75, 180), (209.75, 240), (269.75, 300)),
    {"variability_bpm": UNKNOWN, "low_variability_min": 0, "high_variability_min": 0, "sinusoidal_min": 0},
)
for cycles, length, minutes in [(2, 10, 0), (3, 10, 20), (5, 10, 20), (6, 10, 0), (4, 4, 0), (4, 19, 20), (4, 22, 0)]:
    strip(
        f"a wave of {cycles} cycles a minute and {length} bpm",
        flat(140, 1200) + ripple(1200, length, 60 / cycles),
        {"sinusoidal_min": minutes},
    )
strip(
    "a wave that has been interrupted by two minutes of another",
    flat(140, 1200) + np.concatenate([ripple(600, 10, 15), ripple(120, 10, 7.5), ripple(480, 10, 15)]),
    {"sinusoidal_min": 20},
)
strip(
    "a wave that has been interrupted by three minutes of another",
    flat(140, 1200) + np.concatenate([ripple(540, 10, 15), ripple(180, 10, 7.5), ripple(480, 10, 15)]),
    {"sinusoidal_min": 8},
)
strip(
    "a wave that climbs by 30 bpm, with a deceleration and a lost half minute",
    without(put(np.linspace(110, 140, 1200 * HZ) + ripple(1200, 10, 15), 620, -bell(30, 50)), (300, 320)),
    {"sinusoidal_min": 20},
)
strip(
    "a wave with two minutes of nothing in it",
    without(flat(140, 1200) + ripple(1200, 10, 15), (600, 720)),
    {"sinusoidal_min": 18, "variability_bpm": 10},
)

# How much of the signal there is.

strip(
    "a quarter of it missing",
    without(flat(140, 1800), (300, 735), (1785, 1800)),
    {
        "fhr_usable_30min": 0.75,
        "fhr_usable_1min": 0.75,
        "signal_lost_s": 15,
        "baseline_bpm": 140,
        "ua_flat": 1,
        "ua_usable_30min": 0,
        "contractions_per_10min": UNKNOWN,
        "contractions_busiest_20min": UNKNOWN,
        "tachysystole": UNKNOWN,
    },
)
strip(
    "missing before the last half hour, and a single sample at its end",
    without(flat(140, 2400), (100, 600), (2339, 2398.75), (2399, 2400)),
    {"fhr_usable_30min": 1 - 60.75 / 1800, "fhr_usable_1min": 1 / 240, "signal_lost_s": 1},
)
strip(
    "what is out of range is not there",
    np.where(np.arange(600 * HZ) < 300 * HZ, 29.75, 240.25),
    {"fhr_usable_30min": 0, "fhr_usable_1min": 0, "signal_lost_s": 600, "near_mother_1min": 0},
    ua=flat(UNKNOWN, 600),
)
strip("the same value for 10 min", flat(140, 600), {"same_value_s": 600})
strip(
    "it moved 90 s ago, and some of the rest is missing",
    without(np.concatenate([flat(140, 510), flat(141, 90)]), (540, 570)),
    {"same_value_s": 60},
)
strip("it moves at the end", np.concatenate([flat(140, 599.75), flat(140.25, 0.25)]), {"same_value_s": 0.25})
strip("below 90 bpm for a quarter", put(flat(110, 1800), 600, box(-20.25, 450)), {"low_fhr_share_30min": 0.25})
strip("90 bpm is not below 90", put(flat(110, 1800), 600, box(-20, 450)), {"low_fhr_share_30min": 0})
strip(
    "below 90 bpm for half of 5 min that are there: of 10 min at least",
    without(put(flat(110, 1800), 1650, box(-24, 150)), (0, 1500)),
    {"low_fhr_share_30min": 150 / 600, "fhr_usable_30min": 300 / 1800},
)
strip(
    "near the mother's pulse: within 5 bpm",
    flat(90, 1200),
    {"near_mother_1min": 1, "near_mother_10min": 1},
    mhr=85.0,
)
strip("not near it", flat(90, 600), {"near_mother_1min": 0, "near_mother_10min": 0}, mhr=84.75)
strip(
    "near it for the last half minute, of which a third is missing",
    without(flat(90, 1200), (1190, 1200)),
    {"near_mother_1min": 20 / 50, "near_mother_10min": 20 / 600, "fhr_usable_1min": 50 / 60},
    mhr=np.where(np.arange(1200) < 1170, 120.0, 95.0),
)
strip("a jump that stays", put(flat(140, 600), 590, flat(-40, 10)), {"stepped": 1, "running_depth_bpm": 40})
strip("a jump that is held back", put(flat(140, 600), 598.25, flat(-40, 1.75)), {"stepped": 0, "signal_lost_s": 1})
# Of a second twin, beside the first. Both rise and fall by 8 bpm in 12 s.

LIVELY = flat(140, 600) + ripple(600, 8)
strip("one fetus", flat(140, 300), {"same_as_twin_1min": 0})
strip(
    "a second twin with the rate of the first", LIVELY, {"same_as_twin_1min": 1, "tachysystole": UNKNOWN}, first=LIVELY
)
strip("one that is 5 bpm away", LIVELY + 5, {"same_as_twin_1min": 1}, first=LIVELY)
strip("one that is further away", LIVELY + 5.25, {"same_as_twin_1min": 0}, first=LIVELY)
strip("one that goes up when the first goes down", flat(280, 600) - LIVELY, {"same_as_twin_1min": 0}, first=LIVELY)
strip("one that has left for half a minute", put(LIVELY, 570, flat(20, 30)), {"same_as_twin_1min": 0.5}, first=LIVELY)
strip("one of which 29 s have come", without(LIVELY, (540, 571)), {"same_as_twin_1min": UNKNOWN}, first=LIVELY)
strip("one of which 30 s have come", without(LIVELY, (540, 570)), {"same_as_twin_1min": 1}, first=LIVELY)
strip("both flat", flat(140, 600), {"same_as_twin_1min": 0}, first=flat(140, 600))

strip("a jump that is over", put(flat(140, 600), 500, flat(-40, 60)), {"stepped": 0, "deepest_30min_bpm": 40})

# By 6 bpm in 5 s, by 6 more in 31 s, stays for 10 s and comes back in 5 s.
SLOW = np.concatenate([ramp(-6, 5, 0, 0), -6 + ramp(-6, 31, 0, 0), ramp(-12, 0, 10, 5.25)])

# Decelerations. Boxes of 24 bpm need no steps: 60 s of them are 24 bpm x min.

strip(
    "falls, the first of them more than half an hour ago",
    put_all(
        flat(140, 2400),
        (599, box(-24, 60)),  # began a second too early
        (700, box(-24, 60)),
        (1300, box(-75, 90)),
        (1900, box(-16, 20)),
        (2000, box(-12, 30)),  # abrupt and less than 15 bpm deep: no deceleration under any rule set
        (2200, SLOW),  # gradual, shallow and at no contraction: none
    ),
    {
        "decelerations_30min": 3,
        "decelerations_10min": 1,
        "severe_decelerations_30min": 1,
        "deepest_30min_bpm": 75,
        # The slow one draws the baseline down by some tenths: its flanks are near it.
        "repeated_or_long_depth_30min_bpm": 16,
        "longest_30min_s": 90,
        "recovery_between_s": ((1300 - 760) + (1900 - 1390)) / 2,
        # 75 bpm for 89 s and two edges of 25 and 50 bpm
        "deceleration_area_30min": Near((
            24 * 60 + (75 * 89 + 2 * (25 + 50) / HZ) + 16 * 20
        ) / 60 / 3, 0.2),
        "deceleration_area_10min": Near(16 * 20 / 60, 0.5),
        "late_or_variable_30min": 3,
        "prolonged_30min": 0,
        "running_s": 0,
        "running_depth_bpm": 0,
        "running_mean_depth_bpm": 0,
        "accelerations_30min": 0,
        "deceleration_share_30min": UNKNOWN,
        "late_share_20min": UNKNOWN,
    },
)  # fmt: skip
strip(
    "nothing has happened",
    flat(140, 1800),
    {
        "decelerations_30min": 0,
        "decelerations_10min": 0,
        "severe_decelerations_30min": 0,
        "deepest_30min_bpm": 0,
        "repeated_or_long_depth_30min_bpm": 0,
        "longest_30min_s": 0,
        "recovery_between_s": UNKNOWN,
        "deceleration_area_30min": 0,
        "deceleration_area_10min": 0,
        "low_fhr_share_30min": 0,
    },
)
strip(
    "60 s and by 60 bpm, 59.75 bpm, 60 bpm and 59.75 s",
    put_all(flat(150, 1500), (400, box(-60, 60)), (700, box(-59.75, 60)), (1000, box(-60, 59.75))),
    {"severe_decelerations_30min": 1, "decelerations_30min": 3},
)
strip(
    "down to 69.75 bpm",
    put_all(flat(110, 900), (300, box(-40.25, 60)), (500, box(-40, 60)), (700, box(-50, 59.75))),
    {"severe_decelerations_30min": 1, "decelerations_30min": 3, "recovery_between_s": 140},
)
strip(
    "the third deepest, and one of 2 min by itself",
    put_all(flat(140, 1500), (300, box(-20, 120)), (600, box(-24, 60)), (900, box(-18, 119.75))),
    {"repeated_or_long_depth_30min_bpm": 20},
)
strip(
    "15 bpm and 15 s count",
    put_all(flat(140, 900), (300, box(-15, 15)), (500, box(-14.75, 60)), (700, box(-60, 14.75))),
    {"decelerations_30min": 1, "decelerations_10min": 0, "deepest_30min_bpm": 15, "longest_30min_s": 15},
)
strip(
    "a deceleration that goes on, and one before it",
    put_all(flat(140, 1740), (1000, box(-20, 30)), (1500, flat(-24, 240))),
    {
        "running_s": 240,
        "running_depth_bpm": 24,
        "running_mean_depth_bpm": 24,
        "decelerations_30min": 1,
        "decelerations_10min": 1,
        "deceleration_area_10min": 96,
        "deceleration_area_30min": (96 + 10) / 2.9,  # 29 min are there
        "deepest_30min_bpm": 24,
        "repeated_or_long_depth_30min_bpm": 24,  # two, and one of them long
        "longest_30min_s": 240,
    },
)
strip(
    "one that goes on less deep than those before",
    put_all(flat(140, 1800), (1000, box(-60, 90)), (1750, flat(-20, 50))),
    {"deepest_30min_bpm": 60, "repeated_or_long_depth_30min_bpm": 0, "longest_30min_s": 90, "running_s": 50},
)
strip(
    "going on for 14.75 s",
    put(flat(140, 600), 585.25, flat(-24, 14.75)),
    {"decelerations_10min": 0, "running_s": 14.75},
)
strip("going on for 15 s", put(flat(140, 600), 585, flat(-24, 15)), {"decelerations_10min": 1, "running_s": 15})
strip("14.75 bpm deep so far", put(flat(140, 600), 570, flat(-14.75, 30)), {"decelerations_10min": 0, "running_s": 30})
strip("15 bpm deep so far", put(flat(140, 600), 570, flat(-15, 30)), {"decelerations_10min": 1, "longest_30min_s": 30})
strip(
    "an area is of what could be used",
    without(put(flat(140, 1800), 1300, box(-24, 60)), (0, 900)),
    {"deceleration_area_30min": 24 / 1.5, "fhr_usable_30min": 0.5},
)
strip(
    "an area is not scaled up beyond that of 10 min",
    without(put(flat(140, 1800), 1620, box(-24, 60)), (0, 1380)),
    {"deceleration_area_30min": 24, "deceleration_area_10min": 24},
)
strip(
    "10 min ago and a second longer ago",
    put_all(flat(140, 1800), (1199, box(-24, 30)), (1300, box(-24, 30))),
    {"decelerations_10min": 1, "decelerations_30min": 2, "deceleration_area_10min": 12},
)

# Accelerations.

strip(
    "four accelerations, one of them more than half an hour ago",
    put_all(flat(140, 2400), (599, box(20, 20)), (800, box(20, 20)), (1600, box(16, 15.25)), (2300, box(20, 60))),
    {"accelerations_30min": 3, "decelerations_30min": 0},
)  # fmt: skip
for in_weeks, found in [(31, 1), (32, 0), (0, 0)]:
    strip(
        f"12 bpm for 12 s in week {in_weeks}",
        put(flat(140, 600), 400, box(12, 12)),
        {"accelerations_30min": found, "weeks": in_weeks or UNKNOWN},
        weeks=in_weeks,
    )

# Contractions: bells of 60 s, seen from 120 s on.


def toco(seconds: float, *starts: float, length_s: float = 60, height: float = 40) -> Signal:
    """Contractions from their starts on; the last may still go on at the end."""
    longer = put_all(flat(10, seconds + length_s), *((at_s, bell(height, length_s)) for at_s in starts))
    return longer[: round(seconds * HZ)]


def every(step: float, first: float, last: float) -> list[float]:
    return [first + step * k for k in range(int((last - first) / step) + 1)]


strip(
    "a contraction every 150 s",
    flat(140, 1800),
    {
        "contractions_per_10min": 12 / 3,
        "contractions_busiest_20min": 4,
        "tachysystole": 0,
        "contraction_interval_s": Near(150, 0.5),
        "contraction_duration_s": Near(60, 6),
        "contraction_rest_s": Near(90, 6),
        "contraction_since_s": Near(70, 5),
        "contraction_interval_change": UNKNOWN,
        "contraction_duration_change": UNKNOWN,
        "ua_flat": 0,
        "ua_usable_30min": Near(1, 0.1),
        "late_share_20min": 0,
        "deceleration_share_30min": 0,
        "late_or_prolonged_share_20min": 0,
        "late_or_prolonged_share_30min": 0,
        "variable_share_20min": 0,
        "second_stage": 0,
    },
    ua=toco(1800, *every(150, 80, 1730)),
)
# What the FHR does in contractions, and decelerations without any. A contraction of 60 s is seen to be over some
# seconds later, so that what is there between two of them counts little.

EVERY_3_MIN = every(180, 80, 1700)
strip(
    "four of ten contractions without FHR",
    without(flat(140, 1800), *((at_s, at_s + 70) for at_s in EVERY_3_MIN[:4])),
    {"unread_contractions_30min": 4},
    ua=toco(1800, *EVERY_3_MIN),
)
strip(
    "a third of each is missing",
    without(flat(140, 1800), *((at_s + 20, at_s + 40) for at_s in EVERY_3_MIN)),
    {"unread_contractions_30min": 0, "contractions_per_10min": 10 / 3},
    ua=toco(1800, *EVERY_3_MIN),
)
DIPS = put_all(flat(140, 1800), *((at_s, box(-30, 40)) for at_s in every(180, 600, 1680)))
strip(
    "seven decelerations and no contraction",
    DIPS,
    {"decelerations_30min": 7, "unrelated_decelerations_30min": 7, "variable_share_20min": UNKNOWN},
)
strip("one contraction is no pattern", DIPS, {"unrelated_decelerations_30min": 7}, ua=toco(1800, 1200))
strip("two cannot explain seven", DIPS, {"unrelated_decelerations_30min": 5}, ua=toco(1800, 1200, 1500))
strip("seven can", DIPS, {"unrelated_decelerations_30min": 0}, ua=toco(1800, *every(180, 570, 1650)))
strip(
    "every 4 min, then every 2 min and longer",
    flat(140, 3660),
    {
        "contraction_interval_s": Near(120, 0.5),
        "contraction_interval_change": Near(0.5, 0.01),
        "contraction_duration_change": Near(1.5, 0.1),
        "contraction_duration_s": Near(90, 8),
        "contraction_rest_s": Near(30, 8),
        "contractions_per_10min": 5,
        "observed_min": 61,
    },
    ua=toco(3660, *every(240, 100, 1780)) + toco(3660, *every(120, 1880, 3560), length_s=90) - 10,
)
MANY = every(100, 70, 1770)
for stage_from, many in [(None, 1), (1795, 0)]:
    strip(
        f"18 contractions in half an hour, second stage from {stage_from}",
        flat(140, 1800),
        {
            "contractions_per_10min": 6,
            "tachysystole": many,
            "contractions_busiest_20min": 6,
            "second_stage": 0 if stage_from is None else 1,
        },
        ua=toco(1800, *MANY, length_s=50),
        second_stage_from=stage_from,
    )
strip(
    "counts of 2, 6 and 6 in ten minutes each",
    flat(140, 1800),
    {"contractions_per_10min": 14 / 3, "contractions_busiest_20min": 6, "tachysystole": (0, 1)},
    ua=toco(1800, 100, 400, *every(95, 620, 1100), *every(95, 1220, 1700)),
)
strip(
    "counts of 2, 6 and 6, the last of which goes on",
    flat(140, 1800),
    {"contractions_per_10min": 14 / 3, "contractions_busiest_20min": 6, "tachysystole": (0, 1)},
    ua=toco(1800, 100, 400, *every(95, 620, 1100), *every(95, 1290, 1765)),
)
strip(
    "counts of 6, 6 and 2",
    flat(140, 1800),
    {"contractions_per_10min": 14 / 3, "contractions_busiest_20min": 6, "tachysystole": (0, 1)},
    ua=toco(1800, *every(95, 70, 550), *every(95, 620, 1100), 1300, 1600),
)
strip(
    "counts of 6, 2 and 6",
    flat(140, 1800),
    {"contractions_per_10min": 14 / 3, "contractions_busiest_20min": 2, "tachysystole": 0},
    ua=toco(1800, *every(95, 70, 550), 700, 1000, *every(95, 1220, 1700)),
)
strip(
    "one contraction and another that goes on",
    flat(140, 900),
    {
        "contraction_interval_s": Near(560, 8),
        "contraction_duration_s": Near(60, 6),
        "contraction_rest_s": UNKNOWN,
        "contraction_since_s": Near(40, 8),
        "late_share_20min": UNKNOWN,
    },
    ua=toco(900, 300) + put(flat(0, 900), 860, bell(40, 120)[: 40 * HZ]),
)
strip(
    "one contraction",
    flat(140, 900),
    {"contraction_interval_s": UNKNOWN, "contraction_rest_s": UNKNOWN, "contraction_since_s": Near(600, 5)},
    ua=toco(900, 300),
)
strip(
    "half of the UA missing: a rate is scaled up",
    flat(140, 1800),
    {
        "ua_usable_30min": Near(0.5, 0.03),
        "contractions_per_10min": Near(4, 0.3),
        "contraction_interval_s": Near(150, 0.5),
    },
    ua=without(toco(1800, *every(150, 80, 1730)), (0, 870)),
)
strip(
    "a tenth of the UA missing: a rate is as it is",
    flat(140, 1800),
    {"ua_usable_30min": Near(0.87, 0.05), "contractions_per_10min": 11 / 3},
    ua=without(toco(1800, *every(150, 80, 1730)), (660, 830)),
)

# Kinds: late ones begin 30 s after a contraction, are lowest 35 s later and over another 35 s later.

LATE = ramp(-20, 35, 0, 35.25)
CONTRACTIONS = every(180, 150, 1770)
strip(
    "late, variable and prolonged ones",
    put_all(
        flat(140, 1920),
        *((at_s + 30, LATE) for at_s in (150, 870, 1230, 1590)),
        (340, box(-24, 150)),  # prolonged from 2 min on under nichd-2008, above 3 min under figo-2015
        (1060, box(-24, 30)),
        (1420, box(-24, 30)),
    ),
    {
        "late_share_20min": 3 / 6,
        "variable_share_20min": 2 / 6,
        "late_or_prolonged_share_20min": 3 / 6,
        "late_or_prolonged_share_30min": (5 / 10, 4 / 10),
        "deceleration_share_30min": 7 / 10,
        "late_or_variable_30min": (6, 7),
        "prolonged_30min": (1, 0),
        "decelerations_30min": 7,
        "contractions_per_10min": 10 / 3,
    },
    ua=toco(1920, *CONTRACTIONS),
)
strip(
    "a prolonged one under both rule sets",
    put_all(flat(140, 1920), (900, box(-24, 180.25)), (1590 + 30, LATE)),
    {"prolonged_30min": 1, "late_or_prolonged_share_20min": 2 / 6, "late_or_prolonged_share_30min": 2 / 10},
    ua=toco(1920, *CONTRACTIONS),
)

# Falls that become the baseline after ten minutes.

for size, minutes in [(60, 20), (30, 15)]:
    strip(
        f"gone down by {size} bpm {minutes} min ago, and not back",
        np.concatenate([flat(150, 600), 150 - ramp(size, 5, minutes * 60 - 5, 0)]),
        {
            "earlier_baseline_bpm": 150,
            "earlier_baseline_s": Near(minutes * 60, 1),
            "below_earlier_bpm": Near(size, 0.5),
            "running_s": 0,
        },
    )
strip(
    "gone down by 30 bpm for 20 min, and back for 25",
    np.concatenate([flat(150, 600), 150 - ramp(30, 5, 1190, 5), flat(150, 1500.25)]),
    {
        "earlier_baseline_bpm": UNKNOWN,
        "earlier_baseline_s": UNKNOWN,
        "below_earlier_bpm": 0,
        "fall_unseen_s": 0,
        "fall_seen_s": 0,
        "fall_seen_bpm": 0,
    },
)
strip(
    "gone down by 30 bpm for 2 min, the end of which shows nothing",
    without(put(flat(160, 800), 600, -ramp(30, 5, 195, 0)), (720, 800)),
    {
        "earlier_baseline_bpm": 160,
        "below_earlier_bpm": UNKNOWN,
        "running_s": UNKNOWN,
        "fall_unseen_s": 80,
        "fall_seen_s": Near(120, 1),
        "fall_seen_bpm": 30,
    },
)
strip(
    "nothing for 12 s in the middle of a fall",
    without(put(flat(160, 700), 620, -ramp(50, 10, 70, 0)), (688, 700)),
    {"fall_unseen_s": 10, "fall_seen_s": Near(70, 1), "fall_seen_bpm": 50, "running_s": Near(80, 1)},
)
strip(
    "nothing for 80 s in a fall, and 10 s at the level before it",
    without(put(flat(160, 810), 600, -ramp(30, 5, 195, 0)), (720, 800)),
    {"fall_unseen_s": 80, "fall_seen_s": Near(120, 1), "fall_seen_bpm": 30, "running_s": UNKNOWN},
)
strip(
    "nothing for 80 s in a fall, and 20 s at the level before it",
    without(put(flat(160, 820), 600, -ramp(30, 5, 195, 0)), (720, 800)),
    {"fall_unseen_s": 0, "fall_seen_s": 0, "fall_seen_bpm": 0, "running_s": UNKNOWN},
)
strip(
    "a fall of which 20 s in the middle are missing",
    without(put(flat(150, 800), 600, -ramp(40, 5, 195, 0)), (660, 680)),
    {"running_s": Near(200, 1), "earlier_baseline_bpm": 150, "below_earlier_bpm": 40},
)
strip(
    "two falls with a minute between that nobody has seen",
    without(put(flat(150, 800), 600, -ramp(40, 5, 195, 0)), (650, 710)),
    {"running_s": Near(90, 1)},
)
strip(
    "nothing for 75 s in a fall but 5 s at its bottom",
    without(put(flat(160, 760), 600, -ramp(30, 5, 155, 0)), (680, 715), (720, 760)),
    {"fall_unseen_s": 55, "fall_seen_s": Near(120, 1), "fall_seen_bpm": 30},
)
strip(
    "two seconds in twenty of a fall",
    without(put(flat(140, 770), 600, -ramp(50, 5, 165, 0)), *((at, at + 18) for at in every(20, 660, 760))),
    {"fall_unseen_s": 60, "fall_seen_bpm": 50},  # five times 20 s less five times 2 s each, and 10 s since
)
strip(
    "down to where it was before a rise of 20 min",
    np.concatenate([flat(140, 600), 140 + ramp(35, 5, 1195, 0), 175 - ramp(35, 60, 240, 0)]),
    {"running_s": 0, "running_depth_bpm": 0, "longest_30min_s": 0},
)

strip(
    "mean depth of a slow fall that goes on",
    put(flat(140, 600), 560, -np.arange(1, 40 * HZ + 1) / (2 * HZ)),
    {"running_mean_depth_bpm": Near(10, 0.2)},  # half of the 20 bpm it has reached
)

# Evaluated in the middle of a minute.

strip(
    "every other minute missing, in the middle of a minute",
    without(flat(140, 3590), *((60 * k, 60 * k + 30) for k in range(60))),
    {"fhr_usable_30min": Near(0.5, 0.003)},
)
strip(
    "near the mother's pulse throughout, in the middle of a minute",
    flat(90, 1190),
    {"near_mother_10min": 1},
    mhr=90.0,
)
strip(
    "half of the UA missing, in the middle of a minute",
    flat(140, 3590),
    {"ua_usable_30min": Near(0.5, 0.003)},
    ua=without(toco(3590, *every(60, 20, 3500), length_s=40), *((60 * k + 30, 60 * k + 60) for k in range(60))),
)
strip(
    "below 90 bpm 30 min and 20 s ago, in the middle of a minute",
    put(flat(110, 2690), 840, box(-24, 50)),
    {"low_fhr_share_30min": 0},
)
strip(
    "an area of half that can be used, in the middle of a minute",
    put(without(flat(140, 3590), *((60 * k, 60 * k + 30) for k in range(55))), 3400, box(-24, 60)),
    {"deceleration_area_30min": 24 * 600 / 1050},
)
strip(
    "sixty accelerations in half an hour",
    put_all(flat(140, 1920), *((at_s, box(11, 10.25)) for at_s in every(30, 130, 1900))),
    {"accelerations_30min": 48},  # more are not counted
    weeks=30,
)


def named(measure: str) -> list[Strip]:
    return [s for s in STRIPS if measure in s.says]
