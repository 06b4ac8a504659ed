"""What is said of a bed beside its measures: summaries, events, what was done, contractions timed by hand."""

import math
from itertools import pairwise

import numpy as np
import pytest

from quietward.contracts.commands import Command, RecordCare, Tap
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, CommandEnvelope, DeviceStatus, Input, Tick
from quietward.contracts.log import Event
from quietward.contracts.summary import (
    CareRecord,
    ConcernContribution,
    HandTimed,
    Level,
    OngoingDeceleration,
    Summary,
    TraceSummary,
)
from quietward.contracts.summary import SignalState as Usable
from quietward.detect.core import arrays, engine
from quietward.detect.core.patterns import hand
from quietward.detect.core.patterns.hand import Hand
from quietward.detect.core.patterns.history import History
from quietward.detect.core.people import care
from quietward.detect.core.reporting import reasons, summaries
from quietward.detect.core.state.state import State
from tests.strips import box, put_all, toco, without
from tests.traces import RULES, Signal, flat, put, ramp, ripple

LIMITS = RULES.reading.hand


class Bed:
    """A bed whose seconds are counted from 0, driven through the input stream."""

    def __init__(self) -> None:
        self.state, self.second = State(RULES), 0
        self.events: list[Event] = []
        self.summaries: list[Summary] = []

    def play(self, fhr: Signal, ua: Signal | None = None, mhr: float | None = None) -> "Bed":
        ua = flat(10, len(fhr) / HZ) if ua is None else ua
        blocks: list[Input] = []
        for i in range(len(fhr) // HZ):
            part, at = slice(i * HZ, (i + 1) * HZ), self.second * 1000
            rates, levels = ([None if np.isnan(x) else float(x) for x in signal[part]] for signal in (fhr, ua))
            blocks.append(Block("b", "s", self.second, at, at, rates, levels, mhr))
            self.second += 1
        self.work(blocks)
        return self

    def work(self, inputs: list[Input]) -> None:
        output = engine.step(self.state, inputs)
        self.events += output.events
        self.summaries += summaries.of(self.state, output)

    def do(self, command: Command) -> None:
        self.work([CommandEnvelope((self.second - 1) * 1000, command)])

    def of(self, kind: str) -> list[Event]:
        return [event for event in self.events if event.kind == kind]

    @property
    def said(self) -> Summary:
        return self.summaries[-1]


# Summaries.


def test_a_summary_says_what_the_newest_look_says() -> None:
    fhr = put_all(flat(140, 1800) + ripple(1800, 6, 10), (900, box(-24, 60)))
    said = Bed().play(fhr, toco(1800, *range(80, 1740, 150))).said
    assert (said.bed, said.session, said.t, said.at) == ("b", "s", 1_799_000, 1_799_000)
    assert said.baseline_bpm == pytest.approx(140, abs=0.5)
    assert said.baseline_bpm == round(said.baseline_bpm or 0, 2)
    assert said.variability_bpm == 6
    assert said.contractions.per_10min == 4
    assert said.contractions.interval_s == pytest.approx(150, abs=0.5)
    assert said.contractions.duration_s == pytest.approx(60, abs=6)
    assert said.contractions.rest_s == pytest.approx(90, abs=6)
    assert said.contractions.since_onset_s == pytest.approx(70, abs=5)
    assert said.contractions.tachysystole == []
    assert (said.signal, said.signal_reason, said.running, said.hand) == (Usable.GOOD, "", None, None)
    assert said.concern is not None
    assert said.concern == round(said.concern, 1)
    assert said.concern == pytest.approx(0.3 + sum(p.points for p in said.concern_parts), abs=1.5)
    assert {p.finding for p in said.concern_parts} >= {"deceleration area", "few accelerations"}
    assert all(p.points >= 0.5 for p in said.concern_parts)
    (few,) = (f for f in RULES.concern.finding if f.name == "few accelerations")
    assert ConcernContribution(few.name, few.points) in said.concern_parts, "there are none"


def test_too_many_contractions_are_said_by_rule_set() -> None:
    many = [*range(70, 560, 95), *range(620, 1110, 95)]
    found = Bed().play(flat(140, 1800), toco(1800, *many, 1300, 1600)).said.contractions
    assert {"nichd-2008", "figo-2015"} & {*found.tachysystole} == {"figo-2015"}
    many = list(range(70, 1740, 100))
    found = Bed().play(flat(140, 1800), toco(1800, *many, length_s=50)).said.contractions
    assert found.tachysystole[:2] == ["nichd-2008", "figo-2015"]


@pytest.mark.parametrize(
    ("length_s", "said"),
    [
        (14.75, None),
        (15, OngoingDeceleration(15, 24, {"nichd-2008": "variable"})),
        (60, OngoingDeceleration(60, 24, {"nichd-2008": "variable", "figo-2015": "variable"})),
        (130, OngoingDeceleration(130, 24, {"nichd-2008": "prolonged", "figo-2015": "variable"})),
        (200, OngoingDeceleration(200, 24, {"nichd-2008": "prolonged", "figo-2015": "prolonged"})),
    ],
)
def test_a_deceleration_that_goes_on_is_shown_from_15_s_on(length_s: float, said: OngoingDeceleration | None) -> None:
    assert Bed().play(put(flat(140, 500), 500 - length_s, flat(-24, length_s))).said.running == said


@pytest.mark.parametrize(("missing_s", "shown"), [(0, 150.0), (1, 150.0), (1.75, 150.0), (2, None), (5, None)])
def test_a_rate_is_shown_for_two_seconds(missing_s: float, shown: float | None) -> None:
    fhr = np.concatenate([flat(140, 290), flat(150, 10)])
    assert Bed().play(without(fhr, (300 - missing_s, 300))).said.fhr_bpm == shown


def test_classes_say_their_criteria_and_what_is_missing() -> None:
    nichd, figo, *_ = Bed().play(flat(108, 720) + ripple(720, 10, 10)).said.classes
    assert (nichd.rules, nichd.rank, nichd.name, nichd.criteria) == ("nichd-2008", 1, "category I", [])
    assert (figo.rules, figo.rank, figo.name) == ("figo-2015", 2, "suspicious")
    assert figo.criteria == ["baseline outside 110 to 160 bpm (108 bpm)"]
    assert nichd.missing == ["fewer than two contractions seen: decelerations cannot be related to them"]
    nichd, figo, *_ = Bed().play(flat(106, 720) + ripple(720, 10, 10)).said.classes
    assert nichd.criteria == ["bradycardia, baseline 105 bpm"], "rounded as the rule set says"
    nichd, figo, *_ = Bed().play(flat(140, 100) + ripple(100, 10, 10)).said.classes
    assert (nichd.rank, nichd.name) == (0, "cannot be said")
    assert nichd.missing[:1] == ["the baseline is undetermined"]
    nichd, *_ = Bed().play(without(flat(140, 300), *((60.0 * k + 25, 60.0 * k + 60) for k in range(5)))).said.classes
    assert nichd.missing[:1] == ["the variability is unknown"]


@pytest.mark.parametrize(
    ("fhr", "signal", "reason"),
    [
        (without(flat(140, 300), (240, 300)), Usable.LOST, "No FHR for 60 s"),
        (without(flat(140, 1200), (240, 1200)), Usable.LOST, "No FHR for 16 min"),
        (without(flat(140, 300), (241, 300)), Usable.POOR, "2% of the last minute usable"),
        (without(flat(140, 300), (288, 300)), Usable.GOOD, ""),
        (without(flat(140, 300), (287, 300)), Usable.POOR, "78% of the last minute usable"),
        (flat(math.nan, 90), Usable.LOST, "No FHR yet, for 90 s"),
    ],
)
def test_a_poor_signal_says_why(fhr: Signal, signal: Usable, reason: str) -> None:
    seconds = len(fhr) / HZ
    said = Bed().play(fhr, flat(10, seconds) + ripple(seconds, 20, 30)).said
    assert (said.signal, said.signal_reason) == (signal, reason)


@pytest.mark.parametrize(("near_s", "signal"), [(30, Usable.POOR), (29, Usable.GOOD)])
def test_half_a_minute_near_the_mothers_pulse_is_ambiguous(near_s: float, signal: Usable) -> None:
    fhr = np.concatenate([flat(110, 300 - near_s), flat(95, near_s)])
    bed = Bed().play(fhr, flat(10, 300) + ripple(300, 20, 30), 90.0)
    assert bed.said.signal is signal


def test_a_device_that_falls_silent_is_lost_after_7_s() -> None:
    bed = Bed().play(flat(140, 300), flat(10, 300) + ripple(300, 20, 30))
    bed.work([Tick(299_000 + 6_999)])
    assert bed.said.signal is Usable.GOOD
    bed.work([Tick(299_000 + 7_000)])
    assert (bed.said.signal, bed.said.signal_reason) == (Usable.LOST, "No data for 7 s, monitor sends nothing")
    bed.work([DeviceStatus("b", 308_000, online=False), Tick(299_000 + 10_000)])
    assert bed.said.signal_reason == "No data for 10 s, monitor disconnected"
    assert bed.said.looked_at == 309_000
    assert [(e.text, e.detail["lost"]) for e in bed.of("signal")] == [("signal lost", 1.0)]
    bed.second = 340  # so many are missing that it does not wait for them
    bed.play(flat(140, 20))
    assert [(e.text, e.detail["lost"]) for e in bed.of("signal")][1:] == [("signal is back", 0.0)]


def test_how_long_nothing_has_come_is_told_in_whole_minutes_from_100_s_on() -> None:
    bed = Bed().play(flat(140, 300), flat(10, 300) + ripple(300, 20, 30))
    for silent_s, told in ((99, "99 s"), (100, "1 min"), (888, "14 min")):
        bed.work([Tick(299_000 + silent_s * 1000)])
        assert bed.said.signal_reason == f"No data for {told}, monitor sends nothing"


def test_conditions_that_are_kept_quiet_are_said_with_the_reason() -> None:
    """Low variability for 45 minutes, and not yet 50 minutes seen."""
    bed = Bed().play(flat(140, 2700) + ripple(2700, 3, 10))
    names, why = ("variability-gone", "variability-low"), "not enough trace"
    assert sorted(bed.said.held_back) == [f"{name}: {why}" for name in names]
    assert sorted(str(event.detail["condition"]) for event in bed.of("held-back")) == list(names)
    assert {event.detail["why"] for event in bed.of("held-back")} == {why}


# Events.


def test_a_fall_and_a_rise_are_told_with_all_that_is_known() -> None:
    fhr = put_all(flat(140, 900), (300, ramp(-30, 10, 20, 10)), (500, ramp(20, 5, 10, 5)), (700, box(16, 130)))
    bed = Bed().play(fhr)
    (fall,) = bed.of("deceleration")
    assert fall.text == "variable deceleration, 30 bpm deep, 40 s"
    assert fall.detail == {
        "onset_s": 300.0, "nadir_s": 309.75, "end_s": 339.75, "depth_bpm": pytest.approx(30, abs=0.1),
        "area_bpm_s": pytest.approx(30 * (41 / 2 + 80 + 39 / 2) / HZ, abs=2), "fall_s": 10.0, "coverage": 1.0,
        "contraction_onset_s": None, "contraction_peak_s": None,
        **{f"kind {rules.name}": "variable" for rules in RULES.rule_sets},
    }  # fmt: skip
    short, long = bed.of("acceleration")
    assert short.text == "acceleration of 20 bpm, 20 s"
    assert (short.detail["onset_s"], short.detail["peak_s"], short.detail["end_s"]) == (500.0, 504.75, 519.75)
    assert short.detail["height_bpm"] == pytest.approx(20, abs=0.1)
    assert (long.detail["kind nichd-2008"], long.detail["kind figo-2015"]) == ("prolonged acceleration", "acceleration")
    assert [e.id for e in bed.events] == [f"b-{i + 1}" for i in range(len(bed.events))]
    assert bed.said.events == len(bed.events)


def test_a_contraction_is_told_and_a_deceleration_names_its_own() -> None:
    fhr = put_all(flat(140, 900), (630, ramp(-20, 35, 0, 35.25)))
    bed = Bed().play(fhr, toco(900, 300, 600, 870))
    first, second = bed.of("contraction")
    assert first.text == f"contraction of {first.detail['end_s'] - first.detail['onset_s']:.0f} s"  # type: ignore[operator]
    assert first.detail["peak_s"] == pytest.approx(331, abs=3)
    assert first.detail["height"] == pytest.approx(40, abs=2)
    (fall,) = bed.of("deceleration")
    assert fall.detail["contraction_onset_s"] == second.detail["onset_s"]
    assert fall.detail["contraction_peak_s"] == second.detail["peak_s"]


def test_a_new_level_is_told_when_it_has_lasted_and_a_drift_is_not() -> None:
    (told,) = Bed().play(put(flat(140, 1800), 900, flat(-24, 900))).of("baseline-change")
    assert told.detail == {"onset_s": 900.0, "by_bpm": pytest.approx(-24, abs=0.1)}
    (told,) = Bed().play(put(flat(120, 1800), 900, flat(24, 900))).of("baseline-change")
    assert told.detail["by_bpm"] == pytest.approx(24, abs=0.1)
    assert Bed().play(put(flat(140, 1800), 900, flat(-12, 900))).of("baseline-change") == []


def test_runs_at_a_wrong_rate_are_told_from_a_second_on() -> None:
    def with_half(length_s: float) -> list[Event]:
        fhr = flat(144, 600)
        fhr[500 * HZ : round((500 + length_s) * HZ)] = 72
        return Bed().play(fhr).of("signal-mark")

    (mark,) = with_half(6)
    assert mark.text == "half rate for 6 s, not used"
    assert mark.detail == {"what": "half rate", "onset_s": 500.0, "end_s": 506.0}
    assert len(with_half(1)) == 1
    assert with_half(0.75) == []


def test_every_minute_the_trend_is_told() -> None:
    minutes = Bed().play(flat(140, 300) + ripple(300, 6, 10)).of("minute")
    assert [e.t for e in minutes] == [59_000, 119_000, 179_000, 239_000, 299_000]
    assert minutes[0].detail["baseline_bpm"] is None
    last = minutes[-1].detail
    assert (last["variability_bpm"], last["fhr_usable_1min"]) == (6.0, 1.0)
    assert last["baseline_bpm"] == pytest.approx(140, abs=0.1)
    assert last["concern"] is not None


@pytest.mark.parametrize(
    ("fhr", "ua", "said"),
    [
        (flat(140, 900) + ripple(900, 8, 10), None, "variability 8 bpm · no decelerations"),
        (flat(140, 900) + ripple(900, 3, 10), None, "variability 3 bpm for 15 min · no decelerations"),
        (flat(140, 240) + ripple(240, 3, 10), None, "variability 3 bpm · no decelerations"),
        (flat(140, 100), None, "variability 0 bpm · no decelerations"),
        (flat(109, 900) + ripple(900, 8, 10), None, "variability 8 bpm · baseline 109 bpm · no decelerations"),
        (flat(161, 900) + ripple(900, 8, 10), None, "variability 8 bpm · baseline 161 bpm · no decelerations"),
        (flat(160, 900) + ripple(900, 8, 10), None, "variability 8 bpm · no decelerations"),
        (flat(math.nan, 300), None, "no decelerations"),
        (
            put_all(flat(140, 900), (300, box(-24, 60)), (500, box(-60, 60))),
            None,
            "2 variable decelerations in 30 min · deepest 60 bpm · variability 0 bpm for 15 min",
        ),
        (
            put_all(flat(140, 2400), (300, box(-60, 60)), (700, box(-24, 60))),
            None,
            "1 variable deceleration in 30 min · deepest 24 bpm · variability 0 bpm for 40 min",
        ),
        (
            put_all(flat(140, 1200), (630, ramp(-20, 35, 0, 35.25)), (830, ramp(-20, 35, 0, 35.25))),
            toco(1200, 200, 400, 600, 800, 1000),
            "late decelerations, 2 of 5 contractions · deepest 20 bpm · variability 1 bpm for 20 min",
        ),
        (
            put_all(flat(140, 900), (400, box(-24, 150))),
            toco(900, 200, 400, 600, 800),
            "1 prolonged deceleration in 30 min · deepest 24 bpm · variability 0 bpm for 15 min",
        ),
    ],
)
def test_the_last_half_hour_in_words(fhr: Signal, ua: Signal | None, said: str) -> None:
    assert reasons.pattern(Bed().play(fhr, ua).state, 0) == said


# What was done, and the ten minutes before and after it.


def test_ten_minutes_in_numbers() -> None:
    fhr = put_all(
        flat(140, 1200) + ripple(1200, 2, 10),
        (599, box(-24, 60)),  # began a second too early
        (700, box(-30, 60)),
        (900, box(-16, 15)),
        (1000, box(-12, 30)),  # too shallow
        (1180, flat(-40, 20)),  # goes on
    )
    bed = Bed().play(fhr, toco(1200, *range(70, 1180, 120)) + ripple(1200, 2, 7))
    found = care.stretch(bed.state, 0, bed.second - 1)
    assert (found.decelerations, found.contractions) == (3, 5)
    assert found.deepest_bpm == pytest.approx(41, abs=0.5)
    assert found.area_bpm_min == pytest.approx((30 * 60 + 16 * 15 + 40 * 20) / 60, abs=2)
    assert found.baseline_bpm == pytest.approx(140, abs=0.5)
    assert found.variability_bpm == 2
    numbers = [getattr(found, name) for name in TraceSummary.__struct_fields__]
    assert numbers == [round(x, 1) for x in numbers]
    none = care.stretch(Bed().play(flat(140, 60)).state, 0, 59)
    assert (none.decelerations, none.deepest_bpm, none.area_bpm_min, none.contractions) == (0, 0, 0, 0)
    assert none.baseline_bpm is None


@pytest.mark.parametrize(("length_s", "counted"), [(14.75, 0), (15, 1)])
def test_what_goes_on_counts_from_15_s_on(length_s: float, counted: int) -> None:
    bed = Bed().play(put(flat(140, 600), 600 - length_s, flat(-24, length_s)))
    assert care.stretch(bed.state, 0, 599).decelerations == counted


def stretch(decelerations: int) -> TraceSummary:
    return TraceSummary(decelerations, 31.4, 12.0, 140.0, 6.0, 4)


@pytest.mark.parametrize(
    ("before", "after", "eased", "helped"),
    [(3, 0, False, True), (3, 1, False, False), (0, 2, False, None), (0, 0, False, None), (0, 2, True, True)],
)
def test_whether_it_has_helped(before: int, after: int, eased: bool, helped: bool | None) -> None:
    assert care.has_helped(stretch(before), stretch(after), eased) is helped


def test_what_became_of_it_in_words() -> None:
    note = CareRecord(0, "Kim", "turned", "turned to the side", stretch(3))
    assert care.in_words(note, 600) == ""
    note = CareRecord(0, "Kim", "turned", "turned to the side", stretch(3), None, stretch(1), helped=False)
    assert care.in_words(note, 600) == (
        "turned to the side: has not helped; decelerations in 10 min 3 before, 1 after, deepest 31 and 31 bpm"
    )


def test_a_result_comes_after_ten_minutes_and_not_before() -> None:
    """Three decelerations before, none after, and no flag: it has helped."""
    fhr = put_all(flat(140, 900) + ripple(900, 8, 10), (400, box(-24, 30)), (600, box(-24, 30)), (800, box(-24, 30)))
    bed = Bed().play(fhr)
    bed.do(RecordCare("b", "Kim", "turned"))
    (done,) = bed.of("care")
    assert done.detail["before_decelerations"] == 3
    assert (done.detail["by"], done.detail["what"]) == ("Kim", "turned")
    bed.play(flat(140, 599) + ripple(599, 8, 10))
    assert bed.of("care-result") == []
    bed.play(flat(140, 11) + ripple(11, 8, 10))
    (result,) = bed.of("care-result")
    assert result.t == 1_499_000
    assert (result.detail["helped"], result.detail["after_decelerations"]) == (1.0, 0)
    assert bed.said.cared[0].helped is True


def test_the_newest_twelve_notes_are_kept() -> None:
    bed = Bed().play(flat(140, 60))
    for i in range(14):
        bed.do(RecordCare("b", "Kim", "other", f"{i}"))
    assert [note.text for note in bed.said.cared] == [str(i) for i in range(13, 1, -1)]
    assert bed.said.level is Level.NOTED


# Contractions timed by hand.


class Timed:
    """Taps at seconds, beside contractions the toco has recorded."""

    def __init__(self, *recorded_s: int) -> None:
        self.hand = arrays.empty(Hand, 2, {})
        self.history = arrays.empty(History, 2, {"rule_sets": 2})
        for at in recorded_s:
            self._record(at * HZ)

    def _record(self, onset: int) -> None:
        h, slot = self.history, self.history.contractions[1]
        h.contraction_onset[slot, 1], h.contraction_peak[slot, 1], h.contraction_end[slot, 1] = (
            onset + s * HZ for s in (0, 30, 60)
        )
        h.contractions[1] += 1

    def tap(self, edge: str, second: int) -> str:
        return hand.tap(self.hand, 1, edge, second, LIMITS)

    def contraction(self, start: int, end: int) -> "Timed":
        assert self.tap("start", start) == self.tap("end", end) == ""
        return self

    def at(self, second: int) -> HandTimed | None:
        assert hand.of(self.hand, self.history, 0, second, LIMITS) is None, "the neighbour has timed nothing"
        return hand.of(self.hand, self.history, 1, second, LIMITS)


def test_timing_of_the_last_half_hour() -> None:
    timed = Timed()
    assert timed.at(0) is None
    timed.contraction(100, 160)
    assert timed.at(170) == HandTimed(1, None, 60, 70, is_running=False, change=None, differs="")
    timed.contraction(300, 350).contraction(600, 670)
    assert timed.at(700) == HandTimed(
        3, 250, 60, 100, is_running=False, change=None, differs="in 11 min 3 timed by hand, 0 recorded"
    )
    timed.tap("start", 1000)
    assert timed.at(1010).interval_s == 300  # type: ignore[union-attr]
    found = timed.at(1010)
    assert found is not None
    assert (found.count, found.duration_s, found.since_onset_s, found.is_running) == (4, 60, 10, True)


def test_half_an_hour_ago_is_over_and_the_half_hour_before_is_compared_with() -> None:
    timed = Timed()
    for start in (100, 500, 900, 1300, 1700, 1900, 2100, 2300, 2500):
        timed.contraction(start, start + 60)
    found = timed.at(3500)
    assert found is not None
    assert found.count == 4, "of 1700 just no more"
    assert (found.interval_s, found.change) == (200, 0.5)
    assert timed.at(3499).count == 5  # type: ignore[union-attr]
    assert timed.at(4299).count == 1  # type: ignore[union-attr]
    assert timed.at(4300) is None


def test_a_start_whose_end_was_forgotten_is_dropped() -> None:
    timed = Timed()
    timed.tap("start", 100)
    assert timed.at(400).is_running  # type: ignore[union-attr]
    assert timed.at(401) is None
    assert timed.tap("end", 401) == "It began more than 5 min ago and was dropped"
    timed.tap("start", 500)
    assert timed.tap("start", 520) == "A contraction began 20 s ago: end it first"
    assert timed.tap("start", 801) == "", "the first was dropped"
    assert timed.tap("end", 811) == ""
    assert hand.newest(timed.hand, 1) == (801, 811)
    assert timed.tap("end", 820) == "No contraction is being timed"


def test_a_double_click_ends_no_contraction() -> None:
    timed = Timed()
    timed.tap("start", 100)
    for second, ago in ((100, "0 s"), (101, "1 s"), (104, "4 s")):
        assert timed.tap("end", second) == f"The contraction began {ago} ago; still timing. Undo if it was not one"
    assert timed.at(105).is_running  # type: ignore[union-attr]
    assert timed.tap("end", 105) == ""
    assert hand.newest(timed.hand, 1) == (100, 105)


def test_contractions_are_timed_while_the_device_is_offline() -> None:
    """The bed's clock stands still then; time goes on."""
    bed = Bed().play(flat(140, 300))
    bed.work([DeviceStatus("b", 301_000, online=False), CommandEnvelope(319_000, Tap("b", "Kim", "start"))])
    bed.work([Tick(329_000)])
    assert bed.said.t == 299_000
    assert bed.said.hand == HandTimed(1, None, None, 10, is_running=True, change=None, differs="")
    bed.work([CommandEnvelope(364_000, Tap("b", "Kim", "end")), Tick(369_000)])
    assert bed.said.hand == HandTimed(1, None, 45, 50, is_running=False, change=None, differs="")
    (timed,) = bed.of("hand-contraction")
    assert (timed.detail["onset_s"], timed.detail["end_s"]) == (319, 364)


def test_a_tap_can_be_undone() -> None:
    timed = Timed()
    assert timed.tap("undo", 10) == "There is nothing to undo"
    timed.contraction(100, 160)
    assert timed.tap("undo", 165) == ""
    assert timed.at(170) == HandTimed(1, None, None, 70, is_running=True, change=None, differs="")
    assert timed.tap("end", 180) == ""
    assert hand.newest(timed.hand, 1) == (100, 180)
    timed.tap("start", 300)
    assert timed.tap("undo", 310) == ""
    assert timed.at(320).count == 1  # type: ignore[union-attr]


def test_no_more_than_48_are_kept() -> None:
    timed = Timed()
    for i in range(60):
        timed.contraction(100 + 30 * i, 110 + 30 * i)
    assert timed.at(1890).count == 48  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("by_hand", "recorded", "differs"),
    [
        (2, 0, ""),  # too few to say
        (3, 0, "in 13 min 3 timed by hand, 0 recorded"),
        (3, 2, ""),  # one more or less is no difference
        (3, 5, "in 13 min 3 timed by hand, 5 recorded"),
        (2, 4, "in 11 min 2 timed by hand, 4 recorded"),
        (8, 6, ""),  # a quarter
        (9, 6, "in 13 min 9 timed by hand, 6 recorded"),
    ],
)
def test_a_difference_to_what_is_recorded_is_said(by_hand: int, recorded: int, differs: str) -> None:
    step = 700 // by_hand
    starts = [1000 + step * i for i in range(by_hand)]
    timed = Timed(*[939, *(940 + 60 * i for i in range(recorded))][: recorded + 1])
    for start in starts:
        timed.contraction(start, start + 30)
    found = timed.at(starts[0] + (720 if by_hand != 2 else 600))
    assert found is not None
    assert found.differs == differs
    assert all(b > a for a, b in pairwise(starts))
