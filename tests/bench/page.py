"""What the page costs a browser: python -m tests.bench.page ADDRESS [SECONDS]; the demo or a ward must run there.

For every page: share of the time its main thread is busy, growth of heap and elements after a collection of garbage,
time to the first paint. Measured through Chromium's own counters (its DevTools Protocol, `Performance.getMetrics`).
"""

import sys
import time

from playwright.sync_api import CDPSession, sync_playwright

from tests.browser.conftest import ARGUMENTS
from tests.conftest import CHROMIUM

WARM_UP_S = 8.0
PAGES = ("/", "/bed/bed-1", "/shift")


def counters(session: CDPSession) -> dict[str, float]:
    """Return Chromium's counters, after a collection of garbage."""
    session.send("HeapProfiler.collectGarbage")
    return {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}


def main(address: str, seconds: float) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        for path in PAGES:
            page = browser.new_page(viewport={"width": 1920, "height": 1080})
            page.goto(f"{address}{path}")
            session = page.context.new_cdp_session(page)
            session.send("Performance.enable")
            time.sleep(WARM_UP_S)
            before, began = counters(session), time.monotonic()
            time.sleep(seconds)
            took = time.monotonic() - began
            now = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
            after = counters(session)
            paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0]?.startTime")
            print(
                f"{path:12} main thread busy {(now['TaskDuration'] - before['TaskDuration']) / took:6.1%}, "
                f"heap {before['JSHeapUsedSize'] / 1e6:.2f} to {after['JSHeapUsedSize'] / 1e6:.2f} MB, "
                f"elements {before['Nodes']:.0f} to {after['Nodes']:.0f}, first paint after {paint:.0f} ms"
            )
            page.close()
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1].rstrip("/"), float(sys.argv[2]) if len(sys.argv) > 2 else 30.0)
