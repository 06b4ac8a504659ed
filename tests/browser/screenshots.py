"""Makes the README's picture from a running demo: python -m tests.browser.screenshots ADDRESS [FOLDER]."""

import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.browser.conftest import ARGUMENTS
from tests.conftest import CHROMIUM


def main(address: str, folder: Path) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1600, "height": 1040})
        page.goto(address)
        page.locator(".band canvas").first.wait_for()
        page.wait_for_timeout(2500)
        page.screenshot(path=folder / "ward.png")
        page.locator(".band").first.click()
        page.locator(".log li").first.wait_for()
        page.wait_for_timeout(2500)
        page.screenshot(path=folder / "bed.png")
        page.goto(f"{address}/study")
        page.locator(".shift svg").wait_for()
        page.screenshot(path=folder / "study.png")
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]) if len(sys.argv) > 2 else Path("dashboard/screenshots"))
