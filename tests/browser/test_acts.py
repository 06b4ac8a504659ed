"""What people do on the pages, by mouse and by keyboard: the page hands it on, and shows what the detector made of it.

The detector's side is written by the test, so that every answer of it can be had, also those that are rare.
"""

import re
import urllib.error
import urllib.request
from typing import Any

import msgspec
import pytest
from playwright.sync_api import Browser, Page, expect

from quietward.contracts.commands import Acknowledge, Attend, Pause, RecordCare, SetBedLimit, Shelve, Tap, Unshelve
from quietward.contracts.notice import NOTICE
from quietward.contracts.summary import (
    Attending,
    BedLimit,
    CareRecord,
    HandTimed,
    Level,
    Paused,
    Shelved,
    SignalState,
    TraceSummary,
)
from tests.browser.conftest import screen
from tests.browser.drawn import COLOURS
from tests.browser.made_up import SHEET, MadeUpWard
from tests.conftest import WAIT_S, wait_for

MINUTE = 60_000
BEFORE, AFTER = TraceSummary(4, 60.0, 161.0, 140.0, 14.0, 4), TraceSummary(1, 20.0, 30.0, 139.0, 11.0, 3)
HAND = HandTimed(4, 192.0, 61.0, 34.0, is_running=True, change=0.8, differs="recorded: every 6.0 min")


def open_bed(page: Page, ward: MadeUpWard, bed: str = "bed-1", name: str = "Kim") -> None:
    page.goto(f"{ward.address}/bed/{bed}")
    page.wait_for_load_state("networkidle")  # Dash may draw the page once more, and a form would be closed again
    expect(page.locator(".headline")).not_to_have_text("")
    page.locator("#who-name").fill(name)


def tab_to(page: Page, selector: str, key: str = "Tab") -> None:
    """Reach an element with the keyboard alone, once it is there. key: `Shift+Tab` goes back."""
    expect(page.locator(selector).locator("visible=true").first).to_be_visible()
    for _ in range(60):
        page.keyboard.press(key)
        if page.evaluate("wanted => document.activeElement?.matches(wanted) ?? false", selector):
            return
    raise AssertionError(f"{selector} cannot be reached by keyboard")


