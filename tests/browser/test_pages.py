"""The pages in a real browser: they move, say what they are, recover by themselves, and load nothing from elsewhere."""

import os
import re
import signal
from urllib.parse import urlsplit

from playwright.sync_api import Page, expect

from quietward.contracts.notice import NOTICE
from tests.browser.conftest import WAIT_MS
from tests.browser.drawn import COLOURS
from tests.browser.test_acts import tab_to
from tests.conftest import wait_for
from tests.integration.test_demo import Demo

HEARD_AND_SAID = """
window.heardAt = window.saidAt = 0;
const Plain = WebSocket;
window.WebSocket = class extends Plain {
  constructor(...what) {
    super(...what);
    this.addEventListener('message', () => { window.heardAt = performance.now(); });
  }
};
new MutationObserver(() => {
  const said = document.getElementById('trouble')?.textContent.includes('No connection to the server');
  if (said && !window.saidAt) window.saidAt = performance.now();
}).observe(document, { childList: true, subtree: true, characterData: true });
"""


def test_the_ward_shows_all_beds_and_moves(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator(".band")).to_have_count(3)
    expect(page.locator("body")).to_contain_text(NOTICE)
    expect(page.locator("#trouble")).to_be_hidden()
    strip = page.locator(".band canvas").first
    before = strip.evaluate("c => c.toDataURL()")
    page.wait_for_function("([c, old]) => c.toDataURL() !== old", arg=[strip.element_handle(), before])
    assert wait_for(lambda: strip.evaluate(COLOURS) > 20)
    expect(page.locator(".band.state-unwatched")).to_have_count(0)
    for band in page.locator(".band").all():
        assert band.locator(".headline").inner_text() in {
            "quiet",
            "noted",
            "look",
            "bedside",
            "team",
            "signal lost",
            "no signal yet",
            "unwatched",
        }
        assert (band.locator(".signal-mark").get_attribute("aria-label") or "").startswith("signal ")
        assert band.locator("svg.shape path").get_attribute("d")


def test_a_demo_that_runs_ahead_says_so_once_and_blames_no_clock(page: Page, demo: Demo, address: str) -> None:
    """At ten times the speed every bed's clock was said to be 49 min ahead."""
    page.goto(address)
    expect(page.locator("#clocks")).to_have_text("Simulated time, 10 times as fast as real time.")
    assert wait_for(lambda: page.locator(".band .big").first.inner_text() not in ("", "–"))
    page.wait_for_timeout(9000)  # beds are more than a minute ahead by now
    assert not [text for text in page.locator(".band .signal").all_inner_texts() if "clock" in text]
    page.goto(f"{address}/bed/bed-1")
    expect(page.locator(".live .signal").first).to_contain_text("signal")
    expect(page.locator(".live .signal").first).not_to_contain_text("clock")


def test_a_click_opens_a_bed_with_findings_and_log(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator(".band")).to_have_count(3)

    def pressed() -> bool:  # again if the beds of the running demo have changed places under the pointer
        if "/bed/" not in page.url:
            page.locator(".band").first.click()
            page.wait_for_timeout(500)
        return "/bed/" in page.url

    assert wait_for(pressed)
    expect(page.locator("h1")).to_have_text(page.url.rpartition("/")[2])
    expect(page.locator("body")).to_contain_text(NOTICE)
    expect(page.locator(".facts")).to_contain_text("nichd-2008")
    expect(page.locator(".facts")).to_contain_text("figo-2015")
    expect(page.locator(".log li").first).to_be_visible()
    page.locator("a.back").click()
    expect(page.locator(".band")).to_have_count(3)


def test_a_flag_comes_within_a_minute_and_can_be_acknowledged(page: Page, address: str) -> None:
    """At ten times the speed; the demo's second bed has a deceleration that does not recover."""
    page.goto(address)
    calling = page.locator(".band.state-bedside, .band.state-team, .band.state-look")
    flagged = calling.filter(has=page.locator(".acknowledge").locator("visible=true")).first
    expect(flagged.locator(".reason")).not_to_have_text("", timeout=2 * WAIT_MS)
    bed = flagged.get_attribute("data-bed")
    page.goto(f"{address}/bed/{bed}")
    page.locator("#who-name").fill("Kim")
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.locator(".log")).to_contain_text("acknowledged by Kim")


def test_what_people_do_reaches_the_detector_and_comes_back(page: Page, address: str) -> None:
    page.goto(f"{address}/bed/bed-1")
    page.locator("#who-name").fill("Kim")
    page.get_by_role("button", name="turned to the side").click()
    note = page.locator(".note")
    expect(note).to_contain_text("turned to the side, Kim")
    expect(note).to_contain_text("decelerations")
    page.locator(".tap").click()
    expect(page.locator(".hand-line")).to_contain_text("hand-timed, 1 in 30 min")
    expect(page.locator(".tap")).to_have_text(re.compile(r"Contraction ends · ([5-9]|\d\d+) s"))  # no double click
    page.locator(".tap").click()
    expect(page.locator(".log")).to_contain_text("timed by hand by Kim")
    expect(page.locator(".tap")).to_have_text("Contraction begins")
    page.locator("summary", has_text="Monitor off").click()
    page.locator(".fold").get_by_role("button", name="Monitor off").click()
    expect(page.locator(".waiting")).to_contain_text("monitor off until")
    page.get_by_role("button", name="Monitor back on").click()
    expect(page.locator(".waiting")).not_to_contain_text("noted as off")
    page.locator("summary", has_text="limits").click()
    form = page.locator(".fold", has_text="limits")
    form.get_by_label("because").fill("known")
    form.get_by_role("button", name="Set").click()
    expect(form.locator(".held")).to_contain_text("by Kim: known")
    form.get_by_role("button", name="Back to ward limit").click()
    expect(form.locator(".held")).to_have_count(0)
    for kind in ("done", "by hand", "monitor off", "monitor on", "bed limit", "ward limit"):
        expect(page.locator(".log .kind", has_text=kind).first).to_be_visible()


