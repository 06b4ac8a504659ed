"""The concern: points of each finding in proportion, their sum, its class, and the words for what weighs most."""

import math

import msgspec
import pytest

from quietward.detect.core import arrays
from quietward.detect.core.alerting import concern
from quietward.detect.core.alerting.concern import Concern, Finding
from quietward.detect.core.measures.findings import ASKED, Findings
from quietward.detect.core.measures.findings import CONCERN as CONCERN_ROW
from tests.compiled import called
from tests.traces import Run, flat, put, ramp, ripple, run

UNKNOWN = math.nan


def finding(name: str, measure: str, none_at: float, full_at: float, points: float, *, log: bool = False) -> Finding:
    return Finding(name, f"{name} {{{measure}:.0f}}", measure, none_at, full_at, points, log)


FINDINGS = [
    finding("depth", "repeated_or_long_depth_30min_bpm", 15, 55, 20),
    finding("few", "accelerations_30min", 4, 0, 8),
    finding("area", "deceleration_area_30min", 0, 99, 10, log=True),
    finding("better", "variability_bpm", 5, 25, -30),
]
CONCERN = Concern("by hand", 0.2, 30.0, 60.0, 1.5, 3, 2.0, 0.5, FINDINGS)
NONE_OF_IT = {
    "repeated_or_long_depth_30min_bpm": 0.0,
    "accelerations_30min": 4.0,
    "deceleration_area_30min": 0.0,
    "variability_bpm": 5.0,
    "fhr_usable_30min": 1.0,
}


weigh = called(concern.weigh)


def found(values: dict[str, float], concerned: Concern = CONCERN) -> Findings:
    """Return the findings of a bed, beside one at which nothing is found."""
    f = arrays.empty(Findings, 2, {"rule_sets": 1, "findings": len(concerned.finding)})
    for name, none in NONE_OF_IT.items():
        f.values[0, ASKED[name]] = values.get(name, none), none
    for n in range(2):
        weigh(f, n, concerned.numbers)
    assert f.points[:, 1].tolist() == [0, 0, 0, 0]
    return f


def weighed(values: dict[str, float], concerned: Concern = CONCERN) -> tuple[list[float], float]:
    """Return the points and the sum."""
    f = found(values, concerned)
    return f.points[:, 0].tolist(), float(f.concern[0])


def classed(concerned: Concern, values: dict[str, float] | None = None) -> float:
    return float(found(values or {}, concerned).values[0, ASKED["concern_class"], 0])


@pytest.mark.parametrize(
    ("values", "points"),
    [
        ({"repeated_or_long_depth_30min_bpm": 15}, [0, 0, 0, 0]),
        ({"repeated_or_long_depth_30min_bpm": 25}, [5, 0, 0, 0]),
        ({"repeated_or_long_depth_30min_bpm": 55}, [20, 0, 0, 0]),
        ({"repeated_or_long_depth_30min_bpm": 90}, [20, 0, 0, 0]),
        ({"repeated_or_long_depth_30min_bpm": UNKNOWN}, [0, 0, 0, 0]),
        ({"accelerations_30min": 5}, [0, 0, 0, 0]),
        ({"accelerations_30min": 3}, [0, 2, 0, 0]),
        ({"accelerations_30min": 0}, [0, 8, 0, 0]),
        ({"deceleration_area_30min": 9}, [0, 0, 5, 0]),  # the logarithm of 10 is half of that of 100
        ({"deceleration_area_30min": 99}, [0, 0, 10, 0]),
        ({"variability_bpm": 15}, [0, 0, 0, -15]),
        ({"repeated_or_long_depth_30min_bpm": 35, "accelerations_30min": 2}, [10, 4, 0, 0]),
    ],
)
def test_points_are_in_proportion(values: dict[str, float], points: list[float]) -> None:
    found, total = weighed(values)
    assert found == pytest.approx(points, abs=1e-9)
    assert total == pytest.approx(max(0.0, 1.5 + sum(points)), abs=1e-9)


def test_the_sum_stays_between_0_and_100() -> None:
    many = Concern("", 0.2, 30.0, 60.0, 90.0, 3, 2.0, 0.5, FINDINGS)
    assert weighed({"repeated_or_long_depth_30min_bpm": 60}, many)[1] == 100
    assert weighed({"repeated_or_long_depth_30min_bpm": 25}, many)[1] == 95
    assert weighed({"variability_bpm": 25})[1] == 0


@pytest.mark.parametrize(("usable", "known"), [(0.2, True), (0.19, False), (0, False), (UNKNOWN, False)])
def test_nothing_is_said_of_too_little_signal(usable: float, known: bool) -> None:
    assert math.isnan(weighed({"fhr_usable_30min": usable})[1]) is not known


def test_classes_begin_at_their_values() -> None:
    totals = {0.0: 1, 29.9: 1, 30.0: 2, 59.9: 2, 60.0: 3, 100.0: 3}
    for total, expected in totals.items():
        assert classed(msgspec.structs.replace(CONCERN, start=total)) == expected
    assert math.isnan(classed(CONCERN, {"fhr_usable_30min": 0.0}))


def test_the_three_that_weigh_most_are_named_and_none_of_less_than_two_points() -> None:
    values = {f.measure: float(i + 7) for i, f in enumerate(FINDINGS)}
    assert concern.because(CONCERN, [3, 9, 2, 4], values) == "few 8, better 10, depth 7"
    assert concern.because(CONCERN, [1.9, 2, 0, -5], values) == "few 8"
    assert concern.because(CONCERN, [1, 1, 1, 1], values) == "nothing single"


@pytest.mark.parametrize("falls", [0, 2, 6])
@pytest.mark.parametrize(("depth_bpm", "length_s"), [(16, 20), (30, 60), (50, 150)])
def test_another_deceleration_never_lowers_it(falls: int, depth_bpm: float, length_s: float) -> None:
    """However shallow it is beside the others."""
    trace = flat(140, 1500) + ripple(1500, 8)
    for i in range(falls):
        trace = put(trace, 300 + 120 * i, ramp(-45, 5, 30, 5))

    def concern_of(found: Run) -> float:
        return float(found.evaluations[-1][0, CONCERN_ROW])

    more = put(trace, 1150, ramp(-depth_bpm, 5, length_s - 10, 5))
    assert concern_of(run(more)) >= concern_of(run(trace))
