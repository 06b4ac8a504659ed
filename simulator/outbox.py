"""What a device has to say and the broker has not answered for yet: it is sent again when the connection was lost."""

import asyncio
from functools import partial
from itertools import count

from quietward.contracts.bounds import AT_ONCE, BURST_PER_S
from quietward.runtime import metrics
from quietward.transport.mqtt import Publisher


class Outbox:
    """Messages in the order in which they came in.

    unanswered: topic and payload, by number.
    """

    def __init__(self) -> None:
        self.unanswered: dict[int, tuple[str, bytes]] = {}
        self._number = count()

    def __len__(self) -> int:
        return len(self.unanswered)

    def add(self, topic: str, payload: bytes) -> int:
        """Keep a message, and return its number."""
        number = next(self._number)
        self.unanswered[number] = topic, payload
        return number

    async def send(self, out: Publisher, number: int) -> None:
        """Publish one. Raises MqttError when disconnected; it is kept until the broker has answered."""
        await out.publish(*self.unanswered[number], answered=partial(self._answered, number))
        metrics.SENT.inc()

    def _answered(self, number: int) -> None:
        del self.unanswered[number]

    async def send_all(self, out: Publisher) -> None:
        """Publish all that are unanswered, over a new connection. Raises MqttError when disconnected."""
        for place, number in enumerate(sorted(self.unanswered)):
            if place >= AT_ONCE // 2 and place % BURST_PER_S == 0:
                await asyncio.sleep(1)  # no faster than ingest takes it from one bed
            await self.send(out, number)
