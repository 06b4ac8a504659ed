"""The Shift page: what happened at all beds, what it adds up to, and what can be taken to the hand-over."""

import re

from playwright.sync_api import Page, expect

from quietward.contracts.notice import NOTICE
from quietward.contracts.summary import Level
from tests.browser.made_up import MadeUpWard


def test_flags_answers_and_waits_of_all_beds(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-1", Level.BEDSIDE)
    made_up.flag("bed-2", Level.TEAM)
    made_up.log("bed-2", "care", "turned to the side, by Kim", by="Kim", what="turned")
    page.goto(made_up.address)
    page.get_by_role("link", name="Shift").click()
    expect(page.locator(".shift .name")).to_have_text(["bed-1", "bed-2"])
    expect(page.locator(".notice")).to_have_text(NOTICE)
    expect(page.locator(".top nav [aria-current]")).to_have_text("Shift")
    expect(page.locator(".shift .flag.bedside")).to_have_attribute(
        "aria-label", re.compile("bed-1, .* bedside, unanswered")
    )
    expect(page.locator(".shift path.done")).to_have_attribute(
        "aria-label", re.compile("bed-2, .*: turned to the side, Kim")
    )
    page.locator(".shift .flag.team").first.focus()
    expect(page.locator(".told")).to_contain_text("concern 70: made up")
    expect(page.locator(".figures")).to_contain_text("2: 1 team, 1 bedside")
    expect(page.locator(".shift .sum.waits")).to_have_count(1)


def test_what_can_be_taken_along(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-2", Level.TEAM)
    page.goto(f"{made_up.address}/shift")
    expect(page.locator(".shift .flag.team")).to_have_count(1)
    with page.expect_download() as download:
        page.get_by_role("link", name="all flags as CSV").click()
    text = download.value.path().read_text()
    assert NOTICE in text
    assert "bed-2" in text
    with page.context.expect_page() as other:
        page.get_by_role("link", name="hand-over sheets of all beds").click()
    expect(other.value.locator("h1")).to_have_text(["Hand-over of bed-1", "Hand-over of bed-2"])
    expect(other.value.locator(".notice")).to_have_text([NOTICE, NOTICE])


def test_without_the_store_the_page_says_so(page: Page, made_up: MadeUpWard) -> None:
    page.goto(f"{made_up.address}/shift")
    expect(page.locator(".shift .name")).to_have_count(2)
    page.route("**/shift/flags.json*", lambda route: route.fulfill(status=503, body="the store does not answer: gone"))
    page.get_by_label("show").select_option("2")
    expect(page.locator(".live .empty")).to_have_text("the store does not answer: gone")
