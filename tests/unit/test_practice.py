"""Practice: what a learner marks beside what is true; every expectation is counted here by hand."""

import re
from importlib.resources import files
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietward.contracts.errors import BadRules, possible
from quietward.contracts.fields import HZ
from quietward.contracts.summary import Level
from quietward.practice import simulated
from quietward.practice.answer import Answer, BadAnswer, LearnerMark, check
from quietward.practice.compare import Comparison, pairs
from quietward.practice.compare import compare as compare_by
from quietward.practice.scoring import parse, scoring
from quietward.practice.strip import BadStrip, DetectorResult, PracticeStrip, StripContraction, StripEvent
from quietward.simulator import scenario
from tests.traces import RULES

SECONDS = 1800


def fall(
    from_s: float, until_s: float, kind: str = "variable", size: float = 40.0, nadir_s: float | None = None
) -> StripEvent:
    return StripEvent("deceleration", kind, from_s, from_s + 15 if nadir_s is None else nadir_s, until_s, size)


def rise(from_s: float, until_s: float, size: float = 25.0) -> StripEvent:
    return StripEvent("acceleration", "", from_s, (from_s + until_s) / 2, until_s, size)


TRUE = [
    fall(100, 140),
    fall(400, 470, "late", 20.0, nadir_s=440),
    fall(700, 730),
    rise(1000, 1030),
    rise(1200, 1240),
]


def made(events: list[StripEvent] = TRUE, level: Level = Level.LOOK, fhr: float = 140.0) -> PracticeStrip:
    signal = np.full(SECONDS * HZ, fhr)
    contractions = [StripContraction(390, 410, 450)]
    return PracticeStrip(
        "x-1", "calm", "purpose", "good watcher", 0, signal, signal, 138.0, events, contractions, level
    )


def detector(events: list[StripEvent] = TRUE, level: Level = Level.BEDSIDE) -> DetectorResult:
    return DetectorResult(140.0, events, level, 33.0, 2, ["a reason"])


def marks(events: list[StripEvent]) -> list[LearnerMark]:
    given = [msgspec.to_builtins(LearnerMark(e.what, e.from_s, e.until_s, e.kind)) for e in events]  # type: ignore[arg-type]
    return msgspec.convert(given, list[LearnerMark])


def answer(events: list[StripEvent] = TRUE, **more: object) -> Answer:
    usual: dict[str, object] = {"baseline_bpm": 138.0, "rules": "nichd-2008", "rule_class": 2, "next": "look"}
    return msgspec.convert(usual | {"marks": msgspec.to_builtins(marks(events))} | more, Answer)


def compare(strip: PracticeStrip, result: DetectorResult, answer: Answer) -> Comparison:
    return compare_by(strip, result, answer, RULES)


def points(found: Comparison) -> dict[str, float]:
    return {part.name: part.points for part in found.parts}


def test_who_marks_everything_as_it_is_gets_all_points() -> None:
    found = compare(made(), detector(), answer())
    assert found.score == 100 == sum(part.most for part in found.parts)
    assert [line.you for line in found.lines] == ["found"] * 5
    assert found.extra == []


def test_who_marks_nothing_where_there_is_nothing_gets_all_points() -> None:
    assert compare(made([], Level.QUIET), detector([]), answer([], next="quiet")).score == 100


EMPTY: dict[str, Any] = {"baseline_bpm": None, "rule_class": None, "next": None}


@pytest.mark.parametrize("events", [[], TRUE, TRUE[:3], TRUE[3:]])
@pytest.mark.parametrize("level", list(Level))
def test_an_empty_answer_has_no_points(events: list[StripEvent], level: Level) -> None:
    """It had 60 of 100 where there was nothing to find."""
    assert compare(made(events, level), detector(events), answer([], **EMPTY)).score == 0


