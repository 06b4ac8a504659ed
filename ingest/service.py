"""The loop: drain what has come, write it with one round trip, then acknowledge it.

A message is acknowledged only when its shard's stream holds it. If that fails half-way the broker sends it again,
and the detector drops what it has seen (session and sequence number).

Several ingests share out seats: each seat is a session at the broker, which keeps what is meant for it while nobody
sits there. So what a killed ingest had in hand comes to whoever takes its seat, and nothing is lost with it.
"""

import asyncio
import logging
from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any

from quietward.contracts.addresses import REFUSED_KEPT, Ward
from quietward.contracts.errors import BadMessage, Unreachable
from quietward.contracts.messages import Input, RefusedMessage, Tick, encode_inputs, encode_json
from quietward.contracts.settings import Settings
from quietward.ingest.validate import REASONS, check
from quietward.runtime import metrics
from quietward.runtime.clock import now_ms
from quietward.runtime.heartbeat import heartbeat
from quietward.runtime.leases import Share, work
from quietward.runtime.process import RecancellingTaskGroup
from quietward.runtime.retry import Backoff, until_stored
from quietward.store.client import Lines, Redis, RedisError, Store, connected
from quietward.store.topology import agree
from quietward.transport.mqtt import MqttError, Subscriber
from quietward.transport.packets import Message

log = logging.getLogger("quietward.ingest")

TICK_S = 1.0
DEAD_AFTER_S = 2.0
"""A seat whose ingest is silent for so long goes to another. Every bed's seconds come by all seats in turn, so this
must be well below the time that a second waits for its predecessor (`wait_s`)."""
COPIED_WITHIN_MS = 1000

Watch = Callable[[str], None]
"""Told how far a batch has come; tests stop the process there."""


def _nobody(_: str) -> None:
    """Watch nothing."""


async def serve(settings: Settings, watch: Watch = _nobody) -> None:
    """Run until cancelled. Raises Unreachable if broker or store are not there at the start, BadSettings."""
    ward = Ward(settings.ward, settings.shards)
    metrics.expose(settings, "ingest")
    for reason in REASONS:
        metrics.REFUSED.labels(reason)
    async with connected(settings.store) as store, RecancellingTaskGroup() as tasks:
        await until_stored(lambda: agree(store, ward, shards=settings.shards, seats=settings.seats))
        ingest = Ingest(ward, store, settings, watch)
        tasks.create_task(work(store, ward, Share("ingest", settings.seats, DEAD_AFTER_S), ingest.sit), name="seats")
        tasks.create_task(heartbeat(store, ward.parts, "ingest"), name="heartbeat")


