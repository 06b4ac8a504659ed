"""Makes the README's pictures from a running demo: python -m tests.browser.screenshots ADDRESS [FOLDER].

Best from `quietward demo --shift night-shift --speed 10` after a quarter of an hour.
"""

import sys
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from quietward.practice import simulated
from tests.browser.conftest import ARGUMENTS
from tests.conftest import CHROMIUM

CODE = simulated.code_of("cord-with-shoulders", 3)
MARKS = [("variable deceleration", 282, 328), ("variable deceleration", 700, 740), ("acceleration", 997, 1032)]
"""What a learner finds on it: one deceleration, one that is not there, one acceleration."""


def main(address: str, folder: Path) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1600, "height": 1040})
        page.set_default_timeout(300_000)  # of a machine that does other things
        page.goto(address)
        page.locator(".band canvas").first.wait_for()
        page.wait_for_timeout(2500)
        page.locator("#trouble").wait_for(state="hidden")
        page.screenshot(path=folder / "ward.png")
        page.locator(".options summary").click()
        page.get_by_label("night", exact=True).check()
        page.get_by_role("button", name="Wall").click()
        page.set_viewport_size({"width": 1920, "height": 1080})
        page.wait_for_timeout(1500)
        page.locator("#trouble").wait_for(state="hidden")
        page.screenshot(path=folder / "wall.png")
        page.keyboard.press("Escape")
        page.set_viewport_size({"width": 1600, "height": 1040})
        page.evaluate("localStorage.clear()")
        page.goto(address)
        page.locator(".band").first.click()
        page.locator(".log li").first.wait_for()
        page.wait_for_timeout(2500)
        page.locator("#trouble").wait_for(state="hidden")
        page.screenshot(path=folder / "bed.png")
        page.goto(f"{page.url.split('?')[0]}/hours")
        page.locator(".plot .main-svg").first.wait_for()
        page.wait_for_timeout(1000)
        page.screenshot(path=folder / "hours.png")
        page.goto(f"{address}/shift")
        page.locator(".figures dt").first.wait_for()
        page.locator("#trouble").wait_for(state="hidden")
        page.screenshot(path=folder / "shift.png", full_page=True)
        page.goto(f"{address}/study")
        page.locator(".shift svg").wait_for(timeout=300_000)  # the example is worked out first
        page.locator("#trouble").wait_for(state="hidden")
        page.screenshot(path=folder / "study.png")
        page.goto(f"{address}/handover")
        page.set_viewport_size({"width": 794, "height": 1123})  # A4 at 96 px an inch
        page.screenshot(path=folder / "handover.png")
        page.set_viewport_size({"width": 1600, "height": 1040})
        practise(page, address)
        page.screenshot(path=folder / "practice.png", full_page=True)
        browser.close()


def practise(page: Page, address: str) -> None:
    """Answer a strip as a learner would."""
    page.goto(f"{address}/practice?set={CODE}")
    page.locator(".practice-paper canvas").wait_for()
    for tool, from_s, until_s in MARKS:
        page.get_by_label(tool, exact=True).check()
        for name, second in (("from", from_s), ("to", until_s)):
            page.get_by_label(name, exact=True).fill(f"{second // 60}:{second % 60:02}")
        page.get_by_role("button", name="Add", exact=True).click()
    page.get_by_label("baseline, bpm").fill("130")
    page.get_by_label("class").select_option("2")
    page.get_by_label("who is needed at the end?").select_option("look")
    page.get_by_role("button", name="Compare").click()
    page.locator(".compared").wait_for(timeout=60_000)


if __name__ == "__main__":
    main(sys.argv[1].rstrip("/"), Path(sys.argv[2]) if len(sys.argv) > 2 else Path("dashboard/screenshots"))
