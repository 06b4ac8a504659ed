"""The Shift page: what happened at all beds, what it adds up to, and what can be taken to the hand-over."""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from quietward.contracts.fields import encode_json
from quietward.contracts.notice import NOTICE
from quietward.contracts.samples import RefusedMessage
from quietward.contracts.summary import Level
from tests.browser.conftest import screen
from tests.browser.made_up import MadeUpWard

HOSTILE = '{"fhr": "<img src=x onerror=document.title=1>\u202e\\u001b"}'
WHY = "fhr: '<b id=bold>x</b>'. Expected `array`, got `str`"


@pytest.fixture
def refusing(made_up: MadeUpWard) -> Iterator[MadeUpWard]:
    """A ward that has refused messages of a device whose words are markup, and seconds of a bed."""
    ward, at = made_up.ward, made_up.now_ms()
    message = RefusedMessage(at, ward.samples_topic("bed-2"), "field", WHY, HOSTILE)
    made_up.store.hset(ward.refusals, "bed-2 field", 30)
    made_up.store.hset(ward.shard(0).refusals, "bed-1 late", 4)
    made_up.store.xadd(ward.refused, {"e": encode_json(message)})
    yield made_up
    made_up.store.delete(ward.refusals, ward.shard(0).refusals, ward.refused)


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


def test_what_was_refused_is_shown_with_its_reason_and_stays_text(page: Page, refusing: MadeUpWard) -> None:
    page.goto(f"{refusing.address}/shift")
    rows = page.locator(".refused tbody tr")
    expect(rows).to_have_count(2)
    expect(rows.nth(0)).to_contain_text(
        re.compile(r"bed-2.*a value is missing, or cannot be right.*30 messages.*\d\d:\d\d")
    )
    expect(rows.nth(1)).to_contain_text(re.compile(r"bed-1.*came too late.*4 s of signal"))
    expect(rows.nth(1).locator("details")).to_be_hidden()
    message = rows.nth(0).locator(".message")
    expect(message).to_be_hidden()
    rows.nth(0).locator("summary").click()
    expect(rows.nth(0).locator(".why")).to_have_text(WHY)
    expect(message).to_have_text(HOSTILE.replace("\u202e", "\\u{202e}"))
    expect(page.locator(".refused :is(img, b)")).to_have_count(0)
    assert page.title() != "1"
    refusing.store.hset(refusing.ward.refusals, "bed-2 field", 31)
    page.get_by_label("show").select_option("2")
    expect(rows.nth(0)).to_contain_text("31 messages")
    expect(message).to_be_visible()


def test_why_a_message_was_refused_is_said_in_german(browser: Browser, refusing: MadeUpWard) -> None:
    with screen(browser, locale="de-DE") as page:
        page.goto(f"{refusing.address}/shift")
        row = page.locator(".refused tbody tr").nth(0)
        expect(row).to_contain_text("ein Wert fehlt oder kann nicht stimmen")
        expect(row).to_contain_text("30 Nachrichten")
        row.locator("summary").click()
        expect(row.locator(".why")).to_have_text("fhr: '<b id=bold>x</b>'. Erwartet: `array`, gekommen: `str`")


def test_where_nothing_was_refused_one_sentence_says_so(page: Page, made_up: MadeUpWard) -> None:
    page.goto(f"{made_up.address}/shift")
    expect(page.get_by_text("Nothing that devices have sent was refused.")).to_be_visible()
    expect(page.locator(".refused")).to_be_hidden()
