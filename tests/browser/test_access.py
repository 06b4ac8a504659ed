"""Every screen and state: axe-core finds nothing by day, no colour by night, and a tablet is wide enough.

One page and one ward for all of them: each is opened once.
"""

from collections.abc import Callable, Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, ViewportSize, expect

from quietward.contracts.notice import NOTICE
from quietward.contracts.stays import Stay
from quietward.contracts.summary import Attending, BedLimit, HandTimed, Level, Paused, Shelved, SignalState, Undoable
from quietward.dashboard.auth import people
from quietward.dashboard.auth.people import Role
from quietward.language.catalogue import language
from quietward.practice.mistakes import Mistake
from quietward.practice.results import Result, Results
from quietward.study import what_if
from tests.browser.conftest import screen
from tests.browser.made_up import MadeUpWard, fetus
from tests.browser.test_bed_strip import put_findings
from tests.browser.test_stays_page import GREEN, arrive
from tests.conftest import CHROMIUM, require, wait_for
from tests.studies import small_what_if

SERIOUS = {"serious", "critical"}
PASSWORD = "a long password"
TABLET: ViewportSize = {"width": 820, "height": 1180}
DESK: ViewportSize = {"width": 1920, "height": 1080}


def violations(page: Page, *rules: str) -> list[tuple[str, str, str]]:
    """Return what axe-core finds: rule, impact, element. rules: these only; none: all."""
    options = {"resultTypes": ["violations"]} | ({"runOnly": list(rules)} if rules else {})
    found = Axe().run(page, options=options).response["violations"]
    return [(one["id"], one["impact"], node["html"][:160]) for one in found for node in one["nodes"]]


def serious(page: Page) -> list[tuple[str, str, str]]:
    return [one for one in violations(page) if one[1] in SERIOUS]


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeUpWard]:
    """A ward with something of everything, that one signs in to."""
    require(CHROMIUM, "chromium")
    folder = tmp_path_factory.mktemp("access")
    people.write(folder / "people.toml", [people.new_person("Ines", Role.IN_CHARGE, PASSWORD)])
    found = MadeUpWard(folder, 9, people=folder / "people.toml", twins=frozenset({"bed-3"}))
    try:
        fill(found)
        yield found
    finally:
        found.end()


def fill(ward: MadeUpWard) -> None:
    now = ward.now_ms()
    ward.flag("bed-1", Level.TEAM)
    ward.flag("bed-2", Level.LOOK)
    ward.put("bed-2", acknowledged_by="Kim", attending=[Attending("Kim", now, now + 900_000)])
    ward.put(
        "bed-2", hand=HandTimed(4, 192.0, 61.0, 34.0, is_running=True, change=0.8, differs="recorded: every 6.0 min")
    )
    ward.put("bed-2", limited=[BedLimit("low-baseline", 95.0, "Ines", "agreed", now + 3_600_000)])
    ward.log("bed-1", "care", "turned to the side, by Kim", by="Kim", what="turned")
    ward.flag("bed-3", Level.BEDSIDE, reason="second twin: late decelerations, 5 of 8 contractions")
    ward.put("bed-3", fetuses=[fetus(), fetus(fhr_bpm=161.0)])
    ward.put(
        "bed-4", signal=SignalState.LOST, signal_reason="No data for 41 s, monitor disconnected", level=Level.NOTED
    )
    ward.unwatched.add("bed-5")
    ward.put("bed-6", shelved=[Shelved("low-variability", "Nora", "asleep", now + 900_000, active=True)])
    ward.put(
        "bed-7",
        signal=SignalState.LOST,
        signal_reason="No FHR for 3 min",
        paused=Paused("Nora", "bathroom", now + 900_000),
    )
    former = Stay(
        now - 60_000, "Kim", now - 60_000, GREEN, now // 1000 - 60, now // 1000 - 10, now - 10_000, "Ines", now
    )
    undoable = Undoable("leaving", "Kim", now + 600_000)
    arrive(ward, "bed-8", None, former=[former], undoable=undoable)
    arrive(ward, "bed-9", GREEN)
    ward.write_line(
        ward.ward.home_of("bed-8").log("bed-8", former.id), "bed-8", "care", "turned, by Kim", what="turned"
    )
    put_findings(ward)
    ward.store.hset(ward.ward.unexpected, "visitor-1", f"{now - 60_000} {now}")
    study = ward.studies / "for-tests"
    study.mkdir(parents=True, exist_ok=True)
    what_if.write(study, small_what_if())
    Results(ward.classroom).append(Result(1, "", "x", "blue", "", 50, [Mistake("late decelerations missed", 1, 2)]))


@pytest.fixture(scope="module")
def shown(browser: Browser, full: MadeUpWard) -> Iterator[Page]:
    """The page, signed in."""
    with screen(browser) as page:
        page.goto(full.address)
        sign_in(page)
        yield page


def sign_in(page: Page) -> None:
    page.get_by_label("Name").fill("Ines")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button").click()
    expect(page.locator(".signed-in")).to_contain_text("Ines")


