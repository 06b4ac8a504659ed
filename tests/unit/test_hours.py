"""A bed's last hours: as a figure, on paper true to scale, and why its findings are called what they are."""

import re
from datetime import UTC

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block
from quietward.contracts.log import Event
from quietward.contracts.notice import NOTICE
from quietward.contracts.strip import STRIP
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.history.hours_figure import figure
from quietward.dashboard.print.clock_format import ClockFormat
from quietward.dashboard.print.strip_svg import page
from quietward.dashboard.view.marks import reasons
from quietward.dashboard.view.signal_buffer import SignalBuffer
from quietward.detect import rule_file
from quietward.drawing.strip import WIDTH_MM, PaperScale
from quietward.language.catalogue import language, reader

BEGINS = 1_790_000_040
FALL = Event(
    "bed-1-1", "bed-1", (BEGINS + 160) * 1000, "deceleration", "late deceleration, 20 bpm deep, 60 s",
    {
        "onset_s": BEGINS + 90.0, "nadir_s": BEGINS + 130.0, "end_s": BEGINS + 150.0, "depth_bpm": 20.0,
        "area_bpm_s": 700.0, "contraction_onset_s": BEGINS + 75.0, "contraction_peak_s": BEGINS + 100.0,
        "kind nichd-2008": "late", "kind figo-2015": "undetermined",
    },
)  # fmt: skip
FLAG = Event(
    "bed-1-2", "bed-1", (BEGINS + 300) * 1000, "flag-raised", "look: why",
    {"flag": "bed-1-f1", "level": "look", "reason": "why"},
)  # fmt: skip


def minute(at_s: int, **detail: float | None) -> Event:
    return Event(f"m{at_s}", "bed-1", at_s * 1000, "minute", "", detail)  # type: ignore[arg-type]


def hours(minutes: int = 10) -> BedHistory:
    fhr, ua = np.full(minutes * 60 * HZ, 140.0), np.full(minutes * 60 * HZ, 10.0)
    fhr[100 * HZ : 110 * HZ] = np.nan
    trend = [
        minute(BEGINS + 60 * m + 59, baseline_bpm=141.0, variability_bpm=9.0, concern=12.0) for m in range(minutes)
    ]
    return BedHistory("bed-1", BEGINS, fhr, ua, [FALL, FLAG], trend)


def times() -> ClockFormat:
    return ClockFormat(BEGINS * 1000, UTC)


def test_a_deceleration_says_why_it_is_called_late() -> None:
    """Onset, nadir and slope beside the contraction, as both published definitions put it, and each rule set's word."""
    assert reasons(FALL) == [
        "20 bpm below the baseline, 60 s from onset to end",
        "40 s from onset to nadir: gradual",
        "onset 15 s after the start of the contraction",
        "nadir 30 s after its peak",
        "figo-2015: undetermined",
        "nichd-2008: late",
    ]
    assert reasons(FLAG) == []


def test_the_figure_holds_signals_trends_findings_and_flags() -> None:
    found = figure(hours(), UTC)
    assert len(found["layout"]["shapes"]) == 2  # the deceleration, and the flag
    texts = [text for trace in found["data"] for text in trace.get("hovertext") or ()]
    assert texts == ["<br>".join(["<b>late deceleration, 20 bpm deep, 60 s</b>", *reasons(FALL)]), "look: why"]
    fhr, ua, baseline, variability, concern = found["data"][:5]
    assert fhr["y"][100 * HZ] is None
    assert fhr["y"][0] == 140.0
    assert fhr["x"][1] == "2026-09-21 14:14:00.250"
    assert set(ua["y"]) == {10.0}
    assert [set(trace["y"]) for trace in (baseline, variability, concern)] == [{141.0}, {9.0}, {12.0}]


def twins() -> BedHistory:
    """The first falls late, the second variably; their trends differ."""
    history = hours()
    first = structs.replace(FALL, text=f"first twin: {FALL.text}")
    second = structs.replace(FALL, text="second twin: variable deceleration, 30 bpm deep, 40 s")
    of_second = {"second baseline_bpm": 151.0, "second variability_bpm": 19.0, "second concern": 22.0}
    trend = [structs.replace(e, detail=e.detail | of_second) for e in history.trend]
    return structs.replace(history, fhr2=history.fhr + 20, log=[first, second, FLAG], trend=trend)


def test_of_twins_the_figure_holds_both_lines_and_both_trends() -> None:
    found = figure(twins(), UTC)
    second = found["data"][2]
    assert second["y"][0] == 160.0
    assert second["line"]["dash"]
    trends = found["data"][3:9]
    assert [set(trace["y"]) for trace in trends] == [{141.0}, {9.0}, {12.0}, {151.0}, {19.0}, {22.0}]
    assert ["dash" in trace["line"] for trace in trends] == [False] * 3 + [True] * 3
    assert trends[3]["hovertemplate"] == "%{y:.0f}<extra>second twin: baseline</extra>"
    assert found["layout"]["yaxis"]["title"]["text"] == "FHR, bpm; second twin dashed"
    assert "second" not in figure(hours(), UTC)["layout"]["yaxis"]["title"]["text"]


