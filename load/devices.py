"""A process of devices: sends the seconds of many beds over a few connections, each when it is due.

The schedule does not wait for the broker: what could not be sent in time is sent late, and counts as late.
"""

import itertools

import msgspec
import numpy as np
from numpy.typing import NDArray

from quietward.contracts.addresses import Ward
from quietward.load.schedule import FALL_GOES_ON_S, FALLS_WITHIN_S, HISTORY_S, DeviceShare, Numbers, fallen, per_second
from quietward.load.timer import Timer
from quietward.runtime.process import RecancellingTaskGroup
from quietward.runtime.retry import Backoff
from quietward.simulator import bed, scenario
from quietward.simulator.outbox import Outbox
from quietward.transport.mqtt import MqttError, Publisher

BEDS_OF_A_CONNECTION = 100
MOST_CONNECTIONS = 24
LABOUR_S = 1500
SCENARIOS = ("calm", "lively", "cord-now-and-then", "close-contractions", "late-with-falling-variability")
FALLING_SCENARIO = 0


async def run(part: DeviceShare) -> None:
    """Send everything, then end. Raises Unreachable if the broker is not there at the start."""
    own = np.arange(part.first, part.schedule.beds, part.step)
    connections = min(MOST_CONNECTIONS, -(-len(own) // BEDS_OF_A_CONNECTION))
    chunks = _chunks()
    async with RecancellingTaskGroup() as tasks:
        for c in range(connections):
            gateway = Gateway(part, own[c::connections], f"{part.first}-{c}", chunks)
            tasks.create_task(gateway.run(), name=f"gateway {c}")


class SignalChunks(msgspec.Struct, frozen=True):
    """Signals as JSON, by labour and second: uterine activity and usual rate.

    fallen: the rate of the labour that falls, by how far the fall has come.
    """

    ua: list[list[bytes]]
    fhr: list[list[bytes]]
    fallen: list[list[bytes]]


def _chunks() -> SignalChunks:
    """Return the signals of a few simulated labours, shared by all beds: devices must be cheap, signals realistic."""
    labours = [bed.simulate(scenario.load(name), 1, LABOUR_S) for name in SCENARIOS]

    whole = _without_gaps(labours[FALLING_SCENARIO].fhr)

    def as_json(signal: NDArray[np.float64], digits: int) -> list[bytes]:
        return [
            msgspec.json.encode([None if np.isnan(x) else round(float(x), digits) for x in second])
            for second in per_second(signal)
        ]

    return SignalChunks(
        [as_json(one.ua, 1) for one in labours],
        [as_json(one.fhr, 2) for one in labours],
        [as_json(np.clip(fallen(whole, k), 50, None), 2) for k in range(1, FALLS_WITHIN_S + 1)],
    )


def _without_gaps(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fill gaps: a fall that is cut off by one is two falls for the detector, and none of them long enough."""
    known = np.flatnonzero(~np.isnan(signal))
    whole: NDArray[np.float64] = np.interp(np.arange(len(signal)), known, signal[known])
    return whole


class Gateway:
    """One connection with its beds."""

    def __init__(self, part: DeviceShare, beds: Numbers, name: str, chunks: SignalChunks) -> None:
        self.part, self.schedule, self.beds, self.name, self.chunks = part, part.schedule, beds, name, chunks
        self.outbox = Outbox()
        self._ward = Ward(self.schedule.ward)
        self._falls = dict(zip(self.schedule.falling.tolist(), self.schedule.falls_at.tolist(), strict=True))
        self._places = dict(zip(beds.tolist(), (self.schedule.t_ms(beds, np.ones_like(beds))).tolist(), strict=True))
        self._joins = self.schedule.joins_at(beds)
        self._sends = iter(self._all_sends())
        self._next = next(self._sends, None)

    async def run(self) -> None:
        """Send until everything is sent and answered for."""
        backoff, worked_once = Backoff(), False
        status = self._ward.status_topic(f"gateway-{self.name}")
        while self._next is not None or self.outbox:
            try:
                async with Publisher(self.part.broker, f"load-{self.name}", status, _refused) as out, Timer() as timer:
                    if not self.outbox.unheard:
                        backoff.worked()
                    if worked_once:
                        await self.outbox.send_all(out)
                    worked_once = True
                    await self._go_on(out, timer)
                    while self.outbox and out.connected and not self.outbox.unheard:
                        await out.settle()
                    self.outbox.check_heard()
            except MqttError as error:
                await backoff.wait(f"gateway {self.name}: {error}")

    async def _go_on(self, out: Publisher, timer: Timer) -> None:
        while self._next is not None:
            due_ms, number, k = self._next
            await timer.until(due_ms)
            message = self.outbox.add(self._ward.samples_topic(self.schedule.names[number]), self._payload(number, k))
            self._next = next(self._sends, None)
            await self.outbox.send(out, message)

    def _all_sends(self) -> "itertools.chain[tuple[int, int, int]]":
        """Yield (due, bed, second) in the order in which they are due; what was held back is due at once."""
        held_back = (
            (0, number, k)
            for k in range(-HISTORY_S, 0)
            for number in sorted(set(self._falls).intersection(self.beds.tolist()))
        )
        return itertools.chain(held_back, (turn for k in range(self.schedule.end_s) for turn in self._second(k)))

    def _second(self, k: int) -> list[tuple[int, int, int]]:
        beds = self.beds[self._joins <= k]
        due = self.schedule.due_ms(beds, np.full(len(beds), k))
        return sorted(zip(due.tolist(), beds.tolist(), itertools.repeat(k), strict=False))

    def _payload(self, number: int, k: int) -> bytes:
        fell_at = self._falls.get(number)
        labour = number % len(SCENARIOS) if fell_at is None else FALLING_SCENARIO
        for_s = 0  # since the fall began
        if fell_at is not None and fell_at <= k < fell_at + self.schedule.falls_for_s + FALL_GOES_ON_S:
            for_s = min(k - fell_at + 1, FALLS_WITHIN_S)
        # A labour begins anew where it ends. Where a rate is to fall, the jump there would be one fall too many.
        whole_s = LABOUR_S if fell_at is None else max(1, LABOUR_S - HISTORY_S - self.schedule.end_s)
        at = (k + HISTORY_S + number * 37 % whole_s) % LABOUR_S
        fhr = self.chunks.fallen[for_s - 1][at] if for_s else self.chunks.fhr[labour][at]
        t = self._places[number] + (k - 1) * 1000
        return b'{"session":"load-%d","seq":%d,"t":%d,"hz":4,"fhr":%s,"ua":%s}' % (
            self.schedule.start_ms, k + HISTORY_S, t, fhr, self.chunks.ua[labour][at],
        )  # fmt: skip


def _refused(topic: str) -> None:
    raise MqttError(f"the broker refuses {topic}")
