"""Scenarios are what they say: their needs, over their whole course with nobody doing anything, and what is special.

Beds differ from seed to seed, so a need must begin within its minutes in at least two of three. That nobody is needed
must hold in each: nobody for the team, and no more than three minutes at the bedside.
"""

from collections.abc import Callable
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest

from quietward.contracts.errors import BadScenario
from quietward.contracts.fields import HZ
from quietward.simulator import scenario, shift
from quietward.simulator.bed import Bed, SimulatedLabour, simulate
from quietward.simulator.scenario import Fault, load
from quietward.simulator.truth import Span, Truth

SEEDS = (1, 2, 3)
MOST = 2
AT_LEAST = {"bedside": ("bedside", "team"), "team": ("team",)}
LONGEST_BEDSIDE_MIN = 3
OURS = [name for name in scenario.names() if name != "mixed-last-hours"]
"""That one is a mixture of beds, some with needs; nothing is said of each."""


@cache
def labour(name: str, seed: int) -> SimulatedLabour:
    found = load(name)
    return simulate(found, seed, int(found.lasts_min * 60))


def labours(name: str) -> list[SimulatedLabour]:
    return [labour(name, seed) for seed in SEEDS]


def events(of: SimulatedLabour, kind: str, from_min: float = 0, until_min: float = 1e6) -> list[Truth]:
    return [e for e in of.truth.events if e.what.endswith(kind) and from_min * 60 <= e.onset_s < until_min * 60]


def minutes(spans: list[Span], what: str, until_min: float = 1e6) -> float:
    return sum(max(0.0, min(s.until_s, until_min * 60) - s.from_s) for s in spans if s.what == what) / 60


def part(signal: Any, from_min: float, until_min: float) -> Any:
    return signal[int(from_min * 60 * HZ) : int(until_min * 60 * HZ)]


def seen_share(of: SimulatedLabour, from_min: float, until_min: float) -> float:
    return float(np.isfinite(part(of.fhr, from_min, until_min)).mean())


def median_baseline(of: SimulatedLabour, from_min: float, until_min: float) -> float:
    return float(np.median(part(of.baseline, from_min, until_min)))


def least_in_three(name: str, of: Callable[[SimulatedLabour], float]) -> float:
    return min(of(one) for one in labours(name))


def most_in_three(name: str, of: Callable[[SimulatedLabour], float]) -> float:
    return max(of(one) for one in labours(name))


def contractions_in_ten(of: SimulatedLabour, from_min: float) -> float:
    """Averaged over 30 minutes, as NICHD 2008 counts them (Macones et al., Obstet Gynecol 2008;112:661)."""
    return len(events(of, "contraction", from_min, from_min + 30)) / 3


def test_there_are_enough() -> None:
    assert len(OURS) >= 24


@pytest.mark.parametrize("name", scenario.names())
def test_is_sound_and_says_what_it_is_for(name: str) -> None:
    found = load(name)
    assert found.name == name
    assert all(len(text) > 20 for text in (found.purpose, found.course, found.good_watcher))
    assert all(need.begins_min[1] <= found.lasts_min for need in found.needs)
    assert all(phase.from_min <= found.lasts_min for phase in found.phase)


@pytest.mark.parametrize("name", OURS)
def test_needs_are_true_when_nobody_does_anything(name: str) -> None:
    needs = load(name).needs
    found = [one.truth.needs for one in labours(name)]
    for need in needs:
        low, high = (60 * x for x in need.begins_min)
        wanted = AT_LEAST[need.level]
        begins = [any(s.what in wanted and low <= s.from_s <= high for s in spans) for spans in found]
        assert sum(begins) >= MOST, (need, [[(s.what, s.from_s / 60) for s in spans] for spans in found])
    for spans in found:
        if needs:
            first = min(need.begins_min[0] for need in needs)
            assert not [s for s in spans if s.from_s < first * 60], "before anybody said so"
        else:
            assert minutes(spans, "team") == 0
            assert minutes(spans, "bedside") <= LONGEST_BEDSIDE_MIN


def test_beds_of_a_scenario_differ() -> None:
    for name in OURS:
        one, other = (load_of.baseline[: 600 * HZ] for load_of in labours(name)[:2])
        assert abs(one - other).max() > 1, name


