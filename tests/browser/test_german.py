"""The page in German: no English is left on it, and nothing is cut off though German is longer."""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from quietward.contracts.summary import Contractions, Level, RuleClass, SignalState
from quietward.language.catalogue import language
from quietward.practice import simulated
from quietward.simulator.scenario import load, names
from tests.browser.conftest import LOW_PRIORITY_MS, screen
from tests.browser.made_up import MadeUpWard
from tests.browser.test_rows import at_widths

SHOWN = """() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!element.closest('script, style, noscript')) found.push(walker.currentNode.textContent);
  }
  for (const element of document.querySelectorAll('[aria-label], [title], [placeholder]')) {
    for (const name of ['aria-label', 'title', 'placeholder']) found.push(element.getAttribute(name) ?? '');
  }
  return found.map((text) => text.trim()).filter((text) => /[a-z]{2}/i.test(text));
}"""
ENGLISH_WORDS = re.compile(
    r"\b(the|of|and|for|with|since|until|not|is|are|this|no|what|has|have|bed's|from|to)\b",
    re.IGNORECASE,
)
"""What stands in almost every English sentence and in no German one."""
REASON = "late decelerations, 3 of 5 contractions · baseline up 15 bpm in 1 h · variability 4 bpm for 12 min"


@pytest.fixture
def german(browser: Browser) -> Iterator[Page]:
    with screen(browser, locale="de-DE") as found:
        yield found


@pytest.fixture
def busy(made_up: MadeUpWard) -> MadeUpWard:
    made_up.flag("bed-1", Level.LOOK, reason=REASON)
    made_up.put(
        "bed-1",
        contractions=Contractions(3.5, 171.0, 62.0, 40.0, tachysystole=["figo-2015"], rest_s=109.0),
        classes=[RuleClass("figo-2015", 2, "suspicious", ["decelerations with 60% of contractions"], [])],
        concern=57.0,
        held_back=["concern-raised: explained by another condition"],
    )
    made_up.put(
        "bed-2",
        signal=SignalState.LOST,
        signal_reason="No data for 41 s, monitor disconnected",
        reason="no usable signal for 41 s",
    )
    return made_up


def english_on(page: Page) -> list[str]:
    """Return the texts of a page that are English: keys of the table that are another word in German, or sentences."""
    words = language("de").words
    known = {key for key, word in words.items() if isinstance(word, str) and word != key}
    return [text for text in page.evaluate(SHOWN) if text in known or ENGLISH_WORDS.search(text)]


def test_no_english_is_left_on_ward_wall_and_in_what_people_do_at_a_bed(german: Page, busy: MadeUpWard) -> None:
    """One page after the other in the same window: a window of its own for each costs as much again."""
    german.goto(busy.address)
    row = german.locator(".band[data-bed=bed-1]")
    expect(row.locator(".reason")).to_contain_text("späte Dezelerationen, bei 3 von 5 Wehen")
    expect(german.locator("html")).to_have_attribute("lang", "de")
    expect(german.locator(".top .notice")).to_contain_text("Nicht zur Diagnose")
    german.locator(".options summary").click()
    assert english_on(german) == [], "ward"
    german.locator(".options summary").click()
    row.locator(".act").focus()
    german.keyboard.press("Enter")
    expect(german.get_by_role("button", name="Oxytocin reduziert")).to_be_visible()
    assert english_on(german) == [], "at a bed"
    german.keyboard.press("Escape")
    german.locator(".options summary").click()
    german.get_by_role("button", name="Wandanzeige").click()
    expect(german.locator(".tile[data-bed=bed-1] .headline")).to_have_text("ansehen")
    assert english_on(german) == [], "wall"


def test_no_english_is_left_on_bed_sheets_and_shift(german: Page, busy: MadeUpWard) -> None:
    for path in ("/handover", "/handover/bed-1", "/shift", "/paper/bed-1", "/keine-seite"):
        german.goto(busy.address + path)
        expect(german.locator("html")).to_have_attribute("lang", "de")
        expect(german.locator(".notice, body > p, main > p").last).to_contain_text("Nicht zur Diagnose")
        if path == "/shift":
            expect(german.locator(".figures dt").first).to_have_text("Rufe")
        assert english_on(german) == [], path
    german.goto(f"{busy.address}/bed/bed-1")
    expect(german.locator(".findings, .facts").first).to_contain_text("suspekt")
    expect(german.locator(".log")).to_contain_text("ansehen: späte Dezelerationen")
    assert english_on(german) == [], "bed"


def test_no_english_is_left_on_practice(german: Page, made_up: MadeUpWard) -> None:
    """But the names of scenarios, and what is said of them, which are texts for teachers."""
    german.goto(f"{made_up.address}/practice?set={simulated.code_of('cord-with-shoulders', 3)}")
    german.locator(".practice-paper canvas").wait_for()
    german.wait_for_load_state("networkidle")  # Dash may draw the page once more, and what was opened would be closed
    german.get_by_text("Für Lehrende: Sammlungen und Klassen").click()
    expect(german.get_by_text("Noch keine Sammlung hat einen Namen.")).to_be_visible()
    scenarios = {name.replace("-", " ") for name in names()}
    assert [text for text in english_on(german) if text not in scenarios and "/classroom/" not in text] == []
    german.get_by_label("Baseline, bpm").fill("130")
    german.get_by_role("button", name="Vergleichen").click()
    result = german.locator(".compared")
    expect(result.locator("h2").first).to_have_text(re.compile(r"^\d+ von 100$"), timeout=LOW_PRIORITY_MS)
    expect(result.locator(".parts")).to_contain_text("Wer am Ende gebraucht wird")
    scenario = load("cord-with-shoulders")
    told = [text for text in english_on(german) if text not in scenarios and "/classroom/" not in text]
    assert [
        x for x in told if scenario.purpose not in x and scenario.good_watcher not in x and "shoulders" not in x
    ] == []
    german.goto(f"{made_up.address}/practice/progress?label=nobody")
    expect(german.locator(".progress")).to_have_text("Unter nobody ist keine Antwort aufgehoben.")
    assert english_on(german) == []


def test_nothing_is_cut_off_in_german(german: Page, busy: MadeUpWard) -> None:
    for path, ready in (("", ".band .reason"), ("/bed/bed-1", ".log li"), ("/shift", ".figures dt")):
        german.goto(busy.address + path)
        german.locator(ready).first.wait_for()
        for width in at_widths(german, 1280, 1920, height=1080):
            german.wait_for_function("() => document.documentElement.scrollWidth <= innerWidth")
            cut = german.evaluate(
                "() => [...document.querySelectorAll("
                "'.headline, .reason, .waiting, button, .notice, dt, dd, h1:not(.spoken), h2, legend, label')]"
                ".filter((e) => e.clientWidth && e.scrollWidth > e.clientWidth + 1)"
                ".filter((e) => getComputedStyle(e).overflowX !== 'visible')"
                ".map((e) => e.textContent)"
            )
            assert cut == [], (path, width)
