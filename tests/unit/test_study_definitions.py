"""When a trace itself shows that somebody is needed: published definitions applied to a truth made by hand."""

import pytest

from quietward.contracts.notice import NOTICE
from quietward.simulator import scenario
from quietward.simulator.bed import simulate
from quietward.simulator.truth import MinuteTruth, Span, Truth, TruthFile
from quietward.study.definitions import begins_to_show, pathological

HOUR = 60


def labour(
    minutes: int = HOUR, *, late_from: int = 1000, kind: str = "late", variability: float = 10.0,
    baseline: float = 140.0, falls: tuple[Truth, ...] = (), waves: tuple[Span, ...] = (),
) -> TruthFile:  # fmt: skip
    """A contraction every 3 min; from a minute on each with a deceleration of one kind."""
    events = []
    for minute in range(0, minutes, 3):
        begins = minute * 60.0
        events.append(Truth("contraction", begins, begins + 30, begins + 60, 40.0))
        if minute >= late_from:
            events.append(Truth(f"{kind} deceleration", begins + 30, begins + 65, begins + 100, 20.0, "placenta"))
    each = [MinuteTruth(60.0 * (i + 1), baseline, variability, 0.0) for i in range(minutes)]
    seconds = minutes * 60
    return TruthFile(
        NOTICE, "x", "x", "x", 1, 4, seconds, 0, None, [*events, *falls], list(waves), [], [], [], each,
    )  # fmt: skip


def begins(found: list[Span]) -> dict[str, float]:
    """Return the first minute of each definition."""
    first: dict[str, float] = {}
    for span in found:
        first.setdefault(span.what, span.from_s / 60)
    return first


def test_late_decelerations_count_once_half_of_the_contractions_of_half_an_hour_have_one() -> None:
    found = begins(pathological(labour(late_from=15)))
    assert list(found) == ["late decelerations"]
    assert 27 <= found["late decelerations"] <= 31  # five of ten, from minute 15 on


@pytest.mark.parametrize("kind", ["late", "variable"])
def test_with_reduced_variability_twenty_minutes_and_variable_ones_are_enough(kind: str) -> None:
    found = begins(pathological(labour(late_from=15, variability=4.0, kind=kind)))
    assert 23 <= found["decelerations, reduced variability"] <= 26


@pytest.mark.parametrize("kind", ["early", "variable"])
def test_others_alone_are_not_pathological(kind: str) -> None:
    assert pathological(labour(late_from=0, kind=kind)) == []


def test_a_prolonged_deceleration_counts_from_its_third_minute_to_its_end() -> None:
    fall = Truth("prolonged deceleration", 600.0, 640.0, 1000.0, 50.0, "cord")
    assert pathological(labour(falls=(fall,))) == [Span("prolonged deceleration", 720.0, 1000.0)]


def test_levels_that_last() -> None:
    assert begins(pathological(labour(variability=3.0))) == {"variability reduced": 50 - 1}
    assert begins(pathological(labour(variability=28.0))) == {"variability increased": 30 - 1}
    assert begins(pathological(labour(baseline=95.0))) == {"baseline below 100": 0}


def test_a_wave_counts_after_twenty_minutes_and_is_not_taken_for_reduced_variability() -> None:
    wave = Span("sinusoidal", 0.0, 3600.0, 12.0)
    assert pathological(labour(variability=1.0, waves=(wave,))) == [Span("sinusoidal", 1200.0, 3600.0, 0.0)]


def test_a_need_shows_from_the_first_moment_on_that_a_definition_holds() -> None:
    need = Span("team", 3000.0, 5000.0)
    assert begins_to_show([Span("x", 3300.0, 3400.0)], need) == 3300.0
    assert begins_to_show([Span("x", 2000.0, 3400.0)], need) == 3000.0
    assert begins_to_show([Span("x", 1300.0, 1400.0)], need) == 3000.0, "within half an hour before"
    assert begins_to_show([Span("x", 900.0, 1100.0), Span("y", 5000.0, 5100.0)], need) is None


def test_a_calm_labour_is_never_pathological_and_a_fall_that_stays_is() -> None:
    assert pathological(simulate(scenario.load("lively"), 3, 7200).truth) == []
    truth = simulate(scenario.load("cord-not-recovering"), 3, 3600).truth
    need = next(need for need in truth.needs if need.what == "team")
    assert begins_to_show(pathological(truth), need) == need.from_s
