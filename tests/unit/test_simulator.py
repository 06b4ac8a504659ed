"""The simulator against what is published of labour, and against its own word: truth, care, sensors, files."""

import gc
import sys
from collections.abc import Callable
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any, get_args

import msgspec
import numpy as np
import pytest
import wfdb

from quietward.contracts.commands import CareKind
from quietward.contracts.errors import BadScenario, BadSettings
from quietward.contracts.fields import HZ
from quietward.recordings import SUFFIXES
from quietward.recordings.files import read_recording
from quietward.recordings.recording import LabourContext
from quietward.simulator import output, shift, truth
from quietward.simulator.bed import Bed, SimulatedLabour, simulate
from quietward.simulator.physiology import responses
from quietward.simulator.scenario import Cause, Factor, Happening, Phase, Scenario, load, one_bed
from quietward.simulator.sources import LiveBed
from quietward.simulator.truth import Truth

HOUR_S = 3600
QUIET: dict[str, Any] = {"asleep_share": 0.0, "capacity_bpm_min": 100_000.0, "recorder": "quarters"}


def labour(seconds: int = HOUR_S, seed: int = 1, phase: dict[str, Any] | None = None, **more: Any) -> SimulatedLabour:
    """A labour of one phase, clean sensors and a reserve that lasts, unless said otherwise."""
    numbers = {
        "baseline_bpm": 140.0, "variability_bpm": 8.0, "contraction_interval_s": 180.0, "contraction_duration_s": 80.0,
        "contraction_spread": 0.1, "fhr_loss_share": 0.0, "toco_noise": 0.0, **(phase or {}),
    }  # fmt: skip
    made = Scenario("test", "-", "-", "-", seconds / 60, [Phase(0.0, **numbers)], **{**QUIET, **more})
    return simulate(made, seed, seconds)


def of(found: SimulatedLabour, what: str) -> list[Truth]:
    return [e for e in found.truth.events if e.what == what]


def causing(kind: str, depth_bpm: float = 30.0, length_s: float = 50.0, form: str = "plain") -> SimulatedLabour:
    cause = Cause(kind, 1.0, depth_bpm, length_s, form=form)  # type: ignore[arg-type]
    return labour(2 * HOUR_S, phase={"causes": [cause]})


# NICHD 2008 (Macones et al., Obstet Gynecol 2008;112:661): early and late take 30 s or more from onset to nadir,
# variable ones less; a late one's onset, nadir and end follow the contraction's; from 2 minutes it is prolonged.


def test_head_compression_gives_early_decelerations() -> None:
    made = causing("head")
    pairs = with_contraction(made, "early deceleration")
    assert len(pairs) >= 25
    for fall, contraction in pairs:
        assert fall.extreme_s - fall.onset_s >= 30
        assert abs(fall.extreme_s - contraction.peak) <= 15
        assert abs(fall.onset_s - contraction.onset) <= 10


def test_the_placenta_gives_late_decelerations() -> None:
    pairs = with_contraction(causing("placenta"), "late deceleration")
    assert len(pairs) >= 25
    for fall, contraction in pairs:
        assert fall.extreme_s - fall.onset_s >= 30
        assert fall.onset_s > contraction.onset + 20
        assert fall.extreme_s > contraction.peak
        assert fall.end_s > contraction.end


@pytest.mark.parametrize("form", ["plain", "shoulders", "slow-return", "w"])
def test_the_cord_gives_variable_decelerations(form: str) -> None:
    made = causing("cord", form=form)
    found = of(made, "variable deceleration")
    assert len(found) >= 25
    for fall in found:
        first = fall.extreme_s if form != "w" else fall.onset_s + (fall.extreme_s - fall.onset_s) / 2
        assert first - fall.onset_s < 30
        assert 15 <= fall.end_s - fall.onset_s < 120
        # the rate is where the truth says it is, whatever the form: below at the nadir, back at the end
        at, end = round(fall.extreme_s * HZ), round(fall.end_s * HZ)
        nadir = np.nanmean(made.fhr[at - 2 : at + 3] - made.baseline[at - 2 : at + 3])
        assert nadir < -0.5 * fall.size
        assert abs(np.nanmean(made.fhr[end + 60 : end + 100] - made.baseline[end + 60 : end + 100])) < 15


