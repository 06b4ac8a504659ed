"""A woman arrives, leaves, and is brought back: from the input stream through the detector to pages and files."""

import io
import json
import struct
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.commands import Arrive, Command, Leave, RecordCare, UndoStay
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Tick, encode_inputs, inputs_of
from quietward.contracts.stays import Arrival, Stay
from quietward.dashboard.history.reader import LogCache, read_history, read_log, read_record, read_stay, read_summary
from quietward.dashboard.live.hub import Hub
from quietward.dashboard.print import stay_page
from quietward.detect.core import engine
from quietward.detect.service import Detector
from quietward.detect.store import ShardStore
from quietward.recordings.files import read_recording
from quietward.runtime.clock import now_ms
from quietward.simulator.service import come_and_go
from quietward.simulator.shift import comings_and_goings
from quietward.store.client import Store
from tests.detectors import until
from tests.traces import RULES

pytestmark = pytest.mark.one_kind

GREEN = Arrival("green", weeks=31, stage=2, note="=a formula?")


class Story:
    """A bed's input stream, up to now; each part is worked through by a detector of its own."""

    def __init__(self, store: Store, ward: Ward, seconds: int) -> None:
        engine.prepare(RULES)
        self.store, self.ward, self.shard = store, ward, ward.shard(0)
        self.at, self.seq, self.entries = now_ms() - seconds * 1000, 0, 0

    async def goes_on(self, seconds: int, bpm: float, *acts: Command) -> None:
        """The device sends, then somebody presses."""
        last = b""
        for _ in range(seconds):
            self.at, self.seq = self.at + 1000, self.seq + 1
            block = Block("bed-1", "s", self.seq, self.at, self.at, [bpm] * HZ, [10.0] * HZ)
            last = await self.write(block, Tick(self.at))
        for act in acts:
            last = await self.write(CommandEnvelope(self.at, act))
        detector = Detector(ShardStore(self.store, self.shard), RULES, 0.05)
        await until(detector, self.store, self.shard.position, last.decode())

    async def write(self, *inputs: Input) -> bytes:
        self.entries += 1
        entry = f"{self.at}-{self.entries}"  # as if it had been written then
        found: Any = await self.store.xadd(self.shard.input, {"e": encode_inputs(list(inputs))}, id=entry)
        return bytes(found)

    async def stays(self) -> list[Stay]:
        summary = await read_summary(self.store, self.ward, "bed-1")
        assert summary is not None
        assert summary.stay is not None
        return [summary.stay, *summary.former]


@pytest.mark.usefixtures("kind")
async def test_what_is_kept_of_each_woman_is_hers_alone(store: Store, ward: Ward, tmp_path: Path) -> None:
    story = Story(store, ward, 700)
    await story.goes_on(200, 140.0, RecordCare("bed-1", "Kim", "turned"), Arrive("bed-1", "Kim", GREEN))
    await story.goes_on(300, 150.25, RecordCare("bed-1", "Ann", "examined"), Leave("bed-1", "Ann"))
    await story.goes_on(100, 60.0, Arrive("bed-1", "Ann", Arrival("blue")))
    await story.goes_on(100, 130.0)
    blue, green, before = await story.stays()
    assert [stay.arrival and stay.arrival.label for stay in (blue, green, before)] == ["blue", "green", None]

    now = now_ms()
    present = await read_history(store, ward, "bed-1", 1.0, now)
    assert set(present.fhr) == {130.0}
    assert len(present.fhr) == 100 * HZ
    assert {e.kind for e in present.log} >= {"arrived"}
    assert "care" not in {e.kind for e in present.log}
    record = await read_record(store, ward, "bed-1")
    assert [e.text for e in record.log if e.kind in ("care", "left")] == []
    assert present.trend
    assert all(point.t >= blue.began for point in present.trend)
    cache = LogCache()
    await cache.update(store, ward, "bed-1", green.id, now, now)
    await cache.update(store, ward, "bed-1", blue.id, now, now)
    assert cache.log == record.log

    hers = await read_stay(store, ward, "bed-1", green, now)
    assert set(hers.fhr) == {150.25}
    assert (len(hers.fhr), hers.weeks, hers.second_stage_from_s) == (300 * HZ, 31, hers.first_s)
    assert [e.text for e in hers.log if e.kind in ("care", "left")] == [
        "vaginal examination, by Ann",
        "has left, noted by Ann",
    ]
    first = await read_stay(store, ward, "bed-1", before, now)
    assert set(first.fhr) == {140.0}

    archive = zipfile.ZipFile(io.BytesIO(stay_page.record_zip(hers, green, ward.name, now)))
    archive.extractall(tmp_path)
    name = stay_page.file_name("bed-1", green)
    assert set(archive.namelist()) == {f"{name}{end}" for end in (".hea", ".dat", "-log.csv", ".json")}
    np.testing.assert_array_equal(read_recording(tmp_path / f"{name}.hea").fhr, hers.fhr)
    assert json.loads((tmp_path / f"{name}.json").read_text())["stay"]["arrival"]["note"] == GREEN.note
    assert "vaginal examination" in (tmp_path / f"{name}-log.csv").read_text()

    shard = ward.shard(0)
    kept: list[Any] = [await store.ttl(shard.log("bed-1", stay.id)) for stay in (blue, green, before)]
    assert kept[0] == -1
    assert all(0 < s <= RULES.stay.read_h * 3600 for s in kept[1:])


