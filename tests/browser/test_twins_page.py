"""Twins on the page: two lines in one band, which one a sentence is about, both rates, and when both are the same."""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from quietward.contracts.commands import Acknowledge
from quietward.contracts.summary import Level, SignalState
from tests.browser.conftest import screen
from tests.browser.made_up import MadeUpWard, fetus
from tests.browser.test_wall import to_wall
from tests.conftest import CHROMIUM, require, wait_for

LATE = "second twin: late deceleration, 5 of 8 contractions"
SAME = "both twins' rates are the same: one may be counted twice"

OF_COLOUR = """(canvas, name) => {  // samples that are nearly of a colour of the style sheet: lines are thin
  const probe = document.createElement('span');
  probe.style.color = `var(${name})`;
  canvas.parentElement.append(probe);
  const [r, g, b] = getComputedStyle(probe).color.match(/\\d+/g).map(Number);
  probe.remove();
  const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
  let found = 0;
  for (let i = 0; i < data.length; i += 4) found += [r, g, b].every((value, k) => Math.abs(data[i + k] - value) < 32);
  return found;
}"""


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeUpWard]:
    require(CHROMIUM, "chromium")
    found = MadeUpWard(tmp_path_factory.mktemp("twins"), twins=frozenset({"bed-1"}))
    yield found
    found.end()


@pytest.fixture
def twins(made_up: MadeUpWard) -> MadeUpWard:
    flag = {"level": Level.BEDSIDE, "reason": LATE, "flag": "bed-1-s1", "level_since": made_up.now_ms()}
    second = fetus(fhr_bpm=161.0, baseline_bpm=158.0, variability_bpm=4.0, concern=61.0, **flag)
    made_up.put("bed-1", concern=61.0, fetuses=[fetus(), second], **flag)
    return made_up


def drawn(page: Page, bed: str, colour: str) -> int:
    return int(page.locator(f'.band[data-bed="{bed}"] canvas').evaluate(OF_COLOUR, colour))


def test_a_band_has_two_lines_both_rates_and_says_which_it_is_about(page: Page, twins: MadeUpWard) -> None:
    page.goto(twins.address)
    band = page.locator('.band[data-bed="bed-1"]')
    expect(band.locator(".reason")).to_have_text(LATE)
    expect(band.locator(".rate .big").first).to_have_text("140")
    expect(band.locator(".second-twin")).to_have_text("161")
    expect(band.locator('dd[data-key="baseline"]')).to_have_text(re.compile(r"^140\S*/158$"))
    assert wait_for(lambda: drawn(page, "bed-1", "--fhr2") > 30)
    assert drawn(page, "bed-1", "--fhr") > 30
    assert drawn(page, "bed-2", "--fhr2") < 10
    expect(page.locator('.band[data-bed="bed-2"] .second-twin')).to_be_hidden()
    page.locator("#who-name").fill("Kim")
    page.wait_for_timeout(1000)  # the bands have been still for a while
    band.get_by_role("button", name="Acknowledge").click()
    assert twins.next_act() == Acknowledge("bed-1", "Kim", "bed-1-s1")


LOWEST = OF_COLOUR.replace("let found = 0", "let found = -1").replace(
    "found += [r, g, b].every((value, k) => Math.abs(data[i + k] - value) < 32)",
    "if ([r, g, b].every((value, k) => Math.abs(data[i + k] - value) < 32)) "
    "found = i / 4 / canvas.width / canvas.height",
)
"""How far down, of the canvas' height, the lowest of them is; below 0: there is none."""


def test_the_strip_has_the_baseline_of_each(browser: Browser, twins: MadeUpWard) -> None:
    with screen(browser, device_scale_factor=3) as page:  # lines of whole pixels
        page.goto(twins.address)
        canvas = page.locator('.band[data-bed="bed-1"] canvas')

        def lowest(colour: str) -> float:
            return float(canvas.evaluate(LOWEST, colour))

        assert wait_for(lambda: lowest("--fhr2") > 0)
        line = lowest("--fhr2")
        twins.trend("bed-1", 3, {"baseline_bpm": 120.0})
        assert wait_for(lambda: lowest("--baseline") > 0)
        assert lowest("--fhr2") < line + 0.03
        twins.trend("bed-1", 3, {"baseline_bpm": 120.0, "second baseline_bpm": 90.0})  # where no line is
        assert wait_for(lambda: lowest("--fhr2") > line + 0.1)


def test_a_line_of_flags_for_each_twin_stands_on_the_shift_page(page: Page, twins: MadeUpWard) -> None:
    for name in ("bed-1-f1", "bed-1-s1"):
        twins.log("bed-1", "flag-raised", f"look: {LATE}", flag=name, level="look", reason=LATE)
    page.goto(f"{twins.address}/shift")
    expect(page.locator(".shift text.twin")).to_have_text(["1", "2"])
    expect(page.locator(".figures dd").first).to_contain_text("1: 1 look")


def test_the_bed_page_has_the_numbers_of_each(page: Page, twins: MadeUpWard) -> None:
    page.goto(f"{twins.address}/bed/bed-1")
    expect(page.locator(".reason")).to_have_text(LATE)
    rows = page.locator("dl")
    expect(rows.get_by_text("bedside: 161 bpm, baseline 158, variability 4, concern 61, signal good")).to_be_visible()
    expect(rows.get_by_text("quiet: 140 bpm, baseline 140, variability 9, concern 5, signal good")).to_be_visible()


def test_the_wall_shows_both_rates(page: Page, twins: MadeUpWard) -> None:
    to_wall(page, twins)
    expect(page.locator('.tile[data-bed="bed-1"] .big')).to_have_text("140/161")
    expect(page.locator('.tile[data-bed="bed-2"] .big')).to_have_text("140")


def test_that_both_rates_are_the_same_is_said(page: Page, twins: MadeUpWard) -> None:
    same = {"signal": SignalState.POOR, "signal_reason": SAME}
    flag = {"level": Level.LOOK, "reason": f"second twin: {SAME}", "flag": "bed-1-s2"}
    twins.put("bed-1", fetuses=[fetus(**same), fetus(**same, **flag)], **same, **flag)
    page.goto(twins.address)
    expect(page.locator('.band[data-bed="bed-1"] .reason')).to_have_text(f"second twin: {SAME}")
    page.goto(f"{twins.address}/bed/bed-1")
    expect(page.locator("dl").get_by_text(f"poor: {SAME}")).to_be_visible()


def test_sheet_and_strip_print_both(page: Page, twins: MadeUpWard) -> None:
    page.goto(f"{twins.address}/handover/bed-1")
    expect(page.get_by_text("bedside: 161 bpm, baseline 158, variability 4, concern 61, signal good")).to_be_visible()
    assert page.locator(".small-strip .fhr.second").get_attribute("d")
    assert page.locator(".small-strip .number").all_text_contents() in (["1", "2"], ["2", "1"])
    page.goto(f"{twins.address}/paper/bed-1?minutes=3&cm=1&bpm=20")
    expect(page.locator("svg text", has_text=re.compile("^2$"))).to_have_count(1)
