"""Where the Practice page's questions are answered: one after the other, by a thread of their own."""

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from quietward.contracts.errors import QuietwardError
from quietward.practice.results import Results
from quietward.practice.sets import Classroom

LARGEST_BYTES = 65_536
MOST_WAITING = 12
"""Questions that wait for the one worker; each may take a good part of a second."""
T = TypeVar("T")


class TooMany(QuietwardError):
    """More ask than can be answered soon."""


class Desk:
    """Sets and results of a classroom folder, and the thread that works with them: the ward's own pages go first."""

    def __init__(self, folder: Path) -> None:
        self.classroom, self.results = Classroom(folder), Results(folder)
        self._worker = ThreadPoolExecutor(1, "practice")
        self._waiting = 0

    async def work(self, what: Callable[..., T], *given: object) -> T:
        """Return what a function returns, called in the thread. Raises TooMany, and what the function raises."""
        if self._waiting >= MOST_WAITING:
            raise TooMany("practice", f"{self._waiting} ask at once", "Try again in a moment")
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._worker, what, *given)
        finally:
            self._waiting -= 1

    def prepare(self, what: Callable[..., object], *given: object) -> None:
        """Call a function that will be asked for, so that its answer is there; not while somebody waits for another.

        That is looked at when its turn comes: whoever answers at once waits for no more than she has asked for.
        """

        def unless_somebody_waits() -> None:
            if not self._waiting:
                what(*given)

        self._worker.submit(unless_somebody_waits)

    def close(self) -> None:
        """Take no more questions."""
        self._worker.shutdown(wait=False, cancel_futures=True)