@pytest.mark.parametrize(
    ("given", "score"),
    [
        ({"next": "quiet"}, 100),
        ({"next": "quiet", "baseline_bpm": 145.0}, 75),  # 10 of 20 for the baseline: .75 of what is left
        ({"next": "quiet", "baseline_bpm": None}, 50),
        ({"next": "team", "baseline_bpm": 100.0}, 0),
        ({"next": None}, 50),
    ],
)
def test_nothing_to_find_counts_as_much_as_the_rest_is_right(given: dict[str, object], score: int) -> None:
    assert compare(made([], Level.QUIET), detector([]), answer([], **given)).score == score


def test_nothing_to_find_counts_nothing_for_whoever_marks_something() -> None:
    found = compare(made(TRUE[:3], Level.QUIET), detector([]), answer([*TRUE[:3], rise(1000, 1030)], next="quiet"))
    assert points(found)["Accelerations"] == 0
    p = scoring().points
    assert found.score == 100 - p.accelerations


def test_what_nobody_knows_of_a_strip_is_not_asked_for() -> None:
    """Of a recording with marks alone: no baseline, no level, and the whole score for what is marked."""
    known = msgspec.structs.replace(made(), baseline_bpm=None, level=None, truth="marks")
    found = compare(known, detector(), answer(**EMPTY))
    assert (found.score, found.truth) == (100, "marks")
    assert {part.name: part.most for part in found.parts if not part.most} == {
        "Baseline": 0, "Who is needed at its end": 0, "Class": 0
    }  # fmt: skip
    assert compare(known, detector(), answer([], **EMPTY)).score == 0


@pytest.mark.parametrize(("given", "points_of_class"), [(2, 15.0), (1, 0.0), (None, 0.0)])
def test_a_class_that_experts_have_given_counts(given: int | None, points_of_class: float) -> None:
    voted = msgspec.structs.replace(made(), rule_class=2, truth="marks")
    found = compare(voted, detector(), answer(rule_class=given))
    assert points(found)["Class"] == points_of_class
    assert found.score == round(100 * (100 + points_of_class) / 115)


def test_what_somebody_has_marked_is_asked_for_however_small_it_is() -> None:
    small = msgspec.structs.replace(made([fall(100, 140, size=5.0), rise(300, 330, 10.0)]), truth="marks")
    assert [line.asked for line in compare(small, detector(), answer([])).lines] == [True, True]


def test_mistakes_are_counted_by_their_kind_out_of_how_often_there_was_occasion() -> None:
    given = [fall(105, 150), fall(405, 460, "early"), fall(1500, 1540), rise(1000, 1030)]
    found = compare(made(), detector(), answer(given, baseline_bpm=150.0, next="quiet"))
    assert {one.kind: (one.wrong, one.of) for one in found.mistakes} == {
        "accelerations missed": (1, 2),
        "late decelerations missed": (0, 1),
        "variable decelerations missed": (1, 2),
        "late decelerations given another kind": (1, 1),
        "variable decelerations given another kind": (0, 1),
        "accelerations marked where there are none": (0, 1),
        "decelerations marked where there are none": (1, 3),
        "baseline wrong": (1, 1),
        "too little help called": (1, 1),
        "too much help called": (0, 1),
    }
    silent = compare(made([], Level.QUIET), detector([]), answer([], **EMPTY))
    assert {m.kind for m in silent.mistakes if m.wrong} == {"baseline wrong", "too little help called"}


def test_misses_wrong_kinds_and_marks_without_anything_behind_them() -> None:
    given = [fall(105, 150), fall(405, 460, "early"), fall(1500, 1540), rise(1000, 1030)]
    found = compare(made(), detector(), answer(given))
    assert [line.you for line in found.lines] == ["found", "found, called early", "missed", "found", "missed"]
    assert [(one.from_s, one.kind) for one in found.extra] == [(1500, "variable")]
    said = {part.name: part.you for part in found.parts}
    assert said["Decelerations"] == "2 found, 1 missed, 1 false"
    assert said["Accelerations"] == "1 found, 1 missed, 0 false"
    assert said["Kinds of deceleration"] == "1 of 2 right"
    p = scoring().points
    assert points(found)["Decelerations"] == pytest.approx(p.decelerations * 2 * 2 / (3 + 3))
    assert points(found)["Accelerations"] == pytest.approx(p.accelerations * 2 * 1 / (2 + 1))
    assert points(found)["Kinds of deceleration"] == pytest.approx(p.kinds / 2)


