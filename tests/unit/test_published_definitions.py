"""The published definitions, each check beside its source.

NICHD: Macones GA et al., Obstet Gynecol 2008;112:661-666. FIGO: Ayres-de-Campos D et al., Int J Gynecol Obstet
2015;131:13-24. Numbers as restated in public secondary texts; 'memory' where only remembered.
Each is run noise-free, where sample counts decide, and where it makes sense with 4 bpm of variability.
"""

import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.detect.core.alerting.rule_sets import rounded_baseline
from tests.traces import Run, Signal, bell, flat, put, ramp, ripple, run

NICHD, FIGO = 0, 1
BEFORE_S = 400.0
"""Undisturbed trace before what is tested, so that the baseline is known."""


def trace_with(piece: Signal, variability: float = 0.0, after_s: float = 120.0, base: float = 140.0) -> Signal:
    seconds = BEFORE_S + len(piece) / HZ + after_s
    trace = flat(base, seconds)
    if variability:
        trace = trace + ripple(seconds, variability)
    return put(trace, BEFORE_S, piece)


def kinds(found: Run, rules: str) -> list[object]:
    return [e.detail[f"kind {rules}"] for e in found.of("deceleration") if e.detail[f"kind {rules}"] != "none"]


def rises(found: Run, rules: str) -> list[object]:
    return [e.detail[f"kind {rules}"] for e in found.of("acceleration") if e.detail[f"kind {rules}"] != "none"]


@pytest.mark.parametrize(
    ("bpm", "rounded"),
    [(142, 140), (143, 145), (142.5, 145), (108, 110), (107.25, 105), (162, 160), (163, 165)],
)
def test_baseline_is_rounded_to_5_bpm_before_it_is_compared(bpm: float, rounded: float) -> None:
    """NICHD 2008, baseline: mean to the nearest 5 bpm. A tie goes up: own choice."""
    found = run(flat(bpm, 600))
    assert found.measure("baseline_bpm") == pytest.approx(bpm, abs=0.01)
    assert rounded_baseline(np.array([found.measure("baseline_bpm")]), 5)[0] == rounded


@pytest.mark.parametrize(
    ("bpm", "nichd", "figo"),
    [
        (140, 1, 1), (110, 1, 1), (160, 1, 1), (108, 1, 2), (107.25, 2, 2), (162, 1, 2), (163, 2, 2), (99, 2, 3),
        (100, 2, 2), (109, 1, 2), (180, 2, 2),
    ],
)  # fmt: skip
def test_class_by_baseline_alone(bpm: float, nichd: int, figo: int) -> None:
    """NICHD 2008: 110 to 160 after rounding. FIGO 2015: < 110 and > 160 suspicious, < 100 pathological."""
    found = run(flat(bpm, 720) + ripple(720, 10))
    assert (found.ranks(NICHD)[-1], found.ranks(FIGO)[-1]) == (nichd, figo)


def test_a_rate_of_142_and_a_baseline_of_about_140_are_normal() -> None:
    """Common practice, no source."""
    found = run(flat(142, 720) + ripple(720, 10))
    assert found.measure("baseline_bpm") == pytest.approx(142, abs=1)
    assert found.ranks(NICHD)[-1] == found.ranks(FIGO)[-1] == 1


