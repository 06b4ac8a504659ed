"""A detector says what it cannot write again and again, beside its findings: else nobody reads of it but in a log."""

import asyncio
from types import SimpleNamespace
from typing import Any

import pytest

from quietward.contracts.inputs import TransferAnswer
from quietward.detect import service
from quietward.detect.service import Detector
from quietward.store.client import RedisError
from tests.traces import RULES

DENIED = "User detect has no permissions to access the 'quietward:{w:1}:input' key"


class Writing:
    """Stands for the shard's store; what is in `failing` cannot be written."""

    def __init__(self) -> None:
        self.shard = SimpleNamespace(number=3)
        self.failing: dict[str, str] = {}

    async def save(self, *_: Any) -> None:
        self._write("save")

    async def send(self, message: TransferAnswer) -> None:
        self._write(message.bed)

    def _write(self, what: str) -> None:
        if what in self.failing:
            raise RedisError(self.failing[what])


def made() -> tuple[Detector, Writing]:
    store: Any = Writing()
    return Detector(store, RULES, 30.0), store


async def test_a_checkpoint_that_fails_twice_is_a_trouble_until_one_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    detector, store = made()
    now = 1000.0
    monkeypatch.setattr(service, "time", SimpleNamespace(monotonic=lambda: now))

    async def try_to_save() -> None:
        detector._save_if_due()
        assert detector._saving is not None
        await asyncio.wait([detector._saving])

    store.failing["save"] = "no room " * 100
    await try_to_save()
    assert detector.troubles() == [], "once is a connection that broke"
    now += 5.0
    await try_to_save()
    (said,) = detector.troubles()
    assert said.startswith("shard 3: the checkpoint cannot be written: no room no room")
    assert len(said) < 300
    store.failing.clear()
    now += 4.9
    await try_to_save()
    assert detector.troubles() != [], "it is not tried at once again"
    now += 0.1
    await try_to_save()
    assert detector.troubles() == []
    store.failing["save"] = "away"
    now += 29.9
    await try_to_save()
    now += 0.1
    await try_to_save()
    assert detector.troubles() == []


async def test_what_another_bed_is_not_told_is_a_trouble_until_it_is() -> None:
    detector, store = made()

    async def answer(*beds: str) -> None:
        detector._answers = [TransferAnswer(bed, 1, f"{bed}-1", "") for bed in beds]
        detector._send_if_due()
        assert detector._sending is not None
        await asyncio.wait([detector._sending])

    store.failing["bed-1"] = DENIED
    await answer("bed-1", "bed-2")
    assert detector.troubles() == []
    await answer("bed-1", "bed-2")
    assert detector.troubles() == [f"shard 3: what another bed is asked cannot be written: {DENIED}"]
    store.failing.clear()
    await answer("bed-1")
    assert detector.troubles() == []
