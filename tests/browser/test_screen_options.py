"""How a screen shows the ward: order, paper, light, wall; and acts over the ward."""

from itertools import pairwise

import pytest
from playwright.sync_api import Page, expect

from quietward.contracts.commands import RecordCare
from quietward.contracts.notice import NOTICE
from quietward.contracts.summary import Level
from tests.browser.made_up import MadeUpWard
from tests.conftest import wait_for

PX_PER_CM = 96 / 2.54
"""CSS Values and Units Module Level 4, section 6.2: 1in = 2.54cm = 96px."""


def choose(page: Page, words: str) -> None:
    if page.locator(".options").get_attribute("open") is None:
        page.locator(".options summary").click()
    page.locator(".options").get_by_label(words, exact=True).check()


def test_every_bed_can_stay_in_its_own_place(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-2", Level.TEAM)
    page.goto(made_up.address)
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-2")
    choose(page, "each in its own place")
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-1")
    expect(page.locator(".band.first")).to_have_count(0)
    page.reload()
    expect(page.locator(".band.state-team")).to_be_visible()
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-1")  # it is remembered
    choose(page, "who needs somebody first")
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-2")


@pytest.mark.parametrize(("words", "fhr_cm"), [("20 bpm/cm", (210 - 50) / 20), ("30 bpm/cm", (240 - 30) / 30)])
def test_a_strip_to_scale_is_as_high_as_its_paper(page: Page, made_up: MadeUpWard, words: str, fhr_cm: float) -> None:
    """FHR 50 to 210 at 20 bpm/cm, 30 to 240 at 30 bpm/cm (common practice, no source): its lines lie 1 cm apart."""
    page.goto(f"{made_up.address}/bed/bed-1")
    expect(page.locator(".headline")).not_to_have_text("")
    choose(page, words)
    strip = page.locator("canvas.strip")
    assert wait_for(lambda: strip.evaluate("c => c.clientHeight") > (fhr_cm + 3) * PX_PER_CM)
    grid_lines = """c => {  // rows without a trace that are darker than their neighbours: the horizontal lines
          const g = c.getContext('2d');
          const of = y => { const d = g.getImageData(40, y, 1, 1).data; return d[0] + d[1] + d[2]; };
          const rows = [];
          for (let y = 2; y < c.height; y++) if (of(y) < of(y - 1) - 3 && of(y) < of(y + 1) - 3) rows.push(y);
          return rows;
        }"""
    per_line_cm = 1 if words.startswith("20") else 1 / 3
    apart: list[int] = []

    def to_scale() -> bool:  # it is drawn in the frame after it was chosen
        apart[:] = [b - a for a, b in pairwise(strip.evaluate(grid_lines))]
        return len(apart) >= 5 and all(abs(one - per_line_cm * PX_PER_CM) <= 1 for one in apart[:5])

    assert wait_for(to_scale), apart


def test_a_minute_is_as_wide_as_chosen(page: Page, made_up: MadeUpWard) -> None:
    """So many seconds were sent; where the trace begins says how wide they are."""
    page.goto(made_up.address)
    canvas = page.locator(".band[data-bed=bed-1] canvas")
    width_of_trace = """c => {  // the first column with a pixel of the trace's colour
          const g = c.getContext('2d'), { data, width, height } = g.getImageData(0, 0, c.width, c.height);
          const ink = getComputedStyle(c).getPropertyValue('--fhr').trim();
          const [r, g_, b] = [1, 3, 5].map(i => parseInt(ink.slice(i, i + 2), 16));
          const off = i => Math.abs(data[i] - r) + Math.abs(data[i + 1] - g_) + Math.abs(data[i + 2] - b);
          const seen = x => [...Array(height).keys()].some(y => off((y * width + x) * 4) < 60);
          let x = 0; while (x < width && !seen(x)) x++;
          return width - x;
        }"""

    def as_wide(cm: int) -> bool:
        return bool(
            canvas.evaluate(width_of_trace) / PX_PER_CM == pytest.approx(min(made_up.seq, 3600) * cm / 60, rel=0.05)
        )

    for words, cm in (("1 cm/min", 1), ("3 cm/min", 3)):
        choose(page, words)
        assert wait_for(lambda cm=cm: as_wide(cm)), (words, canvas.evaluate(width_of_trace))  # type: ignore[misc]


def test_night_is_dark_and_day_is_light(page: Page, made_up: MadeUpWard) -> None:
    page.goto(made_up.address)
    paper = "getComputedStyle(document.body).backgroundColor"
    light = page.evaluate(paper)
    choose(page, "night")
    assert wait_for(lambda: page.evaluate(paper) != light)
    dark = page.evaluate(paper)
    choose(page, "day")
    assert wait_for(lambda: page.evaluate(paper) != dark)
    page.emulate_media(color_scheme="dark")
    assert page.evaluate(paper) != dark  # what was chosen goes before what the device says
    choose(page, "match device")
    assert wait_for(lambda: page.evaluate(paper) == dark)


def test_the_wall_is_large_keeps_the_notice_and_ends_with_escape(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-2", Level.BEDSIDE)
    page.goto(made_up.address)
    size = "e => parseFloat(getComputedStyle(e).fontSize)"
    before = page.locator(".band[data-bed=bed-2] .headline").evaluate(size)
    page.locator(".options summary").click()
    page.get_by_role("button", name="Wall").click()
    expect(page.locator("body.wall")).to_be_visible()
    headline = page.locator(".tile[data-bed=bed-2] .headline")
    assert wait_for(lambda: headline.evaluate(size) > 2 * before)
    expect(page.locator(".notice")).to_have_text(NOTICE)
    expect(page.locator("#who-name")).to_be_hidden()
    assert wait_for(lambda: page.evaluate("document.documentElement.scrollHeight <= innerHeight"))

    def left() -> bool:  # pressed again if it was pressed before full screen had come
        page.evaluate("document.fullscreenElement && document.exitFullscreen()")  # what the key does in a window
        page.keyboard.press("Escape")
        return page.locator("body.wall").count() == 0

    assert wait_for(left)
    expect(page.locator(".band[data-bed=bed-2] .acknowledge")).to_be_visible()


def test_a_care_note_is_written_over_the_ward(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-2", Level.LOOK)
    page.goto(made_up.address)
    page.locator("#who-name").fill("Kim")
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-2")
    page.wait_for_timeout(1000)  # the bands have been still for a while
    page.get_by_role("button", name="What was done at bed-2").click()
    over = page.locator("dialog")
    expect(over.locator("h1")).to_have_text("bed-2")
    over.get_by_role("button", name="turned to the side").click()
    assert made_up.next_act() == RecordCare("bed-2", "Kim", "turned")
    over.get_by_text("Shelve …").click()
    expect(over.get_by_role("button", name="Shelve", exact=True)).to_be_enabled()
    page.keyboard.press("Escape")
    expect(over).to_be_hidden()
    assert page.url.rstrip("/") == made_up.address


def test_without_a_name_it_is_asked_for_over_the_ward(page: Page, made_up: MadeUpWard) -> None:
    """What lies behind an open dialog cannot be reached."""
    page.goto(made_up.address)
    page.get_by_role("button", name="What was done at bed-2").press("Enter")
    over = page.locator("dialog")
    over.get_by_role("button", name="turned to the side").click()
    expect(over.locator(".result")).to_have_text("Enter your name")
    expect(over.get_by_label("You")).to_be_focused()
    page.keyboard.type("Ann")
    over.get_by_role("button", name="turned to the side").click()
    assert made_up.next_act() == RecordCare("bed-2", "Ann", "turned")
    expect(page.locator("#who-name")).to_have_value("Ann")
