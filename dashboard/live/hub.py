"""Follows Redis for all pages together: one reader however many browsers look."""

import asyncio
import logging
import struct
from dataclasses import dataclass, field
from typing import cast

from msgspec import Struct

from quietward.contracts.addresses import Shard, Ward
from quietward.contracts.messages import (
    Block,
    Command,
    CommandEnvelope,
    Event,
    PolicyInfo,
    Summary,
    decode_inputs,
    decode_summary,
    encode_inputs,
    encode_json,
)
from quietward.dashboard.history.records import read_newest, read_sheet
from quietward.dashboard.view.clocks import dead_parts
from quietward.dashboard.view.marks import marks
from quietward.dashboard.view.order import Place, in_order
from quietward.dashboard.view.strips import KEPT_S, Strip
from quietward.dashboard.view.view_model import Card, card
from quietward.runtime import metrics
from quietward.runtime.clock import now_ms
from quietward.runtime.retry import Backoff
from quietward.store.client import RedisError, Store, read_stream

log = logging.getLogger("quietward.serve")

FRAME_S = 1.0
PARTS = ("ingest", "detect")
LOG_SHOWN = 200
TREND_SHOWN = KEPT_S // 60
MARGIN_MS = 5_000
"""Blocks are found by arrival; a little more than KEPT_S is read at the start."""


class Labour(Struct, frozen=True):
    """What a device says of the labour beside its signals: stage, completed weeks, the mother's pulse in bpm."""

    stage: int | None
    weeks: int | None
    mothers_bpm: float | None