def test_a_late_one_is_explained_by_its_contraction() -> None:
    """Onset after the start, nadir after the peak of the contraction, gradual: NICHD 2008 and FIGO 2015."""
    late = compare(made(), detector(), answer()).lines[1]
    assert late.why == [
        "20 bpm below the baseline, 70 s from onset to end",
        "40 s from onset to nadir: gradual",
        "onset 10 s after the start of the contraction",
        "nadir 30 s after its peak",
    ]
    abrupt = compare(made(), detector(), answer()).lines[0]
    assert "15 s from onset to nadir: abrupt, less than 30 s" in abrupt.why
    assert abrupt.why[-1] == "no contraction was seen that it could belong to"


def test_what_the_sensors_did_not_show_is_not_asked_for() -> None:
    unseen = made()
    unseen.fhr[100 * HZ : 130 * HZ] = np.nan
    found = compare(unseen, detector(), answer(TRUE[1:]))
    assert (found.lines[0].asked, found.lines[0].why_not) == (False, "the sensors hardly showed it")
    assert found.score == 100
    assert compare(unseen, detector(), answer()).score == 100  # who saw it all the same does not lose by it


def test_small_ones_are_asked_of_nobody() -> None:
    small = [*TRUE, fall(1600, 1630, "late", 8.0), rise(1700, 1720, 16.0)]
    assert compare(made(small), detector(), answer(TRUE)).score == 100
    assert compare(made(small), detector(), answer(small)).score == 100


@pytest.mark.parametrize(
    ("given", "needed", "share"),
    [
        ("look", "look", 1.0),
        ("bedside", "look", 0.5),
        ("look", "quiet", 0.5),
        ("bedside", "quiet", 0.0),
        ("team", "look", 0.0),
        ("quiet", "look", 0.0),
        (None, "look", 0.0),
    ],
)
def test_one_level_too_careful_gets_half(given: str | None, needed: str, share: float) -> None:
    found = compare(made(level=Level(needed)), detector(), answer(next=given))
    assert points(found)["Who is needed at its end"] == share * scoring().points.next


@pytest.mark.parametrize(("bpm", "share"), [(138, 1.0), (143, 1.0), (147, 0.5), (149, 0.0), (None, 0.0)])
def test_the_baseline_counts_by_how_near_it_is(bpm: float | None, share: float) -> None:
    assert (
        points(compare(made(), detector(), answer(baseline_bpm=bpm)))["Baseline"] == share * scoring().points.baseline
    )


def test_two_marks_on_one_deceleration_are_one_found_and_one_too_many() -> None:
    found = compare(made(), detector(), answer([*TRUE, fall(102, 138)]))
    assert {p.name: p.you for p in found.parts}["Decelerations"] == "3 found, 0 missed, 1 false"


spans = st.tuples(
    st.floats(0, 1700), st.floats(1, 100), st.sampled_from(["early", "late", "variable", "prolonged", ""])
)


@given(st.lists(spans, max_size=12), st.lists(spans, max_size=12))
def test_a_score_lies_between_0_and_100_and_pairs_are_one_to_one(
    true: list[tuple[float, float, str]], given: list[tuple[float, float, str]]
) -> None:
    def events(told: list[tuple[float, float, str]]) -> list[StripEvent]:
        return [fall(a, a + b, kind) if kind else rise(a, a + b) for a, b, kind in told]

    assert 0 <= compare(made(events(true)), detector(), answer(events(given))).score <= 100
    found = pairs(events(true), events(given))
    assert len(set(found.values())) == len(found)
    assert pairs(events(true), []) == {}


