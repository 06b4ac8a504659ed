"""The Practice page: a learner marks a strip by mouse and by keyboard, and is compared. Nothing is told before."""

import csv
import json
import re
import urllib.request
from pathlib import Path

from playwright.sync_api import Page, expect

from quietward.contracts.notice import NOTICE
from quietward.practice import simulated
from quietward.recordings.files import write_recording
from tests.browser.made_up import MadeUpWard
from tests.browser.test_access import serious
from tests.unit.test_classroom import CSV, signals

CODE = simulated.code_of("cord-with-shoulders", 3)
"""Variable decelerations at 4:41, 9:32 and 14:17, accelerations at 16:37 and 22:52."""


def test_a_learner_marks_a_strip_and_is_compared(page: Page, made_up: MadeUpWard) -> None:
    page.goto(f"{made_up.address}/practice?set={CODE}.{simulated.code_of('calm', 1)}")
    expect(page.locator(".notice")).to_have_text(NOTICE)
    expect(page.locator(".progress")).to_have_text("Strip 1 of 2")
    canvas = page.locator(".practice-paper canvas")
    expect(canvas).to_have_attribute("aria-label", re.compile("30 min, 1 cm a minute, 20 bpm a centimetre"))
    with urllib.request.urlopen(f"{made_up.address}/practice/strips/{CODE}") as answer:
        assert set(json.load(answer)) == {"notice", "seconds", "fhr", "ua"}
    page.get_by_label("variable deceleration").check()
    box = canvas.bounding_box()
    assert box is not None
    assert abs(box["width"] - 30 * 96 / 2.54) < 1  # a minute is a centimetre wide
    x = [box["x"] + box["width"] * s / 1800 for s in (280, 330)]
    page.mouse.move(x[0], box["y"] + 100)
    page.mouse.down()
    page.mouse.move(x[1], box["y"] + 120, steps=3)
    page.mouse.up()
    expect(page.locator(".marked li")).to_contain_text(
        re.compile(r"variable deceleration, 4:(39|40|41) to 5:(29|30|31)")
    )
    page.get_by_label("from").fill("9:30")  # and by keyboard alone
    page.get_by_label("to", exact=True).fill("9:58")
    page.get_by_role("button", name="Add", exact=True).press("Enter")
    expect(page.locator(".marked li")).to_have_count(2)
    page.get_by_label("from").fill("20:00")
    page.get_by_label("to", exact=True).fill("20:30")
    page.get_by_role("button", name="Add", exact=True).press("Enter")
    page.get_by_role("button", name="Remove variable deceleration, 20:00 to 20:30").click()
    expect(page.locator(".marked li")).to_have_count(2)
    page.get_by_label("baseline, bpm").fill("128")
    page.get_by_label("who is needed at the end?").select_option("quiet")
    page.get_by_label("your note").fill("Look again.")
    page.get_by_role("button", name="Compare").click()
    expect(page.locator(".compared h2").first).to_have_text(re.compile(r"^\d+ of 100$"), timeout=120_000)
    expect(page.locator(".parts")).to_contain_text("2 found, 1 missed, 0 false")
    expect(page.locator(".compared")).to_contain_text("It was: cord with shoulders")
    expect(page.locator(".compared")).to_contain_text("Your note: Look again.")
    expect(page.locator(".events tr", has_text="9:32").first).to_contain_text("found")
    expect(page.locator(".mark-rows rect.deceleration")).not_to_have_count(0)
    page.get_by_role("button", name="Next strip").click()
    expect(page.locator(".progress")).to_have_text("Strip 2 of 2")
    expect(page.locator(".marked li")).to_have_text(["none yet"])


def test_times_that_were_added_or_never_finished_do_not_stand_in_the_way(page: Page, made_up: MadeUpWard) -> None:
    """A time that was not one kept the whole answer from being sent, and its field was out of sight."""
    page.goto(f"{made_up.address}/practice?set={CODE}")
    canvas = page.locator(".practice-paper canvas")
    expect(canvas).to_be_visible()
    first, last, told = page.get_by_label("from"), page.get_by_label("to", exact=True), page.locator(".answer .hint")
    first.fill("9:30")
    last.fill("9:58")
    page.get_by_role("button", name="Add", exact=True).click()
    expect(first).to_have_value("")
    expect(last).to_have_value("")
    first.fill("9")
    page.get_by_role("button", name="Compare").click()
    expect(told.filter(has_text="not been added")).to_be_visible()
    expect(first).to_be_focused()
    first.fill("16:37")
    last.fill("17:05")  # finished, and not added
    page.get_by_role("button", name="Compare").click()
    expect(page.locator(".compared h2").first).to_have_text(re.compile(r"^\d+ of 100$"), timeout=120_000)
    expect(page.locator(".mark-picture rect")).not_to_have_count(0)


