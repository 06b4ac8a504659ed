"""The description of a strip reaches everything that draws one, and every drawing knows all of its colours."""

import ast
import re
from pathlib import Path

import msgspec
import numpy as np
import pytest

from quietward.contracts.strip import FHR_SCALES, STRIP, StripStyle
from quietward.dashboard.history.hours_figure import MARK_COLOURS
from quietward.dashboard.print import small_strip
from quietward.dashboard.web.pages import Registry
from quietward.detect import picture
from quietward.drawing import strip

ROOT = Path(__file__).parents[2]
COLOURS = sorted({style.colour for style in STRIP.marks.values()})


def test_the_page_gets_it_as_it_is() -> None:
    main = Registry().shell().children[-1].to_plotly_json()["props"]
    assert msgspec.json.decode(main["data-strip"], type=StripStyle) == STRIP


@pytest.mark.parametrize("colour", COLOURS)
def test_every_drawing_knows_the_colours_of_all_marks(colour: str) -> None:
    assets = ROOT / "dashboard" / "assets"
    page = (assets / "quietward.css").read_text()
    values = re.findall(rf"--{colour}: (#\w+);", page)
    assert len(set(values)) == 2, "one by day, one by night"
    assert colour in MARK_COLOURS
    assert colour in strip.MARK_COLOURS


def test_a_picture_knows_the_colours_of_all_marks_it_draws() -> None:
    assert set(picture.MARK_COLOURS) == {STRIP.marks[kind].colour for kind in picture.MARKED}


def test_the_ranges_of_paper_are_written_down_once() -> None:
    ranges = {scale.range for scale in STRIP.fhr}
    again = [
        f"{file.relative_to(ROOT)}:{node.lineno}"
        for part in ("quietward", "dashboard", "detect", "practice")  # whatever draws
        for file in sorted((ROOT / part).rglob("*.py"))
        if file.name != "strip.py" or file.parent.name != "contracts"
        for node in ast.walk(ast.parse(file.read_text()))
        if isinstance(node, ast.Tuple)
        and all(isinstance(e, ast.Constant) for e in node.elts)
        and ast.literal_eval(node) in ranges
    ]
    assert not again, "take them from STRIP"


def test_lines_of_the_small_strip_are_where_the_normal_range_is(monkeypatch: pytest.MonkeyPatch) -> None:
    def levels() -> list[int]:
        return [bpm for _, bpm in small_strip.small_strip(None, [], 1800.0, 180.0, 40.0).levels]

    assert levels() == [60, 110, 160, 210]
    monkeypatch.setattr(small_strip, "STRIP", msgspec.structs.replace(STRIP, normal_bpm=(115, 155)))
    assert levels() == [75, 115, 155, 195]


def test_a_trace_that_leaves_every_scale_has_the_widest() -> None:
    trace = small_strip.RecentSignal(0, np.full(4 * 1800, 250.0), np.zeros(4 * 1800))
    lines = small_strip.small_strip(trace, [], 1800.0, 180.0, 40.0).levels
    assert lines != small_strip.small_strip(None, [], 1800.0, 180.0, 40.0).levels


def test_scales_keep_the_normal_range_and_their_labels_on_the_paper() -> None:
    for scale in STRIP.fhr:
        low, high = scale.range
        assert low < STRIP.normal_bpm[0] < STRIP.normal_bpm[1] < high
        assert all(low < label < high and label % scale.line == 0 for label in scale.labels)
        assert FHR_SCALES[scale.bpm_per_cm] is scale
    for speed in STRIP.speeds:
        assert speed.strong_line_s % speed.line_s == speed.time_s % speed.line_s == 0


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb (WCAG 2.2)."""
    shares = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [x / 12.92 if x <= 0.04045 else ((x + 0.055) / 1.055) ** 2.4 for x in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast of two colours, 1 to 21 (WCAG 2.2)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_that_of_the_standard() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("light", [":root", ':root[data-light="night"]'])
def test_the_paper_can_be_seen_and_the_trace_on_it(light: str) -> None:
    """Lines and normal band against the sheet, and all that is drawn on it (3:1: WCAG 2.2, 1.4.11) against both."""
    page = (ROOT / "dashboard" / "assets" / "quietward.css").read_text()
    rule = re.search(rf"^{re.escape(light)} \{{(.*?)\}}", page, re.DOTALL | re.MULTILINE)
    assert rule is not None
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", rule[1]))
    sheet, band = colours["sheet"], colours["usual"]
    assert 1.45 <= contrast(colours["grid"], sheet) <= 1.65
    assert 1.95 <= contrast(colours["grid-strong"], sheet) <= 2.3
    assert 1.14 <= contrast(band, sheet) <= 1.2
    for drawn in ("fhr", "ua", "baseline", "faint"):
        assert min(contrast(colours[drawn], ground) for ground in (sheet, band)) >= 3, drawn
