"""The Study page: a slider over one shift shows the flags that would have been, at once."""

import json
import re
from pathlib import Path

import msgspec
import pytest
from playwright.sync_api import Browser, Page, expect

from quietward.contracts.notice import NOTICE
from quietward.study import plan, report, result, what_if
from quietward.study.report import FullReport
from quietward.study.what_if import WhatIf
from tests.browser.conftest import LOW_PRIORITY_MS, screen
from tests.browser.made_up import MadeUpWard
from tests.browser.test_access import serious
from tests.browser.test_german import english_on
from tests.conftest import wait_for
from tests.studies import run_study, small, small_what_if


@pytest.fixture(scope="module")
def found() -> WhatIf:
    return small_what_if()


@pytest.fixture
def study(made_up: MadeUpWard, found: WhatIf) -> Path:
    folder = made_up.studies / "for-tests"
    folder.mkdir(parents=True, exist_ok=True)
    what_if.write(folder, found)
    (folder / "report.html").write_text(f"<!doctype html><title>r</title><p style='color: red'>{NOTICE}</p>")
    return folder


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> FullReport:
    """What `quietward study` has found in the same shifts."""
    ran = run_study(small(), tmp_path_factory.mktemp("whole"))
    return report.full_report(ran, result.summarize(ran, draws=50), "quietward study for-tests")


def open_study(page: Page, ward: MadeUpWard) -> None:
    page.goto(f"{ward.address}/study")
    page.get_by_label("study").select_option("for-tests")
    expect(page.locator(".about")).to_contain_text("two-at-once")


def test_every_position_shows_its_own_flags_and_counts(
    page: Page, made_up: MadeUpWard, study: Path, found: WhatIf
) -> None:
    open_study(page, made_up)
    expect(page.locator("body")).to_contain_text(NOTICE)
    for number, slider in enumerate(found.sliders):
        page.get_by_label("limit").select_option(str(number))
        for place, position in enumerate(slider.positions):
            page.get_by_label("value").fill(str(place))
            expect(page.locator(".shift .flag")).to_have_count(len(position.flags))
            expect(page.locator(".counts")).to_contain_text(f"Calls in this shift: {sum(position.calls.values())}")
            is_today = position.value == slider.today
            expect(page.locator(".value")).to_contain_text("as today" if is_today else f"today {slider.today:g}")
    expect(page.locator(".shift .need")).to_have_count(sum(len(needs) for needs in found.needs))


def test_by_keyboard_a_flag_says_why_it_stood(page: Page, made_up: MadeUpWard, study: Path, found: WhatIf) -> None:
    open_study(page, made_up)
    expect(page.locator(".value")).not_to_have_text("")
    before = page.locator(".value").inner_text()
    slider = page.get_by_label("value")
    slider.focus()
    page.keyboard.press("ArrowRight" if slider.input_value() == slider.get_attribute("min") else "ArrowLeft")
    expect(page.locator(".value")).not_to_have_text(before)
    page.locator(".shift .flag").first.focus()
    expect(page.locator(".told")).to_contain_text("Bed")


def test_the_whole_report_is_one_press_away_and_may_do_nothing(page: Page, made_up: MadeUpWard, study: Path) -> None:
    open_study(page, made_up)
    with page.expect_popup() as opened:
        page.get_by_role("link", name="full report").click()
    report = opened.value
    expect(report.locator("body")).to_contain_text(NOTICE)
    assert report.url == f"{made_up.address}/studies/for-tests/report.html"
    answer = page.request.get(f"{made_up.address}/studies/for-tests/report.html")
    assert "sandbox" in answer.headers["content-security-policy"]


def test_a_ward_without_a_study_shows_an_example(page: Page, made_up: MadeUpWard) -> None:
    """It is computed on first use, by a process of its own, and kept out of the ward's own folder."""
    away = made_up.studies.with_name("studies-away")
    if made_up.studies.exists():
        made_up.studies.rename(away)
    try:
        page.goto(made_up.address)
        page.get_by_role("link", name="Study").click()
        expect(page.locator(".progress")).to_contain_text("An example is being calculated, from one simulated night")
        expect(page.locator(".shift svg")).to_be_visible(timeout=LOW_PRIORITY_MS)
        expect(page.get_by_label("study")).to_have_value("default-policy")
        assert wait_for(lambda: not serious(page)), serious(page)
        seeds = plan.load("default-policy").study.cases[0].seeds
        assert seeds
        shown = f"emergency-night, seed {seeds[0]}, 8 h, 12 beds, nobody answering"
        expect(page.locator(".about")).to_contain_text(shown)
        expect(page.get_by_role("link", name="full report")).to_be_hidden()
        page.reload()  # once it is there, it is there at once
        expect(page.locator(".shift svg")).to_be_visible()
        assert not made_up.studies.exists()
    finally:
        if away.exists():
            away.rename(made_up.studies)


