"""What is printed: the ward on one page, a bed on one page with its strip, and nothing on paper that covers another."""

import re
from collections.abc import Iterator

import msgspec
import pytest
from playwright.sync_api import Browser, Page, expect

from quietward.contracts.notice import NOTICE
from quietward.contracts.stays import Arrival, Stay
from quietward.contracts.summary import (
    Attending,
    BedLimit,
    CareRecord,
    ConcernContribution,
    HandTimed,
    Level,
    Paused,
    RuleClass,
    Shelved,
    SignalState,
    TraceSummary,
)
from tests.browser.conftest import screen
from tests.browser.made_up import MadeUpWard, fetus
from tests.conftest import CHROMIUM, require

BEDS = 24
MINUTE = 60_000
LONGEST = "late decelerations, 15 of 16 contractions · deepest 35 bpm · variability 4 bpm for 122 min"
ID = re.compile(r"bed-\d+-f\d+|made-up-|[0-9a-f]{8,}")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeUpWard]:
    require(CHROMIUM, "chromium")
    found = MadeUpWard(tmp_path_factory.mktemp("print"), BEDS)
    yield found
    found.end()


def page_count(pdf: bytes) -> int:
    """ISO 32000-1, 7.7.3.3: each page is an object of type Page."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def fill(ward: MadeUpWard, bed: str) -> None:
    """More than a sheet has room for."""
    now = ward.now_ms(bed)
    for number in range(1, 31):
        ward.flag(bed, Level.BEDSIDE, number, reason=LONGEST)
        ward.log(bed, "flag-eased", "over", flag=f"{bed}-f{number}", level="quiet")
        ward.log(bed, "care", "vaginal examination, by Kim", by="Kim", what="examined", text="")
        onset = now / 1000 - 60 * number
        ward.log(bed, "contraction", "contraction of 60 s", onset_s=onset, end_s=onset + 50)
        fall = {"onset_s": onset, "nadir_s": onset + 9, "end_s": onset + 20, "depth_bpm": 35.0}
        ward.log(bed, "deceleration", "variable deceleration of 20 s, 35 bpm deep", **fall)
    ward.flag(bed, Level.TEAM, 31, reason=LONGEST)
    ward.log(bed, "not-taken", f"acknowledge by Kim: {bed}-f30 is over", by="Kim", act="acknowledge", why="it is over")
    why = ["decelerations with 60% of contractions", "variability 4 bpm for 52 min", "baseline 172 bpm"]
    text = "a longer note of what was done " * 4
    trace = TraceSummary(4, 60.0, 161.0, 140.0, 14.0, 4)
    note = CareRecord(now, "Kim", "other", text, trace, after=trace, helped=True)
    ward.put(
        bed,
        cared=[msgspec.structs.replace(note, t=now - n * MINUTE) for n in range(8)],
        shelved=[Shelved("concern-raised", "Kim", "toco moved, waits for a colleague", now + MINUTE, active=True)],
        limited=[BedLimit("low-baseline", 95.0, "Kim", "known low", now + MINUTE)],
        held_back=["concern high: shelved by Kim until 15:10", "low variability: too little signal"],
        paused=Paused("Nora", "bathroom", now + MINUTE),
        concern=82.0,
        concern_parts=[ConcernContribution("late decelerations", 40.0), ConcernContribution("variability", 15.0)],
        classes=[RuleClass(rules, 3, "pathological", why, ["no baseline"]) for rules in ("figo-2015", "nichd-2008")],
        hand=HandTimed(4, 192.0, 61.0, 20.0, is_running=False, change=0.8, differs="recorded: every 6.0 min"),
    )  # fmt: skip


def test_the_ward_is_one_page_with_a_line_and_a_strip_for_each_bed(page: Page, made_up: MadeUpWard) -> None:
    now = made_up.now_ms()
    for number in range(1, BEDS + 1):
        made_up.flag(f"bed-{number}", Level.BEDSIDE, reason=LONGEST)
    made_up.put(
        "bed-3",
        signal=SignalState.LOST,
        signal_reason="No data for 41 s, monitor disconnected",
        flag=None,
        level=Level.QUIET,
    )
    made_up.put(
        "bed-4", flag=None, level=Level.QUIET, shelved=[Shelved("concern-raised", "Nora", "asleep", now, active=True)]
    )
    made_up.wait_until_seen()
    page.goto(f"{made_up.address}/shift")
    with page.context.expect_page() as opened:
        page.get_by_role("link", name="hand-over of the ward, one page").click()
    sheet = opened.value
    expect(sheet.locator(".row .bed b")).to_have_text([f"bed-{number}" for number in range(1, BEDS + 1)])
    expect(sheet.locator(".notice")).to_have_text(NOTICE)
    expect(sheet.locator(".row .fhr")).to_have_count(BEDS)
    expect(sheet.locator(".row").nth(1)).to_contain_text(LONGEST)
    expect(sheet.locator(".row").nth(1)).to_contain_text("unanswered")
    sheet.emulate_media(media="print")
    cut = "all => all.filter(one => one.scrollHeight > one.clientHeight + 1).length"
    assert sheet.locator(".row, .said, .bed").evaluate_all(cut) == 0
    assert not ID.findall(sheet.inner_text("body"))
    assert page_count(sheet.pdf(prefer_css_page_size=True)) == 1


@pytest.mark.parametrize("locale", ["en-GB", "de-DE"])
def test_on_the_wards_sheet_nothing_is_cut(browser: Browser, made_up: MadeUpWard, locale: str) -> None:
    """A long label, the longest line there is, somebody who goes and has not answered, and what was done."""
    now = made_up.now_ms()
    trace = TraceSummary(4, 60.0, 161.0, 140.0, 14.0, 4)
    label = Stay(now, "Kim", now, Arrival("the room at the end of the hall, window!"), 0)
    for number in range(1, BEDS + 1):
        made_up.flag(f"bed-{number}", Level.TEAM, reason=LONGEST)
        going = [Attending("Konstantin", now, now + 20 * MINUTE)] if number == 2 else []
        made_up.put(f"bed-{number}", attending=going, cared=[CareRecord(now, "Kim", "turned", "", trace)])
        made_up.put(f"bed-{number}", stay=label)
    made_up.put("bed-3", signal=SignalState.LOST, signal_reason="No data for 41 s, monitor disconnected")
    made_up.put("bed-4", reason=f"second twin: {LONGEST[:-20]}", fetuses=[fetus(), fetus()])
    made_up.wait_until_seen()
    with screen(browser, locale=locale) as page:
        page.goto(f"{made_up.address}/handover")
        page.emulate_media(media="print")
        expect(page.locator(".row .fhr")).to_have_count(BEDS)
        cut = "all => all.filter(one => one.scrollHeight > one.clientHeight + 1).map(one => one.innerText)"
        assert page.locator(".row .said").evaluate_all(cut) == []
        assert "Konstantin" in page.locator(".row .said").nth(1).inner_text()
        assert page_count(page.pdf(prefer_css_page_size=True)) == 1


def test_a_bed_is_one_page_with_its_strip_whatever_has_happened(page: Page, made_up: MadeUpWard) -> None:
    fill(made_up, "bed-2")
    made_up.wait_until_seen()
    page.goto(f"{made_up.address}/handover/bed-2")
    page.emulate_media(media="print")
    expect(page.locator("h2")).to_have_text(["Situation", "Background", "Assessment", "Recommendation"])
    expect(page.locator(".small-strip .fhr")).to_have_count(1)
    expect(page.locator(".small-strip .tick.flag-bedside")).not_to_have_count(0)
    expect(page.locator(".small-strip .tick.person")).not_to_have_count(0)
    inside = """() => {  // of what must not be missing: how far it stands outside the page, or is covered, in px
      const sheet = document.querySelector('article').getBoundingClientRect();
      const parts = [...document.querySelectorAll('header, figure, section > h2, dl, .table, .log, .recommendation')]
        .map(one => one.getBoundingClientRect());
      const out = Math.max(...parts.map(one => one.bottom - sheet.bottom));
      const log = document.querySelector('.log').getBoundingClientRect();
      return { out, log: log.height };
    }"""
    found = page.evaluate(inside)
    assert found["out"] <= 0.5
    assert found["log"] > 60, "some lines of the log have room"
    assert page_count(page.pdf(prefer_css_page_size=True)) == 1
    said = page.inner_text("body")
    assert NOTICE in said
    assert not ID.findall(said)
    assert "contraction of 60 s" not in said
    assert "acknowledge by Kim: flag 30 is over" in (page.text_content("body") or "")
    page.goto(f"{made_up.address}/handover-sheets")
    assert page_count(page.pdf(prefer_css_page_size=True)) == BEDS


COVERED = """() => {  // pairs of labels of one sheet that cover each other
  const found = [];
  for (const svg of document.querySelectorAll('svg')) {
    const boxes = [...svg.querySelectorAll('text')].map(one => [one.textContent, one.getBoundingClientRect()]);
    for (const [i, [a, p]] of boxes.entries()) for (const [b, q] of boxes.slice(i + 1))
      if (Math.min(p.right, q.right) - Math.max(p.left, q.left) > 0.5
        && Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top) > 2) found.push([a, b]);
  }
  return found;
}"""


def test_a_printed_strip_has_flags_notes_and_contractions_by_hand_and_no_label_covers_another(
    page: Page, made_up: MadeUpWard
) -> None:
    now = made_up.now_ms() / 1000
    made_up.flag("bed-1", Level.LOOK)
    made_up.log("bed-1", "flag-escalated", "bedside: made up", flag="bed-1-f1", level="bedside", reason="made up")
    made_up.log("bed-1", "care", "turned to the side, by Kim", by="Kim", what="turned", text="")
    for start in (70, 55, 40):
        fall = {"onset_s": now - start, "nadir_s": now - start + 4, "end_s": now - start + 9, "depth_bpm": 30.0}
        made_up.log("bed-1", "deceleration", "variable deceleration of 9 s", **fall)
    made_up.log("bed-1", "hand-contraction", "timed by hand", onset_s=now - 60, end_s=now - 20, by="Kim")
    made_up.wait_until_seen()
    page.goto(f"{made_up.address}/paper/bed-1?minutes=3&cm=1&bpm=20")
    expect(page.locator("svg path[fill='#0a6f83']")).to_have_count(1)
    expect(page.locator("svg path[fill='#8a6800']")).to_have_count(1)
    expect(page.locator("svg path[fill='#2f6d4f']")).to_have_count(1)
    expect(page.locator("svg text", has_text="turned to the side")).to_have_count(1)
    expect(page.locator("svg text", has_text="by hand")).to_have_count(1)
    expect(page.locator("svg text", has_text="variable")).to_have_count(3)
    assert page.evaluate(COVERED) == []
    assert page_count(page.pdf(prefer_css_page_size=True)) == page.locator("article").count()