@dataclass
class Hub:
    """Newest state of the ward, and the frames that pages get.

    A frame is: uint32 length of the head, the head as JSON, then for each bed of the head FHR and UA of its new
    seconds as int16 (see Strip.part). All little-endian.
    """

    ward: Ward
    store: Store
    strips: dict[str, Strip] = field(default_factory=dict)
    summaries: dict[str, Summary] = field(default_factory=dict)
    labours: dict[str, Labour] = field(default_factory=dict)
    heartbeats: dict[str, int] = field(default_factory=dict)
    sheet: PolicyInfo | None = None
    places: dict[str, Place] = field(default_factory=dict)
    marks: dict[str, list[Event]] = field(default_factory=dict)
    trends: dict[str, list[Event]] = field(default_factory=dict)
    sent: dict[str, int] = field(default_factory=dict)
    marks_sent: dict[str, int] = field(default_factory=dict)
    frame: bytes = b""
    frame_number: int = 0
    frame_ready: asyncio.Condition = field(default_factory=asyncio.Condition)
    store_gone_since: int | None = None

    async def run(self) -> None:
        """Follow until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            for shard in self.ward.all_shards:
                tasks.create_task(self._follow(shard), name=f"follow shard {shard.number}")
            tasks.create_task(self._make_frames(), name="frames")

    async def _follow(self, shard: Shard) -> None:
        """Keep the strips up to date."""
        backoff = Backoff()
        after = f"{now_ms() - KEPT_S * 1000 - MARGIN_MS}-0"
        while True:
            try:
                for entry_id, fields in await read_stream(self.store.at(shard.input), shard.input, after, 500):
                    for item in decode_inputs(fields[b"e"]):
                        if isinstance(item, Block):
                            self.strips.setdefault(item.bed, Strip()).add(item)
                            self.labours[item.bed] = Labour(item.stage, item.weeks, item.mhr)
                    after = entry_id.decode()
                await asyncio.sleep(0)
                backoff.worked()
            except RedisError as error:
                await backoff.wait(f"store: {error}")

    async def _make_frames(self) -> None:
        loop = asyncio.get_running_loop()
        due = loop.time()
        while True:
            with metrics.FRAMES.time():
                try:
                    await self._look()
                    self.store_gone_since = None
                except RedisError as error:
                    self.store_gone_since = self.store_gone_since or now_ms()
                    log.warning("store: %s", error)
                frame = self._frame(whole=False)
            self.marks_sent = {bed: summary.events for bed, summary in self.summaries.items()}
            self.sent = {bed: strip.last for bed, strip in self.strips.items()}
            async with self.frame_ready:
                self.frame, self.frame_number = frame, self.frame_number + 1
                self.frame_ready.notify_all()
            due = max(due + FRAME_S, loop.time())
            await asyncio.sleep(due - loop.time())

    async def next_frame(self, seen: int) -> tuple[int, bytes]:
        """Wait for a frame newer than number `seen` and return its number and itself."""
        async with self.frame_ready:
            await self.frame_ready.wait_for(lambda: self.frame_number > seen)
            return self.frame_number, self.frame

    async def _look(self) -> None:
        """Read summaries, heartbeats and what is new in the logs."""
        for shard in self.ward.all_shards:
            found = cast("dict[bytes, bytes]", await self.store.at(shard.summary).hgetall(shard.summary))
            for raw in found.values():
                summary = decode_summary(raw)
                before = self.summaries.get(summary.bed)
                if before is None or before.events != summary.events:
                    self.marks[summary.bed] = await self.log(summary.bed)
                    self.trends[summary.bed] = await read_newest(self.store, shard.trend(summary.bed), TREND_SHOWN)
                self.summaries[summary.bed] = summary  # last: if a log could not be read it is asked for again
        self.sheet = await read_sheet(self.store, self.ward)
        beats = cast("dict[bytes, bytes]", await self.store.at(self.ward.parts).hgetall(self.ward.parts))
        self.heartbeats = {part.decode(): int(at) for part, at in beats.items()}

    async def log(self, bed: str) -> list[Event]:
        """Return the newest lines of a bed's log, newest first."""
        return await read_newest(self.store, self.ward.shard(self.ward.shard_of(bed)).log(bed), LOG_SHOWN)

    @property
    def beds(self) -> set[str]:
        """All beds that have ever sent, as far as is known."""
        return {*self.strips, *self.summaries}

    def cards(self) -> list[Card]:
        """Return all beds in the order in which they need somebody."""
        now = now_ms()
        found = [card(bed, self.summaries.get(bed), now, self.sheet) for bed in self.beds]
        ordered, self.places = in_order(found, self.places, now)
        return ordered

    def snapshot(self) -> bytes:
        """Return a frame with everything that is held."""
        return self._frame(whole=True)

    def _frame(self, *, whole: bool) -> bytes:
        now = now_ms()
        beds, bodies = [], []
        for shown in self.cards():
            strip = self.strips.get(shown.bed, Strip())
            first, body = strip.part(-1 if whole else self.sent.get(shown.bed, -1))
            bed: dict[str, object] = {"card": shown, "first": first, "seconds": strip.last - first + 1}
            if shown.bed in self.labours:
                bed["labour"] = self.labours[shown.bed]
            if whole or self.marks_sent.get(shown.bed) != shown.events:
                bed["marks"] = marks(self.marks.get(shown.bed, []))
                bed["trend"] = [
                    (e.t // 1000, e.detail["baseline_bpm"]) for e in reversed(self.trends.get(shown.bed, []))
                ]
            beds.append(bed)
            bodies.append(body)
        troubles = dead_parts(self.heartbeats, PARTS, now)
        if self.store_gone_since is not None:
            troubles = [f"the store has been away for {(now - self.store_gone_since) / 1000:.0f} s"]
        head = {
            "now": now,
            "ward": self.ward.name,
            "troubles": troubles,
            "whole": whole,
            "policy": self.sheet,
            "beds": beds,
        }
        raw = encode_json(head)
        return struct.pack("<I", len(raw)) + raw + b"".join(bodies)

    async def act(self, act: Command) -> None:
        """Hand what a person did to the detector, through the stream like any other input."""
        shard = self.ward.shard(self.ward.shard_of(act.bed))
        await self.store.at(shard.input).xadd(shard.input, {"e": encode_inputs([CommandEnvelope(now_ms(), act)])})
