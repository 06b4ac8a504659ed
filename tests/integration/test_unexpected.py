"""A device that the ward does not expect waits until somebody takes it in, also over a restart."""

from typing import Any

import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.settings import Settings
from quietward.dashboard.history.reader import read_unexpected
from quietward.dashboard.live.hub import Hub
from quietward.ingest import unexpected
from quietward.ingest.unexpected import Unexpected
from quietward.store.client import Store
from quietward.transport.mqtt import Publisher
from tests.conftest import WAIT_S, Parts, until, wait_for
from tests.integration.test_flow import second
from tests.integration.test_hostile_device import neighbour, seconds_of, send

EXPECTED = {"QUIETWARD_BEDS": "bed-*"}


async def test_it_waits_is_taken_in_and_stays_so_when_ingest_starts_again(
    settings: Settings, ward: Ward, store: Store, parts: Parts
) -> None:
    first = parts.start("ingest", environment=EXPECTED)
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    hub = Hub(ward, store)
    async with neighbour(settings, ward) as out, Publisher(
        settings.broker, "visitor", ward.status_topic("visitor-1"), lambda _: None
    ) as visitor:  # fmt: skip
        await send(out, ward, "bed-1", range(3))
        seq = 0

        async def waits() -> bool:
            """Send a second, and look whether the device is listed."""
            nonlocal seq
            await visitor.publish(ward.samples_topic("visitor-1"), second(seq))
            seq += 1
            return [device.name for device in await read_unexpected(store, ward)] == ["visitor-1"]

        assert await until(waits), parts.log("ingest")
        assert await seconds_of(store, ward, "visitor-1") == []
        await hub.take_in("visitor-1")

        async def is_taken() -> bool:
            assert not await waits(), "it has been taken off the list"
            return await seconds_of(store, ward, "visitor-1") != []

        assert await until(is_taken), parts.log("ingest")
        assert await visitor.settle(WAIT_S) == 0
        first.terminate()
        first.wait(WAIT_S)
        parts.start("ingest", environment=EXPECTED)
        kept = range(seq, seq + 20)
        await send(visitor, ward, "visitor-1", kept)  # while nobody listens, too

        async def all_there() -> bool:
            return set(kept) <= set(await seconds_of(store, ward, "visitor-1"))

        assert await until(all_there), parts.log("ingest")
        assert await read_unexpected(store, ward) == []
        assert await seconds_of(store, ward, "bed-1") == [0, 1, 2]


async def test_the_list_is_bounded_and_who_sends_is_not_pushed_off_it(
    ward: Ward, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = 1_790_000_000_000
    monkeypatch.setattr(unexpected, "now_ms", lambda: now)
    monkeypatch.setattr(unexpected, "MOST_WAITING", 3)
    devices = Unexpected(store, ward)
    await devices.read()

    async def listed(steady_ms: int, *names: str) -> list[tuple[str, int, int]]:
        await devices.note(names, steady_ms)
        found = await read_unexpected(store, ward)
        return [
            (d.name, (d.first_at - 1_790_000_000_000) // 1000, (d.last_at - 1_790_000_000_000) // 1000) for d in found
        ]

    assert await listed(0, "a", "b") == [("a", 0, 0), ("b", 0, 0)]
    now += 1000
    assert await listed(999, "a", "c") == [("a", 0, 0), ("b", 0, 0)], "it is noted once a second"
    assert await listed(1000, "a", "c", "d") == [("a", 0, 1), ("b", 0, 0), ("c", 1, 1)], "the list is full"
    now += 60_000
    assert await listed(2000, "a", "d", "e") == [("a", 0, 61), ("c", 1, 1), ("d", 61, 61)], "a silent one gives way"
    now += 60_000
    await listed(3000, "a")
    now += 24 * 3_600_000 + 1
    assert [name for name, *_ in await listed(4000, "f")] == ["f"], "after a day of silence they are forgotten"
    await Hub(ward, store).take_in("f")
    assert await listed(5000, "f") == []
    assert devices.taken_in == {"f"}
    again: Any = Unexpected(store, ward)
    await again.read()
    assert again.taken_in == {"f"}


async def test_who_was_just_taken_in_is_not_missed_beside_a_noisy_stray(ward: Ward, store: Store) -> None:
    """The stray is heard first in each second, the device always in between."""
    devices = Unexpected(store, ward)
    await devices.read()
    await Hub(ward, store).take_in("visitor")
    for second_ms in range(0, 3000, 1000):
        await devices.note(["stray"], second_ms)
        await devices.note(["visitor-2"], second_ms + 500)
    assert devices.taken_in == {"visitor"}, "whoever has not sent meanwhile is known, too"
    assert [device.name for device in await read_unexpected(store, ward)] == ["stray", "visitor-2"]