@pytest.mark.usefixtures("kind")
async def test_an_undone_leaving_brings_back_the_strip_on_the_page(store: Store, ward: Ward) -> None:
    hub = Hub(ward, store)

    async def shown() -> tuple[dict[str, Any], int]:
        """Return the bed of the next frame, and how many lines its log has."""
        await hub._read_state()
        raw = hub._frame(whole=False)
        hub.sent_seconds = {"bed-1": hub.signals["bed-1"].last}
        hub.sent_stays = {"bed-1": hub.summaries["bed-1"].stay_id}
        (length,) = struct.unpack("<I", raw[:4])
        bed: dict[str, Any] = json.loads(raw[4 : 4 + length])["beds"][0]
        return bed, len(await hub.log("bed-1"))

    story = Story(store, ward, 260)
    await story.goes_on(200, 140.0, Arrive("bed-1", "Kim", GREEN))
    await story.goes_on(60, 140.0)
    entries: Any = await store.xrange(ward.shard(0).input)
    for _, fields in entries:
        for item in inputs_of(fields):
            if isinstance(item, Block):
                hub._take(item)
    bed, lines = await shown()
    assert (bed["seconds"], bed["card"]["label"]) == (60, "green")
    await story.goes_on(0, 140.0, Leave("bed-1", "Ann"))
    bed, _ = await shown()
    assert (bed["seconds"], bed["is_new"], bed["card"]["state"]) == (0, True, "empty")
    await story.goes_on(0, 140.0, UndoStay("bed-1", "Ann"))
    bed, now_lines = await shown()
    assert (bed["seconds"], bed["is_new"], bed["card"]["label"]) == (60, True, "green")
    assert now_lines == lines + 2, "that she left, and that it was undone"
    (green, *_) = await story.stays()
    assert await store.ttl(ward.shard(0).log("bed-1", green.id)) == -1
    assert [e.kind for e in await read_log(store, ward, "bed-1", green.id)][-2:] == ["left", "stay-undone"]


async def test_simulated_staff_note_who_comes_and_goes(store: Store, ward: Ward) -> None:
    """What lies before the head start is over; the rest comes in its order."""
    noted = comings_and_goings("night-shift", 12)
    assert [second for second, _ in noted] == sorted(second for second, _ in noted)
    await come_and_go(store, ward, noted, 1e9, 15 * 60)
    entries: Any = await store.xrange(ward.shard(0).input)
    items: list[Any] = [item for _, fields in entries for item in inputs_of(fields)]
    kinds = [(item.bed, type(item.command)) for item in items]
    assert kinds == [("bed-9", Leave), ("bed-9", Arrive), ("bed-6", Leave), ("bed-6", Arrive)]
    assert comings_and_goings("night-shift", 4) == noted[:1]
    assert comings_and_goings(None, 12) == []