def opened(path: str, there: str, *more: Callable[[Page], None]) -> Callable[[Page, MadeUpWard], None]:
    """Return what opens a page, waits for an element of it, and does more on it. What is open already is not loaded."""

    def go(page: Page, ward: MadeUpWard) -> None:
        address = ward.address + path.format(former=ward.summaries["bed-8"].former[0].id)
        if page.url == address:
            page.keyboard.press("Escape")  # dialog and menu
        else:
            page.goto(address)
        page.locator(there).first.wait_for()
        for one in more:
            one(page)

    return go


def dialog(bed: str) -> Callable[[Page], None]:
    """Return what opens the dialog of a bed, with every form of it."""

    def go(page: Page) -> None:
        row = page.locator(f".band[data-bed={bed}]")
        expect(row.locator(".headline")).not_to_have_text("")
        row.locator(".act").press("Enter")
        expect(page.locator("dialog .bedside")).to_be_visible()
        page.locator("dialog").evaluate("all => all.querySelectorAll('details').forEach(one => one.open = true)")
        if page.locator("dialog .care").is_visible():
            page.locator("dialog .care [aria-expanded=false]").click()

    return go


def wrong_password(page: Page) -> None:
    page.get_by_label("Name").fill("Ines")
    page.get_by_label("Password").fill("wrong")
    page.get_by_role("button").click()
    expect(page.get_by_role("alert")).to_contain_text("wrong")


def in_german(go: Callable[[Page, MadeUpWard], None]) -> Callable[[Page, MadeUpWard], None]:
    def german(page: Page, ward: MadeUpWard) -> None:
        page.set_extra_http_headers({"Accept-Language": "de"})
        go(page, ward)
        page.set_extra_http_headers({})
        assert page.locator("html").get_attribute("lang") == "de"

    return german


def press(selector: str) -> Callable[[Page], None]:
    return lambda page: page.locator(selector).first.click()


SCREENS = {
    "sheet of the ward": opened("/handover", ".row"),
    "sheets of all beds": opened("/handover-sheets", "article"),
    "sheet of a bed": opened("/handover/bed-1", "article"),
    "strip on paper": opened("/paper/bed-1", "svg"),
    "record of a stay": opened("/stay/bed-8/{former}", "article"),
    "no such page": opened("/nothing", "h1"),
    "sign-in": opened("/sign-in?next=%2F", "form", wrong_password),
    "ward": opened("/", ".band canvas"),
    "screen options": opened("/", ".band canvas", press(".options summary")),
    "devices that wait": opened(
        "/", ".band canvas", lambda page: page.locator(".unexpected").evaluate("one => one.open = true")
    ),
    "at a bed that calls": opened("/", ".band", dialog("bed-1")),
    "at a bed that somebody has answered": opened("/", ".band", dialog("bed-2")),
    "at a bed with something shelved": opened("/", ".band", dialog("bed-6")),
    "at a bed that is paused": opened("/", ".band", dialog("bed-7")),
    "at an empty bed": opened("/", ".band", dialog("bed-8")),
    "at a bed with somebody": opened("/", ".band", dialog("bed-9")),
    "wall": opened("/", ".band", press(".options summary"), press(".options .plain")),
    "bed": opened("/bed/bed-1", ".log li"),
    "bed of twins": opened("/bed/bed-3", ".strip"),
    "empty bed": opened("/bed/bed-8", ".undo button"),
    "hours": opened("/bed/bed-1/hours", ".plot .main-svg"),
    "shift": opened("/shift", ".former a", lambda page: page.locator(".audit-log td").first.wait_for()),
    "study": opened("/study", ".shift svg"),
    "practice": opened("/practice", ".practice-paper canvas"),
    "in German": in_german(opened("/bed/bed-2", ".log li")),
    "progress": opened("/practice/progress?label=blue", ".learner .bars"),
}
ON_PAPER = ("sheet", "strip", "record", "no such", "sign-in")
MADE_WIDE = "wall"
"""For no tablet."""


@pytest.mark.parametrize("name", SCREENS)
def test_every_screen_by_day_by_night_and_on_a_tablet(shown: Page, full: MadeUpWard, name: str) -> None:
    """axe-core's rules follow WCAG 2. By night only the colours are others."""
    shown.emulate_media(color_scheme="light")
    SCREENS[name](shown, full)
    assert wait_for(lambda: not violations(shown)), violations(shown)
    if name.startswith(ON_PAPER):
        return
    shown.emulate_media(color_scheme="dark")
    assert wait_for(lambda: not violations(shown, "color-contrast")), violations(shown, "color-contrast")
    spoken = shown.locator("html").get_attribute("lang") or "en"
    expect(shown.locator(".notice")).to_have_text(language(spoken).said(NOTICE))
    if name != MADE_WIDE:
        shown.set_viewport_size(TABLET)
        expect(shown.locator(".notice")).to_be_in_viewport()
        shown.wait_for_function(
            "() => document.documentElement.scrollWidth <= innerWidth"
        )  # the figure follows in a moment
        shown.set_viewport_size(DESK)