def test_early_ones_mirror_their_contraction_and_late_ones_lag_behind() -> None:
    for name, low, high in (("early-with-contractions", -1, 1), ("late-with-falling-variability", 15, 90)):
        for one in labours(name):
            peaks = np.array([c.extreme_s for c in events(one, "contraction")])
            falls = [e for e in events(one, "deceleration", 0, 60) if e.cause in ("head", "placenta")]
            lags = [e.extreme_s - peaks[peaks <= e.extreme_s + 1].max() for e in falls]
            assert len(falls) >= 5
            assert low <= np.median(lags) <= high


@pytest.mark.parametrize("name", ["close-contractions", "tachysystole-infusion"])
def test_more_than_five_contractions_in_ten_minutes(name: str) -> None:
    assert most_in_three(name, lambda one: contractions_in_ten(one, 0)) <= 5.4, "not from the start"
    assert least_in_three(name, lambda one: contractions_in_ten(one, 40)) > 5


def test_the_infusion_can_be_turned_down() -> None:
    done: Any = "oxytocin-turned-down"
    for seed in SEEDS:
        bed = Bed(load("tachysystole-infusion"), seed)
        bed.advance(45 * 6)
        bed.did(done)
        bed.advance(75 * 6)
        onsets = [e.onset_s for e in bed.events if e.what == "contraction" and 5400 <= e.onset_s < 7200]
        assert len(onsets) / 3 <= 5


def test_turning_resolves_most_of_what_turning_can() -> None:
    comes_back = 0
    for seed in range(12):
        bed = Bed(load("cord-until-turned"), seed)
        bed.advance(20 * 6)
        bed.did("turned")
        bed.advance(8 * 6)
        comes_back += not [e for e in bed.truth().events if e.what == "prolonged deceleration" and e.end_s >= bed.t_s]
    assert 6 <= comes_back < 12


def test_falls_that_last() -> None:
    """They begin when the course says so, last more than two minutes, and are one."""
    for name, at, lasts in (
        ("cord-not-recovering", 13, 6), ("cord-until-turned", 16, 30), ("lost-before-a-fall", 40, 10),
        ("mothers-pulse-while-pushing", 44, 9), ("prolonged-before-birth", 45, 10), ("quiet-then-a-fall", 310, 10),
    ):  # fmt: skip
        for one in labours(name):
            within = 30 if at > 100 else 4
            longest = max(events(one, "deceleration", at - within, at + within), key=lambda e: e.end_s - e.onset_s)
            assert longest.what == "prolonged deceleration", name
            assert (longest.end_s - longest.onset_s) / 60 >= lasts, name


def test_no_fhr_when_the_fall_begins() -> None:
    for one in labours("lost-before-a-fall"):
        onset = max(events(one, "deceleration", 36, 45), key=lambda e: e.size).onset_s / 60
        assert seen_share(one, onset - 2, onset + 2) < 0.15
        assert seen_share(one, 0, 20) > 0.7
        assert seen_share(one, 62, 90) > 0.6
    assert most_in_three("lost-but-well", lambda one: seen_share(one, 38, 46)) < 0.15


def test_the_mothers_pulse_hides_the_fall() -> None:
    for one in labours("mothers-pulse-while-pushing"):
        shown = part(one.fhr, 36, 60)
        assert abs(np.nanmedian(shown) - 110) < 8
        ua, here = part(one.ua, 36, 60), np.isfinite(shown)
        assert np.corrcoef(shown[here], ua[here])[0, 1] > 0.4, "it rises with contractions"


def test_the_pattern_is_sinusoidal() -> None:
    """3 to 5 cycles a minute (NICHD 2008): that is where the power of the signal is, by an FFT."""

    def peak(one: SimulatedLabour, from_min: float, until_min: float) -> tuple[float, float]:
        fhr = part(one.fhr, from_min, until_min)
        t, here = np.arange(len(fhr)), np.isfinite(fhr)
        fhr = np.interp(t, t[here], fhr[here])
        power = np.abs(np.fft.rfft((fhr - fhr.mean()) * np.hanning(len(fhr)))) ** 2
        per_min = np.fft.rfftfreq(len(fhr), 1 / HZ) * 60
        wide, narrow = (per_min >= 1.5) & (per_min <= 30), (per_min >= 3) & (per_min <= 5)
        return float(per_min[wide][power[wide].argmax()]), float(power[narrow].sum() / power[wide].sum())

    for one in labours("sinusoidal"):
        cycles, share = peak(one, 26, 39)
        assert 3 <= cycles <= 5
        assert share > 0.6
        assert peak(one, 0, 17)[1] < 0.6, "not from the start"