def test_a_study_that_is_not_there_is_said(made_up: MadeUpWard, page: Page, study: Path) -> None:
    (study / "what-if.json").write_text("{}")
    for path in ("/studies/nowhere/what-if.json", "/studies/..%2f..%2fetc/report.html", "/studies/nowhere/report.html"):
        assert page.request.get(made_up.address + path).status == 404
    listed = json.loads(page.request.get(f"{made_up.address}/studies").text())
    assert listed["notice"] == NOTICE
    assert msgspec.convert(listed["studies"], list[str])


def test_the_answer_and_the_picture_behind_it_stand_above_the_slider(
    page: Page, made_up: MadeUpWard, study: Path, whole: FullReport
) -> None:
    report.write(study, whole, "<!doctype html><title>r</title>")
    open_study(page, made_up)
    answer = page.get_by_role("region", name="The answer")
    expect(answer).to_contain_text(whole.headline)
    expect(answer.locator(".choice")).to_contain_text(
        "today" if whole.chosen in ("today", None) else whole.chosen or ""
    )
    shown = [
        row for row in whole.rows if row.late.value is not None and row.interruptions_per_nurse_hour.value is not None
    ]
    expect(answer.locator("svg .variant")).to_have_count(len(shown))
    expect(answer.locator("svg .variant.alarm")).to_have_count(3)
    expect(answer.locator("svg .goal")).to_have_count(1)
    places = [page.locator(one).bounding_box() for one in (".answer svg", ".choose .slide")]
    assert places[0] is not None
    assert places[1] is not None
    assert places[0]["y"] + places[0]["height"] <= places[1]["y"]
    answer.locator("svg .variant.today, svg .variant.chosen").first.focus()
    expect(answer.locator(".told")).to_contain_text("interruptions per nurse-hour")
    row = next(row for row in shown if row.name == "at once")
    dot, late = answer.locator("svg .variant[aria-label^='at once:']"), row.late.value
    assert f"late {100 * (late or 0):.0f} %" in (dot.get_attribute("aria-label") or "")
    page.emulate_media(color_scheme="dark")
    assert serious(page) == []
    (study / "report.json").write_text('{"headline": 3}')
    page.reload()
    page.get_by_label("study").select_option("for-tests")
    expect(page.locator(".about")).to_contain_text("two-at-once")
    expect(answer).to_be_hidden()


def test_this_wards_last_hours_are_worked_out_on_demand(page: Page, made_up: MadeUpWard) -> None:
    """By a process of its own; then they stand among the studies, without a report."""
    made_up.backlog(700)
    page.goto(f"{made_up.address}/study")
    page.get_by_label("Hours of this ward").select_option("1")
    page.get_by_role("button", name="Try it on this ward's last hours").click()
    expect(page.locator(".progress")).to_have_text("The last 1 h are worked out.", timeout=LOW_PRIORITY_MS)
    expect(page.get_by_label("study")).to_have_value("running-shift")
    expect(page.locator(".about")).to_contain_text("of this ward, 2 beds, nobody answering")
    expect(page.locator(".shift .name")).to_have_text(["bed-1", "bed-2"])
    expect(page.get_by_role("link", name="full report")).to_be_hidden()
    assert json.loads((made_up.studies / "running-shift" / "what-if.json").read_text())["notice"] == NOTICE


def test_in_german_no_english_is_left_but_names_of_scenarios(
    browser: Browser, made_up: MadeUpWard, study: Path, found: WhatIf
) -> None:
    names = {name.replace("-", " ") for name in found.beds} | {"for-tests"}
    with screen(browser, locale="de-DE") as page:
        page.goto(f"{made_up.address}/study")
        page.get_by_label("Studie").select_option("for-tests")
        expect(page.locator(".about")).to_contain_text("niemand antwortet. Schraffiert: Jemand wurde gebraucht.")
        page.locator(".shift .flag").first.focus()
        expect(page.locator(".told").last).to_contain_text(re.compile(r"^Bett \d+ .* von \d+:\d\d bis "))
        assert [x for x in english_on(page) if not any(name in x for name in names)] == []
