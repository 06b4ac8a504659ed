"""The loop: drain what has come, write it with one round trip, then acknowledge it.

A message is acknowledged only when its shard's stream holds it. If that fails half-way the broker sends it again,
and the detector drops what it has seen (session and sequence number).

Several ingests divide subscriber slots among themselves: each slot is a session at the broker, which keeps its messages
while no ingest runs it. So what a killed ingest had in hand is delivered to whoever takes over its slot.
"""

import asyncio
import logging
from collections import Counter, defaultdict
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Any, cast

from quietward.contracts.addresses import REFUSED_KEPT, Ward
from quietward.contracts.errors import BadMessage, Refused, Unreachable
from quietward.contracts.fields import encode_json
from quietward.contracts.inputs import Block, DeviceStatus, Input, Tick, encode_inputs
from quietward.contracts.samples import RefusedMessage, example_of
from quietward.contracts.settings import Settings
from quietward.ingest.admission import Expected, Rates, told_of
from quietward.ingest.unexpected import Unexpected
from quietward.ingest.validate import IGNORED, REASONS, bed_in, check, session_in
from quietward.runtime import metrics
from quietward.runtime.clock import Kept, WatchedClock, steady_ms
from quietward.runtime.hooks import TestHook, no_hook
from quietward.runtime.leases import LeaseGroup, run_leased
from quietward.runtime.liveness import StoppedSince, report
from quietward.runtime.logs import Seldom
from quietward.runtime.process import RecancellingTaskGroup
from quietward.runtime.retry import Backoff, until_stored
from quietward.store.client import (
    NoPermissionError,
    PipelinedConnection,
    PipelinedConnections,
    Redis,
    RedisError,
    Script,
    Store,
    connected,
)
from quietward.store.topology import FIRST_SESSIONS, Sessions, check_topology, sessions_of
from quietward.transport.mqtt import KEEPALIVE_S, MqttError, Publisher, Subscriber
from quietward.transport.packets import Message

log = logging.getLogger("quietward.ingest")

TICK_S = 1.0
ADMIT = Script("""
-- key: set of the beds that the ward has taken; arguments: how many it takes, beds that ask
local taken = {}
for i = 2, #ARGV do
  if redis.call('SISMEMBER', KEYS[1], ARGV[i]) == 1 then table.insert(taken, ARGV[i])
  elseif redis.call('SCARD', KEYS[1]) < tonumber(ARGV[1]) then
    redis.call('SADD', KEYS[1], ARGV[i])
    table.insert(taken, ARGV[i])
  end
end
return taken
""")
FULL_FOR_MS = 10_000
"""A full ward is asked again for a bed that it has refused, and told of again, after so long."""
REFUSED_NAMES_KEPT = 1_000
"""Names of beds that a full ward has refused lately; beyond it is asked for them again."""
CATCHES_UP_MS, BEGINS_WITHIN_MS = 60_000, 2_000
"""After a connection the broker hands over what came while nobody listened: for so long at most, from then on."""
BACKLOG_BATCH = 100
"""Messages at once; less, and the broker has handed over what it had."""
SHOWN_AT_ONCE = 100
"""Refused messages of one batch that are kept for inspection; all are counted."""
DEAD_AFTER_S = 2.0
"""The slots of an ingest that is silent for so long go to others. Every bed's seconds arrive by all slots in turn, so
this must be well below the time that a second waits for its predecessor (`wait_s`)."""
REPLICATED_WITHIN_MS = 1000
CONNECTS_WITHIN_S = 2.0
BROKER_SILENT_S = KEEPALIVE_S + 2.0
"""A broker that has sent nothing for so long, not even an answer to a ping, is away."""
DEAF_AFTER_S = 6.0
"""So is one that answers and delivers nothing: what ingest sends itself should come once a second to each slot."""

REFUSED_AGAIN_S = 30.0
"""Where ingest may not send to itself it tries again after so long: somebody must change the broker's rules first."""