def test_sleeps_long_and_wakes() -> None:
    for one in labours("sleeps-long"):
        assert minutes(one.truth.states, "asleep", until_min=95) > 40
        asleep = [m.variability_bpm for m in one.truth.minutes[:75]]
        assert np.median(asleep) < 6
        assert not events(one, "deceleration")
        assert len(events(one, "acceleration", 95)) >= 3


def test_accelerations_all_the_time() -> None:
    for one in labours("lively"):
        rises = events(one, "acceleration", 0, 100)
        assert sum(e.end_s - e.onset_s for e in rises) > 0.25 * 6000
        assert median_baseline(one, 0, 100) < 155


@pytest.mark.parametrize(
    ("name", "low", "high"), [("high-normal-baseline", 146, 160), ("low-normal-baseline", 105, 115)]
)
def test_a_baseline_at_the_edge(name: str, low: float, high: float) -> None:
    for one in labours(name):
        assert low <= median_baseline(one, 0, 120) <= high
        assert not events(one, "deceleration")
        assert len(events(one, "acceleration")) > 10


def test_fever_and_a_climb_raise_the_baseline() -> None:
    for one in labours("fever"):
        assert minutes(one.truth.states, "fever") > 90
        assert median_baseline(one, 80, 100) > 155
        assert median_baseline(one, 80, 100) > median_baseline(one, 0, 8) + 15
    for one in labours("rising-baseline"):
        assert median_baseline(one, 50, 70) > median_baseline(one, 0, 8) + 12
        assert not events(one, "deceleration", 0, 75)


def test_variability_is_lost_without_a_deep_fall() -> None:
    for one in labours("quiet-catastrophe"):
        team = min(s.from_s for s in one.truth.needs if s.what == "team")
        assert max(e.size for e in events(one, "deceleration", 0, team / 60)) < 40
        assert np.median([e.size for e in events(one, "deceleration", 0, team / 60)]) < 20
        first, then = (
            [m.variability_bpm for m in one.truth.minutes if a <= m.t_s < b] for a, b in ((0, 900), (team, team + 600))
        )
        assert np.median(then) < 0.6 * np.median(first)


def test_reserves_differ() -> None:
    """The strong one bears more and deeper decelerations than those that use the small one up."""
    for strong, small in zip(labours("strong-reserve"), labours("small-reserve"), strict=True):
        deep = [e for e in events(strong, "deceleration") if e.size > 30]
        assert len(deep) >= 15
        assert max(m.reserve_used for m in strong.truth.minutes) < 0.35
        team = min(s.from_s for s in small.truth.needs if s.what == "team") / 60
        before = events(small, "deceleration", 0, team)
        assert len(before) < len(deep)
        assert np.median([e.size for e in before]) < 25


def test_what_gives_out_stays_down() -> None:
    for one in labours("cord-gives-out"):
        assert minutes(one.truth.states, "gives out") > 20
        assert np.nanmedian(part(one.fhr, 60, 70)) < median_baseline(one, 60, 70) - 30


@pytest.mark.parametrize(("name", "after_min"), [("bad-quarter-hour", 60), ("frightening-start", 15)])
def test_recovers_by_itself(name: str, after_min: float) -> None:
    for one in labours(name):
        assert one.truth.needs
        assert max(s.until_s for s in one.truth.needs) <= after_min * 60
        assert one.truth.minutes[-1].reserve_used < 0.1


def test_variable_ones_grow_worse_or_have_shoulders() -> None:
    for one in labours("cord-getting-worse"):
        early, late = (
            np.median([e.end_s - e.onset_s for e in events(one, "deceleration", a, b) if e.cause == "cord"])
            for a, b in ((0, 20), (45, 80))
        )
        assert late > 1.4 * early
    rises: list[float] = []
    for one in labours("cord-with-shoulders"):
        for e in events(one, "deceleration"):
            a, b = int((e.onset_s - 10) * HZ), int((e.onset_s - 3) * HZ)
            if np.isfinite(one.fhr[a:b]).any():
                rises.append(float(np.nanmean(one.fhr[a:b] - one.baseline[a:b])))
    assert np.median(rises) > 4


