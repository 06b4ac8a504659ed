"""One bed's device: publishes a second of signal every second, drops out, comes back and catches up."""

import asyncio
import logging
from collections.abc import Callable

import msgspec
from msgspec import UNSET

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import Refused, Unreachable
from quietward.contracts.samples import Samples
from quietward.contracts.tls import SYSTEM, Tls
from quietward.runtime.clock import now_ms
from quietward.runtime.retry import Backoff
from quietward.simulator.faults import Faults
from quietward.simulator.outbox import Outbox
from quietward.simulator.sources import Source
from quietward.transport.mqtt import MqttError, Publisher

log = logging.getLogger("quietward.device")

REFUSED_DELAY_S = 60.0
"""No longer than this between tries of a device whose password is not taken: somebody must change it first."""


class Device:
    """Plays one source.

    speed: seconds of signal per second. head_start_s: so much of the signal is sent at once, as if the device had been
    running for that long. moved: called after every second.
    played: how many seconds have been played. away_since: by the loop's clock, since when the broker has not been
    reached; None while it is.
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
        self.played = 0
        self.refused = 0
        self.away_since: float | None = None
        self.outbox = Outbox()
        self._seconds = source.play()
        self._faults = Faults(source.faults, source.seconds)

    async def play(self, broker: str, tls: Tls = SYSTEM, *, has_own_account: bool = False) -> None:
        """Publish the source to its end. Raises Unreachable if the first connection cannot be made.

        has_own_account: this device alone has this name, so that a refusal concerns no other: it tries again.
        """
        started, first_ms = asyncio.get_running_loop().time(), now_ms() - self.head_start_s * 1000
        backoff, when_refused, worked_once = Backoff(), Backoff(REFUSED_DELAY_S), False
        name = f"device-{self.ward.name}-{self.source.bed}"
        while self.played < self.source.seconds or self.outbox:
            status = self.ward.status_topic(self.source.bed)
            try:
                async with Publisher(broker, name, status, self._note, tls) as out:
                    worked_once, self.away_since = True, None
                    if not self.outbox.unheard:
                        backoff.worked()
                    when_refused.worked()
                    await out.publish(status, b"online", retain=True)
                    await self.outbox.send_all(out)
                    await self._play_on(out, started, first_ms)
                    await out.publish(status, b"offline", retain=True)
                    missing = await out.settle()
                    self.outbox.check_heard()
                if missing:
                    await backoff.wait(f"device of {self.source.bed}: the broker owes {missing} answers")
            except Refused as error:
                if not (worked_once or has_own_account):
                    raise
                self._is_away()
                await when_refused.wait(error)
            except Unreachable as error:
                if not worked_once:
                    raise
                self._is_away()
                await backoff.wait(error)
            except MqttError as error:
                self._is_away()
                await backoff.wait(f"device of {self.source.bed}: {error}")

    def _is_away(self) -> None:
        if self.away_since is None:
            self.away_since = asyncio.get_running_loop().time()

    async def _play_on(self, out: Publisher, started: float, first_ms: int) -> None:
        """Play what is left. Raises MqttError when disconnected; what was played meanwhile is in the outbox."""
        while self.played < self.source.seconds:
            due = started + max(0, self.played - self.head_start_s) / self.speed
            await asyncio.sleep(max(0, due - asyncio.get_running_loop().time()))
            is_connected = self._faults.is_connected(self.played)
            topic = self.ward.samples_topic(self.source.bed)
            new = [self.outbox.add(topic, payload) for payload in self._next_messages(first_ms)]
            if is_connected:
                for number in new:
                    await self.outbox.send(out, number)
            else:
                out.hang_up()
            self.moved()

    def _next_messages(self, first_ms: int) -> list[bytes]:
        """Play one second; return what is to be sent then."""
        n, source = self.played, self.source
        began = self._faults.session_began(n)
        session = f"{source.src[:40].replace(' ', '-').replace('/', '-')}-{first_ms + began * 1000}"
        t = first_ms + n * 1000 + self._faults.clock_ahead_ms(n)
        fhr, ua, mothers_bpm, stage, fhr2 = next(self._seconds)
        second_twin = UNSET if fhr2 is None else fhr2  # a device with one channel says nothing of another
        samples = Samples(session, n - began, t, 4, fhr, ua, mothers_bpm, stage, source.weeks, source.src, second_twin)
        self.played += 1
        return self._faults.sent(n, msgspec.json.encode(samples))

    def _note(self, topic: str) -> None:
        self.refused += 1
        log.error("the broker refuses %s: check its access rules for this device", topic)
