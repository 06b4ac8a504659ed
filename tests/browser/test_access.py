"""Every page for everybody: axe-core finds nothing serious by day and by night, and a tablet is wide enough."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from quietward.contracts.notice import NOTICE
from quietward.contracts.summary import Level
from quietward.dashboard.web import pages
from quietward.practice.mistakes import Mistake
from quietward.practice.results import Result, Results
from quietward.study import what_if
from tests.browser.made_up import MadeUpWard
from tests.browser.test_bed_strip import put_findings
from tests.conftest import wait_for
from tests.studies import small_what_if

SERIOUS = {"serious", "critical"}
READY = {
    "/": ".band canvas",
    "/bed/bed-1": ".log li",
    "/bed/bed-1/hours": ".plot .main-svg",
    "/shift": ".figures dt",
    "/study": ".shift svg",
    "/practice": ".practice-paper canvas",
    "/practice/progress?label=blue": ".learner .bars",
}


def serious(page: Page) -> list[tuple[str, str]]:
    found = Axe().run(page).response["violations"]
    return [(one["id"], node["html"][:160]) for one in found if one["impact"] in SERIOUS for node in one["nodes"]]


def ward_with_something_of_everything(ward: MadeUpWard) -> None:
    ward.flag("bed-1", Level.TEAM)
    ward.flag("bed-2", Level.LOOK)
    ward.put("bed-2", acknowledged_by="Kim")
    ward.log("bed-1", "care", "turned to the side, by Kim", by="Kim", what="turned")
    put_findings(ward)
    study = ward.studies / "for-tests"
    study.mkdir(parents=True, exist_ok=True)
    what_if.write(study, small_what_if())
    kept = Results(ward.classroom)
    if not kept.read():
        kept.append(Result(1, "", "x", "blue", "", 50, [Mistake("late decelerations missed", 1, 2)]))


@pytest.mark.parametrize("path", READY)
def test_every_page_by_day_by_night_and_on_a_tablet(page: Page, made_up: MadeUpWard, path: str) -> None:
    """axe-core's rules follow WCAG 2; serious and critical ones must be without any finding."""
    ward_with_something_of_everything(made_up)
    page.goto(f"{made_up.address}{path}")
    page.locator(READY[path]).first.wait_for()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
        assert wait_for(lambda: not serious(page)), (scheme, serious(page))
    page.set_viewport_size({"width": 820, "height": 1180})
    expect(page.locator(".notice")).to_have_text(NOTICE)
    expect(page.locator(".notice")).to_be_in_viewport()
    page.wait_for_function("() => document.documentElement.scrollWidth <= innerWidth")  # the figure follows in a moment


def test_signing_in_and_what_opens_over_a_page(page: Page, made_up: MadeUpWard) -> None:
    ward_with_something_of_everything(made_up)
    page.goto(made_up.address)
    page.get_by_text("Screen", exact=True).click()
    assert wait_for(lambda: not serious(page)), serious(page)
    page.keyboard.press("Escape")
    page.get_by_role("button", name="What was done at bed-2").press("Enter")
    expect(page.locator("dialog")).to_be_visible()
    assert wait_for(lambda: not serious(page)), serious(page)
    page.set_content(pages.sign_in("/", "Name or password is wrong."))
    assert wait_for(lambda: not serious(page)), serious(page)
