"""The description of a strip reaches everything that draws one, and every drawing knows all of its colours."""

import re
from pathlib import Path

import msgspec
import pytest

from quietward.contracts.strip import FHR_SCALES, STRIP, StripStyle
from quietward.dashboard.history.hours_figure import MARK_COLOURS
from quietward.dashboard.web.pages import Registry

ROOT = Path(__file__).parents[2]
COLOURS = sorted({style.colour for style in STRIP.marks.values()})


def test_the_page_gets_it_as_it_is() -> None:
    main = Registry().shell().children[-1].to_plotly_json()["props"]
    assert msgspec.json.decode(main["data-strip"], type=StripStyle) == STRIP


@pytest.mark.parametrize("colour", COLOURS)
def test_every_drawing_knows_the_colours_of_all_marks(colour: str) -> None:
    assets = ROOT / "dashboard" / "assets"
    page, paper = (assets / "quietward.css").read_text(), (assets / "paper.css").read_text()
    values = re.findall(rf"--{colour}: (#\w+);", page)
    assert len(set(values)) == 2, "one by day, one by night"
    assert re.search(rf"\.{colour}\b[^{{]*\{{[^}}]*fill:", paper)
    assert colour in MARK_COLOURS


def test_scales_keep_the_normal_range_and_their_labels_on_the_paper() -> None:
    for scale in STRIP.fhr:
        low, high = scale.range
        assert low < STRIP.normal_bpm[0] < STRIP.normal_bpm[1] < high
        assert all(low < label < high and label % scale.line == 0 for label in scale.labels)
        assert FHR_SCALES[scale.bpm_per_cm] is scale
    for speed in STRIP.speeds:
        assert speed.strong_line_s % speed.line_s == speed.time_s % speed.line_s == 0
