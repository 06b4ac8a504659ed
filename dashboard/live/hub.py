"""Follows the store for all pages together: one reader, however many browsers are open."""

import asyncio
import logging
import struct
from dataclasses import dataclass, field
from typing import cast

from msgspec import Struct

from quietward.contracts.addresses import Shard, Ward
from quietward.contracts.commands import Command
from quietward.contracts.fields import encode_json
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Transfer, Unreadable, encode_inputs, inputs_of
from quietward.contracts.liveness import WorkerReport, reports_of, troubles_of_ward
from quietward.contracts.log import TREND_OF, Event
from quietward.contracts.policy_info import PolicyInfo
from quietward.contracts.samples import UnexpectedDevice
from quietward.contracts.summary import Summary, decode_summary
from quietward.contracts.timeline import Standing
from quietward.dashboard.history.forgetting import read_forgotten, readable
from quietward.dashboard.history.reader import read_newest, read_policy, read_unexpected
from quietward.dashboard.view.clocks import Lateness
from quietward.dashboard.view.marks import strip_marks
from quietward.dashboard.view.ranking import Ranking, rank_beds
from quietward.dashboard.view.signal_buffer import KEPT_S, SignalBuffer
from quietward.dashboard.view.view_model import Card, at_one_bed_each, build_card
from quietward.runtime import metrics
from quietward.runtime.clock import now_ms
from quietward.runtime.liveness import StoppedSince
from quietward.runtime.retry import Backoff, at_once_again
from quietward.store.client import RedisError, Store, read_stream

log = logging.getLogger("quietward.serve")

FRAME_S = 1.0
READ_WITHIN_S = 2.0
"""A store that does not answer for so long is away: frames must go on, or pages lose their server."""
LOG_LINES = 200
TREND_POINTS = KEPT_S // 60
"""Of the baseline that the strip shows, one for each minute."""
BATCH = 500
"""Stream entries that are read at once."""
MARGIN_MS = 5_000
"""Blocks are found by arrival, so that a little more than KEPT_S is read at the start."""


class LabourInfo(Struct, frozen=True):
    """What a device sends beside its signals: stage of labour, completed weeks, the mother's pulse in bpm."""

    stage: int | None
    weeks: int | None
    mothers_bpm: float | None


@dataclass
class MovedHere:
    """A woman who is being moved to a bed, or was: its strip with her, on her clock, and as it would be without her.
    Both go on, since the detector decides which it is, and the move may be undone.

    stay: hers here, 0 until the detector has her; last_s: her last second in the bed she came from.
    """

    move: str
    source: SignalBuffer
    last_s: int
    hers: SignalBuffer
    own: SignalBuffer
    stay: int = 0
    has_past: bool = False


