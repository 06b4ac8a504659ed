"""What people write is shown as what they wrote, also where it is markup, on every page that shows it."""

from playwright.sync_api import Page, expect

from quietward.contracts.stays import Arrival
from quietward.contracts.summary import Level
from tests.browser.made_up import MadeUpWard
from tests.browser.test_stays_page import arrive

LABEL = "<img src=x onerror=document.title=1>"
NOTE = "note <img src=x onerror=document.title=2>"
NAME = "Kim <img src=x onerror=document.title=3>"


def test_label_note_and_name_stay_text(page: Page, made_up: MadeUpWard) -> None:
    arrive(made_up, "bed-1", Arrival(LABEL, weeks=39, note=NOTE))
    made_up.log("bed-1", "arrived", LABEL, by=NAME)
    made_up.flag("bed-1", Level.BEDSIDE)
    made_up.log("bed-1", "care", f"{NOTE}, by {NAME}", by=NAME, what="other", text=NOTE)
    shown = {
        "": [LABEL],
        "/bed/bed-1": [LABEL, NOTE, NAME],
        "/handover/bed-1": [LABEL, NOTE, NAME],
        "/shift": [],
    }
    for path, words in shown.items():
        page.goto(f"{made_up.address}{path}")
        for text in words:
            expect(page.locator("body")).to_contain_text(text)
        if path == "/shift":
            page.locator(".shift path.done").first.focus()
            expect(page.locator(".told")).to_contain_text(NOTE)
            expect(page.locator(".told")).to_contain_text(NAME)
        expect(page.locator("[onerror]")).to_have_count(0)
        assert page.title() not in ("1", "2", "3")