@pytest.mark.parametrize(("name", "labels"), [("en", ["variable 2", "late 1"]), ("de", ["variable 2", "späte 1"])])
def test_on_paper_each_label_and_each_baseline_of_twins_is_there(name: str, labels: list[str]) -> None:
    token = reader.set(language(name))
    try:
        text = page(twins(), "ward-1", PaperScale(1, 20), times())
    finally:
        reader.reset(token)
    assert re.findall(r">(\w+ [12])</text>", text) == labels
    for y_mm in ("49.50", "44.50"):  # 141 and 151 bpm below 240
        assert f" {y_mm}H" in text


def test_over_an_hour_the_lowest_and_highest_of_each_second_are_kept() -> None:
    long = hours(90)
    long.fhr[5 * HZ : 6 * HZ] = [100.0, 150.0, np.nan, 120.0]
    shown = figure(long, UTC)["data"][0]["y"]
    assert len(shown) == 90 * 60 * 2
    assert list(shown[10:12]) == [100.0, 150.0]
    assert shown[200] is None


@pytest.mark.parametrize("cm", [1, 2, 3])
@pytest.mark.parametrize(("bpm", "fhr_mm"), [(20, 105.0), (30, 70.0)])
def test_a_minute_and_ten_bpm_are_as_long_as_the_paper_says(cm: int, bpm: int, fhr_mm: float) -> None:
    scale = PaperScale(cm, bpm)
    assert scale.fhr_mm == fhr_mm  # FHR 30 to 240
    assert scale.x(60) == cm * 10
    assert scale.y_fhr(140) - scale.y_fhr(150) == pytest.approx(100 / bpm)


@pytest.mark.parametrize(("cm", "sheets"), [(1, 1), (3, 2)])
def test_paper_carries_the_notice_and_its_scale_on_every_sheet(cm: int, sheets: int) -> None:
    text = page(hours(), "ward-1", PaperScale(cm, 20), times())
    assert text.count(NOTICE) == text.count("<article>") == sheets
    assert text.count(f"{cm} cm/min, 20 bpm/cm") == sheets
    assert text.count(">late</text>") == 1
    assert f'width="{WIDTH_MM}mm"' in text
    assert re.search(r'stroke="#111" .* d="M0\.00 50\.00L', text)  # 140 bpm lies 50 mm below 240


def test_limits_are_told_of_what_comes_from_the_rules_that_run() -> None:
    policy = structs.replace(rule_file.policy_info(rule_file.load()), rules="these")
    abrupt = structs.replace(FALL, rules="these", detail=FALL.detail | {"fall_s": 29.75, "kind nichd-2008": "variable"})
    assert reasons(abrupt, policy)[1] == (
        "29.8 s from onset to nadir: abrupt, with a gradual way back, by figo-2015; "
        "abrupt, less than 30 s, by nichd-2008"
    )
    history = structs.replace(hours(), log=[abrupt], policy=policy)
    texts = [text for trace in figure(history, UTC)["data"] for text in trace.get("hovertext") or ()]
    assert any("abrupt, less than 30 s" in text for text in texts)
    others = structs.replace(abrupt, rules="those")
    for told in (reasons(others, policy), reasons(others)):
        assert told[1] == "30 s from onset to nadir: gradual, by figo-2015; abrupt, by nichd-2008"


def test_every_drawing_shows_the_usual_baseline_of_the_first_rule_set() -> None:
    assert STRIP.normal_bpm == rule_file.load().rule_sets[0].usual_baseline_bpm


def test_paper_of_a_bed_of_which_nothing_is_kept_says_so() -> None:
    empty = BedHistory("bed-1", 0, np.array([]), np.array([]), [], [])
    assert "Nothing of this bed is kept" in page(empty, "ward-1", PaperScale(1, 20), times())
    assert len(figure(empty, UTC)["data"][0]["y"]) == 0


@given(st.lists(st.none() | st.floats(30, 240), min_size=1, max_size=40), st.integers(10, 60))
def test_a_strip_of_any_length_gives_back_what_it_was_given(values: list[float | None], kept_s: int) -> None:
    strip = SignalBuffer(kept_s=kept_s)
    for second, value in enumerate(values):
        strip.add(Block("bed-1", "s", second, (BEGINS + second) * 1000, 0, [value] * HZ, [None] * HZ))
    fhr, ua = strip.arrays()
    wanted = [np.nan if v is None else round(v * 4) / 4 for v in values[-kept_s:]]
    np.testing.assert_array_equal(fhr.reshape(-1, HZ)[:, 0], wanted)
    assert np.isnan(ua).all()
