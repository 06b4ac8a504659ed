"""What is noted on the page reaches the simulated woman: the fall ends where turning helps, and goes on where not."""

import asyncio
import itertools
import urllib.error
import urllib.request
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.commands import Acknowledge, CareKind, RecordCare
from quietward.contracts.inputs import Block, decode_inputs
from quietward.contracts.settings import Settings
from quietward.dashboard.live.hub import Hub
from quietward.simulator import scenario
from quietward.simulator.bed import Bed
from quietward.simulator.service import simulate
from quietward.simulator.shift import bed_seed
from quietward.simulator.sources import LiveBed
from quietward.simulator.truth import Helped
from quietward.store.client import RedisError, Store
from tests.conftest import WAIT_S, Parts, Server, stop, until, wait_for, well

pytestmark = pytest.mark.one_kind

PRESSED = """
name = "pressed"
purpose = "A cord that stays pressed until somebody frees it."
course = "Five quiet minutes, then a fall of 50 bpm without end."
good_watcher = "somebody goes there"
lasts_min = 240
capacity_bpm_min = 100000
asleep_share = 0

[[phase]]
from_min = 0
baseline_bpm = 140
contraction_interval_s = 300
contraction_duration_s = 60
fhr_loss_share = 0

[[happening]]
at_min = 5
what = "cord-compressed"
for_min = 235
size = 50
"""
FALLEN_BPM = 115
HELPS_WITHIN_S = 300
"""The longest delay of the response, a tick, and the recovery of the rate, with room."""


def frees_cord(which: scenario.Scenario, seed: int) -> bool:
    """Whether turning would end the fall of this bed."""
    return any(span.what == "cord" for span in Bed(which, seed).did("turned").relieved)


async def test_care_ends_a_fall_where_it_helps_and_only_there(
    settings: Settings, ward: Ward, store: Store, parts: Parts, tmp_path: Path
) -> None:
    file = tmp_path / "pressed.toml"
    file.write_text(PRESSED)
    which = scenario.load(str(file))
    wanted = [True, False, True]  # bed-1 is turned and it helps; bed-2, and it does not; bed-3 is left alone
    seed = next(s for s in itertools.count(1) if [frees_cord(which, bed_seed(s, i)) for i in range(3)] == wanted)
    for part in ("serve", "ingest", "detect"):
        parts.start(part)
    assert wait_for(lambda: "connected to the broker" in parts.log("ingest"))
    parts.start(
        "simulate", "--beds", "3", "--scenario", str(file), "--seed", str(seed), "--speed", "50", "--head-start", "6"
    )  # fmt: skip

    async def played() -> dict[str, list[Block]]:
        """Seconds of every bed, as they are in the store."""
        entries: Any = await store.xrange(ward.shard(0).input)
        found: dict[str, list[Block]] = {"bed-1": [], "bed-2": [], "bed-3": []}
        for _, fields in entries:
            for item in decode_inputs(fields[b"e"]):
                if isinstance(item, Block):
                    found[item.bed].append(item)
        return found

    async def fallen() -> dict[str, bool]:
        """Which beds have been low for the last half minute."""
        newest = {bed: np.array([b.fhr for b in blocks[-30:]], dtype=float) for bed, blocks in (await played()).items()}
        return {bed: bool(np.nanmedian(fhr) < FALLEN_BPM) for bed, fhr in newest.items()}

    async def reached(second: int) -> bool:
        return all(blocks and blocks[-1].seq >= second for blocks in (await played()).values())

    def post(bed: str) -> int:
        body = msgspec.json.encode({"type": "care", "bed": bed, "by": "Kim", "what": "turned"})
        request = urllib.request.Request(f"http://127.0.0.1:{settings.port}/act", body, method="POST")
        try:
            with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
                return int(answer.status)
        except (urllib.error.URLError, ConnectionError):  # the page is not up, or has not heard of the bed
            return 0

    async def noted(bed: str) -> bool:
        return await asyncio.to_thread(post, bed) == 204

    assert await until(lambda: reached(380)), parts.log("simulate") + parts.log("ingest")
    assert await fallen() == {"bed-1": True, "bed-2": True, "bed-3": True}
    assert await until(lambda: noted("bed-1"))
    assert await until(lambda: noted("bed-2"))

    def heard() -> list[str]:
        return [line for line in parts.log("simulate").splitlines() if " turned: " in line]

    assert wait_for(lambda: len(heard()) == 2), parts.log("simulate")
    then = max(blocks[-1].seq for blocks in (await played()).values())
    assert await until(lambda: reached(then + HELPS_WITHIN_S)), parts.log("simulate")
    assert await fallen() == {"bed-1": False, "bed-2": True, "bed-3": True}, parts.log("simulate")
    said = heard()
    assert ["cord relieved" in line for line in said] == [True, False]
    assert "bed-1" in said[0]
    assert "bed-2" in said[1]


