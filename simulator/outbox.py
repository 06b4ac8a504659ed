"""What a device has to say and nobody has taken yet: it is sent again when the connection was lost.

A broker that was started again may know ingest's session and not its subscription, until ingest is back: it answers
that nobody subscribes to what it is sent, and forgets it (mosquitto 2.0 does, MQTT 5, section 3.4.2.1). Where nobody
has ever subscribed, nobody waits for it.
"""

import asyncio
from functools import partial
from itertools import count

from quietward.contracts.bounds import AT_ONCE, BURST_PER_S
from quietward.runtime import metrics
from quietward.transport.mqtt import MqttError, Publisher


class Outbox:
    """Messages in the order in which they came in.

    unanswered: topic and payload, by number. unheard: over this connection something was sent that nobody took, who had
    taken others before.
    """

    def __init__(self) -> None:
        self.unanswered: dict[int, tuple[str, bytes]] = {}
        self.unheard = self._was_heard = False
        self._number = count()

    def __len__(self) -> int:
        return len(self.unanswered)

    def add(self, topic: str, payload: bytes) -> int:
        """Keep a message, and return its number."""
        number = next(self._number)
        self.unanswered[number] = topic, payload
        return number

    def check_heard(self) -> None:
        """Raise MqttError where something was sent over this connection that nobody took."""
        if self.unheard:
            raise MqttError("the broker hands on nothing of what it is sent: ingest has not subscribed yet")

    async def send(self, out: Publisher, number: int) -> None:
        """Publish one. Raises MqttError when disconnected or unheard; it is kept until the broker has answered."""
        self.check_heard()
        await out.publish(
            *self.unanswered[number],
            answered=partial(self._answered, number),
            unheard=partial(self._note_unheard, number),
        )
        metrics.SENT.inc()

    def _answered(self, number: int) -> None:
        self._was_heard = True
        del self.unanswered[number]

    def _note_unheard(self, number: int) -> None:
        if self._was_heard:
            self.unheard = True
        else:
            del self.unanswered[number]

    async def send_all(self, out: Publisher) -> None:
        """Publish all that are unanswered, over a new connection. Raises MqttError when disconnected or unheard."""
        self.unheard = False
        for place, number in enumerate(sorted(self.unanswered)):
            if place >= AT_ONCE // 2 and place % BURST_PER_S == 0:
                await asyncio.sleep(1)  # no faster than ingest takes it from one bed
            await self.send(out, number)