def test_a_long_one_is_prolonged() -> None:
    found = of(causing("cord", length_s=200), "prolonged deceleration")
    assert len(found) >= 15
    assert all(fall.end_s - fall.onset_s >= 120 for fall in found)


class Squeeze(msgspec.Struct):
    """Times of a contraction."""

    onset: float
    peak: float
    end: float


def with_contraction(made: SimulatedLabour, what: str) -> list[tuple[Truth, Squeeze]]:
    """Falls, each with the last contraction that began before or with it."""
    pairs = []
    for fall in of(made, what):
        c = [c for c in of(made, "contraction") if c.onset_s <= fall.onset_s + 10][-1]
        pairs.append((fall, Squeeze(c.onset_s, c.extreme_s, c.end_s)))
    return pairs


def test_variability_is_the_peak_to_trough_of_a_minute() -> None:
    """FIGO 2015: mean bandwidth over 1-min segments (from memory); here by numpy on what was recorded."""
    for wanted in (4.0, 8.0, 16.0):
        fhr = labour(4 * HOUR_S, phase={"variability_bpm": wanted}).fhr.reshape(-1, 60 * HZ)
        assert np.mean(np.nanmax(fhr, axis=1) - np.nanmin(fhr, axis=1)) == pytest.approx(wanted, rel=0.25, abs=1.5)


def test_baseline_and_contractions_are_as_asked() -> None:
    made = labour(8 * HOUR_S)
    assert np.nanmean(made.fhr) == pytest.approx(140, abs=4)
    onsets = np.array([c.onset_s for c in of(made, "contraction")])
    assert np.diff(onsets).mean() == pytest.approx(180, rel=0.05)
    assert np.mean([c.end_s - c.onset_s for c in of(made, "contraction")]) == pytest.approx(80, rel=0.05)


def test_a_sinusoidal_pattern_has_3_to_5_cycles_a_minute() -> None:
    """NICHD 2008 (from memory): smooth, 3 to 5 cycles a minute; by numpy's FFT."""
    made = labour(HOUR_S, happening=[Happening(0.0, "sinusoidal", 60.0, 12.0)])
    fhr = made.fhr - np.nanmean(made.fhr)
    power = np.abs(np.fft.rfft(np.where(np.isnan(fhr), 0, fhr))) ** 2
    per_min = np.fft.rfftfreq(len(fhr), 1 / HZ) * 60
    assert 3 <= per_min[np.argmax(np.where(per_min > 1, power, 0))] <= 5