def test_a_drag_that_is_too_short_says_so(page: Page, made_up: MadeUpWard) -> None:
    page.goto(f"{made_up.address}/practice?set={CODE}")
    expect(page.locator(".progress")).to_have_text("Strip 1 of 1")
    canvas = page.locator(".practice-paper canvas")
    expect(canvas).to_have_attribute("aria-label", re.compile("30 min"))
    box = canvas.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 200, box["y"] + 100)
    page.mouse.down()
    page.mouse.move(box["x"] + 202, box["y"] + 100)
    page.mouse.up()
    expect(page.locator(".answer [role=status]")).to_have_text("Too short for a mark: drag over at least 5 s.")
    expect(page.locator(".marked li")).to_have_text(["none yet"])


def test_a_new_strip_is_announced_while_it_is_made_and_when_it_is_there(page: Page, made_up: MadeUpWard) -> None:
    page.goto(f"{made_up.address}/practice?set={CODE}")
    progress = page.locator(".progress")
    expect(progress).to_have_attribute("role", "status")
    expect(progress).to_have_text("Strip 1 of 1")
    page.evaluate(
        """() => {
          window.said = [];
          const line = document.querySelector('.progress');
          const note = () => window.said.push(line.textContent);
          new MutationObserver(note).observe(line, { childList: true, characterData: true, subtree: true });
        }"""
    )
    page.get_by_role("button", name="New strip").click()
    expect(progress).to_have_text(re.compile(r"^New strip [0-9a-z]+-\d+, 30 min$"))
    assert page.evaluate("window.said")[0].startswith("Making a new strip")


def test_a_teacher_makes_a_set(page: Page, made_up: MadeUpWard) -> None:
    page.goto(f"{made_up.address}/practice")
    page.get_by_text("For teachers").click()
    page.get_by_label("labour").select_option("calm")
    page.get_by_label("number").fill("7")
    page.get_by_role("button", name="Add this choice").click()
    page.get_by_label("labour").select_option("sinusoidal")
    page.get_by_role("button", name="Add this choice").click()
    expect(page.locator(".queue li")).to_have_count(2)
    link = page.locator(".queue a")
    wanted = f"/practice?set={simulated.code_of('calm', 7)}.{simulated.code_of('sinusoidal', 7)}"
    expect(link).to_have_attribute("href", wanted)
    link.click()
    expect(page.locator(".progress")).to_have_text("Strip 1 of 2")


def test_a_strip_that_is_none_is_said(page: Page, made_up: MadeUpWard) -> None:
    page.goto(f"{made_up.address}/practice?set=nothing-1")
    expect(page.locator(".live .empty")).to_contain_text("There is none of this name")


def mark(page: Page, kind: str, *spans: tuple[str, str]) -> None:
    page.get_by_label(kind).check()
    for first, last in spans:
        page.get_by_label("from").fill(first)
        page.get_by_label("to", exact=True).fill(last)
        page.get_by_role("button", name="Add", exact=True).click()


def put_a_case(made_up: MadeUpWard, name: str, file: str = "case-1.edf") -> Path:
    folder = made_up.classroom / "sets" / name
    folder.mkdir(parents=True)
    write_recording(folder / file, *signals())
    (folder / "case-1.marks.csv").write_text(CSV)
    return folder


