"""Another number of sessions at the broker for a ward whose ingests are stopped, or new names for them.

The broker keeps what devices send in ingest's sessions. First the new ones are there, under new names and in a group of
their own: from then on everything waits in them. Then the old ones are given up and emptied, all at the same time, as
an ingest would: a bed's seconds arrive by all of them in turn. What waited in both the detector takes once. A run that
was cut off is brought to its end by the next one.
"""

import asyncio
import secrets
from collections.abc import Iterator
from contextlib import AsyncExitStack, contextmanager

from msgspec import structs

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import Unreachable
from quietward.contracts.settings import LONGEST_KEPT_H, Settings, without_password
from quietward.ingest.service import Ingest
from quietward.runtime.process import RecancellingTaskGroup
from quietward.store.client import PipelinedConnections, Store
from quietward.store.topology import begin_reseating, end_reseating
from quietward.transport.mqtt import MqttError, Publisher, Subscriber

ANSWERS_WITHIN_S = 5.0


async def reseat(store: Store, settings: Settings, seats: int, now_ms: int) -> int:
    """Give a ward so many sessions; return how many it had. now_ms: the time of day.

    Raises BadSettings when an ingest runs, Unreachable when the broker goes or refuses something, and RedisError.
    """
    ward = Ward(settings.ward, settings.shards)
    before, had, will_have = await begin_reseating(store, ward, seats, now_ms)
    keeps = structs.replace(settings, keep_hours=LONGEST_KEPT_H, demo_speed=1.0)  # what is old ingest itself drops
    old = Ingest(ward, store, structs.replace(keeps, seats=before), sessions=had)
    new = Ingest(ward, store, structs.replace(keeps, seats=seats), sessions=will_have)
    with _unreachable(settings):
        for slot in range(seats):
            async with Subscriber(settings.broker, new.name(slot), *new.topics(slot), tls=settings.tls):
                pass
    async with AsyncExitStack() as stack, RecancellingTaskGroup() as tasks:
        with _unreachable(settings):
            subscribers = [await stack.enter_async_context(old.listening(slot, [])) for slot in range(before)]
        tick = tasks.create_task(old.tick())  # else the detector would wait for time that has passed
        await asyncio.gather(*(tasks.create_task(_empty(old, slot, it)) for slot, it in enumerate(subscribers)))
        tick.cancel()
    with _unreachable(settings):
        for slot in range(before):  # a clean start ends the session of before, and its own ends with the connection
            async with Publisher(settings.broker, old.name(slot), "", lambda _: None, tls=settings.tls):
                pass
    await end_reseating(store, ward, seats, will_have)
    return before


@contextmanager
def _unreachable(settings: Settings) -> Iterator[None]:
    """Say of a broker that refuses or goes that the change is begun, and what ends it. Raises Unreachable."""
    try:
        yield
    except MqttError as error:
        remedy = f"Run the same command again; nothing is lost. It said: {error}"
        raise Unreachable("broker", without_password(settings.broker), remedy) from error


async def _empty(ingest: Ingest, slot: int, subscriber: Subscriber) -> None:
    """Take everything that waits in a session, which subscribes to nothing any more."""
    mark = secrets.token_bytes(8)
    async with PipelinedConnections() as connections:
        with _unreachable(ingest.settings):
            await subscriber.turn_to(ingest.ward.own_topic, *ingest.topics(slot))
            await _send(ingest, f"{ingest.name(slot)}-itself", mark)  # behind all that waits
            while not any(message.payload == mark for message in await ingest.take(slot, subscriber, connections)):
                pass


async def _send(ingest: Ingest, name: str, payload: bytes) -> None:
    """Send ourselves a message. Raises MqttError if the broker refuses it or does not answer."""
    refused: list[str] = []
    async with Publisher(ingest.settings.broker, name, "", refused.append, tls=ingest.settings.tls) as out:
        await out.publish(ingest.ward.own_topic, payload)
        if await out.settle(ANSWERS_WITHIN_S) or refused:
            raise MqttError(f"ingest may not write to {ingest.ward.own_topic}")