def test_an_infusion_halves_the_interval_and_can_be_turned_down() -> None:
    asked = Scenario(
        "test", "-", "-", "-", 600.0, [Phase(0.0, 140.0, contraction_interval_s=240.0, contraction_duration_s=50.0,
        contraction_spread=0.1)], happening=[Happening(60.0, "oxytocin", 540.0, 1.0)], **QUIET,
    )  # fmt: skip

    def rate(bed: Bed, from_s: float, to_s: float) -> float:
        return len([e for e in bed.events if e.what == "contraction" and from_s <= e.onset_s < to_s]) / (to_s - from_s)

    bed = next(bed for seed in range(20) if (bed := Bed(asked, seed)) and turns_down(bed))
    bed.advance(6 * HOUR_S // 10 - bed.t_s // 10)
    before, driven, after = rate(bed, 0, HOUR_S), rate(bed, 2 * HOUR_S, 3 * HOUR_S), rate(bed, 4 * HOUR_S, 6 * HOUR_S)
    assert driven == pytest.approx(2 * before, rel=0.2)
    assert after < 0.75 * driven


def turns_down(bed: Bed) -> bool:
    bed.advance(3 * HOUR_S // 10)
    return bool(bed.did("oxytocin-turned-down").relieved)


def test_a_reserve_is_used_by_falls_and_shows() -> None:
    """Rising baseline, falling variability, deeper falls: the strip develops by itself; with rest it recovers."""
    hard = [Cause("cord", 0.9, 45.0, 80.0)]
    phases = [
        Phase(0.0, 135.0, 12.0, contraction_interval_s=150.0, contraction_duration_s=70.0, causes=hard),
        Phase(120.0, contraction_interval_s=900.0, causes=[]),
    ]
    made = Scenario("test", "-", "-", "-", 360.0, phases, capacity_bpm_min=450.0, asleep_share=0.0)
    bed = Bed(made, 3)
    bed.advance(360 * 6)
    early, late, rested = (bed.truth().minutes[m] for m in (5, 115, 355))
    assert early.reserve_used < 0.2
    assert late.reserve_used > 0.5
    assert late.baseline_bpm > early.baseline_bpm + 8
    assert late.variability_bpm < 0.75 * early.variability_bpm
    assert rested.reserve_used < 0.1
    assert any(need.what == "team" for need in bed.truth().needs)
    falls = [e for e in bed.events if "deceleration" in e.what]
    deep = [np.mean([f.size for f in falls if a <= f.onset_s < b]) for a, b in ((0, 1200), (6000, 7200))]
    assert deep[1] > deep[0]


def test_an_early_one_hardly_uses_the_reserve() -> None:
    used = [
        Bed(Scenario("test", "-", "-", "-", 120.0, [Phase(0.0, 135.0, contraction_interval_s=180.0,
            contraction_duration_s=70.0, causes=[Cause(kind, 1.0, 30.0, 70.0)])], capacity_bpm_min=900.0), 1)
        for kind in ("head", "placenta")
    ]  # fmt: skip
    for bed in used:
        bed.advance(720)
    assert used[0].truth().minutes[-1].reserve_used < 0.3 * used[1].truth().minutes[-1].reserve_used


@cache
def relieved(care: CareKind) -> list[list[Any]]:
    """What is relieved in each of 400 women when this is done."""
    calm = load("calm")
    return [Bed(calm, seed).did(care).relieved for seed in range(400)]


@pytest.mark.parametrize("response", responses(), ids=lambda r: f"{r.to} {r.relieves}")
def test_care_relieves_as_often_and_as_late_as_is_written(response: Any) -> None:
    """400 women each; four standard deviations of the binomial are allowed."""
    spans = [[s for s in hers if s.what == response.relieves] for hers in relieved(response.to)]
    share, p = np.mean([bool(s) for s in spans]), response.probability
    assert abs(share - p) <= 4 * np.sqrt(p * (1 - p) / 400)
    for span in (s for found in spans for s in found):
        assert response.after_s[0] <= span.from_s <= response.after_s[1]
        assert response.for_min[0] * 60 <= span.until_s - span.from_s <= response.for_min[1] * 60 + 1e-6


def test_responses_name_what_staff_can_note() -> None:
    assert {r.to for r in responses()} <= set(get_args(CareKind))


@pytest.mark.parametrize(("asked", "stage_from"), [(0.08, None), (0.3, None), (0.08, 0.0)])
def test_loss_is_as_asked_and_comes_in_clusters(asked: float, stage_from: float | None) -> None:
    """8 % lying and 30 % walking: Reis-de-Carvalho, Acta Obstet Gynecol Scand 2022;101:1269. More while pushing."""
    missing = np.concatenate([
        np.isnan(labour(8 * HOUR_S, seed, phase={"fhr_loss_share": asked}, second_stage_from_min=stage_from).fhr)
        for seed in range(8)
    ])  # fmt: skip
    if stage_from is None:
        assert missing.mean() == pytest.approx(asked, rel=0.25)
    else:
        assert 1.5 * asked < missing.mean() < 3 * asked
    minutes = missing.reshape(-1, 60 * HZ).mean(axis=1)
    assert minutes.std() > 3 * np.sqrt(asked * (1 - asked) / (60 * HZ))  # as even as chance would be 1


def test_half_and_double_rate_are_said_and_are_there() -> None:
    made = labour(8 * HOUR_S, phase={"wrong_rate_per_h": 6.0}, recorder="intervals")
    runs = [a for a in made.truth.artefacts if a.what in ("half rate", "double rate")]
    assert len(runs) >= 30
    for run in runs:
        part = slice(round(run.from_s * HZ) + 1, round(run.until_s * HZ) - 1)
        assert np.nanmedian(made.fhr[part]) == pytest.approx(run.size * np.median(made.baseline[part]), rel=0.1)


def test_the_mothers_pulse_takes_the_place_of_the_fetus() -> None:
    made = labour(HOUR_S, happening=[Happening(20.0, "mothers-pulse", 20.0)], mothers_pulse_bpm=85.0)
    means = [np.nanmean(made.fhr[m * 60 * HZ : (m + 15) * 60 * HZ]) for m in (2, 22, 44)]
    assert means[1] < 100 < min(means[0], means[2])
    assert [a.what for a in made.truth.states].count("mother's pulse") == 1


def test_off_for_the_bathroom_both_signals_say_nothing() -> None:
    made = labour(HOUR_S, happening=[Happening(20.0, "monitor-off", 10.0)])
    off = slice(20 * 60 * HZ, 30 * 60 * HZ)
    assert np.isnan(made.fhr[off]).all()
    assert np.ptp(made.ua[off]) == 0
    assert np.isnan(made.fhr).mean() == pytest.approx(1 / 6, abs=0.01)


def test_moving_the_transducer_brings_a_lost_signal_back() -> None:
    asked = Scenario(
        "test", "-", "-", "-", 120.0, [Phase(0.0, 140.0, contraction_interval_s=180.0, contraction_duration_s=60.0)],
        happening=[Happening(10.0, "drifts-off", 110.0, 0.95)], recorder="quarters",
    )  # fmt: skip
    helped = next(seed for seed in range(20) if Bed(asked, seed).did("transducer-moved").relieved)
    missing = []
    for does in (False, True):
        bed = Bed(asked, helped)
        bed.advance(120)
        if does:
            while not bed.did("transducer-moved").relieved:
                pass
        missing.append(float(np.isnan(bed.advance(60).fhr[90 * HZ :]).mean()))
    assert missing[0] > 0.7
    assert missing[1] < 0.25


def test_the_same_seed_gives_the_same_and_another_does_not() -> None:
    one, same, other = (simulate(load("mixed-last-hours"), seed, 600) for seed in (5, 5, 6))
    assert np.array_equal(one.fhr, same.fhr, equal_nan=True)
    assert one.truth == same.truth
    assert not np.array_equal(one.fhr, other.fhr, equal_nan=True)


def test_ranges_are_percentiles() -> None:
    """10, 50 and 90 % of 2,000 beds, within what chance allows."""
    import random

    wanted = load("mixed-last-hours").phase[0].baseline_bpm
    drawn = [one_bed(load("mixed-last-hours"), random.Random(i)).phase[0].baseline_bpm for i in range(2000)]
    assert np.quantile(np.array(drawn), (0.1, 0.5, 0.9)) == pytest.approx(wanted, abs=1.5)


def test_what_one_factor_moves_goes_together_and_later_phases_keep_as_much_as_is_written() -> None:
    """Correlations of 2,000 beds: the product of two loads, and `keeps`; chance makes 0.05 in one of forty."""
    import random

    of = Scenario(
        "test", "-", "-", "-", 60.0,
        [
            Phase(0.0, [120.0, 140.0, 160.0], [8.0, 12.0, 16.0], contraction_interval_s=200.0,
                  contraction_duration_s=60.0, causes=[Cause("cord", [0.3, 0.5, 0.7], 30.0)]),
            Phase(30.0, [120.0, 140.0, 160.0], keeps=0.5),
        ],
        factor=[Factor("one", {"baseline_bpm": 0.8, "variability_bpm": -0.6, "cord share": 0.5})],
    )  # fmt: skip
    beds = [one_bed(of, random.Random(i)) for i in range(2000)]
    drawn = np.array([
        (b.phase[0].baseline_bpm, b.phase[0].variability_bpm, (b.phase[0].causes or [])[0].share,
         b.phase[1].baseline_bpm, b.phase[1].variability_bpm)
        for b in beds
    ])  # fmt: skip
    found = np.corrcoef(drawn, rowvar=False)
    assert found[0, 1:3] == pytest.approx([-0.48, 0.4], abs=0.06)
    assert np.array_equal(drawn[:, 1], drawn[:, 4]), "what a later phase does not say stays as it was"
    assert found[0, 3] == pytest.approx(0.5, abs=0.05)
    assert np.quantile(drawn[:, 3], (0.1, 0.5, 0.9)) == pytest.approx([120, 140, 160], abs=2)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_recordings_travel_with_their_truth(tmp_path: Path, suffix: str) -> None:
    """Read back by our reader, and a WFDB record by the WFDB library itself."""
    made = simulate(load("cord-now-and-then"), 3, 3 * HOUR_S)
    told: list[int] = []
    order = output.RecordingOrder("bed-1", load("cord-now-and-then"), 3, 2 * HOUR_S, HOUR_S)
    recording, beside = output.write(tmp_path / "new", [order], suffix, told.append)
    assert sum(told) == 3 * HOUR_S
    read = read_recording(recording)
    assert np.array_equal(read.fhr, made.fhr[HOUR_S * HZ :], equal_nan=True)
    assert np.array_equal(read.ua, made.ua[HOUR_S * HZ :])
    if suffix == ".hea":
        record = wfdb.rdrecord(str(recording.with_suffix("")))
        assert (record.fs, record.sig_name, record.units) == (HZ, ["FHR", "UA"], ["bpm", "nd"])
        assert np.array_equal(record.p_signal[:, 0], read.fhr, equal_nan=True)
    kept = truth.read(beside)
    assert read.labour == LabourContext(kept.weeks)
    later = [e for e in made.truth.events if e.end_s > HOUR_S and e.onset_s < 3 * HOUR_S]
    assert [(e.what, e.onset_s) for e in kept.events] == [(e.what, round(e.onset_s - HOUR_S, 2)) for e in later]
    assert kept.duration_s == 2 * HOUR_S
    assert len(kept.minutes) == 120
    with pytest.raises(BadSettings, match="Already exists"):
        output.write(tmp_path / "new", [order], suffix)


def test_recordings_say_weeks_and_second_stage(tmp_path: Path) -> None:
    of = load("small-reserve")
    of = msgspec.structs.replace(of, second_stage_from_min=3)
    orders = [output.RecordingOrder(f"bed-{skip_s}", of, 3, 600, skip_s) for skip_s in (60, 600)]
    first, _, later, _ = output.write(tmp_path, orders, ".csv")
    assert read_recording(first).labour == LabourContext(36, 120)
    assert read_recording(later).labour == LabourContext(36, 0)


def test_shifts_that_come_along_are_sound() -> None:
    assert len(shift.names()) >= 2
    for name in shift.names():
        found = shift.load(name)
        assert found.name == name
        assert len(shift.placed(found, 1)) == len(found.bed) >= 2


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda t: t.replace('scenario = "calm"', 'scenario = "nowhere"', 1), "no such scenario"),
        (lambda t: t.replace("start_min = 180", "start_min = 1400"), "bed.*start_min.*calm lasts"),
        (lambda t: t.replace("purpose", "porpoise"), "porpoise"),
        (lambda t: t + "[[", "Fix the TOML"),
    ],
)
def test_a_wrong_shift_is_refused(tmp_path: Path, change: Callable[[str], str], says: str) -> None:
    wrong = tmp_path / "mine.toml"
    sound = """
        name = "mine"
        purpose = "-"
        course = "-"
        good_watcher = "-"
        [[bed]]
        scenario = "calm"
        start_min = 180
    """
    wrong.write_text(sound)
    assert shift.load(str(wrong)).name == "mine"
    wrong.write_text(change(sound))
    with pytest.raises(BadScenario, match=says):
        shift.load(str(wrong))


@pytest.mark.parametrize("name", ["night-shift", "two-at-once"])
def test_a_bed_that_is_played_for_hours_keeps_no_more_than_at_first(name: str) -> None:
    """In blocks of memory; the truth of one bed would take some 500 an hour."""
    scenario, skip_s = shift.chosen([], name, None)[0]
    bed = LiveBed("bed-1", scenario, 3, 24 * HOUR_S, skip_s)
    seconds = bed.play()

    def kept_after(hours: int) -> int:
        for _ in islice(seconds, hours * HOUR_S):
            pass
        bed.did("turned")
        gc.collect()
        return sys.getallocatedblocks()

    first = kept_after(1)
    assert kept_after(4) - first < 300


def test_a_bed_that_forgets_goes_on_as_one_that_does_not() -> None:
    for name in ("quiet-catastrophe", "calm"):
        kept, forgetful = Bed(load(name), 5), Bed(load(name), 5)
        for tick in range(720):
            if tick % 100 == 50:
                assert kept.did("turned") == forgetful.did("turned")
            np.testing.assert_array_equal(kept.advance(1).fhr, forgetful.advance(1).fhr)
            forgetful.forget()
        assert len(forgetful.truth().events) < len(kept.truth().events)
