"""The loop: drain what has come, write it with one round trip, then acknowledge it.

A message is acknowledged only when its shard's stream holds it. If that fails half-way the broker sends it again,
and the detector drops what it has seen (session and sequence number).
"""

import asyncio
import logging
from collections import defaultdict
from collections.abc import Callable

from ingest.validate import check
from quietward.addresses import REFUSED_KEPT, Ward
from quietward.errors import BadMessage, Unreachable
from quietward.messages import Input, RefusedMessage, Tick, encode_inputs, encode_json
from quietward.mqtt import Message, MqttError, Subscriber
from quietward.running import Backoff, Tasks, heartbeat, now_ms, until_stored
from quietward.settings import Settings
from quietward.store import Redis, RedisError, connected

log = logging.getLogger("quietward.ingest")

TICK_S = 1.0

Watch = Callable[[str], None]
"""Told how far a batch has come; tests stop the process there."""


def _nobody(_: str) -> None:
    """Watch nothing."""


async def serve(settings: Settings, watch: Watch = _nobody) -> None:
    """Run until cancelled. Raises Unreachable if broker or store are not there at the start."""
    ward = Ward(settings.ward, settings.shards)
    async with connected(settings.store) as store, Tasks() as tasks:
        ingest = Ingest(ward, store, settings.keep_hours, watch)
        tasks.create_task(ingest.receive_for_ever(settings.broker), name="receive")
        tasks.create_task(ingest.tick(), name="tick")
        tasks.create_task(heartbeat(store, ward.parts, "ingest"), name="heartbeat")


class Ingest:
    """Checks, sorts by shard, writes."""

    def __init__(self, ward: Ward, store: Redis, keep_hours: float, watch: Watch = _nobody) -> None:
        self.ward, self.store, self.keep_ms, self.watch = ward, store, int(keep_hours * 3_600_000), watch

    async def receive_for_ever(self, broker: str) -> None:
        """Take messages, over as many connections as it needs. Raises Unreachable if the first cannot be made."""
        backoff = Backoff()
        worked_once = False
        while True:
            try:
                async with Subscriber(broker, f"quietward-ingest-{self.ward.name}", self.ward.all_topics) as subscriber:
                    log.info("ingest of %s: connected to the broker", self.ward.name)
                    worked_once = True
                    backoff.worked()
                    await self.receive(subscriber)
            except Unreachable as error:
                if not worked_once:
                    raise
                await backoff.wait(error)
            except MqttError as error:
                await backoff.wait(f"broker: {error}")

    async def receive(self, subscriber: Subscriber) -> None:
        """Take messages until disconnected. Raises MqttError."""
        while True:
            batch = await subscriber.next_batch()
            self.watch("taken")
            inputs, refused = self.sort(batch, now_ms())
            await until_stored(lambda inputs=inputs, refused=refused: self.write(inputs, refused))  # type: ignore[misc]
            self.watch("written")
            subscriber.acknowledge(batch)
            self.watch("acknowledged")

    def sort(self, batch: list[Message], at: int) -> tuple[dict[int, list[Input]], list[RefusedMessage]]:
        """Return checked inputs by shard, and what was refused."""
        inputs: dict[int, list[Input]] = defaultdict(list)
        refused = []
        for message in batch:
            payload = message.payload if isinstance(message.payload, bytes) else str(message.payload).encode()
            content_type = str(getattr(message.properties, "ContentType", ""))
            try:
                item = check(str(message.topic), payload, content_type, at)
                inputs[self.ward.shard_of(item.bed)].append(item)
            except Exception as error:  # one message must never stop the others
                if not isinstance(error, BadMessage):
                    log.exception("could not check a message on %s", message.topic)
                    error = BadMessage("broken", "payload", payload, "Could not be checked; this is a defect here")
                shown = payload[:500].decode("utf-8", "replace")
                refused.append(RefusedMessage(at, str(message.topic), error.reason, str(error), shown))
        return inputs, refused

    async def write(self, inputs: dict[int, list[Input]], refused: list[RefusedMessage]) -> None:
        """Write everything in one round trip. Raises RedisError; then nothing may be acknowledged."""
        async with self.store.pipeline(transaction=False) as pipe:
            oldest = str(now_ms() - self.keep_ms)
            for number, items in inputs.items():
                key = self.ward.shard(number).input
                pipe.xadd(key, {"e": encode_inputs(items)}, minid=oldest, approximate=True)
            for one in refused:
                bed = one.topic.split("/")[3][:32] if one.topic.count("/") >= 3 else "?"
                pipe.hincrby(self.ward.refusals, f"{bed} {one.reason}", 1)
                pipe.xadd(self.ward.refused, {"e": encode_json(one)}, maxlen=REFUSED_KEPT, approximate=True)
            replies = await pipe.execute(raise_on_error=False)
        for reply in replies:
            if isinstance(reply, Exception):
                raise reply

    async def tick(self) -> None:
        """Tell every shard the time once a second."""
        while True:
            await asyncio.sleep(TICK_S)
            tick = {number: [Tick(now_ms())] for number in range(self.ward.shards)}
            try:
                await self.write(tick, [])  # type: ignore[arg-type]
            except RedisError as error:
                log.warning("tick: %s", error)