class Ingest:
    """Checks, sorts by shard, writes."""

    def __init__(self, ward: Ward, store: Store, settings: Settings, watch: Watch = _nobody) -> None:
        self.ward, self.store, self.settings, self.watch = ward, store, settings, watch
        self.keep_ms = int(settings.keep_hours * 3_600_000)
        self._worked_once = False

    async def sit(self, seat: int) -> None:
        """Do the work of a seat until cancelled; who sits on the first one also tells the time."""
        async with RecancellingTaskGroup() as tasks:
            tasks.create_task(self.receive_for_ever(seat), name="receive")
            if seat == 0:
                tasks.create_task(self.tick(), name="tick")

    def _subscriber(self, seat: int) -> Subscriber:
        name = f"quietward-ingest-{self.ward.name}"
        if self.settings.seats == 1:
            return Subscriber(self.settings.broker, name, self.ward.all_topics)
        topics = [self.ward.shared_samples]
        if seat == 0:  # what is retained does not come by a shared subscription
            topics.append(self.ward.status_topic("+"))
        return Subscriber(self.settings.broker, f"{name}-{seat}", *topics)

    async def receive_for_ever(self, seat: int) -> None:
        """Take messages, over as many connections as it needs. Raises Unreachable if the first cannot be made."""
        backoff = Backoff()
        while True:
            try:
                async with self._subscriber(seat) as subscriber, Lines() as lines:
                    log.info("ingest of %s: connected to the broker", self.ward.name)
                    self._worked_once = True
                    backoff.worked()
                    await self.receive(subscriber, lines)
            except Unreachable as error:
                if not self._worked_once:
                    raise
                await backoff.wait(error)
            except MqttError as error:
                await backoff.wait(f"broker: {error}")

    async def receive(self, subscriber: Subscriber, lines: Lines) -> None:
        """Take messages until disconnected. Raises MqttError."""
        while True:
            batch = await subscriber.next_batch()
            self.watch("taken")
            metrics.MESSAGES.inc(len(batch))
            metrics.BATCH.observe(len(batch))
            with metrics.WRITING.time():
                inputs, refused = self.sort(batch, now_ms())
                await until_stored(lambda i=inputs, r=refused: self.write(lines, i, r))  # type: ignore[misc]
            self.watch("written")
            subscriber.acknowledge(batch)
            self.watch("acknowledged")

    def sort(self, batch: list[Message], at: int) -> tuple[dict[int, list[Input]], list[RefusedMessage]]:
        """Return checked inputs by shard, and what was refused."""
        inputs: dict[int, list[Input]] = defaultdict(list)
        refused = []
        for message in batch:
            try:
                item = check(message.topic, message.payload, message.content_type, at)
                inputs[self.ward.shard_of(item.bed)].append(item)
            except Exception as error:  # one message must never stop the others
                if not isinstance(error, BadMessage):
                    log.exception("could not check a message on %s", message.topic)
                    error = BadMessage(
                        "broken", "payload", message.payload, "Could not be checked; this is a defect here"
                    )
                shown = message.payload[:500].decode("utf-8", "replace")
                metrics.REFUSED.labels(error.reason).inc()
                refused.append(RefusedMessage(at, message.topic, error.reason, str(error), shown))
        return inputs, refused

    async def write(self, lines: Lines, inputs: dict[int, list[Input]], refused: list[RefusedMessage]) -> None:
        """Write everything, with one round trip to each server; what is written is taken out of the arguments.

        Raises RedisError when something is left; then nothing may be acknowledged.
        """
        keys = {number: self.ward.shard(number).input for number in inputs}
        by_server: dict[Redis, list[int]] = defaultdict(list)
        for number, key in keys.items():
            by_server[self.store.at(key)].append(number)
        writes = [self._write_inputs(lines, server, keys, inputs, numbers) for server, numbers in by_server.items()]
        if refused:
            writes.append(self._write_refused(refused))
        if len(writes) == 1:
            await writes[0]
        else:  # all of them to their end: what one server has taken must not be written again when another one fails
            failed = [error for error in await asyncio.gather(*writes, return_exceptions=True) if error is not None]
            if failed:
                raise failed[0]

    async def _write_inputs(
        self, lines: Lines, server: Redis, keys: dict[int, str], inputs: dict[int, list[Input]], numbers: list[int]
    ) -> None:
        oldest = now_ms() - self.keep_ms
        commands: list[Sequence[Any]] = [
            ("XADD", keys[number], "MINID", "~", oldest, "*", "e", encode_inputs(inputs[number])) for number in numbers
        ]
        copies = self.store.copies(server, self.settings.copies)
        if copies:
            commands.append(("WAIT", copies, COPIED_WITHIN_MS))
        *_, reached = await lines.ask(server, *commands)
        if copies and reached < copies:
            raise RedisError(f"only {reached} of {copies} copies have what was written")
        for number in numbers:
            del inputs[number]

    async def _write_refused(self, refused: list[RefusedMessage]) -> None:
        async with self.store.at(self.ward.refused).pipeline(transaction=False) as pipe:
            for one in refused:
                bed = one.topic.split("/")[3][:32] if one.topic.count("/") >= 3 else "?"
                pipe.hincrby(self.ward.refusals, f"{bed} {one.reason}", 1)
                pipe.xadd(self.ward.refused, {"e": encode_json(one)}, maxlen=REFUSED_KEPT, approximate=True)
            await pipe.execute()
        refused.clear()

    async def tick(self) -> None:
        """Tell every shard the time once a second."""
        async with Lines() as lines:
            while True:
                await asyncio.sleep(TICK_S)
                tick: dict[int, list[Input]] = {number: [Tick(now_ms())] for number in range(self.ward.shards)}
                try:
                    await self.write(lines, tick, [])
                except RedisError as error:
                    log.warning("tick: %s", error)