def test_pushing_is_loud() -> None:
    def pushing(ua: Any) -> float:
        """Power of what comes every 7 to 16 s."""
        power, hz = np.abs(np.fft.rfft(ua - ua.mean())) ** 2, np.fft.rfftfreq(len(ua), 1 / HZ)
        return float(power[(hz > 1 / 16) & (hz < 1 / 7)].sum()) / len(ua) ** 2

    for name in ("pushing-loud-but-well", "pushing-and-tired", "calm-to-birth"):
        for one in labours(name):
            begins = (one.truth.second_stage_from_s or 0) / 60
            pushes, rests = (pushing(part(one.ua, a, b)) for a, b in ((begins + 2, begins + 30), (2, begins)))
            assert begins > 10
            assert pushes > 2 * rests, "pushing shows on the toco"
            assert len(events(one, "deceleration", begins)) >= 5, name


def test_a_toco_that_shows_nothing() -> None:
    for one in labours("falls-without-toco"):
        assert np.ptp(part(one.ua, 12, 120)) == 0
        assert len(events(one, "deceleration", 12, 120)) >= 8


def test_traps_are_there() -> None:
    def artefacts(one: SimulatedLabour, *what: str) -> int:
        return sum(a.what in what for a in one.truth.artefacts)

    assert least_in_three("walking", lambda one: seen_share(one, 0, 93)) > 0.55
    assert most_in_three("walking", lambda one: seen_share(one, 0, 93)) < 0.85
    assert most_in_three("noisy-but-well", lambda one: seen_share(one, 0, 120)) < 0.85
    assert least_in_three("spikes-and-half-rates", lambda one: artefacts(one, "spike")) >= 15
    assert least_in_three("spikes-and-half-rates", lambda one: artefacts(one, "half rate", "double rate")) >= 20
    assert least_in_three("toco-slips", lambda one: artefacts(one, "toco moved")) >= 5
    assert least_in_three("toco-slips", lambda one: artefacts(one, "toco off")) >= 1


def test_the_monitor_is_off_twice_and_back() -> None:
    for one in labours("bathroom"):
        off = [a for a in one.truth.artefacts if a.what == "off"]
        for first, last in ((20, 50), (88, 118)):
            spans = [a for a in off if first * 60 <= a.from_s < last * 60]
            begins, ends = min(a.from_s for a in spans) / 60, max(a.until_s for a in spans) / 60
            assert ends - begins >= 3
            assert seen_share(one, begins, ends) == 0
            assert np.ptp(part(one.ua, begins, ends)) == 0
            assert seen_share(one, ends, ends + 15) > 0.6


def test_the_device_does_all_it_can_do_wrong_one_after_the_other() -> None:
    faults = load("device-misbehaves").fault
    assert {f.what for f in faults} == set(get_args(Fault))
    for one, other in pairwise(faults):
        assert other.at_min * 60 >= one.at_min * 60 + one.for_s + 120


@pytest.mark.parametrize(("name", "beds", "levels"), [("two-at-once", 8, ["team"] * 2), ("night-shift", 12, ["team"])])
def test_in_a_shift_as_many_are_needed_as_it_says(name: str, beds: int, levels: list[str]) -> None:
    found = shift.load(name)
    assert len(found.bed) == beds
    begins = [
        (need.begins_min[0] - place.start_min, need.level)
        for place in found.bed for need in load(place.scenario).needs if need.level in levels
    ]  # fmt: skip
    assert [level for _, level in begins] == levels
    assert max(at for at, _ in begins) - min(at for at, _ in begins) <= 15


def test_a_woman_comes_to_a_bed_of_the_shift(tmp_path: Path) -> None:
    text = (Path(shift.__file__).parent / "shifts" / "night-shift.toml").read_text()
    path = tmp_path / "own.toml"
    path.write_text(text.replace("bed = 9\nat_min = 16", "bed = 13\nat_min = 16"))
    with pytest.raises(BadScenario, match=r"woman\[1\].bed: 13. The shift has 12 beds"):
        shift.load(str(path))
