"""The largest ward that this machine carries: doubled until it does not, then halved towards the border."""

from collections.abc import Awaitable, Callable

from msgspec import Struct, structs

from quietward.load.trial import LoadOrder, Trial

WITHIN_MS = 1000.0
CLOSE_ENOUGH = 1.15
"""The search ends when the least that failed is at most so many times the most that held."""
LEAST_STEP = 10


class LimitSearch(Struct, frozen=True):
    """Outcome of the search. beds: the largest ward that held, 0 if none did; tried: all trials in their order."""

    beds: int
    within_ms: float
    tried: list[Trial]

    @property
    def of_the_limit(self) -> Trial:
        """The trial of the largest ward that held, of the smallest tried if none did."""
        held = [trial for trial in self.tried if holds(trial)]
        return max(held, key=lambda t: t.beds) if held else min(self.tried, key=lambda t: t.beds)


def holds(trial: Trial) -> bool:
    """Say whether a ward was carried: its 99th percentile in time, nothing lost, and the outputs level at the end."""
    return trial.summary_ms.p99 is not None and trial.summary_ms.p99 <= WITHIN_MS and trial.lost == 0


async def find(first: LoadOrder, attempt: Callable[[LoadOrder], Awaitable[Trial]]) -> LimitSearch:
    """Search from the ward of `first` on."""
    tried: list[Trial] = []
    held, failed, beds = 0, 0, first.beds
    while True:
        trial = await attempt(structs.replace(first, beds=beds))
        tried.append(trial)
        if holds(trial):
            held = beds
        else:
            failed = beds
        if failed and (failed <= held * CLOSE_ENOUGH or failed - held <= LEAST_STEP):
            return LimitSearch(held, WITHIN_MS, tried)
        beds = (held + failed) // 2 if failed else held * 2
