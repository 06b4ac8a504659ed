"""A full ward in German: twelve beds on a desk of 1600 px, twenty-four on the wall, and nothing is cut off."""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from quietward.contracts.summary import Contractions, FetusSummary, Level, Paused, Shelved, SignalState
from tests.browser.conftest import screen
from tests.browser.made_up import MadeUpWard, fetus
from tests.browser.test_wall import LEAST_MM, MM_PER_PX, TEXTS
from tests.conftest import CHROMIUM, require, wait_for

LEVELS = (Level.TEAM, Level.LOOK, Level.BEDSIDE, Level.TEAM, Level.LOOK)
CONTRACTIONS = Contractions(3.5, 171.0, 62.0, 40.0, tachysystole=["figo-2015"], rest_s=109.0)
SAID = (
    "late decelerations, 5 of 6 contractions · deepest 35 bpm · variability 4 bpm for 22 min",
    "baseline 166 bpm, above 160 for 28 min · variability 9 bpm · no decelerations",
    "second twin: late decelerations, 5 of 8 contractions · baseline up 15 bpm in 1 h",
    "deceleration for 5 min, 70 bpm deep so far",
    "FHR matches the mother's pulse for 60% of 10 min",
)
CUT = """() => [...document.querySelectorAll('.band *, .top *')].filter((one) => {
  if (!one.checkVisibility() || one.closest('.spoken, canvas, svg, select')) return false;
  const style = getComputedStyle(one);
  const hidden = (across) => style[across ? 'overflowX' : 'overflowY'] !== 'visible';
  const wide = one.scrollWidth > one.clientWidth + 1 && hidden(true) && one.clientWidth;
  const high = one.scrollHeight > one.clientHeight + 1 && hidden(false) && one.clientHeight;
  return (wide || high) && one.textContent.trim();
}).map((one) => `${one.className}: ${one.textContent}`)"""


@pytest.fixture(scope="module", params=[12, 24])
def running(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeUpWard]:
    require(CHROMIUM, "chromium")
    found = MadeUpWard(tmp_path_factory.mktemp("german"), request.param, twins=frozenset({"bed-3"}))
    yield found
    found.end()


def twin(bpm: float, change: float) -> FetusSummary:
    return fetus(
        fhr_bpm=bpm, baseline_bpm=bpm - 3, variability_bpm=14.0, baseline_change_1h_bpm=change,
        variability_change_1h_bpm=-change / 3,
    )  # fmt: skip


@pytest.fixture
def full(made_up: MadeUpWard) -> MadeUpWard:
    """Five beds call, one of them with twins; the others are quiet, noted, shelved, off and lost."""
    now = made_up.now_ms()
    for bed in made_up.summaries:
        made_up.put(bed, reason="baseline 140 bpm · variability 9 bpm · no decelerations", contractions=CONTRACTIONS)
    for number, reason in enumerate(SAID, 1):
        made_up.flag(f"bed-{number}", LEVELS[number - 1], reason=reason)
    made_up.put("bed-3", fetuses=[twin(140.0, -13.0), twin(161.0, 18.0)])
    made_up.put("bed-4", acknowledged_by="Alexandra M.")
    noted = "variable decelerations with 100% of contractions · for 2 h 7 min · deepest 102 bpm"
    made_up.put("bed-6", level=Level.NOTED, reason=noted)
    made_up.put("bed-7", shelved=[Shelved("low-variability", "Nora", "asleep", now + 900_000, active=True)])
    lost = {"signal": SignalState.LOST, "signal_reason": "No FHR for 3 min"}
    made_up.put("bed-8", paused=Paused("Nora", "bathroom", now), **lost)
    made_up.put("bed-9", signal=SignalState.LOST, signal_reason="No data for 41 s, monitor disconnected")
    return made_up


def test_rows_on_a_desk_are_not_cut_off(browser: Browser, full: MadeUpWard) -> None:
    with screen(browser, locale="de-DE", viewport={"width": 1600, "height": 1000}) as page:
        page.goto(full.address)
        expect(page.locator('.band[data-bed="bed-3"] .second-twin')).to_have_text("161")
        expect(page.locator(".band")).to_have_count(len(full.summaries))
        assert wait_for(lambda: page.evaluate(CUT) == []), page.evaluate(CUT)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_tiles_on_the_wall_are_not_cut_off_and_large_enough(browser: Browser, full: MadeUpWard) -> None:
    with screen(browser, locale="de-DE", viewport={"width": 1920, "height": 1080}) as page:
        page.goto(full.address)
        expect(page.locator(".band").first).to_be_visible()
        page.locator(".options summary").click()
        page.get_by_role("button", name="Wandanzeige").click()
        expect(page.locator(".tile")).to_have_count(len(full.summaries))

        def bad() -> list[Any]:
            found = page.evaluate(TEXTS)
            return [one for one in found if one["capital"] * MM_PER_PX < LEAST_MM or one["cut"] > 1]

        assert wait_for(lambda: not bad()), bad()
