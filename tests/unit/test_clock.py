"""A server's clock that is set is noticed, and nothing that is kept is lost by it."""

from contextlib import suppress
from typing import Any, cast

import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.inputs import Block, Input, Tick
from quietward.contracts.log import Event
from quietward.contracts.settings import Settings
from quietward.contracts.summary import SignalState
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.state import State
from quietward.ingest.service import Ingest
from quietward.runtime.clock import TOLD_FOR_MS, Kept, WatchedClock
from quietward.store.client import RedisError
from tests.traces import RULES

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
T0 = 1_790_000_000_000


class Times:
    """A wall clock and a steady one, moved by hand."""

    def __init__(self) -> None:
        self.wall, self.steady = T0, 5_000

    def pass_(self, ms: int) -> None:
        self.wall += ms
        self.steady += ms


def test_a_clock_that_is_set_is_told_for_a_while() -> None:
    times = Times()
    clock = WatchedClock(lambda: times.wall, lambda: times.steady)
    times.pass_(HOUR_MS)  # nobody has asked for an hour
    assert clock.read() == (times.wall, 0)
    times.wall += 3_000
    assert clock.read()[1] == 0, "it trembles"
    times.wall += 25 * HOUR_MS
    times.pass_(10)
    assert clock.read() == (times.wall, 25 * HOUR_MS)
    times.pass_(TOLD_FOR_MS - 1)
    assert clock.read()[1] == 25 * HOUR_MS
    times.pass_(1)
    assert clock.read()[1] == 0
    times.wall -= HOUR_MS
    assert clock.read()[1] == -HOUR_MS


def test_no_entry_is_trimmed_sooner_because_a_clock_was_set() -> None:
    times = Times()
    kept = Kept(DAY_MS, lambda: times.steady)
    assert kept.oldest_ms() == 0
    kept.note(times.wall)
    first = times.wall
    times.pass_(23 * HOUR_MS)
    times.wall += 25 * HOUR_MS
    kept.note(times.wall)
    assert kept.oldest_ms() == first - HOUR_MS, "23 hours old"
    times.pass_(2 * HOUR_MS)
    kept.note(times.wall)
    assert kept.oldest_ms() == first + HOUR_MS, "25 hours old: it may go"
    times.pass_(DAY_MS)
    kept.note(times.wall)
    assert kept.oldest_ms() == times.wall - DAY_MS, "nothing of before is left"
    times.wall -= 5 * HOUR_MS
    kept.note(times.wall)
    assert kept.oldest_ms() == times.wall - DAY_MS


@pytest.mark.parametrize("hours", [1, 25, -1, -25])
@pytest.mark.parametrize("ingests", [1, 2])
def test_a_servers_clock_that_is_set_raises_nothing(hours: int, ingests: int) -> None:
    """Six calm beds; before, every one of them was lost for a moment, and by 25 h all asked for the bedside."""
    state, events = State(RULES), list[Event]()
    step = hours * HOUR_MS
    for i in range(900):
        at = T0 + i * 1000 + (step if i >= 600 else 0)
        told = step if i in (600, 601) else 0
        blocks = [Block(f"bed-{n}", "s", i, T0 + i * 1000, at + n, [140.0 + i % 2] * 4, [10.0] * 4) for n in range(6)]
        ticks = [Tick(at + n, told) for n in range(ingests)]
        events += engine.step(state, [*ticks, *blocks[:3], *ticks, *blocks[3:]]).events
        if i in (599, 600, 601, 899):
            output = engine.step(state, [Tick(at + 500, told)])
            assert not output.updated, "somebody is silent"
    assert [e for e in events if e.kind in ("signal", "device", "flag-raised")] == []
    for n in range(6):
        engine.step(state, [Block(f"bed-{n}", "s", 900, T0 + 900_000, at + 1000, [140.0] * 4, [10.0] * 4)])
    output = engine.step(state, [Tick(at + 60_000)])
    assert {s.signal for s in summaries.of(state, output)} == {SignalState.LOST}, "real silence is noticed as before"
    assert len(output.updated) == 6


async def test_a_step_that_could_not_be_written_is_told_when_the_store_is_back() -> None:
    """While the store is away for longer than a step is told: else all beds would seem to have been silent for it."""
    times, store = Times(), cast("Any", None)
    clock = WatchedClock(lambda: times.wall, lambda: times.steady)
    ingest = Ingest(Ward("w", 2), store, Settings(shards=2), clock=clock)
    away: set[int] = set()
    written: dict[int, Tick] = {}

    async def write(_: Any, inputs: dict[int, list[Input]], *__: Any) -> None:
        written.clear()
        for n in set(inputs) - away:
            (tick,) = inputs.pop(n)
            assert isinstance(tick, Tick)
            written[n] = tick
        if inputs:
            raise RedisError("away")

    ingest.write = write  # type: ignore[method-assign,assignment]
    connections, told = cast("Any", None), {0: 0, 1: 0}

    async def steps_written(*shards_away: int) -> dict[int, int]:
        times.pass_(1000)
        away.clear()
        away.update(shards_away)
        with suppress(RedisError):
            await ingest.write_ticks(connections, told)
        return {n: tick.stepped_ms for n, tick in written.items()}

    assert await steps_written() == {0: 0, 1: 0}
    times.wall += HOUR_MS
    assert await steps_written(1) == {0: HOUR_MS}
    for _ in range(10):
        await steps_written(1)
    times.wall += DAY_MS
    assert await steps_written(1) == {0: DAY_MS}
    times.pass_(60_000)
    assert await steps_written() == {0: 0, 1: HOUR_MS + DAY_MS}
    assert await steps_written() == {0: 0, 1: 0}
    times.wall -= HOUR_MS
    await steps_written(0, 1)
    times.wall += HOUR_MS
    times.pass_(TOLD_FOR_MS)
    await steps_written(0, 1)
    times.pass_(TOLD_FOR_MS)
    assert await steps_written() == {0: 0, 1: 0}, "it stands again where it stood"