def test_a_flag_is_acknowledged_on_the_ward_without_leaving_it(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-2", Level.BEDSIDE)
    page.goto(made_up.address)
    page.locator("#who-name").fill("Kim")
    band = page.locator(".band[data-bed=bed-2]")
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-2")
    expect(band.locator(".waiting")).to_contain_text("unanswered for")
    expect(page.locator(".band[data-bed=bed-1] .acknowledge")).to_be_hidden()
    page.wait_for_timeout(1000)  # the bands have been still for a while
    band.get_by_role("button", name="Acknowledge").click()
    assert made_up.next_act() == Acknowledge("bed-2", "Kim", "bed-2-f1")
    made_up.put("bed-2", acknowledged_by="Kim")
    expect(band.locator(".waiting")).to_have_text("answered by Kim")
    expect(band.locator(".acknowledge")).to_be_hidden()
    assert page.url.rstrip("/") == made_up.address


def test_i_am_going_is_one_press_and_everybody_sees_it(browser: Browser, page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-2", Level.BEDSIDE)
    page.goto(made_up.address)
    page.locator("#who-name").fill("Kim")
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-2")
    page.wait_for_timeout(1000)  # the bands have been still for a while
    page.get_by_role("button", name="I am going to bed-2").click()
    assert made_up.next_act() == Attend("bed-2", "Kim")
    now = made_up.now_ms()
    made_up.put("bed-2", acknowledged_by="Kim", attending=[Attending("Kim", now, now + 15 * MINUTE)])
    made_up.put("bed-1", attending=[Attending("Kim", now - MINUTE, now + 14 * MINUTE)])
    with screen(browser) as other:
        other.goto(made_up.address)
        for one in (page, other):
            expect(one.locator(".band[data-bed=bed-2] .waiting")).to_have_text("Kim is going")
            expect(one.locator(".band[data-bed=bed-1] .waiting")).to_have_text("")  # she has gone on
            expect(one.locator(".band[data-bed=bed-2] .going")).to_be_hidden()
    page.goto(f"{made_up.address}/bed/bed-2")
    page.get_by_role("button", name="I have left").click()
    assert made_up.next_act(1) == Attend("bed-2", "Kim", going=False)


@pytest.mark.parametrize(("button", "act"), [("Acknowledge", "acknowledge"), ("I am going to", "attend")])
def test_a_row_of_the_ward_says_that_it_was_sent_and_why_it_was_refused(
    page: Page, made_up: MadeUpWard, button: str, act: str
) -> None:
    made_up.flag("bed-2", Level.BEDSIDE)
    page.goto(made_up.address)
    page.locator("#who-name").fill("Kim")
    band = page.locator(".band[data-bed=bed-2]")
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-2")
    band.get_by_role("button", name=button).press("Enter")  # which does not ask whether the bands have been still
    expect(band.locator(".result")).to_have_text(re.compile("^sent"))
    made_up.next_act()
    why = "Another woman is in this bed now"
    made_up.log("bed-2", "not-taken", f"{act} by Kim: {why}", act=act, by="Kim", why=why)
    expect(band.locator(".result")).to_have_text(f"rejected: {why}")
    expect(band.get_by_role("button", name=button)).to_be_enabled()


def test_a_flag_is_acknowledged_with_a_note(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-2", Level.LOOK)
    page.goto(made_up.address)
    page.locator("#who-name").fill("Kim")
    page.get_by_role("button", name="What was done at bed-2").press("Enter")
    over = page.locator("dialog")
    over.get_by_label("note").fill("toco moved")
    over.get_by_label("note").press("Enter")
    assert made_up.next_act() == Acknowledge("bed-2", "Kim", "bed-2-f1", "toco moved")
    made_up.put("bed-2", acknowledged_by="Kim")
    made_up.log(
        "bed-2", "flag-acknowledged", "acknowledged by Kim: toco moved", by="Kim", flag="bed-2-f1", note="toco moved"
    )
    expect(over.locator(".result").first).to_contain_text("answered: acknowledged by Kim: toco moved")
    expect(over.get_by_label("note")).to_be_hidden()


MOMENTS = """() => {  // colours of flag and note at the upper edge of the strip, where nothing else is drawn
  const c = document.querySelector('canvas.strip'), g = c.getContext('2d');
  const ink = name => getComputedStyle(c).getPropertyValue(name).trim();
  const near = (data, hex) => [1, 3, 5].every((at, i) => Math.abs(data[i] - parseInt(hex.slice(at, at + 2), 16)) < 12);
  const { data } = g.getImageData(0, 0, c.width, 9);
  const has = hex => [...Array(data.length / 4).keys()].some(i => near(data.slice(4 * i, 4 * i + 3), hex));
  return { flag: has(ink('--bedside')), note: has(ink('--person')) };
}"""


def test_flags_and_notes_stand_on_the_strip(page: Page, made_up: MadeUpWard) -> None:
    page.goto(f"{made_up.address}/bed/bed-1")
    expect(page.locator(".headline")).to_have_text("quiet")
    assert wait_for(lambda: page.locator("canvas.strip").evaluate(COLOURS) > 20)
    assert page.evaluate(MOMENTS) == {"flag": False, "note": False}
    made_up.flag("bed-1", Level.BEDSIDE)
    made_up.log("bed-1", "care", "turned to the side, by Kim", by="Kim", what="turned", text="")
    made_up.put("bed-1")
    page.wait_for_function(f"() => {{ const found = ({MOMENTS})(); return found.flag && found.note; }}")


def test_a_click_anywhere_on_its_band_opens_the_bed(page: Page, made_up: MadeUpWard) -> None:
    page.goto(made_up.address)
    page.locator(".band[data-bed=bed-2]").click()
    page.wait_for_url("**/bed/bed-2")
    expect(page.locator("h1")).to_have_text("bed-2")


def test_by_keyboard_a_flag_is_acknowledged_and_a_bed_opened(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-2", Level.LOOK)
    page.goto(made_up.address)
    expect(page.locator(".band[data-bed=bed-2] .acknowledge")).to_be_visible()
    tab_to(page, "#who-name")
    page.keyboard.type("Ann")
    tab_to(page, ".band[data-bed=bed-2] .acknowledge")
    page.keyboard.press("Enter")
    assert made_up.next_act() == Acknowledge("bed-2", "Ann", "bed-2-f1")
    page.reload()
    tab_to(page, ".band[data-bed=bed-2] a")
    page.keyboard.press("Enter")
    page.wait_for_url("**/bed/bed-2")
    expect(page.locator("#who-name")).to_have_value("Ann")


def test_without_a_name_nothing_is_sent(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-1", Level.LOOK)
    page.goto(f"{made_up.address}/bed/bed-1")
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.locator(".missing-name")).to_be_visible()
    expect(page.locator("#who-name")).to_be_focused()
    page.get_by_role("button", name="turned to the side").click()
    expect(page.locator(".bedside .result")).to_have_text("Enter your name")
    page.keyboard.type("Kim")
    page.get_by_role("button", name="turned to the side").click()
    assert made_up.next_act() == RecordCare("bed-1", "Kim", "turned")
    assert len(made_up.acts()) == 1


def test_a_press_just_after_the_beds_have_moved_answers_nothing(page: Page, made_up: MadeUpWard) -> None:
    """Else the press would hit the flag of another bed, which nobody has looked at."""
    made_up.flag("bed-2", Level.LOOK)
    page.goto(made_up.address)
    page.locator("#who-name").fill("Kim")
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-2")
    page.evaluate(
        """() => new MutationObserver(() => {
          const first = document.querySelector('.band');
          if (first.dataset.bed === 'bed-1' && !window.pressed) {
            window.pressed = true;
            const spot = { bubbles: true, detail: 1 };
            first.querySelector('.acknowledge').dispatchEvent(new MouseEvent('click', spot));
          }
        }).observe(document.querySelector('.bands'), { childList: true })"""
    )
    made_up.flag("bed-1", Level.TEAM)
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-1")
    expect(page.locator(".band[data-bed=bed-1] .result")).to_contain_text("press again")
    page.wait_for_timeout(1000)
    page.locator(".band[data-bed=bed-1] .acknowledge").click()
    assert made_up.next_act() == Acknowledge("bed-1", "Kim", "bed-1-f1")
    assert len(made_up.acts()) == 1


def test_the_second_of_two_who_answer_at_once_is_told(browser: Browser, page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-1", Level.BEDSIDE)
    open_bed(page, made_up, name="Kim")
    with screen(browser) as other:
        open_bed(other, made_up, name="Ann")
        other.get_by_role("button", name="Acknowledge").click()
        made_up.next_act()
        page.get_by_role("button", name="Acknowledge").click()
        made_up.next_act(1)
        made_up.put("bed-1", acknowledged_by="Ann")
        expect(page.locator(".head .result")).to_have_text("Ann answered it first")
        expect(other.locator(".head .result")).to_have_text("")
        for one in (page, other):
            expect(one.locator(".waiting")).to_have_text("answered by Ann")


def test_an_answer_that_came_too_late_is_said(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-1", Level.LOOK)
    open_bed(page, made_up)
    page.get_by_role("button", name="Acknowledge").click()
    made_up.next_act()
    made_up.log("bed-1", "not-taken", "acknowledge by Kim: it is over", by="Kim", act="acknowledge", why="it is over")
    expect(page.locator(".head .result")).to_have_text("rejected: it is over")
    expect(page.get_by_role("button", name="Acknowledge")).to_be_enabled()
    page.get_by_role("button", name="Acknowledge").click()
    made_up.next_act(1)
    made_up.put("bed-1", level=Level.QUIET, flag=None, level_since=None, reason="")
    expect(page.locator(".head .result")).to_have_text("the flag is no longer there")


def test_what_was_done_is_noted_with_one_press_and_compared(page: Page, made_up: MadeUpWard) -> None:
    open_bed(page, made_up)
    page.get_by_role("button", name="obstetrician called").click()
    assert made_up.next_act() == RecordCare("bed-1", "Kim", "clinician-called")
    made_up.log("bed-1", "care", "obstetrician called", by="Kim", what="clinician-called", text="")
    expect(page.locator(".bedside .result")).to_have_text("done: obstetrician called")
    page.get_by_role("button", name="oxytocin reduced").click()
    assert made_up.next_act(1) == RecordCare("bed-1", "Kim", "oxytocin-turned-down")
    page.get_by_role("button", name="other …").click()
    page.keyboard.type("blanket")
    page.keyboard.press("Enter")
    assert made_up.next_act(2) == RecordCare("bed-1", "Kim", "other", "blanket")
    now = made_up.now_ms()
    cared = [
        CareRecord(now, "Kim", "other", "blanket", BEFORE),
        CareRecord(now - 20 * MINUTE, "Ann", "turned", "", BEFORE),
    ]
    cared[1] = msgspec.structs.replace(cared[1], after=AFTER, helped=True)
    made_up.put("bed-1", cared=cared)
    first, second = page.locator(".note").nth(0), page.locator(".note").nth(1)
    expect(first).to_contain_text("blanket, Kim")
    expect(first.locator("strong").first).to_have_text(re.compile(r"result at \d\d:\d\d"))
    due = page.evaluate("ms => new Date(ms).toTimeString().slice(0, 5)", now + SHEET.helps_within_s * 1000)
    expect(first).to_contain_text(f"result at {due}")
    expect(second).to_contain_text("turned to the side, Ann")
    expect(second).to_contain_text("helped")
    expect(second.locator(".pairs div").nth(1)).to_have_text("deepest60→20bpm")


def test_a_flag_is_shelved_with_a_reason_and_taken_back(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-1", Level.LOOK)
    open_bed(page, made_up)
    page.locator("summary", has_text="Shelve").press("Enter")
    form = page.locator(".fold", has_text="Shelve")
    form.get_by_label("because").click()  # waits for the fold; before it has opened, a key goes to its title
    form.get_by_label("because").press("Enter")
    assert made_up.acts() == [], "a reason is needed"
    form.get_by_label("for minutes").fill("20")
    form.get_by_label("because").fill("toco moved")
    form.get_by_label("because").press("Enter")
    assert made_up.next_act() == Shelve("bed-1", "Kim", "bed-1-f1", 1200, "toco moved")
    until = made_up.now_ms() + 20 * MINUTE
    shelf = Shelved("low-baseline", "Kim", "toco moved", until, active=True)
    made_up.put("bed-1", level=Level.QUIET, flag=None, level_since=None, reason="", shelved=[shelf])
    time = page.evaluate("ms => new Date(ms).toTimeString().slice(0, 5)", until)
    expect(page.locator(".headline")).to_have_text(f"look, shelved until {time}")
    expect(page.locator(".reason")).to_contain_text("shelved by Kim: toco moved")
    page.get_by_role("button", name="Unshelve").click()
    assert made_up.next_act(1) == Unshelve("bed-1", "Kim")


def test_what_asks_for_the_team_cannot_be_shelved(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-1", Level.TEAM)
    open_bed(page, made_up)
    page.locator("summary", has_text="Shelve").click()
    form = page.locator(".fold", has_text="Shelve")
    expect(form).to_contain_text("What asks for the team cannot be shelved.")
    expect(form.get_by_role("button", name="Shelve")).to_be_disabled()
    made_up.put("bed-1", level=Level.BEDSIDE)
    expect(form.get_by_role("button", name="Shelve")).to_be_enabled()


def test_longer_than_the_policy_allows_is_refused_before_and_by_the_server(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-1", Level.LOOK)
    open_bed(page, made_up)
    page.locator("summary", has_text="Shelve").click()
    form = page.locator(".fold", has_text="Shelve")
    form.get_by_label("because").fill("x")
    form.get_by_label("for minutes").fill("61")
    form.get_by_role("button", name="Shelve").click()
    assert form.get_by_label("for minutes").evaluate("input => input.validity.rangeOverflow")
    form.locator("form").evaluate("form => { form.noValidate = true; }")
    form.get_by_role("button", name="Shelve").click()
    expect(page.locator(".bedside .result")).to_have_text(
        "rejected: for_s: 3660. Give 1 to 3600 s; the policy allows no longer"
    )
    assert made_up.acts() == []


def test_forms_that_need_the_policy_say_that_nobody_has_said_it(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-1", Level.LOOK)
    made_up.store.delete(made_up.ward.policy)
    made_up.wait_until_seen()  # the page must not begin with the sheet it knew
    open_bed(page, made_up)
    for title, name in (("Shelve", "Shelve"), ("Monitor off", "Monitor off"), ("limits", "Set")):
        form = page.locator(".fold", has=page.locator("summary", has_text=title))
        form.locator("summary").click()
        expect(form.locator(".hint")).to_contain_text("no detector has said what its policy allows")
        expect(form.get_by_role("button", name=name)).to_be_disabled()
    made_up.store.set(made_up.ward.policy, msgspec.json.encode(SHEET))
    expect(page.locator(".fold").get_by_role("button", name="Set")).to_be_enabled()


def test_the_monitor_is_off_on_purpose_and_on_again(page: Page, made_up: MadeUpWard) -> None:
    open_bed(page, made_up)
    expect(page.get_by_role("button", name="Monitor back on")).to_be_hidden()
    page.locator("summary", has_text="Monitor off").click()
    page.get_by_label("because").locator("visible=true").select_option("walk")
    page.locator(".fold").get_by_role("button", name="Monitor off").click()
    assert made_up.next_act() == Pause("bed-1", "Kim", 600, "walk")
    until = made_up.now_ms() + 10 * MINUTE
    made_up.put("bed-1", paused=Paused("Kim", "walk", until))
    expect(page.locator(".waiting")).to_contain_text("monitor off until")
    made_up.put("bed-1", signal=SignalState.LOST, signal_reason="No data for 20 s, monitor disconnected")
    time = page.evaluate("ms => new Date(ms).toTimeString().slice(0, 5)", until)
    expect(page.locator(".headline")).to_have_text(f"Monitor off until {time}")
    page.locator("a.back").click()
    band = page.locator(".band[data-bed=bed-1]")
    expect(band.locator(".headline")).to_have_text(f"Monitor off until {time}")
    expect(page.locator(".band").first).to_have_attribute("data-bed", "bed-1")
    band.locator("a").click()
    page.locator("summary", has_text="Monitor off").click()
    page.get_by_role("button", name="Monitor back on").click()
    assert made_up.next_act(1) == Pause("bed-1", "Kim", 0)


def test_a_bed_has_its_own_limit_within_bounds(page: Page, made_up: MadeUpWard) -> None:
    open_bed(page, made_up)
    page.locator("summary", has_text="limits").click()
    form = page.locator(".fold", has_text="limits")
    expect(form.locator(".hint")).to_contain_text("The ward's limit is 100. For this bed: 90 to 110")
    form.get_by_label("because").fill("known low")
    form.get_by_label("limit", exact=True).fill("80")
    form.get_by_role("button", name="Set").click()
    assert form.get_by_label("limit", exact=True).evaluate("input => input.validity.rangeUnderflow")
    form.get_by_label("limit", exact=True).fill("95")
    form.get_by_role("button", name="Set").click()
    assert made_up.next_act() == SetBedLimit("bed-1", "Kim", "low-baseline", 95.0, 7200, "known low")
    made_up.put("bed-1", limited=[BedLimit("low-baseline", 95.0, "Kim", "known low", made_up.now_ms() + 120 * MINUTE)])
    expect(form.locator(".held")).to_contain_text("low baseline: 95 until")
    form.get_by_role("button", name="Back to ward limit").click()
    assert made_up.next_act(1) == SetBedLimit("bed-1", "Kim", "low-baseline", None, 0, "back to the ward limit")


def test_contractions_are_timed_by_hand_with_one_button(page: Page, made_up: MadeUpWard) -> None:
    open_bed(page, made_up)
    tab_to(page, ".tap")
    page.keyboard.press("Space")
    expect(page.locator(".tap")).to_have_text(re.compile(r"Contraction ends · \d+ s"))
    assert made_up.next_act() == Tap("bed-1", "Kim", "start")
    made_up.put("bed-1", hand=HAND)
    expect(page.locator(".tap")).to_have_text("Contraction ends · 34 s")
    expect(page.locator(".hand-line")).to_contain_text("every 3.2 min from start to start, 61 s long")
    expect(page.locator(".differs")).to_have_text("recorded: every 6.0 min")
    page.locator(".tap").click()
    assert made_up.next_act(1) == Tap("bed-1", "Kim", "end")
    made_up.put("bed-1", hand=msgspec.structs.replace(HAND, is_running=False))
    page.locator(".hand").get_by_role("button", name="Undo").click()
    assert made_up.next_act(2) == Tap("bed-1", "Kim", "undo")


def test_a_double_click_begins_a_contraction_and_says_that_it_goes_on(page: Page, made_up: MadeUpWard) -> None:
    open_bed(page, made_up)
    page.locator(".tap").dblclick()
    expect(page.locator(".tap")).to_contain_text("Contraction ends")  # until the detector should have answered
    expect(page.locator(".hand-told")).to_contain_text("has only just begun; still timing")
    assert made_up.next_act() == Tap("bed-1", "Kim", "start")
    assert made_up.acts() == [Tap("bed-1", "Kim", "start")]


UA_COLOURS = """(canvas, colour) => {
  const g = canvas.getContext('2d');
  g.save(); g.fillStyle = getComputedStyle(canvas).getPropertyValue(colour).trim();
  const wanted = g.fillStyle; g.restore();
  const from = Math.round(canvas.height * 0.72);
  const { data } = g.getImageData(0, from, canvas.width, canvas.height - from);
  let found = 0;
  for (let i = 0; i < data.length; i += 4) {
    const hex = '#' + [0, 1, 2].map((k) => data[i + k].toString(16).padStart(2, '0')).join('');
    if (hex === wanted) found++;
  }
  return found;
}"""


def test_hand_timed_contractions_are_drawn_unlike_recorded_ones(page: Page, made_up: MadeUpWard) -> None:
    open_bed(page, made_up)
    canvas = page.locator("canvas")

    def by_hand() -> int:
        return int(canvas.evaluate(UA_COLOURS, "--by-hand"))

    assert wait_for(lambda: canvas.evaluate(COLOURS) > 20)
    assert by_hand() == 0
    second = made_up.now_ms() / 1000
    made_up.log("bed-1", "hand-contraction", "60 s by hand", onset_s=second - 80, end_s=second - 20, by="Kim")
    assert wait_for(lambda: by_hand() > 20)
    made_up.log("bed-1", "hand-undone", "taken back", onset_s=second - 80, by="Kim")
    assert wait_for(lambda: by_hand() == 0)
    made_up.put("bed-1", hand=HAND)
    assert wait_for(lambda: by_hand() > 10), "the one that goes on"


def test_what_could_not_be_taken_is_said_beside_the_form(page: Page, made_up: MadeUpWard) -> None:
    open_bed(page, made_up)
    page.locator(".tap").click()
    expect(page.locator(".tap")).to_contain_text("Contraction ends")
    made_up.next_act()
    made_up.log("bed-1", "not-taken", "somebody else's act", by="Ann", act="tap", why="not yours")
    expect(page.locator(".log")).to_contain_text("somebody else's act")
    expect(page.locator(".bedside .result")).to_have_text(re.compile("^sent"))  # and after 5 s: nothing said yet
    made_up.log("bed-1", "not-taken", "tap by Kim: one is going on", by="Kim", act="tap", why="one is going on")
    expect(page.locator(".bedside .result")).to_have_text("rejected: one is going on")
    expect(page.locator(".tap")).to_have_text("Contraction begins")


def test_the_log_speaks_plainly_and_lets_what_was_kept_quiet_be_hidden(page: Page, made_up: MadeUpWard) -> None:
    for number in range(70):
        made_up.log("bed-1", "contraction", f"contraction number {number}", onset_s=1.0, end_s=2.0)
    made_up.log("bed-1", "held-back", "concern raised held", condition="concern-raised", why="shelved")
    made_up.log("bed-1", "flag-escalated", "team: concern 70", flag="bed-1-f1", level="team", reason="concern 70")
    made_up.log("bed-1", "pause", "monitor off for 10 min: walk", by="Kim")
    open_bed(page, made_up)
    lines = page.locator(".log li")
    expect(lines).to_have_count(60)
    expect(lines.nth(0)).to_contain_text("monitor off")
    expect(lines.nth(0)).to_contain_text("Kim")
    expect(lines.nth(1)).to_contain_text("escalated")
    expect(lines.nth(2)).to_contain_text("suppressed")
    page.get_by_label("Hide notes and suppressed alerts").check()
    expect(lines.nth(2)).to_contain_text("contraction number 69")
    expect(lines).to_have_count(60)
    link = page.locator(".tools").get_by_role("link", name="CSV").get_attribute("href")
    with urllib.request.urlopen(f"{made_up.address}{link}", timeout=WAIT_S) as answer:
        text = answer.read().decode()
    assert NOTICE in text
    assert text.count("\r\n") == 1 + 1 + 73


def test_the_hand_over_sheet_opens_with_its_own_looks(page: Page, made_up: MadeUpWard) -> None:
    made_up.flag("bed-1", Level.BEDSIDE, reason="a <fall>")
    made_up.wait_until_seen()  # a sheet stays as it was
    open_bed(page, made_up)
    with page.context.expect_page() as opened:
        page.get_by_role("link", name="hand-over sheet").click()
    sheet = opened.value
    expect(sheet.locator("body")).to_contain_text(NOTICE)
    expect(sheet.locator("h2")).to_have_text(["Situation", "Background", "Assessment", "Recommendation"])
    expect(sheet.locator("body")).to_contain_text("a <fall>")
    local = page.evaluate("0 - new Date().getTimezoneOffset()")
    assert f"utc-offset-min={local}" in sheet.url
    expect(sheet.locator(".ruled").first).to_have_css("border-bottom-style", "solid")


def test_clocks_that_differ_are_said(page: Page, made_up: MadeUpWard) -> None:
    made_up.clock_offset_ms = {"bed-1": -12_000, "bed-2": 600_000}
    page.add_init_script("const now = Date.now; Date.now = () => now() + 45_000;")
    page.goto(made_up.address)
    expect(page.locator(".band[data-bed=bed-2] .signal")).to_contain_text("clock 10 min ahead")
    expect(page.locator(".band[data-bed=bed-1] .signal")).not_to_contain_text("clock")
    expect(page.locator("#clocks")).to_have_text("This screen's clock is 45 s ahead of the server's.")
    page.goto(f"{made_up.address}/bed/bed-1")
    expect(page.locator(".signal")).to_contain_text("its clock is 12 s behind the server's")


def test_clocks_that_agree_are_not_spoken_of(page: Page, made_up: MadeUpWard) -> None:
    with page.expect_response("**/clock"):
        page.goto(f"{made_up.address}/bed/bed-1")
    expect(page.locator(".signal")).to_contain_text("signal good")
    made_up.wait_until_seen()
    page.wait_for_timeout(2000)
    expect(page.locator("#clocks")).to_have_text("")
    expect(page.locator(".signal")).not_to_contain_text("clock")


def test_what_is_kept_quiet_is_shown_with_why(page: Page, made_up: MadeUpWard) -> None:
    made_up.put("bed-1", held_back=["concern raised: shelved by Kim until 15:10"])
    open_bed(page, made_up)
    expect(page.locator(".facts")).to_contain_text("Suppressed")
    expect(page.locator(".facts")).to_contain_text("concern raised: shelved by Kim until 15:10")


def post(ward: MadeUpWard, body: bytes, origin: str | None = None) -> tuple[int, str]:
    headers = {"Origin": origin} if origin else {}
    request = urllib.request.Request(f"{ward.address}/act", body, headers, method="POST")
    try:
        with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()


def test_acts_are_taken_from_this_page_only_and_only_sound_ones(made_up: MadeUpWard) -> None:
    good: dict[str, Any] = {"type": "tap", "bed": "bed-1", "by": "Kim", "edge": "start"}
    assert post(made_up, msgspec.json.encode(good), "http://elsewhere.example")[0] == 403
    assert post(made_up, msgspec.json.encode(good | {"bed": "bed-77"}))[0] == 404
    assert post(made_up, msgspec.json.encode(good | {"edge": "middle"})) == (
        422, "edge: 'middle'. Invalid enum value 'middle'",
    )  # fmt: skip
    assert post(made_up, msgspec.json.encode(good | {"by": "x" * 5000}))[0] == 413
    assert made_up.acts() == []
    assert post(made_up, msgspec.json.encode(good), made_up.address) == (204, "")
    assert made_up.acts() == [Tap("bed-1", "Kim", "start")]


@pytest.mark.parametrize("path", ["/export/bed-77/log.csv", "/export/bed-77/log.json", "/handover/bed-77"])
def test_of_an_unknown_bed_there_is_nothing_to_take_away(path: str, made_up: MadeUpWard) -> None:
    with pytest.raises(urllib.error.HTTPError) as found:
        urllib.request.urlopen(f"{made_up.address}{path}", timeout=WAIT_S)
    assert found.value.code == 404
    assert "bed: 'bed-77'" in found.value.read().decode()


def test_a_store_that_is_away_takes_nothing_and_says_so(page: Page, made_up: MadeUpWard) -> None:
    """Comes last: the ward has no store any more."""
    open_bed(page, made_up)
    made_up.server.kill()
    page.get_by_role("button", name="turned to the side").click()
    expect(page.locator(".bedside .result")).to_contain_text("the store does not answer")
    expect(page.locator("#trouble")).to_contain_text("the store has been away")
