"""A headless Chromium, and a demo with simulated labours for it to look at."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.browser.made_up import MadeUpWard
from tests.conftest import CHROMIUM, WAIT_S, require, wait_for
from tests.integration.test_demo import Demo

NOT_NEEDED = (
    "WebUIOmniboxPopup", "WebUIOmniboxAimPopup", "WebUIOmniboxFullPopup",
    "AimEnabled", "DestroyProfileOnBrowserClose", "HttpsFirstBalancedModeAutoEnable", "HttpsUpgrades", "LensOverlay",
    "MediaRouter", "OptimizationHints", "PaintHolding", "ThirdPartyStoragePartitioning",
)  # fmt: skip
"""Features of Chromium. The first three are lists below the address bar: pages of their own, two for each window, and
half of what a page of a test costs. The others are Playwright's, whose switch ours takes the place of."""
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
    f"--disable-features={','.join(NOT_NEEDED)}",
]  # fmt: skip

WAIT_MS = 1000 * WAIT_S
LOW_PRIORITY_MS = 15 * WAIT_MS
"""For what a process of low priority works out: half a minute of a core that others leave to it."""
expect.set_options(timeout=WAIT_MS)  # by default it waits 5 s, too little for a busy machine


@pytest.fixture(scope="package")  # not longer: while it lives, asyncio says that a loop is running
def browser() -> Iterator[Browser]:
    program = require(CHROMIUM, "chromium")
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=program, args=ARGUMENTS)
        yield found
        found.close()


@contextmanager
def screen(browser: Browser, **options: Any) -> Iterator[Page]:
    """A page of its own; fails when the browser complains about anything but a lost connection or store."""
    context = browser.new_context(**{"viewport": {"width": 1920, "height": 1080}} | options)
    context.set_default_timeout(WAIT_MS)
    found = context.new_page()
    complaints: list[str] = []
    context.on("weberror", lambda error: complaints.append(str(error.error)))
    context.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    yield found
    context.close()
    expected = (
        "ERR_CONNECTION",
        "the server did not respond",
        "WebSocket connection",
        "status of 503",
        "status of 422",
        "status of 409",
        "status of 404",
        "status of 401",
        "broken on purpose",
    )
    assert [c for c in complaints if not any(part in c for part in expected)] == []


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    with screen(browser) as found:
        yield found


@pytest.fixture(scope="package")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    require(CHROMIUM, "chromium")
    found = Demo(tmp_path_factory.mktemp("demo"))
    try:
        assert wait_for(found.ready, 2 * WAIT_S), found.out.read_text()
        yield found
    finally:
        found.process.terminate()
        found.process.wait(WAIT_S)


@pytest.fixture
def address(demo: Demo) -> str:
    return f"http://127.0.0.1:{demo.port}"


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeUpWard]:
    """A ward without devices and detector, for the tests of one module."""
    require(CHROMIUM, "chromium")
    found = MadeUpWard(tmp_path_factory.mktemp("made-up"))
    yield found
    found.end()


@pytest.fixture
def made_up(running: MadeUpWard) -> MadeUpWard:
    """The same, as if nothing had happened in it."""
    running.begin_anew()
    running.wait_until_begun()  # else a test would begin with what the last one has left
    return running
