"""Which beds a ward takes once it is full: its own are let in whoever asks, and whatever is refused; on both stores."""

import logging

import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.settings import Settings
from quietward.ingest import service
from quietward.ingest.service import FULL_FOR_MS, REFUSED_NAMES_KEPT, Ingest
from quietward.store.client import Store
from quietward.transport.packets import Message

pytestmark = pytest.mark.one_kind

WARD = Ward("full")


def sent(*beds: str) -> list[Message]:
    return [Message(WARD.samples_topic(bed), b"", 1, n, "") for n, bed in enumerate(beds, 1)]


async def ingest_of(store: Store, beds: str = "") -> Ingest:
    return Ingest(WARD, store, Settings(ward=WARD.name, beds=beds, most_beds=3))


async def test_a_bed_of_a_full_ward_is_let_in_after_a_restart_and_at_another_ingest(store: Store) -> None:
    first, other = await ingest_of(store), await ingest_of(store)
    await first.admit(sent("bed-1", "bed-2"))
    await other.admit(sent("bed-1"))
    await first.admit(sent("bed-3"))
    await other.admit(sent("stray-1"))
    assert other.beds == {"bed-1", "bed-2"}, "as it was when it began"
    await other.admit(sent("bed-3"))
    assert "bed-3" in other.beds, "that a stray was refused says nothing of the ward's own"
    again = await ingest_of(store)
    await again.admit(sent("stray-1"))
    assert again.beds == {"bed-1", "bed-2", "bed-3"}


async def test_a_bed_that_is_no_longer_expected_is_not_let_in_by_what_the_ward_once_took(store: Store) -> None:
    await (await ingest_of(store)).admit(sent("bed-1", "visitor"))
    again = await ingest_of(store, "bed-*")
    await again.admit(sent("visitor", "bed-1"))
    assert again.beds == {"bed-1"}


async def test_who_was_refused_is_asked_for_again_after_a_while_and_told_of_now_and_then(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    now = 0
    monkeypatch.setattr(service, "steady_ms", lambda: now)
    ingest = await ingest_of(store)
    with caplog.at_level(logging.WARNING):
        await ingest.admit(sent("bed-1", "bed-2", "bed-3", "bed-4"))
        await store.srem(WARD.beds, "bed-3")  # there is room
        now = FULL_FOR_MS - 1
        await ingest.admit(sent("bed-4"))
        assert "bed-4" not in ingest.beds
        for first in range(0, 2 * REFUSED_NAMES_KEPT, 100):
            await store.sadd(WARD.beds, "bed-3")
            await ingest.admit(sent(*(f"stray-{n}" for n in range(first, first + 100))))
        assert len(caplog.records) == 1
    assert len(ingest._refused_until) <= REFUSED_NAMES_KEPT
    await store.srem(WARD.beds, "bed-3")
    now = 2 * FULL_FOR_MS
    await ingest.admit(sent("bed-4"))
    assert "bed-4" in ingest.beds