class Listening(LiveBed):
    """Keeps what it is told."""

    def __init__(self, bed: str) -> None:
        super().__init__(bed, scenario.load("calm"), 1, 600)
        self.told: list[str] = []

    def did(self, what: CareKind) -> Helped:
        self.told.append(what)
        return super().did(what)


async def test_only_the_bed_hears_what_was_done_there_once_and_not_what_was_done_before(
    settings: Settings, store: Store, store_server: Server
) -> None:
    """In a ward of shards, over a store that goes away and comes back."""
    ward = Ward(settings.ward, shards=3)
    beds = {f"bed-{i}": Listening(f"bed-{i}") for i in range(1, 7)}
    assert len({ward.shard_of(bed) for bed in beds}) == 3
    of_each_shard = list({ward.shard_of(bed): bed for bed in beds}.values())
    page = Hub(ward, store)
    for bed in beds:
        await page.send(RecordCare(bed, "Kim", "examined"))
    ours = msgspec.structs.replace(settings, shards=3)
    playing = asyncio.create_task(simulate(ours, list(beds.values()), speed=1, head_start_s=0))

    async def is_alive() -> bool:
        return await well(store, ward, "simulate")

    async def is_heard(bed: str) -> bool:
        """Note something now and again, which is not looked at any further, and say whether it has been heard."""
        await page.send(RecordCare(bed, "Kim", "fluids-checked"))
        return "fluids-checked" in beds[bed].told

    async def did(bed: str, what: CareKind) -> bool:
        """Note it, unless the store is away; nothing is noted twice."""
        try:
            await page.send(RecordCare(bed, "Kim", what))
        except RedisError:
            return False
        return True

    try:
        assert await until(is_alive)
        for bed in of_each_shard:  # it has found where the streams end: what comes now is new
            assert await until(partial(is_heard, bed))
        assert await did("bed-2", "turned")
        await page.send(Acknowledge("bed-3", "Kim", "bed-3-f1"))
        assert await until(lambda: told(beds, {"bed-2": ["turned"]}))
        store_server.kill()
        store_server.start()
        assert await until(lambda: did("bed-2", "transducer-moved"))
        assert await did("bed-3", "oxytocin-turned-down")
        wanted = {"bed-2": ["turned", "transducer-moved"], "bed-3": ["oxytocin-turned-down"]}
        assert await until(lambda: told(beds, wanted)), {bed: b.told for bed, b in beds.items()}
        for bed in of_each_shard:  # nothing is heard between that and the last thing of every stream
            assert await did(bed, "clinician-called")
            wanted[bed] = [*wanted.get(bed, []), "clinician-called"]
        assert await until(lambda: told(beds, wanted)), {bed: b.told for bed, b in beds.items()}
    finally:
        await stop(playing)


async def told(beds: dict[str, Listening], wanted: dict[str, list[str]]) -> bool:
    heard = {name: [what for what in bed.told if what != "fluids-checked"] for name, bed in beds.items()}
    return {name: what for name, what in heard.items() if what} == wanted


async def test_a_simulated_ward_comes_to_its_end(store: Store, parts: Parts) -> None:
    """Also its readers of the store, which would wait for ever."""
    assert await store.ping()
    process = parts.start("simulate", "--beds", "4", "--hours", "0.1", "--head-start", "6")
    assert await asyncio.to_thread(process.wait, WAIT_S) == 0, parts.log("simulate")
