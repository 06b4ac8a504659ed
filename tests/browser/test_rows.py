"""A bed's row on the ward: nothing of it is hidden by what the keyboard, a finger or a change of places does to it."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from quietward.contracts.commands import Attend
from quietward.contracts.summary import Level, OngoingDeceleration, Paused, Shelved, SignalState
from tests.browser.conftest import screen
from tests.browser.made_up import MadeUpWard
from tests.browser.test_acts import tab_to
from tests.conftest import CHROMIUM, require, wait_for

BEDS = 14
"""More than twelve: two columns, the narrowest words."""


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeUpWard]:
    require(CHROMIUM, "chromium")
    found = MadeUpWard(tmp_path_factory.mktemp("rows"), BEDS)
    yield found
    found.end()


WITHIN_ITS_ROW = """bed => {  // how far words and buttons stand outside their row, or a text of it is cut, in px
  const row = document.querySelector(`.band[data-bed=${bed}]`);
  const words = row.querySelector('.words');
  const inside = row.getBoundingClientRect();
  const outside = [...words.querySelectorAll('.shape, .open, .headline, .reason, .acknowledge, .going, .act, .waiting')]
    .filter(one => one.getClientRects().length)
    .flatMap(one => {
      const box = one.getBoundingClientRect();
      return [inside.left - box.left, box.right - inside.right, inside.top - box.top, box.bottom - inside.bottom];
    });
  const name = words.querySelector('.open');
  const said = words.querySelector('.headline');
  const reason = words.querySelector('.reason');
  const cut = [name, said].map(one => one.scrollWidth - one.clientWidth);
  cut.push(reason.scrollHeight - reason.clientHeight - 1);  // half a pixel of rounding each way
  return Math.max(words.scrollLeft, words.scrollTop, ...cut, ...outside);
}"""


def stays_within_its_row(page: Page, bed: str) -> None:
    def outside() -> float:
        return float(page.evaluate(WITHIN_ITS_ROW, bed))

    assert wait_for(lambda: outside() <= 0.5), (bed, page.viewport_size, outside())


def at_widths(page: Page, *widths: int, height: int) -> Iterator[int]:
    """Give the window one width after the other: a page of its own for each costs many times as much."""
    for width in widths:
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_function("width => innerWidth === width", arg=width)
        yield width


@pytest.mark.parametrize("by", [None, "Kim"])
def test_the_keyboard_moves_no_words_out_of_sight(page: Page, made_up: MadeUpWard, by: str | None) -> None:
    """At 1280 px "unanswered" read "answered" once Acknowledge had the focus: the words had been scrolled."""
    for number in range(1, BEDS + 1):
        made_up.flag(f"bed-{number}", Level.BEDSIDE)
        made_up.put(f"bed-{number}", acknowledged_by=by)
    made_up.flag("bed-11", Level.LOOK)
    made_up.put("bed-11", signal=SignalState.LOST, signal_reason="No data for 20 s, monitor disconnected")
    page.goto(made_up.address)
    expect(page.locator(".band.state-bedside")).to_have_count(BEDS - 1)
    expect(page.locator(".band.state-lost")).to_have_count(1)
    bed = "bed-12"
    for width in at_widths(page, 820, 1280, 1920, height=800):
        button = f".band[data-bed={bed}] .{'acknowledge' if by is None else 'act'}"
        tab_to(page, button, "Tab" if width == 820 else "Shift+Tab")
        for _ in range(2):
            stays_within_its_row(page, bed)
            page.keyboard.press("Tab")
        for number in range(1, BEDS + 1):
            stays_within_its_row(page, f"bed-{number}")


def test_the_name_of_a_lost_bed_is_never_cut(page: Page, made_up: MadeUpWard) -> None:
    """As few beds stand; the one that comes first has the largest words."""
    made_up.flag("bed-14", Level.LOOK)
    made_up.put("bed-14", signal=SignalState.LOST, signal_reason="No data for 20 s, monitor disconnected")
    page.goto(made_up.address)
    expect(page.locator(".band.first .acknowledge")).to_be_visible()
    expect(page.locator(".band[data-bed=bed-14].state-lost")).to_be_visible()
    going = ".band[data-bed=bed-14] .going"  # it was behind the dots
    as_few = """([size, isFirst]) => {
      document.querySelector('.bands').dataset.size = size;
      document.querySelector('.band[data-bed=bed-14]').classList.toggle('first', isFirst);
      return """
    for width in at_widths(page, 820, 1280, 1920, height=800):
        for size in ("few", "several"):
            for is_first in (True, False):
                outside = page.evaluate(f"{as_few}({WITHIN_ITS_ROW})('bed-14'); }}", [size, is_first])
                assert outside <= 0.5, (width, size, is_first)
                seen = page.evaluate(
                    f"{as_few}document.querySelector('{going}').checkVisibility(); }}", [size, is_first]
                )
                assert seen, (width, size, is_first)


STRETCHED = """() => {  // of all frames that are painted: the largest share by which a strip is drawn stretched
  window.stretched = 0;
  window.painted = 0;
  const look = () => {
    for (const one of document.querySelectorAll('.band canvas')) {
      const ratio = window.devicePixelRatio || 1;
      const box = one.getBoundingClientRect();
      window.stretched = Math.max(window.stretched, Math.abs(one.height / ratio / box.height - 1));
    }
    window.painted += 1;
    requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
}"""


def test_no_strip_is_stretched_when_beds_change_places(page: Page, made_up: MadeUpWard) -> None:
    page.goto(made_up.address)
    expect(page.locator(".band")).to_have_count(BEDS)
    page.evaluate(STRETCHED)
    made_up.flag("bed-9", Level.BEDSIDE)
    expect(page.locator(".band.first")).to_have_attribute("data-bed", "bed-9")
    made_up.flag("bed-3", Level.TEAM)
    expect(page.locator(".band.first")).to_have_attribute("data-bed", "bed-3")
    painted = page.evaluate("window.painted")
    page.wait_for_function("seen => window.painted > seen + 5", arg=painted)
    assert page.evaluate("window.stretched") < 0.05, "a pixel of rounding"


def test_a_finger_hits_the_buttons(browser: Browser, made_up: MadeUpWard) -> None:
    """44 px: WCAG 2.2, target size (enhanced), 2.5.5."""
    made_up.flag("bed-2", Level.BEDSIDE)
    with screen(browser, viewport={"width": 1280, "height": 800}, has_touch=True, is_mobile=True) as page:
        for path, widths in (("/", (1280, 820)), ("/bed/bed-2", (1280,))):
            page.goto(f"{made_up.address}{path}")
            for width in at_widths(page, *widths, height=800):
                where = (path, width)
                assert page.evaluate("matchMedia('(pointer: coarse)').matches"), where
                expect(page.locator(".acknowledge").locator("visible=true"), str(where)).to_have_count(1)
                for button in page.locator(".acknowledge, .going, .act").locator("visible=true").all():
                    box = button.bounding_box()
                    assert box is not None, where
                    assert min(box["width"], box["height"]) >= 44, (where, button)
                    assert button.evaluate("one => one.closest('a') === null"), "a press on it opens no bed"
                if path == "/":
                    for number in range(1, BEDS + 1):
                        stays_within_its_row(page, f"bed-{number}")


LONGEST = "late decelerations, 15 of 16 contractions · deepest 35 bpm · variability 4 bpm for 122 min"
"""As long as a bed's line may be: 90 characters (`detect/core/reporting/reasons.py`)."""
FITS = (
    "() => document.documentElement.scrollHeight <= innerHeight && document.documentElement.scrollWidth <= innerWidth"
)


def test_on_a_tablet_nothing_of_the_first_bed_is_cut(page: Page, made_up: MadeUpWard) -> None:
    """Its line had three lines there, and "unanswered for 21 min" stood half outside the row."""
    made_up.flag("bed-2", Level.TEAM, reason=LONGEST)
    page.goto(made_up.address)
    expect(page.locator(".band.first")).to_have_attribute("data-bed", "bed-2")
    for size in ((1024, 768), (768, 1024)):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        expect(page.locator(".band.first .waiting")).to_be_visible()
        stays_within_its_row(page, "bed-2")


@pytest.mark.parametrize("beds", [7, 12, 14])
def test_the_ward_fits_a_screen_and_no_line_is_cut(page: Page, made_up: MadeUpWard, beds: int) -> None:
    """1920 by 1080, up to twelve beds in one column, more in two; every bed calls, with the longest line there is."""
    assert len(LONGEST) == 90
    for number in range(1, BEDS + 1):
        made_up.flag(f"bed-{number}", Level.BEDSIDE, reason=LONGEST)
    only = f"head => {{ head.beds.splice({beds}); return head; }}"
    page.route("**/shared/frame.mjs", lambda route: _other_beds(route, only))
    page.goto(made_up.address)
    expect(page.locator(".band.state-bedside")).to_have_count(beds)
    page.wait_for_function(FITS)
    for band in page.locator(".band").all():
        stays_within_its_row(page, band.get_attribute("data-bed") or "")


def _other_beds(route: Route, change: str) -> None:
    """Let the page see other beds than each frame has."""
    body = route.fetch().text()
    assert "  return head;\n}" in body
    route.fulfill(
        body=body.replace("  return head;\n}", f"  return ({change})(head);\n}}"), content_type="text/javascript"
    )


BEDS_24 = """head => {
  const more = head.beds.slice(-10).map((one, i) => ({ ...one, card: { ...one.card, bed: `bed-${15 + i}` } }));
  head.beds.push(...more);
  return head;
}"""


@pytest.mark.parametrize("beds", [14, 24])
def test_no_line_is_cut_by_what_is_added_to_it(page: Page, made_up: MadeUpWard, beds: int) -> None:
    """In two columns a line has two lines of print: "now no data for 41 s" was cut away, and why a bed is shelved."""
    if beds == 24:
        page.route("**/shared/frame.mjs", lambda route: _other_beds(route, BEDS_24))
    gone = {"signal": SignalState.LOST, "signal_reason": "No data for 41 s, monitor disconnected"}
    soon = made_up.now_ms() + 900_000
    falling = OngoingDeceleration(124.0, 35.0, {"figo-2015": "variable"})
    shelf = Shelved("low-variability", "Nora", "she is asleep and " * 11, soon, active=True)
    made_up.flag("bed-1", Level.TEAM, reason=LONGEST)
    for number in (2, 3):  # both as they stand in a column: the first row is another
        made_up.flag(f"bed-{number}", Level.TEAM, reason=LONGEST)
        made_up.put(f"bed-{number}", **gone)
    made_up.put("bed-4", level=Level.NOTED, reason=LONGEST, running=falling)
    made_up.put("bed-5", shelved=[shelf])
    made_up.put("bed-6", shelved=[shelf], running=falling)
    made_up.put("bed-7", paused=Paused("Nora", "she is asleep and " * 11, soon), **gone)
    made_up.flag("bed-8", Level.TEAM, reason=LONGEST)
    made_up.unwatched.add("bed-8")
    made_up.put("bed-8", looked_at=made_up.now_ms() - 41_000)
    page.goto(made_up.address)
    expect(page.locator(".band")).to_have_count(beds)
    for _ in at_widths(page, 820, 1280, 1920, height=1080):
        for bed, said in (
            ("bed-3", "; now no data for 41 s"),
            ("bed-4", "Deceleration now, 124 s"),
            ("bed-6", "Deceleration now, 124 s"),
            ("bed-8", "no detector has looked for"),
        ):
            expect(page.locator(f".band[data-bed={bed}] .reason")).to_contain_text(said)
        for number in range(1, 9):
            stays_within_its_row(page, f"bed-{number}")
    expect(page.locator(".band[data-bed=bed-8].state-unwatched")).to_be_visible()


NUMBERS_CUT = """bed => [...document.querySelectorAll(`.band[data-bed=${bed}] .numbers > *`)]
  .filter(one => one.getClientRects().length).map(one => {
    const side = one.closest('.side').getBoundingClientRect(), box = one.getBoundingClientRect();
    return Math.max(one.scrollWidth - one.clientWidth, box.right - side.right, box.bottom - side.bottom);
  }).filter(out => out > 1)"""


@pytest.mark.parametrize("beds", [6, 12, 14])
def test_on_a_tablet_one_press_says_who_goes_and_the_trend_is_seen(page: Page, made_up: MadeUpWard, beds: int) -> None:
    """It took two presses, and there were no arrows."""
    if beds < BEDS:
        only = f"head => {{ head.beds.splice({beds}); return head; }}"
        page.route("**/shared/frame.mjs", lambda route: _other_beds(route, only))
    for number in (1, 2, 3):
        made_up.flag(f"bed-{number}", Level.BEDSIDE, reason=LONGEST)
    changes = {"baseline_change_1h_bpm": 14.0, "variability_change_1h_bpm": -16.0}
    made_up.put("bed-2", baseline_bpm=152.0, variability_bpm=18.0, **changes)
    page.goto(made_up.address)
    expect(page.locator(".band")).to_have_count(beds)
    row = page.locator(".band[data-bed=bed-2]")
    for width in at_widths(page, 820, 1024, 1280, height=1180):
        for key, said in (("baseline", "152↑14"), ("variability", "18↓16")):
            expect(row.locator(f"dd[data-key={key}]")).to_have_text(said)
            expect(row.locator(f"dd[data-key={key}]")).to_be_visible()
        for bed in ("bed-1", "bed-2", "bed-3"):
            going = page.locator(f".band[data-bed={bed}] .going")
            expect(going).to_be_visible()
            box = going.bounding_box()
            assert box is not None
            assert min(box["width"], box["height"]) >= 44, (width, box)
            stays_within_its_row(page, bed)
            assert page.evaluate(NUMBERS_CUT, bed) == [], width
    page.locator("#who-name").fill("Kim")

    def pressed() -> bool:  # again where beds have just changed places under the pointer
        row.locator(".going").click()
        return "press again" not in row.inner_text()

    assert wait_for(pressed)
    act = made_up.next_act()
    assert (type(act), act.bed) == (Attend, "bed-2")


def test_a_lost_bed_says_why_once(page: Page, made_up: MadeUpWard) -> None:
    why = "No data for 41 s, monitor disconnected"
    made_up.put("bed-3", signal=SignalState.LOST, signal_reason=why)
    page.goto(made_up.address)
    row = page.locator(".band[data-bed=bed-3]")
    expect(row.locator(".reason")).to_have_text(why)
    assert row.inner_text().count("No data for") == 1
    expect(row.locator(".signal-mark")).to_have_attribute("data-state", "lost")
    expect(page.locator(".band[data-bed=bed-1] .signal-mark")).to_have_attribute("aria-label", "signal good")


def test_arrows_say_what_has_changed_in_an_hour(page: Page, made_up: MadeUpWard) -> None:
    changes = {"baseline_change_1h_bpm": 14.0, "variability_change_1h_bpm": -6.0}
    made_up.put("bed-2", baseline_bpm=152.0, variability_bpm=8.0, **changes)
    page.goto(made_up.address)
    row = page.locator(".band[data-bed=bed-2]")
    expect(row.locator("dd[data-key=baseline]")).to_have_text("152↑14")
    expect(row.locator("dd[data-key=variability]")).to_have_text("8↓6")
    expect(page.locator(".band[data-bed=bed-1] dd[data-key=baseline]")).to_have_text("140")