@dataclass
class Hub:
    """Newest state of the ward, and the frames for the pages. All dictionaries are by bed.

    speed: seconds of signal per second; other than 1 in a demo whose beds' clocks run ahead on purpose. late: beds of
    which what is known is old, and newer on its way, as of the newest frame. went: when each of the staff last went to
    a bed, ms.

    A frame is: uint32 length of the head, the head as JSON, then for each bed of the head FHR and UA of its new
    seconds as int16 (see SignalBuffer), with `has_second` the FHR of a second twin behind them. All little-endian.
    """

    ward: Ward
    store: Store
    speed: float = 1.0
    lateness: Lateness = field(default_factory=Lateness)
    late: set[str] = field(default_factory=set)
    signals: dict[str, SignalBuffer] = field(default_factory=dict)
    summaries: dict[str, Summary] = field(default_factory=dict)
    moved: dict[str, MovedHere] = field(default_factory=dict)
    labours: dict[str, LabourInfo] = field(default_factory=dict)
    reports: list[WorkerReport] = field(default_factory=list)
    policy: PolicyInfo | None = None
    unexpected: list[UnexpectedDevice] = field(default_factory=list)
    rankings: dict[str, Ranking] = field(default_factory=dict)
    went: dict[str, int] = field(default_factory=dict)
    logs: dict[str, list[Event]] = field(default_factory=dict)
    trends: dict[str, list[Event]] = field(default_factory=dict)
    sent_seconds: dict[str, int] = field(default_factory=dict)
    sent_events: dict[str, int] = field(default_factory=dict)
    sent_stays: dict[str, int] = field(default_factory=dict)
    frame: bytes = b""
    frame_number: int = 0
    frame_ready: asyncio.Condition = field(default_factory=asyncio.Condition)
    framed: StoppedSince = field(default_factory=StoppedSince)
    store_away_since: int | None = None
    store_refuses: str = ""

    async def run(self) -> None:
        """Follow the store and make frames until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            for shard in self.ward.all_shards:
                tasks.create_task(self._follow(shard), name=f"follow shard {shard.number}")
            tasks.create_task(self._make_frames(), name="frames")

    async def _follow(self, shard: Shard) -> None:
        """Keep the signals of a shard's beds up to date."""
        backoff = Backoff()
        after = f"{now_ms() - KEPT_S * 1000 - MARGIN_MS}-0"
        while True:
            try:
                for entry_id, fields in await read_stream(self.store.at(shard.input), shard.input, after, BATCH):
                    for item in inputs_of(fields):
                        self._take(item)
                    after = entry_id.decode()
                await asyncio.sleep(0)
                backoff.worked()
            except RedisError as error:
                await backoff.wait(f"store: {error}")

    def _take(self, item: Input | Unreadable) -> None:
        """Take what a strip needs of the input stream. Whatever one bed sends, the others are shown."""
        match item:
            case Transfer():
                self._prepare(item)
            case Block(bed=bed):
                moved = self.moved.get(bed)
                both = [self.signals.setdefault(bed, SignalBuffer())] if moved is None else [moved.hers, moved.own]
                for buffer in both:
                    try:
                        buffer.add(item)
                    except Exception:
                        log.exception("the strip of %s begins anew", bed)
                        buffer.begin_anew()
                self.labours[bed] = LabourInfo(item.stage, item.weeks, item.mhr)

    def _prepare(self, item: Transfer) -> None:
        """A bed is asked to take a woman: from here on its monitor's seconds may be hers."""
        if (known := self.moved.get(item.bed)) is not None and known.move == item.id:
            return  # it is asked again
        before = self.moved.get(item.of)
        is_hers = before is not None and item.stay.came_from[-1:] and item.stay.came_from[-1].move == before.move
        source = before.hers if before is not None and is_hers else self.signals.setdefault(item.of, SignalBuffer())
        own = self.signals.setdefault(item.bed, SignalBuffer())
        hers = SignalBuffer(session=item.session, stands=Standing(*item.stands))
        self.moved[item.bed] = MovedHere(item.id, source, item.stands[0], hers, own)

    def _show_moved(self, summary: Summary) -> None:
        """Let a bed's strip be that of the woman who was moved there once the detector has her, until it is undone."""
        moved = self.moved.get(summary.bed)
        if moved is None:
            return
        for stay in (summary.stay, *summary.former):
            if stay is not None and stay.came_from and stay.came_from[-1].move == moved.move:
                moved.stay = stay.id
        is_there = 0 < moved.stay <= summary.stay_id
        self.signals[summary.bed] = moved.hers if is_there else moved.own
        if is_there and not moved.has_past and moved.source.last >= moved.last_s:
            moved.hers.begin_with(moved.source, moved.last_s)
            moved.has_past = True
            self.sent_stays[summary.bed] = -1  # pages get all of it

    async def _make_frames(self) -> None:
        loop = asyncio.get_running_loop()
        due = loop.time()
        while True:
            with metrics.FRAMES.time():
                try:
                    async with asyncio.timeout(READ_WITHIN_S):
                        await at_once_again(self._read_state)
                    self.store_away_since = None
                except (RedisError, TimeoutError) as error:
                    self.store_away_since = self.store_away_since or now_ms()
                    log.warning("store: %s", error or f"no answer within {READ_WITHIN_S:.0f} s")
                frame = self._frame(whole=False)
            self.sent_events = {bed: summary.events for bed, summary in self.summaries.items()}
            self.sent_stays = {bed: summary.stay_id for bed, summary in self.summaries.items()}
            self.sent_seconds = {bed: buffer.last for bed, buffer in self.signals.items()}
            async with self.frame_ready:
                self.frame, self.frame_number = frame, self.frame_number + 1
                self.frame_ready.notify_all()
            self.framed.note()
            due = max(due + FRAME_S, loop.time())
            await asyncio.sleep(due - loop.time())

    async def next_frame(self, after: int) -> tuple[int, bytes]:
        """Wait for a frame with a number above `after`; return its number and the frame."""
        async with self.frame_ready:
            await self.frame_ready.wait_for(lambda: self.frame_number > after)
            return self.frame_number, self.frame

    async def _read_state(self) -> None:
        """Read summaries, reports of workers, and the logs that have new events. Raises RedisError."""
        forgotten = await read_forgotten(self.store, self.ward)
        evaluated: set[str] = set()
        for shard in self.ward.all_shards:
            raw = cast("dict[bytes, bytes]", await self.store.at(shard.summary).hgetall(shard.summary))
            for summary in map(decode_summary, raw.values()):
                before = self.summaries.get(summary.bed)
                if before is None or before.events != summary.events:
                    bed, stay = summary.bed, summary.stay_id
                    self.logs[bed] = await read_newest(self.store, shard.log(bed, stay), LOG_LINES)
                    self.trends[bed] = await read_newest(self.store, shard.trend(bed, stay), TREND_POINTS)
                if before is not None and before.stay_id != summary.stay_id:
                    self.labours.pop(summary.bed, None)
                self._show_moved(summary)
                # last, so that a log that could not be read is read again
                self.summaries[summary.bed] = readable(summary, forgotten)
                evaluated.add(summary.bed)
        self._forget(self.summaries.keys() - evaluated)
        self.policy = await read_policy(self.store, self.ward)
        self.unexpected = await read_unexpected(self.store, self.ward)
        stored = cast("dict[bytes, bytes]", await self.store.at(self.ward.heartbeats).hgetall(self.ward.heartbeats))
        self.reports = reports_of(stored)

    def _forget(self, beds: set[str]) -> None:
        """Forget what was known of beds that the store has lost: they stay on the page, and nobody has evaluated them.

        What a page remembers must not look calm until a detector has noticed that the store came back empty; and
        where one woman's strip began is lost, too.
        """
        for bed in beds:
            log.warning("the store knows nothing of %s any more", bed)
            self.signals[bed] = SignalBuffer()
            for known in (self.summaries, self.moved, self.labours, self.logs, self.trends):
                known.pop(bed, None)

    async def log(self, bed: str) -> list[Event]:
        """Return the newest lines of a bed's log, newest first. Raises RedisError."""
        stay = self.summaries[bed].stay_id if bed in self.summaries else 0
        return await read_newest(self.store, self.ward.shard(self.ward.shard_of(bed)).log(bed, stay), LOG_LINES)

    @property
    def beds(self) -> set[str]:
        """All beds that are known to have sent anything."""
        return {*self.signals, *self.summaries}

    def cards(self) -> list[Card]:
        """Return the cards of all beds, the one that needs somebody most first."""
        now = now_ms()
        cards, self.went = at_one_bed_each([self._card(bed, now) for bed in self.beds], self.went)
        ranked, self.rankings = rank_beds(cards, self.rankings, now)
        return ranked

    def _card(self, bed: str, now: int) -> Card:
        summary = self.summaries.get(bed)
        is_late = summary is not None and self.speed == 1 and self.lateness.is_late(summary, now)
        (self.late.add if is_late else self.late.discard)(bed)
        return build_card(bed, summary, now, self.policy, self.speed, is_late=is_late)

    def snapshot(self) -> bytes:
        """Return a frame with everything, for a browser that has nothing yet."""
        return self._frame(whole=True)

    def _frame(self, *, whole: bool) -> bytes:
        now = now_ms()
        beds, bodies = [], []
        for card in self.cards():
            name = card.bed
            buffer, summary = self.signals.get(name, SignalBuffer()), self.summaries.get(name)
            is_empty = summary is not None and summary.is_empty
            stay, hers_from = (0, 0) if summary is None else (summary.stay_id, summary.first_s)
            is_new = self.sent_stays.get(name, stay) != stay  # nothing of the strip before is hers
            after = -1 if whole or is_new else self.sent_seconds.get(name, -1)
            first, body = buffer.bytes_after(buffer.last if is_empty else max(after, hers_from - 1))
            bed: dict[str, object] = {"card": card, "first": first, "seconds": max(0, buffer.last - first + 1)}
            if buffer.fhr2 is not None:
                bed["has_second"] = True
            if is_new:
                bed["is_new"] = True
            if name in self.labours and not is_empty:
                bed["labour"] = self.labours[name]
            if whole or is_new or self.sent_events.get(name) != card.events:
                bed["marks"] = strip_marks(self.logs.get(name, []), self.policy)
                trend = self.trends.get(name, [])
                bed["trend"] = [(e.t // 1000, e.detail["baseline_bpm"]) for e in reversed(trend)]
                if buffer.fhr2 is not None:
                    bed["trend2"] = [(e.t // 1000, e.detail.get(f"{TREND_OF[1]}baseline_bpm")) for e in reversed(trend)]
            beds.append(bed)
            bodies.append(body)
        head = {
            "now": now,
            "ward": self.ward.name,
            "troubles": self.troubles_of_ward(now),
            "whole": whole,
            "speed": self.speed,
            "policy": self.policy,
            "unexpected": self.unexpected,
            "beds": beds,
        }
        raw = encode_json(head)
        return struct.pack("<I", len(raw)) + raw + b"".join(bodies)

    def troubles_of_ward(self, now_ms: int) -> list[str]:
        """Return in words what is wrong with the ward's parts. While the store is away nothing is known of others."""
        if self.store_away_since is not None:
            return [f"the store has been away for {max(1, (now_ms - self.store_away_since) / 1000):.0f} s"]
        if self.store_refuses:  # nor is it while the store can be read and not written
            return [f"the store accepts nothing: {self.store_refuses}"]
        return troubles_of_ward(self.reports, now_ms)

    def note_refusal(self, why: str) -> None:
        """Note why the store takes nothing that is written; empty: it does."""
        self.store_refuses = why[:80]

    def troubles(self) -> list[str]:
        """Return in words whether the page itself has made no frame lately."""
        return self.framed.trouble("the page gets no new data")

    async def send(self, command: Command) -> None:
        """Send a command to the detector, through the same stream as all its input. Raises RedisError."""
        shard = self.ward.shard(self.ward.shard_of(command.bed))
        await self.store.at(shard.input).xadd(shard.input, {"e": encode_inputs([CommandEnvelope(now_ms(), command)])})

    async def take_in(self, device: str) -> None:
        """Let a device speak for a bed of its name, though the ward does not expect it. Raises RedisError."""
        async with self.store.at(self.ward.taken_in).pipeline(transaction=True) as pipe:
            pipe.sadd(self.ward.taken_in, device)
            pipe.hdel(self.ward.unexpected, device)
            await pipe.execute()