def test_by_keyboard_alone(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator(".band")).to_have_count(3)
    tab_to(page, ".band a")
    page.keyboard.press("Enter")
    page.wait_for_url("**/bed/*")


def test_nothing_is_loaded_from_elsewhere(page: Page, address: str) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(address)
    expect(page.locator(".band")).to_have_count(3)
    assert {urlsplit(url).netloc for url in asked if not url.startswith("data:")} == {urlsplit(address).netloc}


def test_it_fits_other_screens_and_the_night(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator(".band")).to_have_count(3)
    heights = "all => all.map(c => [c, c.parentElement].map(one => one.getBoundingClientRect().height))"
    canvases = page.locator("canvas")
    for width, height, is_dark in ((1280, 800, False), (820, 1180, True), (1920, 1080, True)):
        page.emulate_media(color_scheme="dark" if is_dark else "light")
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_function("width => innerWidth === width", arg=width)
        assert wait_for(lambda: page.evaluate("document.documentElement.scrollWidth <= innerWidth")), width
        assert wait_for(lambda: all(canvas <= band for canvas, band in canvases.evaluate_all(heights))), width


def test_a_lost_server_is_said_within_five_seconds_and_recovers_by_itself(page: Page, demo: Demo, address: str) -> None:
    page.add_init_script(HEARD_AND_SAID)
    page.goto(address)
    expect(page.locator(".band")).to_have_count(3)
    pid = demo.pid_of("serve")
    os.kill(pid, signal.SIGSTOP)
    expect(page.locator("#trouble")).to_contain_text("No connection to the server")
    assert 0 < page.evaluate("window.saidAt - window.heardAt") <= 5_000
    assert wait_for(lambda: page.evaluate("document.body.classList.contains('no-server')"))
    os.kill(pid, signal.SIGKILL)
    assert wait_for(lambda: "page ended (-9); started again" in demo.out.read_text())
    expect(page.locator("#trouble")).to_be_hidden()
    expect(page.locator(".band")).to_have_count(3)


def test_a_page_that_cannot_show_what_comes_says_so(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator(".band")).to_have_count(3)
    page.evaluate("""() => {
      window.whole = CanvasRenderingContext2D.prototype.stroke;
      CanvasRenderingContext2D.prototype.stroke = () => { throw new Error("broken on purpose"); };
    }""")
    expect(page.locator("#trouble")).to_contain_text("could not be shown. What is shown below is old")
    assert wait_for(lambda: page.evaluate("document.body.classList.contains('no-server')"))
    page.evaluate("() => { CanvasRenderingContext2D.prototype.stroke = window.whole; }")
    expect(page.locator("#trouble")).to_be_hidden()
    assert wait_for(lambda: page.evaluate("!document.body.classList.contains('no-server')"))


def test_a_page_that_has_stopped_says_so(page: Page, address: str) -> None:
    """Nothing of the page runs any more: the browser itself goes on with an animation that the page had put back."""
    remembered = "class extends WebSocket { constructor(...asked) { super(...asked); sockets.push(this); } }"
    page.add_init_script(f"window.sockets = []; WebSocket = {remembered}")
    page.goto(address)
    expect(page.locator(".band")).to_have_count(3)
    stopped = page.locator("#stopped")
    put_back = "e => e.getAnimations()[0].currentTime"
    last = stopped.evaluate(put_back)

    def is_put_back() -> bool:
        nonlocal last
        before, last = last, stopped.evaluate(put_back)
        return bool(last < before)

    assert wait_for(is_put_back)
    expect(stopped).to_have_css("opacity", "0")
    page.evaluate("for (const socket of sockets) socket.onmessage = null")
    page.evaluate("for (let timer = setInterval(() => 0, 9e9); timer > 0; timer--) clearInterval(timer)")
    expect(stopped).to_have_css("opacity", "1", timeout=30_000)


def test_a_dead_detector_turns_every_bed_unwatched(page: Page, demo: Demo, address: str) -> None:
    page.goto(address)
    expect(page.locator(".band")).to_have_count(3)
    pid = demo.pid_of("detect")
    os.kill(pid, signal.SIGSTOP)
    try:
        expect(page.locator(".band.state-unwatched")).to_have_count(3)
        expect(page.locator("#trouble")).to_contain_text("detect: silent for")
    finally:
        os.kill(pid, signal.SIGCONT)
    expect(page.locator(".band.state-unwatched")).to_have_count(0)
