"""What is noted on the page reaches the simulated woman: the fall ends where turning helps, and goes on where not."""

import asyncio
import itertools
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from quietward.addresses import Ward
from quietward.messages import Block, decode_inputs
from quietward.settings import Settings
from quietward.store import Redis
from simulator import scenario
from simulator.bed import Bed
from tests.conftest import Parts, until, wait_for

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
    settings: Settings, ward: Ward, store: Redis, parts: Parts, tmp_path: Path
) -> None:
    file = tmp_path / "pressed.toml"
    file.write_text(PRESSED)
    which = scenario.load(str(file))
    wanted = [True, False, True]  # bed-1 is turned and it helps; bed-2, and it does not; bed-3 is left alone
    seed = next(s for s in itertools.count(1) if [frees_cord(which, s + i) for i in range(3)] == wanted)
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
            with urllib.request.urlopen(request, timeout=5) as answer:
                return int(answer.status)
        except (urllib.error.URLError, ConnectionError):  # the page is not up, or has not heard of the bed
            return 0

    async def noted(bed: str) -> bool:
        return await asyncio.to_thread(post, bed) == 204

    assert await until(lambda: reached(380)), parts.log("simulate") + parts.log("ingest")
    assert await fallen() == {"bed-1": True, "bed-2": True, "bed-3": True}
    assert await until(lambda: noted("bed-1"))
    assert await until(lambda: noted("bed-2"))
    then = max(blocks[-1].seq for blocks in (await played()).values())
    assert await until(lambda: reached(then + HELPS_WITHIN_S)), parts.log("simulate")
    assert await fallen() == {"bed-1": False, "bed-2": True, "bed-3": True}, parts.log("simulate")
    said = [line for line in parts.log("simulate").splitlines() if " turned: " in line]
    assert ["cord relieved" in line for line in said] == [True, False]
    assert "bed-1" in said[0]
    assert "bed-2" in said[1]
