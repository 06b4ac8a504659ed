"""What is kept of a woman who was moved: her trace from both beds' monitors and her log, on pages and in files."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from quietward.contracts.addresses import Ward
from quietward.contracts.commands import (
    Acknowledge,
    Arrive,
    Attend,
    Command,
    CorrectArrival,
    Leave,
    Move,
    RecordCare,
)
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Tick, encode_inputs
from quietward.contracts.settings import Settings
from quietward.contracts.stays import Arrival
from quietward.dashboard.history.reader import LogCache, read_history, read_record, read_stay, read_summary
from quietward.dashboard.history.shift import BedLog, shift_report
from quietward.dashboard.print import files, stay_page
from quietward.dashboard.print.handover import hand_over
from quietward.detect.service import Detector
from quietward.detect.store import ShardStore
from quietward.recordings import SUFFIXES
from quietward.recordings.files import read_recording
from quietward.runtime.clock import now_ms
from quietward.store.client import Store, newest_id
from tests.conftest import until
from tests.integration.test_export import quietward
from tests.traces import RULES

pytestmark = pytest.mark.one_kind

HERE, THERE = "bed-1", "bed-7"
BEFORE_S, AFTER_S = 1200, 120
GREEN = Arrival("green", weeks=39)


@pytest.fixture
def two_shards(settings: Settings) -> Settings:
    return replace(settings, shards=2)


class MovedWoman:
    """She is in one bed for 20 min, its rate falls and a flag is raised; then in one of another shard for 2 min."""

    def __init__(self, store: Store, ward: Ward, *, twins: bool = False) -> None:
        self.store, self.ward, self.twins = store, ward, twins
        self.began = now_ms() - BEFORE_S * 1000
        self.second = self.entries = 0

    async def write(self, bed: str, *inputs: Input, at_once: bool = False) -> None:
        self.entries += 1
        entry = "*" if at_once else f"{self.began + self.second * 1000}-{self.entries}"  # as if it was written then
        await self.store.xadd(self.ward.home_of(bed).input, {"e": encode_inputs(list(inputs))}, id=entry)

    async def press(self, command: Command) -> None:
        at = self.began + self.second * 1000
        await self.write(command.bed, CommandEnvelope(at, command), at_once=self.second >= BEFORE_S)

    async def goes_on(self, seconds: int, here: float, there: float) -> None:
        old = self.second >= BEFORE_S
        while seconds > 0:
            some: dict[str, list[Input]] = {HERE: [], THERE: []}
            for _ in range(min(seconds, 20)):
                at, n = self.began + self.second * 1000, self.second
                second_here, second_there = self.second_rate(here), self.second_rate(there)
                mine = Block(HERE, "s", n, at, at, [here] * HZ, [10.0] * HZ, fhr2=second_here)
                some[HERE] += [mine, Tick(at + 1)]
                late = Block(
                    THERE, "t", n + 7, at - 7_200_000, at, [there] * HZ, [10.0] * HZ, stage=2, fhr2=second_there
                )
                some[THERE] += [late, Tick(at + 1)]
                self.second, seconds = self.second + 1, seconds - 1
            for bed, inputs in some.items():
                await self.write(bed, *inputs, at_once=old)

    def second_rate(self, first: float) -> list[float | None] | None:
        return [first + 10] * HZ if self.twins else None

    async def live(self) -> None:
        async with self.detectors():
            await self.press(Arrive(HERE, "Kim", GREEN))
            await self.press(Arrive(THERE, "Kim", Arrival("red")))
            await self.press(Leave(THERE, "Kim"))
            await self.goes_on(BEFORE_S - 260, 140.0, 50.0)
            await self.goes_on(260, 60.0, 50.0)
            await self.press(RecordCare(HERE, "Ann", "turned"))
            await self.press(Attend(HERE, "Ann"))
            await self.press(Move(HERE, "Kim", THERE))
            assert await until(self.is_settled)
            await self.goes_on(AFTER_S, 51.0, 62.0)
            await self.press(CorrectArrival(THERE, "Ann", Arrival("green", weeks=38)))
            assert await until(self.is_settled)

    async def is_settled(self) -> bool:
        for shard in self.ward.all_shards:
            written: Any = await self.store.get(shard.position)
            if written is None or written.decode() != await newest_id(self.store, shard.input):
                return False
        summary = await read_summary(self.store, self.ward, HERE)
        return summary is not None and not summary.moving_to

    @asynccontextmanager
    async def detectors(self) -> AsyncIterator[None]:
        shards = self.ward.all_shards
        running = [asyncio.create_task(Detector(ShardStore(self.store, s), RULES, 0.05).run_for_ever()) for s in shards]
        try:
            yield
        finally:
            while not all(task.done() for task in running):  # a library may swallow a cancellation on Python 3.11
                for task in running:
                    task.cancel()
                await asyncio.wait(running, timeout=1)


async def test_twins_go_with_her_both_traces_both_flags_and_all_that_was_said(
    store: Store, two_shards: Settings, tmp_path: Path
) -> None:
    ward = Ward(two_shards.ward, 2)
    she = MovedWoman(store, ward, twins=True)
    await she.live()
    now = she.began + she.second * 1000
    trace = [140.0] * (BEFORE_S - 260) + [60.0] * 260 + [62.0] * AFTER_S

    history = await read_history(store, ward, THERE, 1.0, now)
    assert history.fhr2 is not None
    assert history.fhr[::HZ].tolist() == trace
    assert history.fhr2[::HZ].tolist() == [bpm + 10 for bpm in trace]
    raised = {e.detail["flag"] for e in history.log if e.kind == "flag-raised"}
    assert {flag.rpartition("-")[2][0] for flag in map(str, raised)} == {"f", "s"}
    first, second = (
        [e.t for e in history.log if e.kind.startswith("flag-") and e.detail["fetus"] == fetus] for fetus in (1.0, 2.0)
    )
    assert min(first) < now - AFTER_S * 1000
    assert min(second) < now - AFTER_S * 1000
    assert history.trend[-1].detail["second baseline_bpm"] is not None
    summary, left = await read_summary(store, ward, THERE), await read_summary(store, ward, HERE)
    assert summary is not None
    assert [f.flag for f in summary.fetuses] == ["bed-7-f1", "bed-7-s1"]
    answered = [(e.detail["fetus"], e.detail["by"]) for e in history.log if e.kind == "flag-acknowledged"]
    assert answered == [(1.0, "Ann"), (2.0, "Ann")], "her care note answered both, in the bed that she was in"
    assert left is not None
    assert (left.is_empty, left.fetuses) == (True, [])
    path = await files.write_signals(two_shards, THERE, 24.0, None, tmp_path / "twins.hea")
    np.testing.assert_array_equal(read_recording(path).fhr2, history.fhr2)


async def test_her_trace_and_log_go_with_her_to_pages_sheets_and_files(
    store: Store, two_shards: Settings, tmp_path: Path
) -> None:
    ward = Ward(two_shards.ward, 2)
    she = MovedWoman(store, ward)
    await she.live()
    now = she.began + she.second * 1000
    trace = [140.0] * (BEFORE_S - 260) + [60.0] * 260 + [62.0] * AFTER_S

    history = await read_history(store, ward, THERE, 1.0, now)
    assert history.fhr[::HZ].tolist() == trace
    assert history.first_s == she.began // 1000
    assert history.second_stage_from_s == history.first_s + BEFORE_S, "as the monitor of the other bed says"
    kinds = [e.kind for e in history.log]
    assert [kind for kind in kinds if kind in ("arrived", "care", "moved", "came-from", "corrected")] == [
        "arrived", "care", "moved", "came-from", "corrected",
    ]  # fmt: skip
    minutes = [e.t for e in history.trend]
    assert minutes == sorted(set(minutes))
    assert len(minutes) == len(trace) // 60

    record = await read_record(store, ward, THERE)
    sheet = hand_over(record, ward.name, now, UTC)
    assert dict(sheet.situation)["Woman"].startswith("green, 38 weeks")
    assert "turned to the side" in str(sheet)
    assert record.summary is not None
    assert record.summary.flag is not None
    cache = LogCache()
    await cache.update(store, ward, THERE, record.summary.stay_id, now, now)
    (bed,) = shift_report([BedLog(THERE, now, cache.log, cache.trend_times)], 1.0).beds
    raised = [interval for interval in bed.flags if interval.from_s < -AFTER_S]
    assert raised, "the shift has her flag from before she was moved"
    assert bed.flags[-1].until_s == 0, "it goes on"

    left = await read_summary(store, ward, HERE)
    assert left is not None
    assert left.is_empty
    assert [one.by for one in record.summary.attending] == ["Ann"], "whoever was with her is so still"
    assert left.attending == []
    part = await read_stay(store, ward, HERE, left.former[0], now)
    assert part.fhr[::HZ].tolist() == trace[:BEFORE_S]
    assert "moved to bed-7" in stay_page.page(part, left.former[0], ward.name, now, UTC)
    assert record.summary.stay is not None
    assert "before in bed-1" in stay_page.page(history, record.summary.stay, ward.name, now, UTC)
    assert await store.ttl(ward.home_of(THERE).log(THERE, record.summary.stay_id)) == -1

    for suffix in SUFFIXES:
        path = await files.write_signals(two_shards, THERE, 24.0, None, tmp_path / f"all{suffix}")
        np.testing.assert_array_equal(read_recording(path).fhr, history.fhr)
    name = str(left.former[0].id)
    for stay, bed_name, expected in (
        ("green", HERE, trace[:BEFORE_S]),
        (name, HERE, trace[:BEFORE_S]),
        ("green", THERE, trace),
    ):
        path = await files.write_signals(two_shards, bed_name, 24.0, stay, tmp_path / f"{stay}-{bed_name}.csv")
        found = read_recording(path)
        assert found.fhr[::HZ].tolist() == expected
        assert found.labour.weeks == (39 if bed_name == HERE else 38)

    for arguments, says in (
        ((), f"bed: 'bed-1'. Nobody is in it now; name who was with --stay: {name} (green)"),
        (("--stay", "blue"), f"--stay: 'blue'. Nobody of that label was in bed-1; there are: {name} (green)"),
    ):
        out = tmp_path / "nobody.hea"
        done = quietward(two_shards, "record", HERE, "--shards", "2", "--out", str(out), *arguments)
        assert done.returncode == 2
        assert says in done.stderr
        assert not out.exists()
    done = quietward(two_shards, "record", HERE, "--shards", "2", "--stay", "green", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert read_recording(tmp_path / f"{HERE}.hea").fhr[::HZ].tolist() == trace[:BEFORE_S]

    known = await read_summary(store, ward, THERE)
    assert known is not None
    assert known.flag is not None
    async with she.detectors():
        await she.press(Acknowledge(THERE, "Kim", known.flag))  # else nobody leaves
        await she.press(Leave(THERE, "Kim"))
        assert await until(she.is_settled)
    empty = await read_summary(store, ward, THERE)
    assert empty is not None
    assert empty.is_empty
    assert empty.attending == [], "nobody is at an empty bed"