async def serve(settings: Settings, test_hook: TestHook = no_hook) -> None:
    """Run until cancelled. Raises Unreachable if broker or store cannot be reached at the start, BadSettings."""
    ward = Ward(settings.ward, settings.shards)
    metrics.expose(settings, "ingest")
    for reason in REASONS:
        metrics.REFUSED.labels(reason)
    async with connected(settings.store, settings.tls) as store, RecancellingTaskGroup() as tasks:
        sessions = FIRST_SESSIONS

        async def agree() -> None:
            nonlocal sessions
            sessions = await sessions_of(store, ward)
            await check_topology(store, ward, shards=settings.shards, seats=settings.seats)

        await until_stored(agree)
        ingest = Ingest(ward, store, settings, test_hook, sessions=sessions)
        slots = LeaseGroup("ingest", settings.seats, DEAD_AFTER_S)
        tasks.create_task(run_leased(store, ward, slots, ingest.run_slot), name="slots")
        tasks.create_task(report(store, ward, "ingest", ingest.troubles), name="report")


class Ingest:
    """Checks messages, sorts them by shard, writes them."""

    def __init__(
        self,
        ward: Ward,
        store: Store,
        settings: Settings,
        test_hook: TestHook = no_hook,
        clock: WatchedClock | None = None,
        sessions: Sessions = FIRST_SESSIONS,
    ) -> None:
        self.ward, self.store, self.settings, self.test_hook = ward, store, settings, test_hook
        self.sessions = sessions
        self.clock = clock or WatchedClock()
        self.kept = [Kept(int(settings.keep_hours / settings.demo_speed * 3_600_000)) for _ in range(ward.shards)]
        self.expected, self.rates = Expected(settings.beds), Rates(settings.rate)
        self.unexpected = Unexpected(store, ward)
        self.beds: set[str] = set()
        self._subscribers: dict[int, Subscriber | None] = {}  # by slot; None while it has no connection
        self._waiting: dict[int, StoppedSince] = {}  # by slot, while nothing is in hand: since when nothing has come
        self._may_not_send = False  # to ourselves
        self._listened = StoppedSince()
        self._ticked: StoppedSince | None = None
        self._writing: dict[int, StoppedSince] = {}  # by slot, while something is in hand: since when
        self.uncounted: Counter[tuple[str, str]] = Counter()  # bed, reason -> messages whose count is not yet written
        self._seldom = Seldom()
        self._knows_beds = False
        self._refused_until: dict[str, int] = {}  # bed that a full ward has refused -> until when it is not asked for
        self._told_full_until = self._connected_ms = 0
        self._worked_once = False

    async def run_slot(self, slot: int) -> None:
        """Run a subscriber slot until cancelled; whoever runs slot 0 also writes the ticks."""
        self._subscribers[slot] = None
        try:
            async with RecancellingTaskGroup() as tasks:
                tasks.create_task(self.receive_for_ever(slot), name="receive")
                tasks.create_task(self.send_itself(slot), name="send itself")
                if slot == 0:
                    tasks.create_task(self.tick(), name="tick")
        finally:  # another ingest has it now: what it waits for is no trouble of ours any more
            del self._subscribers[slot]
            self._writing.pop(slot, None)
            if slot == 0:
                self._ticked = None

    @property
    def broker_is_away(self) -> bool:
        """True while a slot of ours hears nothing of the broker: nothing comes, whatever devices send."""
        silent = any(one is None or one.silent_s > BROKER_SILENT_S for one in self._subscribers.values())
        return silent or self._deaf_s > DEAF_AFTER_S

    @property
    def _deaf_s(self) -> float:
        """For how long a slot has been delivered nothing, though something was sent to it."""
        return 0.0 if self._may_not_send else max((waiting.s for waiting in self._waiting.values()), default=0.0)

    def troubles(self) -> list[str]:
        """Return in words whether the last second was not worked through, with broker and store."""
        metrics.BROKER.set(not self.broker_is_away)
        if not self.broker_is_away:
            self._listened.note()
        if self.broker_is_away and not self._worked_once:
            found = ["not connected to the broker yet"]
        elif self._deaf_s > DEAF_AFTER_S:
            found = [f"the broker has delivered nothing for {self._deaf_s:.0f} s, not even what ingest sends to itself"]
        else:
            found = self._listened.trouble("the broker has been away", CONNECTS_WITHIN_S)
        if self._may_not_send:
            found.append(f"the broker refuses what ingest sends to itself: let it write to {self.ward.own_topic}")
        if self._writing:
            longest = max(self._writing.values(), key=lambda writing: writing.s)
            found += longest.trouble("the store has not taken what came")
        if self._ticked is not None:
            found += self._ticked.trouble("no second was written")
        return found

    def topics(self, slot: int) -> list[str]:
        """Return what a slot subscribes to."""
        # Of those that share, a broker may hand all of one topic to the same; but each has our own by itself.
        shared = [self.ward.shared_samples(self.sessions.group), self.ward.own_topic]
        topics = [self.ward.all_topics] if self.settings.seats == 1 else shared
        if self.settings.seats > 1 and slot == 0:  # a shared subscription does not deliver retained messages
            topics.append(self.ward.status_topic("+"))
        return topics

    def name(self, slot: int) -> str:
        """Name of a slot's session at the broker."""
        among = "" if self.settings.seats == 1 else str(slot)
        return "-".join(filter(None, ("quietward-ingest", self.ward.name, self.sessions.word, among)))

    async def receive_for_ever(self, slot: int) -> None:
        """Receive messages and reconnect when disconnected. Raises Unreachable if the first connection fails."""
        backoff = Backoff()
        while True:
            try:
                async with self.listening(slot, self.topics(slot)) as subscriber, PipelinedConnections() as connections:
                    log.info("ingest of %s: connected to the broker", self.ward.name)
                    backoff.worked()
                    while True:
                        await self.take(slot, subscriber, connections)
            except Unreachable as error:
                if not self._worked_once:
                    raise
                await backoff.wait(error)
            except MqttError as error:
                await backoff.wait(f"broker: {error}")

    @asynccontextmanager
    async def listening(self, slot: int, topics: Sequence[str]) -> AsyncIterator[Subscriber]:
        """Be connected with a slot's session. Raises Unreachable, MqttError."""
        broker, tls = self.settings.broker, self.settings.tls
        async with Subscriber(broker, self.name(slot), *topics, tls=tls, dropped=self._note_dropped) as subscriber:
            self._worked_once = True
            self.rates.catch_up(steady_ms() + CATCHES_UP_MS)
            self._connected_ms = steady_ms()
            self._subscribers[slot] = subscriber
            try:
                yield subscriber
            finally:
                self._subscribers[slot] = None
                self._waiting.pop(slot, None)

    def _note_dropped(self, topic: str) -> None:
        metrics.REFUSED.labels("rate").inc()
        bed = bed_in(topic) or ""
        self.uncounted[bed if bed in self.beds else "?", "rate"] += 1
        if self._seldom.is_due("", "dropped", steady_ms()):
            log.warning(
                "dropped, as more may be: %s sends at QoS 0, and so much waits already that the store has not taken. "
                "At QoS 1 the broker keeps it", topic[:200], extra={"bed": bed, "reason": "rate"},
            )  # fmt: skip

    async def send_itself(self, slot: int) -> None:
        """Send ourselves a message once a second: else a broker that delivers nothing is as a ward without devices.

        Over a connection of its own, as a device does: a broker may close one over which it has refused a message.
        """
        backoff, name = Backoff(), f"{self.name(slot)}-itself"
        while True:
            try:
                async with Publisher(
                    self.settings.broker, name, "", lambda _: self._note_refused(), tls=self.settings.tls
                ) as out:
                    while True:
                        await asyncio.sleep(REFUSED_AGAIN_S if self._may_not_send else TICK_S)
                        await out.publish(self.ward.own_topic, b"", answered=self._note_answer)
                        backoff.worked()
            except (Refused, Unreachable, MqttError) as error:
                await backoff.wait(f"ingest to itself: {error}")

    def _note_answer(self) -> None:
        self._may_not_send = False

    def _note_refused(self) -> None:
        """Called after the answer."""
        self._may_not_send = True

    async def take(self, slot: int, subscriber: Subscriber, connections: PipelinedConnections) -> list[Message]:
        """Wait for what comes, write it, and acknowledge it; return it, with what we sent to ourselves.

        Raises MqttError when disconnected.
        """
        self._waiting[slot] = StoppedSince()
        received = await subscriber.next_batch()
        del self._waiting[slot]
        batch = [message for message in received if message.topic != self.ward.own_topic]
        if not batch:
            subscriber.acknowledge(received)
            return received
        self.test_hook("taken")
        metrics.MESSAGES.inc(len(batch))
        metrics.BATCH.observe(len(batch))
        self._writing[slot] = StoppedSince()
        with metrics.WRITING.time():
            await self.admit(batch)
            at, stepped_ms = self.clock.read()
            inputs, refused = self.sort(batch, at)
            if stepped_ms:  # before anything that bears the new time
                inputs = {n: [Tick(at, stepped_ms), *inputs.get(n, [])] for n in range(self.ward.shards)}
            taken: dict[int, PipelinedConnection | None] = {}
            await until_stored(lambda: self.write(connections, inputs, refused, taken))
        del self._writing[slot]
        self.test_hook("written")
        subscriber.acknowledge(received)
        self.test_hook("acknowledged")
        return received

    async def admit(self, batch: list[Message]) -> None:
        """Take beds that are new and that the ward expects, or somebody has taken in, as long as it has room."""
        if not self._knows_beds:
            await until_stored(self._read_beds)
        topics = {message.topic for message in batch}
        asking = {bed for topic in topics if (bed := bed_in(topic)) is not None} - self.beds
        unexpected = {bed for bed in asking if bed not in self.expected}
        if unexpected:
            await self.unexpected.read()
            await self.unexpected.note(unexpected - self.unexpected.taken_in, steady_ms())
        steady = steady_ms()
        wanted = asking - unexpected | unexpected & self.unexpected.taken_in
        new = sorted(bed for bed in wanted if steady >= self._refused_until.get(bed, steady))
        if not new:
            return
        server, key = self.store.at(self.ward.beds), self.ward.beds
        taken: list[bytes] = []

        async def ask() -> None:
            taken[:] = await ADMIT.run(server, [key], [self.settings.most_beds, *new])

        await until_stored(ask)
        self.beds.update(bed.decode() for bed in taken)
        if refused := [bed for bed in new if bed not in self.beds]:
            self._note_full(refused, steady)

    async def _read_beds(self) -> None:
        """Read once which beds the ward took before this process began: they are let in however full it is."""
        found: set[bytes] = set()
        try:
            found = cast("set[bytes]", await self.store.at(self.ward.beds).smembers(self.ward.beds))
        except NoPermissionError:  # access rules of an older version: beds are asked for one by one, as they come
            log.warning("the store lets ingest not read which beds the ward has: see quietward/deploy/redis-users.conf")
        self.beds |= {bed for raw in found if (bed := raw.decode()) in self.expected}
        self._knows_beds = True

    def _note_full(self, refused: list[str], steady: int) -> None:
        """Do not ask for these again for a while, and say so now and then; ask for all others."""
        self._refused_until |= dict.fromkeys(refused, steady + FULL_FOR_MS)
        if len(self._refused_until) > REFUSED_NAMES_KEPT:
            self._refused_until = {bed: until for bed, until in self._refused_until.items() if steady < until}
        if len(self._refused_until) > REFUSED_NAMES_KEPT:
            self._refused_until.clear()
        if steady >= self._told_full_until:
            self._told_full_until = steady + FULL_FOR_MS
            log.warning(
                "the ward has %d beds and takes no more: %s are refused. Name the beds that it expects by "
                "QUIETWARD_BEDS, or raise QUIETWARD_MOST_BEDS", self.settings.most_beds, told_of(refused),
            )  # fmt: skip

    def sort(self, batch: list[Message], at: int) -> tuple[dict[int, list[Input]], list[RefusedMessage]]:
        """Return valid inputs by shard, and the refused messages. at: their arrival, ms."""
        inputs: dict[int, list[Input]] = defaultdict(list)
        refused: list[RefusedMessage] = []
        steady = steady_ms()
        if len(batch) < BACKLOG_BATCH and steady > self._connected_ms + BEGINS_WITHIN_MS:
            self.rates.catch_up(0)
        for message in batch:
            try:
                ignored: list[str] = []
                item = self._checked(message, at, steady, ignored)
                inputs[self.ward.shard_of(item.bed)].append(item)
                if ignored:
                    refused += self._told_of_ignored(item, message, ignored, at, steady)
            except Exception as error:  # one message must never stop the others
                if not isinstance(error, BadMessage):
                    log.exception("could not check a message", extra={"bed": bed_in(message.topic)})
                    error = BadMessage(
                        "broken", "payload", message.payload, "Could not be checked; this is a fault in quietward"
                    )
                metrics.REFUSED.labels(error.reason).inc()
                shown = example_of(message.payload) if len(refused) < SHOWN_AT_ONCE else ""
                refused.append(RefusedMessage(at, message.topic[:200], error.reason, str(error), shown))
                self._say_refused(message, error, steady)
        return inputs, refused

    def _say_refused(self, message: Message, error: BadMessage, steady: int) -> None:
        """Log that a message was refused, now and then of each bed and reason; all that are no beds here are one."""
        bed = bed_in(message.topic) or ""
        if self._seldom.is_due(bed if bed in self.beds else "", error.reason, steady):
            about = {"bed": bed, "session": session_in(message.payload), "reason": error.reason}
            log.warning("refused: %s", error, extra=about)

    def _told_of_ignored(
        self, item: Block | DeviceStatus, message: Message, names: list[str], at: int, steady: int
    ) -> list[RefusedMessage]:
        """Count a message that was used but for some fields; return it as an example now and then."""
        metrics.IGNORED.inc()
        self.uncounted[item.bed, IGNORED] += 1
        if not self._seldom.is_due(item.bed, IGNORED, steady):
            return []
        values = ", ".join(names)
        said = f"Used, but for fields that are not known here: {values}"
        about = {"bed": item.bed, "session": getattr(item, "session", ""), "reason": IGNORED}
        log.warning("%s", said, extra=about)
        return [RefusedMessage(at, message.topic[:200], IGNORED, said, example_of(message.payload))]

    def _checked(self, message: Message, at: int, steady: int, ignored: list[str]) -> Block | DeviceStatus:
        """Return a message's content; the names of its fields that are not known here go to `ignored`.

        Raises BadMessage.
        """
        bed = bed_in(message.topic)
        if bed is not None:  # else `check` says what is wrong with the topic
            if bed not in self.beds:
                remedy = "The ward does not expect it, or is full: see its page, QUIETWARD_BEDS and QUIETWARD_MOST_BEDS"
                raise BadMessage("bed", "bed", bed, remedy)
            if not self.rates.take(bed, steady):
                remedy = f"Send {self.settings.rate:g} messages a second on average, or set QUIETWARD_RATE"
                raise BadMessage("rate", "bed", bed, remedy)
        return check(message.topic, message.payload, message.content_type, at, message.malformed, ignored)

    async def write(
        self,
        connections: PipelinedConnections,
        inputs: dict[int, list[Input]],
        refused: list[RefusedMessage],
        taken: dict[int, PipelinedConnection | None],
    ) -> None:
        """Write everything, with one round trip to each server, and remove from the arguments what is written.

        taken: empty at the first try; shard -> the connection over which its server has taken what replicas have not.
        Raises RedisError when something is left; then nothing may be acknowledged.
        """
        keys = {number: self.ward.shard(number).input for number in inputs}
        by_server: dict[Redis, list[int]] = defaultdict(list)
        for number, key in keys.items():
            by_server[self.store.at(key)].append(number)
        writes = [
            self._write_inputs(connections, server, keys, inputs, numbers, taken)
            for server, numbers in by_server.items()
        ]
        if refused or self.uncounted:
            writes.append(self._write_refused(refused))
        if len(writes) == 1:
            await writes[0]
        else:  # wait for all: what one server has accepted must not be written again when another one fails
            failed = [error for error in await asyncio.gather(*writes, return_exceptions=True) if error is not None]
            if failed:
                raise failed[0]

    async def _write_inputs(
        self,
        connections: PipelinedConnections,
        server: Redis,
        keys: dict[int, str],
        inputs: dict[int, list[Input]],
        numbers: list[int],
        taken: dict[int, PipelinedConnection | None],
    ) -> None:
        # What this server has taken, and no replica yet, is not written again and again meanwhile: a replica that has a
        # later write of the same connection has it. Over another connection another server may answer.
        has_it = {n for n in taken if taken[n] is not None and taken[n] is connections.to(server)}
        tick: list[Input] = [Tick(*self.clock.read(), self.broker_is_away)] if has_it else []
        written = {n: encode_inputs(tick if n in has_it else inputs[n]) for n in numbers}
        commands: list[Sequence[Any]] = [
            ("XADD", keys[n], "MINID", "~", self.kept[n].oldest_ms(), "*", "e", written[n]) for n in numbers
        ]
        min_replicas = self.store.min_replicas(server, self.settings.copies)
        if min_replicas:
            commands.append(("WAIT", min_replicas, REPLICATED_WITHIN_MS))
        replies = await connections.execute(server, *commands)
        refused = [reply for reply in replies if isinstance(reply, RedisError)]
        replicas = replies.pop() if min_replicas else 0
        is_safe = replicas not in refused and replicas >= min_replicas
        for number, entry_id in zip(numbers, replies, strict=True):
            if entry_id not in refused:
                self.kept[number].note(int(entry_id.partition(b"-")[0]))
                if is_safe:
                    del inputs[number]
        if refused:
            raise refused[0]
        if not is_safe:
            taken.update(dict.fromkeys(numbers, connections.to(server)))
            raise RedisError(f"only {replicas} of {min_replicas} replicas have what was written")

    async def _write_refused(self, refused: list[RefusedMessage]) -> None:
        """Count all by bed and reason, where a bed is one of the ward's, and keep some of them."""
        examples = [(bed_in(message.topic) or "?", message.reason) for message in refused]
        counts = Counter(example for example in examples if example[1] != IGNORED)
        uncounted, self.uncounted = self.uncounted, Counter()  # others write meanwhile: nobody counts them twice
        counts.update(uncounted)
        async with self.store.at(self.ward.refused).pipeline(transaction=False) as pipe:
            for (bed, reason), count in counts.items():
                pipe.hincrby(self.ward.refusals, f"{bed if bed in self.beds else '?'} {reason}", count)
            for message in refused[:SHOWN_AT_ONCE]:
                pipe.xadd(self.ward.refused, {"e": encode_json(message)}, maxlen=REFUSED_KEPT, approximate=True)
            try:
                await pipe.execute()
            except BaseException:
                self.uncounted.update(uncounted)
                raise
        refused.clear()

    async def tick(self) -> None:
        """Write a Tick into every shard's stream once a second."""
        self._ticked = StoppedSince()
        told = dict.fromkeys(range(self.ward.shards), self.clock.set_by_ms)
        async with PipelinedConnections() as connections:
            while True:
                await asyncio.sleep(TICK_S)
                try:
                    await self.write_ticks(connections, told)
                    self._ticked.note()
                except RedisError as error:
                    log.warning("tick: %s", error)

    async def write_ticks(self, connections: PipelinedConnections, told: dict[int, int]) -> None:
        """Write a Tick into every shard's stream. Raises RedisError when one of them could not be written.

        told: shard -> `set_by_ms` of our clock that has been written there. What has not is told by the next Tick that
        is written, however long the store was away.
        """
        at, stepped_ms = self.clock.read()
        set_by_ms = self.clock.set_by_ms
        ticks: dict[int, list[Input]] = {
            number: [Tick(at, set_by_ms - told[number] or stepped_ms, self.broker_is_away)] for number in told
        }
        try:
            await self.write(connections, ticks, [], {})
        finally:
            told |= {number: set_by_ms for number in told if number not in ticks}
