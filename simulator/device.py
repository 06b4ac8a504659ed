"""One bed's device: publishes a second of signal every second, drops out, comes back and catches up."""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import msgspec
import numpy as np

from quietward.addresses import Ward
from quietward.errors import Unreachable
from quietward.messages import HZ, Samples
from quietward.mqtt import MqttError, Publisher
from quietward.recordings import Signal
from quietward.running import Backoff, now_ms

log = logging.getLogger("quietward.device")


@dataclass(frozen=True)
class Strip:
    """What a device plays. fhr, ua: shape (n,), 4 Hz, NaN where there is no value; src: where it comes from."""

    bed: str
    fhr: Signal
    ua: Signal
    src: str

    @property
    def seconds(self) -> int:
        """Length in whole seconds; a last part of a second is not played."""
        return len(self.fhr) // HZ


class Device:
    """Plays one strip.

    speed: seconds of signal per second. head_start_s: so much of the strip is sent at once, as if the device had been
    running for that long. moved: called after every second that was sent for the first time.
    unanswered: seconds the broker has not answered for; they are sent again when the connection was lost.
    """

    def __init__(
        self,
        ward: Ward,
        strip: Strip,
        speed: float,
        head_start_s: int = 0,
        moved: Callable[[], None] = lambda: None,
    ) -> None:
        self.ward, self.strip, self.speed, self.moved = ward, strip, speed, moved
        self.head_start_s = min(head_start_s, strip.seconds)
        self.seq = 0
        self.refused = 0
        self.unanswered: set[int] = set()

    async def play(self, broker: str) -> None:
        """Publish the strip to its end. Raises Unreachable if the first connection cannot be made."""
        loop = asyncio.get_running_loop()
        started, first_ms = loop.time(), now_ms() - self.head_start_s * 1000
        session = f"{self.strip.src[:40].replace(' ', '-').replace('/', '-')}-{first_ms}"
        backoff, worked_once = Backoff(), False
        while self.seq < self.strip.seconds or self.unanswered:
            status = self.ward.status_topic(self.strip.bed)
            try:
                async with Publisher(broker, f"device-{self.ward.name}-{self.strip.bed}", status, self._note) as out:
                    worked_once = True
                    backoff.worked()
                    await out.publish(status, b"online", retain=True)
                    for seq in sorted(self.unanswered):
                        await self._send(out, seq, self._second(session, seq, first_ms))
                    while self.seq < self.strip.seconds:
                        due = started + max(0, self.seq - self.head_start_s) / self.speed
                        if (wait := due - loop.time()) > 0:
                            await asyncio.sleep(wait)
                        await self._send(out, self.seq, self._second(session, self.seq, first_ms))
                        self.seq += 1
                        self.moved()
                    await out.publish(status, b"offline", retain=True)
                    missing = await out.settle()
                if missing:
                    await backoff.wait(f"device of {self.strip.bed}: the broker owes {missing} answers")
            except Unreachable as error:
                if not worked_once:
                    raise
                await backoff.wait(error)
            except MqttError as error:
                await backoff.wait(f"device of {self.strip.bed}: {error}")

    async def _send(self, out: Publisher, seq: int, payload: bytes) -> None:
        topic = self.ward.samples_topic(self.strip.bed)
        await out.publish(topic, payload, answered=partial(self.unanswered.discard, seq))
        self.unanswered.add(seq)

    def _note(self, topic: str) -> None:
        self.refused += 1
        log.error("the broker refuses %s: check its access rules for this device", topic)

    def _second(self, session: str, seq: int, first_ms: int) -> bytes:
        part = slice(seq * HZ, (seq + 1) * HZ)
        fhr, ua = (_or_none(x[part]) for x in (self.strip.fhr, self.strip.ua))
        t = first_ms + seq * 1000
        return msgspec.json.encode(Samples(session, seq, t, 4, fhr, ua, src=self.strip.src))


def _or_none(values: Signal) -> list[float | None]:
    return [None if np.isnan(x) else float(x) for x in values]