def test_a_recording_of_a_teacher_with_her_marks_is_practised_on(page: Page, made_up: MadeUpWard) -> None:
    """Decelerations of the strip's 1800 s at 5:00, 15:00 and 25:00, marked as early."""
    put_a_case(made_up, "own-case")
    page.goto(f"{made_up.address}/practice?of=own-case")
    expect(page.locator("h1")).to_have_text("Practice: own-case")
    expect(page.locator(".progress")).to_have_text("Strip 1 of 1")
    page.get_by_label("your label").fill("green")
    mark(page, "early deceleration", ("5:00", "6:00"), ("15:00", "16:00"))
    mark(page, "late deceleration", ("25:00", "26:00"))
    page.get_by_role("button", name="Compare").click()
    expect(page.locator(".compared")).to_contain_text("Recording: case-1")
    expect(page.locator(".compared")).to_contain_text("The marks beside the recording say")
    expect(page.locator(".compared h2").first).to_have_text("89 of 100")  # 30 for finding, 2 of 3 kinds; 15 shared
    expect(page.locator(".parts")).to_contain_text("3 found, 0 missed, 0 false")
    expect(page.locator(".desk")).to_contain_text("Kept under green.")
    page.get_by_role("link", name="Your progress").click()
    row = page.locator(".learner tr", has_text="early decelerations given another kind")
    expect(row).to_contain_text("1 of 3")
    expect(row.locator(".bars rect.some")).to_have_count(1)
    expect(page.locator(".learner [role=status]")).to_have_text(
        "1 answer. To work on now: early decelerations given another kind, 1 of the last 3."
    )


def test_an_empty_answer_has_no_points_and_without_a_label_nothing_is_kept(page: Page, made_up: MadeUpWard) -> None:
    page.goto(f"{made_up.address}/practice?set={simulated.code_of('calm', 1)}")
    page.get_by_label("your label").fill("")
    page.get_by_role("button", name="Compare").click()
    expect(page.locator(".compared h2").first).to_have_text("0 of 100")
    expect(page.locator(".desk")).to_contain_text("Not kept: there is no label above.")


def test_a_teacher_names_a_set_and_exports_what_the_class_answered(page: Page, made_up: MadeUpWard) -> None:
    page.goto(f"{made_up.address}/practice")
    page.get_by_text("For teachers").click()
    page.get_by_label("labour").select_option("calm")
    page.get_by_label("number").fill("7")
    page.get_by_role("button", name="Add this choice").click()
    page.get_by_label("name of the set").fill("spring-1")
    page.get_by_label("title").fill("A calm one")
    page.get_by_role("button", name="Save this set").click()
    expect(page.locator(".queue .hint[role=status]")).to_have_text("Saved: spring-1.")
    row = page.locator(".queue tr", has_text="spring-1")
    expect(row).to_contain_text("A calm one")
    for label, marks in (("blue", ()), ("=1+1", (("1:00", "2:00"),))):
        page.goto(f"{made_up.address}/practice?of=spring-1")
        expect(page.locator(".progress")).to_have_text("Strip 1 of 1")
        page.get_by_label("your label").fill(label)
        mark(page, "late deceleration", *marks)
        page.get_by_role("button", name="Compare").click()
        expect(page.locator(".desk")).to_contain_text(f"Kept under {label}.")
    page.get_by_text("For teachers").click()
    page.get_by_role("button", name="Overview of spring-1").click()
    overview = page.locator(".overview")
    expect(overview.locator("tr", has_text="blue")).to_contain_text("1 of 1")
    expect(overview.locator("tr", has_text="=1+1")).to_contain_text("accelerations missed: 4 of 4")
    expect(overview).to_contain_text("the simulation knows")
    assert serious(page) == []
    with page.expect_download() as download:
        page.get_by_role("link", name="All answers as CSV").click()
    assert download.value.suggested_filename == "practice-spring-1.csv"
    table = list(csv.DictReader(Path(download.value.path()).read_text().splitlines()))
    assert (table[0]["set"], table[0]["learner"], table[0]["score"]) == ("spring-1", "blue", "0")
    assert table[1]["learner"] == "'=1+1"
    assert table[1]["decelerations marked where there are none, times"] == "1"


def test_a_set_that_cannot_be_used_says_why(page: Page, made_up: MadeUpWard) -> None:
    folder = put_a_case(made_up, "broken")
    (folder / "case-1.marks.csv").write_text("from_s,to_s,kind\n1,2,erly\n")
    page.goto(f"{made_up.address}/practice?of=broken")
    expect(page.locator(".live .empty")).to_contain_text("kind: 'erly'. Use acceleration")
    page.get_by_text("For teachers").click()
    page.get_by_role("button", name="Overview of broken").click()
    expect(page.locator(".overview")).to_contain_text("kind: 'erly'")
    page.goto(f"{made_up.address}/practice?of=nothing")
    expect(page.locator(".live .empty")).to_contain_text("There is none of this name")
