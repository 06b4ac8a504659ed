"""A backlog is worked through in parts, so that the loop makes its turns; what comes out is the same."""

import asyncio

import pytest

from quietward.contracts.addresses import Ward
from quietward.detect import service
from quietward.store.client import Store
from tests.integration.test_crash import inputs
from tests.integration.test_reshard import fill, said, work

pytestmark = pytest.mark.one_kind


async def test_parts_of_any_size_say_the_same_and_let_others_run(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    entries = inputs()[:60]
    at_once, in_parts = Ward("at-once"), Ward("in-parts")
    await fill(store, at_once, entries, 1)
    await work(store, at_once)
    await fill(store, in_parts, entries, 1)
    monkeypatch.setattr(service, "STEP_AT_MOST", 7)
    turns = 0

    async def count() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    counting = asyncio.create_task(count())
    await work(store, in_parts)
    counting.cancel()
    assert turns >= sum(map(len, entries)) // 7
    assert await said(store, in_parts) == await said(store, at_once)