@pytest.mark.parametrize(("samples", "determinate"), [(480, True), (479, False)])
def test_baseline_needs_two_minutes(samples: int, determinate: bool) -> None:
    """NICHD 2008: at least 2 min of identifiable baseline in any 10 min, else indeterminate."""
    trace = np.full(600 * HZ, np.nan)
    trace[: samples // 2] = 140
    trace[1200 : 1200 + samples - samples // 2] = 140
    assert bool(~np.isnan(run(trace).measure("baseline_bpm"))) is determinate


@pytest.mark.parametrize(
    ("piece", "nichd", "figo"),
    [
        pytest.param(ramp(15, 5, 5, 5.25), ["acceleration"], [], id="15.0 s and 15 bpm: at least v more than"),
        pytest.param(ramp(15, 5, 4.75, 5.25), [], [], id="14.75 s"),
        pytest.param(ramp(14.75, 5, 10, 5.25), [], [], id="14.75 bpm"),
        pytest.param(ramp(20, 8, 0, 8.25), ["acceleration"], ["acceleration"], id="triangle: departure to return"),
        pytest.param(ramp(20, 30, 5, 10), [], ["acceleration"], id="30 s to the peak is not abrupt"),
        pytest.param(ramp(20, 5, 104.75, 10.25), ["acceleration"], ["acceleration"], id="119.75 s"),
        pytest.param(ramp(20, 5, 105, 10.25), ["prolonged acceleration"], ["acceleration"], id="120 s"),
    ],
)
def test_accelerations(piece: Signal, nichd: list[str], figo: list[str]) -> None:
    """NICHD 2008: peak >= 15 bpm, onset to return >= 15 s, < 2 min, onset to peak < 30 s. FIGO 2015: > 15, > 15 s."""
    found = run(trace_with(piece))
    assert rises(found, "nichd-2008") == nichd
    assert rises(found, "figo-2015") == figo


@pytest.mark.parametrize("variability", [0.0, 4.0])
@pytest.mark.parametrize(
    ("piece", "nichd", "figo"),
    [
        pytest.param(ramp(-20, 20, 20, 20), ["variable"], ["variable"], id="abrupt, 60 s"),
        pytest.param(ramp(-30, 10, 130, 10), ["prolonged"], ["variable"], id="150 s"),
        pytest.param(ramp(-40, 10, 180, 10), ["prolonged"], ["prolonged"], id="200 s"),
        pytest.param(ramp(-8, 5, 20, 5), [], [], id="8 bpm: none"),
        pytest.param(ramp(-30, 2, 4, 2), [], [], id="8 s: none"),
    ],
)
def test_decelerations_without_contractions(
    piece: Signal, variability: float, nichd: list[str], figo: list[str]
) -> None:
    """NICHD 2008: onset to nadir < 30 s, >= 15 bpm, >= 15 s; prolonged >= 2 min. FIGO 2015: prolonged > 3 min."""
    found = run(trace_with(piece, variability))
    assert kinds(found, "nichd-2008") == nichd
    assert kinds(found, "figo-2015") == figo


@pytest.mark.parametrize(
    ("piece", "nichd", "figo"),
    [
        pytest.param(ramp(-15, 5, 5, 5.25), ["variable"], [], id="15 bpm for 15.0 s"),
        pytest.param(ramp(-20, 29.75, 10, 20.25), ["variable"], ["variable"], id="29.75 s to the nadir: abrupt"),
        pytest.param(
            ramp(-20, 30, 10, 20.25), ["undetermined"], ["undetermined"], id="30.0 s: gradual, no contraction"
        ),
        pytest.param(ramp(-30, 1, 117.75, 1.25), ["variable"], ["variable"], id="119.75 s"),
        pytest.param(ramp(-30, 1, 118, 1.25), ["prolonged"], ["variable"], id="120 s"),
        pytest.param(ramp(-30, 1, 178, 1.25), ["prolonged"], ["variable"], id="180 s: FIGO wants more"),
        pytest.param(ramp(-30, 1, 178.25, 1.25), ["prolonged"], ["prolonged"], id="180.25 s"),
    ],
)
def test_limits_of_decelerations_to_the_sample(piece: Signal, nichd: list[str], figo: list[str]) -> None:
    """NICHD 2008 counts from its limit on, FIGO 2015 above it."""
    found = run(trace_with(piece))
    assert kinds(found, "nichd-2008") == nichd
    assert kinds(found, "figo-2015") == figo


def test_more_than_five_minutes_is_pathological_while_it_goes_on() -> None:
    """FIGO 2015: one deceleration > 5 min is pathological."""
    found = run(trace_with(ramp(-30, 1, 310, 1), variability=10))
    ranks = found.ranks(FIGO)
    fell, over_five = int(BEFORE_S // 60), int((BEFORE_S + 300) // 60)
    assert max(ranks[: fell + 3]) < 3
    assert ranks[over_five] == 3


def test_ten_minutes_are_a_new_baseline_and_no_deceleration() -> None:
    """NICHD 2008: a change of 10 min or more is a baseline change."""
    found = run(trace_with(ramp(-30, 1, 700, 1)))
    assert kinds(found, "nichd-2008") == []
    changes = found.of("baseline-change")
    assert [e.detail["onset_s"] for e in changes][:1] == [BEFORE_S]
    at_ten_minutes = int(BEFORE_S) + 602
    assert found.measure_at(at_ten_minutes, "baseline_bpm") == pytest.approx(110, abs=1)


def contracting(seconds: float, starts: list[float], length_s: float = 60.0) -> Signal:
    ua = flat(10, seconds)
    for start in starts:
        ua = put(ua, start, bell(50, length_s))
    return ua


@pytest.mark.parametrize("variability", [0.0, 4.0])
@pytest.mark.parametrize(
    ("start", "fall", "back", "nichd", "figo"),
    [
        pytest.param(0, 30, 30, "early", "early", id="mirrors the contraction"),
        pytest.param(20, 35, 35, "late", "undetermined", id="20 s after its start: FIGO wants more than 20"),
        pytest.param(26, 35, 35, "late", "late", id="26 s after its start"),
        pytest.param(26, 10, 45, "variable", "late", id="abrupt, and slow to return: FIGO wants one of the two"),
        pytest.param(26, 10, 20, "variable", "variable", id="abrupt both ways"),
        pytest.param(26, 35, 15, "late", "late", id="gradual, and quick to return"),
    ],
)
def test_gradual_decelerations_by_their_contraction(
    start: float, fall: float, back: float, nichd: str, figo: str, variability: float
) -> None:
    """NICHD 2008: onset to nadir >= 30 s, with or after the contraction. FIGO 2015: late > 20 s after its start.

    Stated tolerances: through 4 bpm of variability a ramp's beginning is seen up to 10 s early (its corner is taken for
    a shoulder), so the limit of 20 s cannot be told to the second: there the last case begins 32 s after the start.
    """
    contractions = [60.0, 240.0, 420.0]
    piece = ramp(-25, fall, 0, back)
    fhr = flat(140, 600) + (ripple(600, variability) if variability else 0)
    late_s = 6 if variability and start == 26 else 0
    found = run(put(fhr, contractions[-1] + start + late_s, piece), contracting(600, contractions))
    assert kinds(found, "nichd-2008") == [nichd]
    assert kinds(found, "figo-2015") == [figo] or (variability and start == 20)


def test_without_uterine_activity_a_gradual_deceleration_stays_undetermined() -> None:
    """Common practice, no source: late or early cannot be told where the contraction cannot be seen."""
    fhr = put(flat(140, 600), 420, ramp(-25, 35, 0, 35))
    found = run(fhr, np.full(len(fhr), np.nan))
    assert kinds(found, "nichd-2008") == ["undetermined"]


def test_contractions_are_timed_from_start_to_start() -> None:
    """Teaching slides on monitoring: frequency is from the start of one contraction to the start of the next."""
    found = run(flat(140, 900), contracting(900, [120, 270, 450]))
    onsets = [float(str(e.detail["onset_s"])) for e in found.of("contraction")]
    assert np.diff(onsets) == pytest.approx([150, 180], abs=3)
    assert found.measure("contraction_interval_s") == pytest.approx(165, abs=3)


def test_contractions_every_two_minutes_measure_as_two_minutes() -> None:
    """Common practice, no source."""
    found = run(flat(140, 1800), contracting(1800, list(np.arange(30, 1740, 120.0))))
    assert found.measure("contraction_interval_s") == pytest.approx(120, abs=3)
    assert found.measure("contraction_duration_s") == pytest.approx(60, abs=12)


@pytest.mark.parametrize(("n", "more_than_5"), [(18, True), (15, False), (16, True)])
def test_contraction_rate_is_averaged_over_30_minutes_and_not_rounded(n: int, more_than_5: bool) -> None:
    """ACOG Practice Bulletin 116: tachysystole is more than 5 in 10 min, averaged over 30 min."""
    gap, first = 1800 / n, 70  # the resting tone is known after a minute
    ua = contracting(1900, [first + i * gap for i in range(n)], length_s=50)
    rate = run(flat(140, 1900), ua).measure_at(first + 1799, "contractions_per_10min")
    assert rate == pytest.approx(n / 3, abs=0.01)
    assert bool(rate > 5) is more_than_5


@pytest.mark.parametrize(("amplitude", "nichd", "figo"), [(5, 2, 1), (4, 2, 2), (6, 1, 1), (25, 1, 1), (26, 2, 2)])
def test_variability_bands(amplitude: float, nichd: int, figo: int) -> None:
    """NICHD 2008: moderate 6 to 25 bpm. FIGO 2015: normal 5 to 25 bpm."""
    found = run(flat(140, 720) + ripple(720, amplitude))
    assert found.measure("variability_bpm") == pytest.approx(amplitude, abs=0.5)
    assert (found.ranks(NICHD)[-1], found.ranks(FIGO)[-1]) == (nichd, figo)


@pytest.mark.parametrize(("minutes", "pathological"), [(50, False), (61, True)])
def test_reduced_variability_is_pathological_after_50_minutes(minutes: int, pathological: bool) -> None:
    """FIGO 2015: below 5 bpm for more than 50 min."""
    found = run(flat(140, minutes * 60) + ripple(minutes * 60, 4))
    assert (found.ranks(FIGO)[-1] == 3) is pathological


@pytest.mark.parametrize("variability", [0, 10])
def test_absent_variability_with_recurrent_late_decelerations_is_category_iii(variability: float) -> None:
    """NICHD 2008, box: absent variability with recurrent late decelerations is category III; moderate is II."""
    starts = list(np.arange(400, 1700, 180.0))
    fhr = flat(140, 1800) + (ripple(1800, variability, 8.5) if variability else 0)  # 7 a minute: no sinusoidal pattern
    for start in starts:
        fhr = put(fhr, start + 30, ramp(-25, 35, 0, 35))
    found = run(fhr, contracting(1800, starts))
    assert found.ranks(NICHD)[-1] == (2 if variability else 3)


def test_share_of_loss() -> None:
    """2400 samples, 480 missing: 20.0 % loss."""
    trace = flat(140, 600)
    trace[::5] = np.nan
    assert run(trace).measure("fhr_usable_30min") == pytest.approx(0.8)


@pytest.mark.parametrize(("weeks", "kind"), [(31, "acceleration"), (32, "none"), (0, "none")])
def test_before_32_weeks_smaller_accelerations_count(weeks: int, kind: str) -> None:
    """NICHD 2008: 10 bpm for 10 s before 32 weeks (31 weeks and 6 days are 31 completed), 15 by 15 from then on."""
    found = run(trace_with(ramp(10, 4, 2, 4.25)), weeks=weeks)
    assert [e.detail["kind nichd-2008"] for e in found.of("acceleration")] == [kind] * (kind != "none")


def contractions_in(counts: list[int]) -> Signal:
    """UA with so many contractions in each window of ten minutes, after ten quiet minutes; a woman breathes."""
    seconds = 600 * (len(counts) + 1)
    ua = flat(10, seconds) + ripple(seconds, 0.5, 4)
    for i, n in enumerate(counts):
        for k in range(n):
            ua = put(ua, 600 * (i + 1) + 10 + 590 / n * k, bell(50, 45))
    return ua


@pytest.mark.parametrize(
    ("counts", "nichd", "figo"), [([7, 4, 4], False, False), ([6, 6, 2], False, True), ([6, 6, 6], True, True)]
)
def test_tachysystole(counts: list[int], nichd: bool, figo: bool) -> None:
    """NICHD 2008: > 5 in 10 min, averaged over 30. FIGO 2015 (memory): that, or in two successive windows of 10 min."""
    ua = contractions_in(counts)
    found = run(flat(140, len(ua) / HZ), ua)
    assert (found.measure("tachysystole", NICHD), found.measure("tachysystole", FIGO)) == (float(nichd), float(figo))


def test_six_in_ten_minutes_are_ordinary_in_the_second_stage() -> None:
    """3 to 5 in 10 min in the first stage, 5 to 6 in the second: textbook on uterine activity."""
    ua = contractions_in([6, 6, 6])
    first, second = (run(flat(140, len(ua) / HZ), ua, stage=stage) for stage in (1, 2))
    assert first.measure("tachysystole") == 1
    assert second.measure("tachysystole") == 0


def test_intervals_shorten_and_durations_lengthen_as_labour_goes_on() -> None:
    """Common practice, no source."""
    ua = flat(10, 7800)
    at = 200.0
    while at < 7600:
        ua = put(ua, at, bell(50, 45 + 30 * at / 7800))
        at += 300 - 180 * at / 7800
    found = run(flat(140, 7800), ua)
    assert found.measure("contraction_interval_change") < 0.85
    assert found.measure("contraction_duration_change") > 1.05


@pytest.mark.parametrize(("minutes", "nichd", "figo"), [(19, 1, 1), (21, 3, 2), (32, 3, 3)])
def test_sinusoidal_pattern(minutes: int, nichd: int, figo: int) -> None:
    """NICHD 2008 (memory): 3 to 5 cycles a minute for >= 20 min: category III. FIGO 2015: > 30 min is pathological."""
    found = run(put(flat(140, 300 + 60 * minutes), 300, ripple(60 * minutes, 10, 15)))
    assert found.measure("sinusoidal_min") == minutes
    assert (found.ranks(NICHD)[-1], found.ranks(FIGO)[-1]) == (nichd, figo)


@pytest.mark.parametrize("period_s", [6.0, 40.0])
def test_faster_and_slower_waves_are_not_sinusoidal(period_s: float) -> None:
    """3 to 5 cycles a minute, not 10 and not 1.5."""
    assert run(flat(140, 1800) + ripple(1800, 10, period_s)).measure("sinusoidal_min") == 0


def test_ordinary_variability_is_not_sinusoidal() -> None:
    """Own noise in the band that variability has; a sawtooth is jagged (pseudo-sinusoidal, FIGO 2015, memory)."""
    noise = np.convolve(np.random.default_rng(4).standard_normal(1800 * HZ), np.ones(12) / 12, "same")
    assert run(flat(140, 1800) + 4 * noise / noise.std()).measure("sinusoidal_min") == 0


def test_absent_variability_alone_is_category_ii() -> None:
    """NICHD 2008, box: absent variability without recurrent decelerations is category II."""
    assert run(flat(140, 900)).ranks(NICHD)[-1] == 2


@pytest.mark.parametrize(("samples", "major"), [(25, True), (24, False)])
def test_share_of_the_trace_near_the_mothers_pulse(samples: int, major: bool) -> None:
    """Pinto 2015: within 5 bpm of the maternal rate is ambiguous; major when > 1 % of the trace (25 of 2,400)."""
    fhr = flat(140, 600)
    fhr[1200 : 1200 + samples] = 120
    found = run(fhr, mhr_bpm=116.0)
    assert found.measure("near_mother_10min") == pytest.approx(samples / 2400)
    assert (found.measure("near_mother_10min") > 0.01) is major


def test_rest_is_from_the_end_of_one_contraction_to_the_start_of_the_next() -> None:
    """Starts at 0, 150 and 330 s, lengths 60 and 70 s: intervals 2.5 and 3 min, rests 90 and 110 s (definitions)."""
    ua = put(put(put(flat(10, 1000), 300, bell(60, 60)), 450, bell(60, 70)), 630, bell(60, 60))
    found = run(flat(140, 1000), ua)
    assert found.measure("contraction_interval_s") == pytest.approx(165, abs=2)
    assert found.measure("contraction_rest_s") == pytest.approx(100, abs=8), (
        "flanks of a bell are seen some seconds late"
    )


@pytest.mark.parametrize(("late", "recurrent", "repetitive"), [(4, True, False), (5, True, True), (3, False, False)])
def test_recurrent_is_half_and_repetitive_is_more_than_half(late: int, recurrent: bool, repetitive: bool) -> None:
    """NICHD 2008 (memory): with >= 50 % of contractions in 20 min. FIGO 2015: with > 50 %. Eight contractions."""
    starts = [610 + 148 * k for k in range(8)]
    fhr = flat(140, 1800)
    for start in starts[:late]:
        fhr = put(fhr, start + 25, ramp(-25, 35, 0, 35))
    found = run(fhr, contracting(1800, [float(s) for s in starts]))
    assert len(found.of("contraction")) == 8
    assert (found.measure("late_share_20min", NICHD) >= 0.5) is recurrent
    assert (found.measure("deceleration_share_30min", FIGO) > 0.5) is repetitive


def test_recovery_between_decelerations() -> None:
    """From return to the next departure: common practice, no source."""
    fhr = flat(140, 1500)
    for at in (600, 760, 920):
        fhr = put(fhr, at, ramp(-30, 10, 20, 10))
    assert run(fhr).measure("recovery_between_s") == pytest.approx(120, abs=1)


def test_what_is_missing_for_a_judgement_is_said() -> None:
    """Nothing published: a class that rests on half of what it needs must say so."""
    missing = run(np.full(900 * HZ, np.nan)).classes[-1][FIGO].missing
    assert len(missing) == 3
    assert run(flat(140, 900) + ripple(900, 8), contractions_in([3])).classes[-1][FIGO].missing == []
