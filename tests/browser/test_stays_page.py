"""A woman arrives, leaves, and a wrong press is undone: by mouse and by keyboard, on the bed's page and on the ward."""

import io
import re
import urllib.request
import zipfile
from typing import Any

from msgspec import structs
from playwright.sync_api import Browser, Page, expect

from quietward.contracts.commands import Arrive, CorrectArrival, Leave, Move, UndoStay
from quietward.contracts.notice import NOTICE
from quietward.contracts.stays import Arrival, BedBefore, Stay
from quietward.contracts.summary import Level, SignalState, Undoable
from tests.browser.conftest import screen
from tests.browser.made_up import MadeUpWard
from tests.browser.test_acts import open_bed, tab_to
from tests.conftest import WAIT_S, wait_for

MINUTE = 60_000
GREEN = Arrival("room 4, green", weeks=39, parity=1, stage=1, twins=False, risks=["diabetes"], note="calm")


def arrive(ward: MadeUpWard, bed: str, arrival: Arrival | None, **changes: Any) -> Stay:
    """Let somebody, or nobody, be in a bed from now on."""
    now = ward.now_ms(bed)
    stay = Stay(now, "Kim", now, arrival, first_s=now // 1000 + 1)
    plain: dict[str, Any] = {"stay": stay, "flag": None, "level": Level.NOTED, "level_since": None}
    if arrival is None:
        plain |= {"signal": SignalState.LOST, "signal_reason": "A device is sending, nobody is here"}
        plain |= {"fhr_bpm": None, "baseline_bpm": None, "variability_bpm": None, "concern": None}
    ward.put(bed, **plain | changes)
    return stay


def test_an_arrival_is_noted_with_what_was_written_and_no_name_is_asked_for(page: Page, made_up: MadeUpWard) -> None:
    open_bed(page, made_up)
    page.get_by_text("New arrival …").click()
    expect(page.get_by_text("Never her name.")).to_be_visible()
    assert page.get_by_label("label").get_attribute("aria-describedby") == "label-hint"
    page.get_by_role("button", name="Note arrival").click()
    page.wait_for_timeout(300)
    assert made_up.acts() == [], "a label is needed"
    page.get_by_label("label").fill(" room 4, green ")
    page.get_by_label("weeks").fill("39")
    page.get_by_label("stage").select_option("first stage")
    page.get_by_label("diabetes").check()
    page.get_by_label("anything else").fill("calm")
    page.get_by_role("button", name="Note arrival").click()
    expected = Arrival("room 4, green", weeks=39, stage=1, risks=["diabetes"], note="calm")
    assert made_up.next_act() == Arrive("bed-1", "Kim", expected)
    why = "Nobody is in this bed"
    made_up.log("bed-1", "not-taken", f"arrive by Kim: {why}", act="arrive", by="Kim", why=why)
    expect(page.locator(".bedside .result").first).to_have_text(f"rejected: {why}")
    expect(page.get_by_label("label")).to_have_value(" room 4, green ")  # what was written stays
    page.get_by_role("button", name="Note arrival").click()
    assert made_up.next_act(1) == Arrive("bed-1", "Kim", expected)
    made_up.log("bed-1", "arrived", "room 4, green", by="Kim")
    expect(page.get_by_label("label")).to_be_hidden()  # the form is folded away
    page.get_by_text("New arrival …").click()
    expect(page.get_by_label("label")).to_have_value("")
    expect(page.get_by_label("diabetes")).not_to_be_checked()


def test_the_page_of_a_bed_says_who_is_in_it_and_a_wrong_press_is_undone(page: Page, made_up: MadeUpWard) -> None:
    made_up.log("bed-1", "care", "turned to the side, by Ann", by="Ann", what="turned", text="")
    open_bed(page, made_up)
    expect(page.locator(".log li")).to_have_count(1)
    undoable = Undoable("arrival", "Kim", made_up.now_ms() + 10 * MINUTE)
    arrive(made_up, "bed-1", GREEN, undoable=undoable)
    made_up.log("bed-1", "arrived", "room 4, green", by="Kim")
    expect(page.locator(".head .label")).to_have_text("room 4, green")
    expect(page.locator(".about-her")).to_contain_text(
        "39 weeks · para 1 · first stage · single · diabetes · calm · here since"
    )
    expect(page.locator(".log li")).to_have_count(1)
    expect(page.locator(".log")).to_contain_text("arrived")
    expect(page.locator(".log")).not_to_contain_text("turned")
    expect(page.locator(".undo")).to_contain_text("Arrival noted by Kim; can be undone until")
    page.get_by_role("button", name="Undo arrival").click()
    assert made_up.next_act() == UndoStay("bed-1", "Kim")
    made_up.put("bed-1", stay=None, undoable=None)
    made_up.log("bed-1", "stay-undone", "arrival undone by Kim", by="Kim")
    expect(page.locator(".log li")).to_have_count(2)
    expect(page.locator(".head .label")).to_be_hidden()
    expect(page.locator(".undo")).to_be_hidden()


def test_nobody_leaves_or_comes_while_a_call_has_no_answer_and_the_forms_say_why(
    page: Page, made_up: MadeUpWard
) -> None:
    arrive(made_up, "bed-1", GREEN)
    open_bed(page, made_up)
    page.get_by_text("New arrival …").click()
    page.get_by_label("label").fill("blue")
    page.get_by_text("Has left …").click()
    made_up.flag("bed-1", Level.BEDSIDE)
    why = "Somebody is asked for here and nobody has answered: acknowledge it first"
    expect(page.get_by_text(why)).to_have_count(2)
    expect(page.get_by_role("button", name="Note arrival")).to_be_disabled()
    expect(page.get_by_role("button", name="She has left")).to_be_disabled()
    made_up.put("bed-1", acknowledged_by="Kim")
    expect(page.get_by_role("button", name="She has left")).to_be_enabled()
    expect(page.get_by_text("room 4, green has then left.")).to_be_visible()
    page.get_by_role("button", name="Note arrival").click()
    assert made_up.next_act() == Arrive("bed-1", "Kim", Arrival("blue"))


def test_what_is_sent_says_whom_it_is_for(page: Page, made_up: MadeUpWard) -> None:
    stay = arrive(made_up, "bed-1", GREEN)
    open_bed(page, made_up)
    expect(page.locator(".head .label")).to_have_text("room 4, green")
    page.get_by_role("button", name="Turned to the side").click()
    made_up.next_act()
    assert [command.stay for command in made_up.acts_as_sent()] == [stay.id]


def test_by_keyboard_she_has_left(page: Page, made_up: MadeUpWard) -> None:
    arrive(made_up, "bed-1", GREEN)
    open_bed(page, made_up)
    tab_to(page, "details.fold:last-child > summary")
    page.keyboard.press("Enter")
    expect(page.get_by_text("The bed is then empty and calls nobody. Can be undone for 10 min.")).to_be_visible()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert made_up.next_act() == Leave("bed-1", "Kim")


def test_she_is_moved_to_an_empty_bed_by_one_press_and_back_by_another(page: Page, made_up: MadeUpWard) -> None:
    stay = arrive(made_up, "bed-1", GREEN)
    open_bed(page, made_up)
    page.get_by_text("Move to another bed …").click()
    expect(page.get_by_text("No bed is empty. Note first who has left.")).to_be_visible()
    expect(page.get_by_role("button", name="Move", exact=True)).to_be_disabled()
    arrive(made_up, "bed-2", None)
    expect(page.get_by_label("empty bed").locator("option")).to_have_text(["bed-2"])
    expect(page.get_by_text("Trace, log, flags and limits go with her")).to_be_visible()
    page.get_by_role("button", name="Move", exact=True).click()
    assert made_up.next_act() == Move("bed-1", "Kim", "bed-2")
    made_up.put("bed-1", level=Level.BEDSIDE, flag="bed-1-f1", reason="low baseline", moving_to="bed-2")
    expect(page.locator(".reason").first).to_have_text("moving to bed-2; low baseline")
    made_up.log("bed-1", "moved", "moved to bed-2, noted by Kim", by="Kim", to="bed-2")
    expect(page.locator(".log")).to_contain_text("moved to bed-2")
    expect(page.locator(".bedside .result").first).to_have_text(re.compile("^sent"))  # the other bed may refuse her
    expect(page.locator(".live.bed")).to_have_class("live bed state-bedside")
    now = made_up.now_ms()
    came = Stay(
        now, "Kim", now, GREEN, stay.first_s, came_from=[BedBefore("bed-1-9", "bed-1", stay.id, now, now // 1000)]
    )
    made_up.put(
        "bed-2", stay=came, level=Level.BEDSIDE, flag="bed-2-f1", reason="low baseline", fhr_bpm=140.0,
        signal=SignalState.GOOD, undoable=Undoable("move", "Kim", now + 10 * MINUTE),
    )  # fmt: skip
    former = [Stay(stay.id, "Kim", stay.began, GREEN, stay.first_s, 0, now, "Kim", now, moved_to="bed-2")]
    arrive(made_up, "bed-1", None, former=former, signal_reason="")
    empty = Stay(now, "Kim", now)
    key, text = made_up._shard("bed-1").log("bed-1", empty.id), "nobody is in this bed: moved to bed-2, noted by Kim"
    made_up.write_line(key, "bed-1", "empty", text, by="Kim", to="bed-2")
    made_up.put("bed-1", stay=empty, flag=None, moving_to="")
    expect(page.locator(".reason").first).to_have_text("moved to bed-2")
    expect(page.locator(".bedside .result").first).to_have_text(f"empty: {text}")
    page.goto(f"{made_up.address}/bed/bed-2")
    expect(page.locator(".about-her")).to_contain_text("calm · moved from bed-1 · here since")
    expect(page.locator(".undo")).to_contain_text("Move noted by Kim; can be undone until")
    page.get_by_role("button", name="Undo move").click()
    assert made_up.next_act(1) == UndoStay("bed-2", "Kim")
    page.goto(f"{made_up.address}/shift")
    expect(page.locator(".records")).to_contain_text("moved to bed-2")


def test_by_keyboard_she_is_moved_from_the_ward(page: Page, made_up: MadeUpWard) -> None:
    arrive(made_up, "bed-1", GREEN)
    arrive(made_up, "bed-2", None)
    page.goto(made_up.address)
    page.locator("#who-name").fill("Kim")
    page.wait_for_timeout(1000)  # the bands have been still for a while
    page.locator(".band[data-bed=bed-1] .act").focus()
    page.keyboard.press("Enter")
    dialog = page.locator("dialog")
    expect(dialog.locator(".about-her")).to_contain_text("room 4, green · 39 weeks")
    tab_to(page, "dialog details:nth-last-child(2) > summary")
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    expect(dialog.get_by_label("empty bed")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert made_up.next_act() == Move("bed-1", "Kim", "bed-2")
    made_up.put("bed-1", moving_to="bed-2")
    made_up.log("bed-1", "moved", "moved to bed-2, noted by Kim", by="Kim", to="bed-2")
    expect(dialog.locator(".reason")).to_contain_text("moving to bed-2")
    made_up.put("bed-1", moving_to="")
    made_up.log("bed-1", "not-taken", "move by Kim: bed-2 is occupied", act="move", by="Kim", why="bed-2 is occupied")
    expect(dialog.locator(".result").first).to_have_text("rejected: bed-2 is occupied")


def test_what_was_noted_of_her_is_corrected(page: Page, made_up: MadeUpWard) -> None:
    arrive(made_up, "bed-1", GREEN)
    open_bed(page, made_up)
    page.get_by_text("Correct her details …").click()
    form = page.locator("details[open]")
    expect(form.get_by_label("label")).to_have_value("room 4, green")
    expect(form.get_by_label("weeks")).to_have_value("39")
    expect(form.get_by_label("stage")).to_have_value("1")
    expect(form.get_by_label("fetuses")).to_have_value("single")
    expect(form.get_by_label("diabetes")).to_be_checked()
    form.get_by_label("weeks").fill("38")
    form.get_by_label("stage").select_option("second stage")
    page.wait_for_timeout(2500)
    expect(form.get_by_label("weeks")).to_have_value("38")  # frames write nothing over what is typed
    form.get_by_role("button", name="Correct").click()
    right = Arrival("room 4, green", weeks=38, parity=1, stage=2, twins=False, risks=["diabetes"], note="calm")
    assert made_up.next_act() == CorrectArrival("bed-1", "Kim", right)
    arrive(made_up, "bed-1", right)
    expect(page.locator(".about-her")).to_contain_text("38 weeks · para 1 · second stage")
    arrive(made_up, "bed-1", None)
    expect(page.get_by_text("Correct her details …")).to_be_hidden()


def test_an_empty_bed_is_last_and_offers_an_arrival(page: Page, made_up: MadeUpWard) -> None:
    arrive(made_up, "bed-1", None, undoable=Undoable("leaving", "Kim", made_up.now_ms() + 10 * MINUTE))
    page.goto(made_up.address)
    page.locator("#who-name").fill("Kim")
    band = page.locator(".band[data-bed=bed-1]")
    expect(page.locator(".band").last).to_have_attribute("data-bed", "bed-1")
    expect(band.locator(".headline")).to_contain_text("empty since")
    expect(band.locator(".reason")).to_contain_text("A device is sending, nobody is here · Leaving noted by Kim")
    expect(band.locator(".strip")).to_be_hidden()
    expect(band.locator(".big").first).to_be_hidden()
    page.wait_for_timeout(1000)  # the bands have been still for a while
    band.get_by_role("button", name="New arrival at bed-1").click()
    dialog = page.locator("dialog")
    expect(dialog.get_by_label("label")).to_be_visible()
    expect(dialog.get_by_role("button", name="Turned to the side")).to_be_hidden()
    expect(dialog.get_by_role("button", name="Undo leaving")).to_be_visible()
    dialog.get_by_label("label").fill("blue")
    dialog.get_by_role("button", name="Note arrival").click()
    assert made_up.next_act() == Arrive("bed-1", "Kim", Arrival("blue"))


def test_where_the_beds_are_many_the_label_gives_way_and_the_name_stays(browser: Browser, made_up: MadeUpWard) -> None:
    arrive(made_up, "bed-2", Arrival("a label of the greatest length there is"))
    with screen(browser) as page:
        page.set_viewport_size({"width": 900, "height": 700})
        page.goto(made_up.address)
        band = page.locator(".band[data-bed=bed-2]")
        expect(band.locator(".label")).to_contain_text("a label")
        measured = """row => {  // width of the bed's name, and how far the buttons stand outside the row's words
          const parts = ['.open', '.words', '.act'].map(one => row.querySelector(one));
          const [name, words, act] = parts.map(one => one.getBoundingClientRect());
          return [name.width, act.right - words.right];
        }"""

        def are_in_their_place() -> bool:
            name, outside = band.evaluate(measured)
            return bool(name > 30 and outside <= 1)

        assert wait_for(are_in_their_place), band.evaluate(measured)


def test_the_record_of_who_has_left_is_read_and_taken_along_from_the_shift(page: Page, made_up: MadeUpWard) -> None:
    now = made_up.now_ms("bed-1")
    former = Stay(
        now - 60_000, "Kim", now - 60_000, GREEN, now // 1000 - 60, now // 1000 - 10, now - 10_000, "Ann", now - 10_000
    )
    arrive(made_up, "bed-1", None, former=[former])
    key = made_up._shard("bed-1").log("bed-1", former.id)
    made_up.write_line(key, "bed-1", "care", "turned to the side, by Ann", by="Ann", what="turned", text="")
    page.goto(f"{made_up.address}/shift")
    link = page.locator(".records a")
    expect(link).to_have_text("room 4, green")
    with page.expect_popup() as opened:
        link.click()
    record = opened.value
    expect(record.locator("h1")).to_have_text("Record of room 4, green")
    expect(record.locator(".notice")).to_have_text(NOTICE)
    expect(record.locator("body")).to_contain_text("39 weeks, para 1, first stage, single, diabetes, calm")
    expect(record.locator("body")).to_contain_text("turned to the side")
    assert record.locator("button, input, form").count() == 0, "it can only be read"
    archive = urllib.request.urlopen(f"{made_up.address}/stay/bed-1/{former.id}/record.zip", timeout=WAIT_S).read()
    names = zipfile.ZipFile(io.BytesIO(archive)).namelist()
    assert {name.rpartition(".")[2] for name in names} == {"hea", "dat", "csv", "json"}
    record.get_by_role("link", name="the last 60 min").click()
    record.locator("svg").first.wait_for()
    delete = page.locator(".records details")
    delete.locator("summary").click()
    delete.get_by_role("button").click()
    expect(page.locator(".records .result")).to_contain_text("Enter your name")
    page.locator("#who-name").fill("Kim")
    delete.get_by_role("button").click()
    expect(page.locator(".records .result")).to_contain_text("Her leaving can still be undone")
    made_up.put("bed-1", former=[structs.replace(former, ended_at=now - 11 * MINUTE)])
    made_up.wait_until_seen()
    delete.get_by_role("button").click()
    expect(page.locator(".records")).to_be_hidden()
    assert made_up.acts() == [], "it is not for the detector"
    assert not made_up.store.exists(key)
    gone = record.goto(f"{made_up.address}/stay/bed-1/{former.id}")
    assert gone is not None
    assert gone.status == 404
    assert "out of sight" in gone.text()


def test_the_present_time_is_not_shown_before_her(page: Page, made_up: MadeUpWard) -> None:
    """The strip begins with her: nothing that was drawn of the one before stays."""
    open_bed(page, made_up)

    def drawn() -> int:
        """Return how many columns of the strip have something of the colour of the FHR."""
        found = page.evaluate("""() => {
            const canvas = document.querySelector("canvas.strip");
            const g = canvas.getContext("2d");
            const probe = document.createElement("canvas").getContext("2d");
            probe.fillStyle = getComputedStyle(canvas).getPropertyValue("--fhr").trim();
            probe.fillRect(0, 0, 1, 1);
            const [r, gr, b] = probe.getImageData(0, 0, 1, 1).data;
            const { data, width, height } = g.getImageData(0, 0, canvas.width, canvas.height);
            let columns = 0;
            for (let x = 0; x < width; x++) {
                for (let y = 0; y < height; y++) {
                    const at = (y * width + x) * 4;
                    const near = Math.abs(data[at] - r) + Math.abs(data[at + 1] - gr) + Math.abs(data[at + 2] - b);
                    if (near < 60) { columns++; break; }
                }
            }
            return columns;
        }""")
        return int(found)

    assert wait_for(lambda: drawn() > 20)
    before = drawn()
    arrive(made_up, "bed-1", GREEN)
    expect(page.locator(".head .label")).to_have_text("room 4, green")
    assert wait_for(lambda: drawn() <= before / 3), (drawn(), before)
