"""One bed's device: publishes a second of signal every second, drops out, comes back and catches up."""

import asyncio
import logging
from collections.abc import Callable
from functools import partial

import msgspec

from quietward.addresses import Ward
from quietward.errors import Unreachable
from quietward.messages import Samples
from quietward.mqtt import MqttError, Publisher
from quietward.running import Backoff, now_ms
from simulator.sources import Second, Source

log = logging.getLogger("quietward.device")


class Device:
    """Plays one source.

    speed: seconds of signal per second. head_start_s: so much of the signal is sent at once, as if the device had been
    running for that long. moved: called after every second.
    unanswered: what the broker has not answered for, by number; it is sent again when the connection was lost.
    """

    def __init__(
        self,
        ward: Ward,
        source: Source,
        speed: float,
        head_start_s: int = 0,
        moved: Callable[[], None] = lambda: None,
    ) -> None:
        self.ward, self.source, self.speed, self.moved = ward, source, speed, moved
        self.head_start_s = min(head_start_s, source.seconds)
        self.seq = 0
        self.refused = 0
        self.unanswered: dict[int, bytes] = {}
        self._seconds = source.play()

    async def play(self, broker: str) -> None:
        """Publish the source to its end. Raises Unreachable if the first connection cannot be made."""
        started, first_ms = asyncio.get_running_loop().time(), now_ms() - self.head_start_s * 1000
        session = f"{self.source.src[:40].replace(' ', '-').replace('/', '-')}-{first_ms}"
        backoff, worked_once = Backoff(), False
        while self.seq < self.source.seconds or self.unanswered:
            status = self.ward.status_topic(self.source.bed)
            try:
                async with Publisher(broker, f"device-{self.ward.name}-{self.source.bed}", status, self._note) as out:
                    worked_once = True
                    backoff.worked()
                    await out.publish(status, b"online", retain=True)
                    for seq in sorted(self.unanswered):
                        await self._send(out, seq)
                    while self.seq < self.source.seconds:
                        await self._wait_for_second(started)
                        self.unanswered[self.seq] = self._message(session, first_ms, next(self._seconds))
                        self.seq += 1
                        await self._send(out, self.seq - 1)
                        self.moved()
                    await out.publish(status, b"offline", retain=True)
                    missing = await out.settle()
                if missing:
                    await backoff.wait(f"device of {self.source.bed}: the broker owes {missing} answers")
            except Unreachable as error:
                if not worked_once:
                    raise
                await backoff.wait(error)
            except MqttError as error:
                await backoff.wait(f"device of {self.source.bed}: {error}")

    async def _wait_for_second(self, started: float) -> None:
        due = started + max(0, self.seq - self.head_start_s) / self.speed
        if (wait := due - asyncio.get_running_loop().time()) > 0:
            await asyncio.sleep(wait)

    async def _send(self, out: Publisher, seq: int) -> None:
        topic = self.ward.samples_topic(self.source.bed)
        await out.publish(topic, self.unanswered[seq], answered=partial(self._answered, seq))

    def _answered(self, seq: int) -> None:
        del self.unanswered[seq]

    def _note(self, topic: str) -> None:
        self.refused += 1
        log.error("the broker refuses %s: check its access rules for this device", topic)

    def _message(self, session: str, first_ms: int, second: Second) -> bytes:
        t = first_ms + self.seq * 1000
        fhr, ua, mothers_bpm, stage = second
        samples = Samples(session, self.seq, t, 4, fhr, ua, mothers_bpm, stage, self.source.weeks, self.source.src)
        return msgspec.json.encode(samples)
