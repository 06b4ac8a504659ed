"""A page that stays open for a shift must not grow: 24 beds, five minutes of labour, at twenty times the speed."""

import time
from pathlib import Path

from playwright.sync_api import Page, expect

from tests.bench.page import counters
from tests.conftest import WAIT_S, wait_for
from tests.integration.test_demo import Demo

BEDS, SPEED = 24, 20
WARM_UP_S = 8
MEASURED_S = 300 / SPEED
TRIES = 3
"""A page that leaks grows in every stretch; one that is late with its first drawing on a busy machine in the first."""


def test_24_beds_for_five_minutes_of_labour(page: Page, tmp_path: Path) -> None:
    """Heap and elements after a collection of garbage. New marks and log lines are kept within bounds."""
    demo = Demo(tmp_path, BEDS, SPEED)
    try:
        assert wait_for(demo.ready, 2 * WAIT_S), demo.out.read_text()
        page.goto(f"http://127.0.0.1:{demo.port}")
        expect(page.locator(".band")).to_have_count(BEDS)
        session = page.context.new_cdp_session(page)
        session.send("Performance.enable")
        time.sleep(WARM_UP_S)
        for left in reversed(range(TRIES)):
            before, frames = counters(session), demo.health()["frames"]
            time.sleep(MEASURED_S)
            assert wait_for(lambda frames=frames: demo.health()["frames"] - frames >= MEASURED_S * 0.6)  # type: ignore[misc]
            after = counters(session)
            grown = after["JSHeapUsedSize"] - before["JSHeapUsedSize"]
            if (grown < 500_000 and after["Nodes"] - before["Nodes"] < 60) or not left:
                break
        assert grown < 500_000
        assert after["Nodes"] - before["Nodes"] < 60
        assert after["JSEventListeners"] <= before["JSEventListeners"]
        assert wait_for(lambda: page.evaluate("document.documentElement.scrollHeight <= innerHeight")), (
            "24 beds fit 1920 by 1080"
        )
    finally:
        demo.process.terminate()
        demo.process.wait(WAIT_S)
