"""A headless browser that looks at the Ward page, and tells when a second of a bed has been drawn."""

import asyncio
import contextlib
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.errors import Unreachable
from quietward.load.schedule import Schedule

LISTEN = """
window.drawn = [];
const Plain = window.WebSocket;
window.WebSocket = class extends Plain {
  constructor(...given) {
    super(...given);
    this.addEventListener("message", ({ data }) => {
      const length = new DataView(data).getUint32(0, true);
      const head = JSON.parse(new TextDecoder().decode(new Uint8Array(data, 4, length)));
      const fresh = head.whole ? [] : head.beds.filter((bed) => bed.seconds > 0);
      const news = fresh.map((bed) => [bed.card.bed, bed.first, bed.seconds]);
      // The page draws while it takes the message; what it drew is on the screen when the frame after the next begins.
      requestAnimationFrame(() => requestAnimationFrame(() => window.drawn.push([Date.now(), news])));
    });
  }
};
"""


class Browser:
    """Chromium, by Playwright, on one page. Raises Unreachable at the start when one of them is missing."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._stack = contextlib.AsyncExitStack()
        self._page: Any = None

    async def __aenter__(self) -> Self:
        try:
            from playwright.async_api import Error, async_playwright
        except ImportError as error:
            raise Unreachable("--page", "playwright", "pip install playwright, and install chromium") from error
        import shutil

        play = await self._stack.enter_async_context(async_playwright())
        try:
            browser = await play.chromium.launch(executable_path=shutil.which("chromium"))
        except Error as error:
            await self._stack.aclose()
            raise Unreachable("--page", "chromium", f"Install chromium. It said: {error}") from error
        self._stack.push_async_callback(browser.close)
        self._page = await browser.new_page(viewport={"width": 1920, "height": 1080})
        await self._page.add_init_script(LISTEN)
        await self._page.goto(self.address)
        return self

    async def __aexit__(self, *error: object) -> None:
        await self._stack.aclose()

    async def delays_ms(self, schedule: Schedule) -> NDArray[np.float64]:
        """Return, for each measured second of each bed that was drawn, how long after it was due that was."""
        await asyncio.sleep(1.5)
        drawn = await self._page.evaluate("window.drawn")
        numbers = {name: number for number, name in enumerate(schedule.names)}
        table = np.array(
            [
                (at, numbers[bed], second - schedule.start_ms // 1000 + 1)
                for at, news in drawn
                for bed, first, seconds in news
                for second in range(first, first + seconds)
                if bed in numbers
            ],
            dtype=np.int64,
        ).reshape(-1, 3)
        table = table[(table[:, 2] >= schedule.warm_s) & (table[:, 2] < schedule.end_s)]
        delays_ms: NDArray[np.float64] = (table[:, 0] - schedule.due_ms(table[:, 1], table[:, 2])).astype(np.float64)
        return delays_ms