@settings(deadline=None, max_examples=10)
@given(st.sampled_from(scenario.names()), st.integers(0, simulated.LARGEST_SEED))
def test_a_strip_is_the_same_whenever_it_is_made(name: str, seed: int) -> None:
    code = simulated.code_of(name, seed)
    assert name not in code
    one = simulated.make(code)
    simulated.make.cache_clear()
    simulated._labour.cache_clear()
    again = simulated.make(code)
    assert one.scenario == name == again.scenario
    np.testing.assert_array_equal(one.fhr, again.fhr)
    assert (one.events, one.level, len(one.fhr)) == (again.events, again.level, SECONDS * HZ)


@pytest.mark.parametrize(
    "code", ["", "nothing", "d07c13", "d07c13-", "d07c13-x", "zzzzzz-1", "d07c13-10000", "d07c13--1"]
)
def test_a_code_that_is_none_is_refused_with_the_remedy(code: str) -> None:
    with pytest.raises(BadStrip, match="choose a scenario and a seed again"):
        simulated.make(code)


def test_strips_of_labours_in_need_often_end_while_somebody_is_needed() -> None:
    levels = [simulated.make(simulated.code_of("quiet-catastrophe", seed)).level for seed in range(12)]
    assert sum(level is not Level.QUIET for level in levels) >= 6
    assert all(simulated.make(simulated.code_of("calm", seed)).level is Level.QUIET for seed in range(4))


def test_the_detector_says_the_same_in_practice_as_in_assess() -> None:
    """Times count from the strip's beginning, and nothing that was over before it is told."""
    result = simulated.ask_detector(simulated.code_of("cord-with-shoulders", 3), "nichd-2008")
    assert result.events
    assert all(e.until_s > 0 and e.until_s <= SECONDS for e in result.events)
    assert {e.kind for e in result.events if e.what == "deceleration"} == {"variable"}
    assert result.rule_class in (1, 2, 3)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            {"rules": "nichd-2009"},
            f"answer: rules: 'nichd-2009'. {possible([r.name for r in RULES.rule_sets], 'nichd-2009')}",
        ),
        ({"next": Level.NOTED}, "answer: next: 'noted'. Use quiet, look, bedside or team"),
        ({"baseline_bpm": 29.9}, "answer: baseline_bpm: 29.9. Give 30 to 240 bpm"),
        ({"baseline_bpm": 240.1}, "answer: baseline_bpm: 240.1. Give 30 to 240 bpm"),
    ],
)
def test_an_answer_that_cannot_be_is_refused(change: dict[str, object], says: str) -> None:
    """Names and bounds are those of the rule tables."""
    with pytest.raises(BadAnswer) as caught:
        check(msgspec.structs.replace(answer(), **change), RULES)
    assert str(caught.value) == says
    for bpm in (30, 240, None):
        check(answer(baseline_bpm=bpm), RULES)


def test_a_contraction_is_the_decelerations_own_for_as_long_as_the_detector_takes_it_for_it() -> None:
    """Contractions end at 450 s; `kind.late_within_s` of the reading is what the core goes by."""
    within = RULES.reading.kind.late_within_s
    strip = made([fall(450 + within, 600, "late", 20.0, 550.0), fall(450.25 + within, 600, "late", 20.0, 550.0)])
    near, far = (line.why for line in compare(strip, detector(), answer()).lines)
    assert near[-1] == "nadir 140 s after its peak"
    assert far[-1] == "no contraction was seen that it could belong to"


SCORING = (files("quietward.practice") / "scoring.toml").read_text()


@pytest.mark.parametrize(
    ("key", "wrong"),
    [
        ("strip_min", "31"), ("strip_min", "9"), ("seen_share", "0"), ("seen_share", "1.1"), ("overlap_share", "-0.1"),
        ("baseline_near_share", "1.1"), ("baseline_near_share", '"half"'), ("one_too_high_share", "0"),
        ("one_too_high_share", "2"), ("baseline_right_bpm", "0"),
    ],
)  # fmt: skip
def test_a_wrong_number_of_practice_is_refused(key: str, wrong: str) -> None:
    text = re.sub(rf"(?m)^{key} = \S+", f"{key} = {wrong}", SCORING)
    assert text != SCORING
    with pytest.raises(BadRules, match=rf"scoring.toml: {key}: .*\. Fix this value"):
        parse(text)
