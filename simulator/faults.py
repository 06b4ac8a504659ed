"""Pure: what a device does wrong with its seconds, as the scenario says."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import msgspec

from quietward.simulator.scenario import DeviceFault, Fault

SENT_BACKWARDS_S = 3
"""So many late seconds are sent together, the newest first: a detector that waits 3 s for them loses none."""


def _changed(payload: bytes, **fields: object) -> bytes:
    plain: dict[str, object] = msgspec.json.decode(payload)
    return msgspec.json.encode(plain | fields)


MALFORMED: tuple[Callable[[bytes], bytes], ...] = (
    lambda payload: payload[: len(payload) // 2],
    lambda payload: _changed(payload, fhr=[1420] * 4),
    lambda payload: _changed(payload, seq="seventeen"),
    lambda payload: payload + b" " * 5000,
)
"""Ways to spoil a message, used in turn: cut short, a rate that cannot be, a text for a number, far too long."""


@dataclass(frozen=True)
class _Period:
    """A fault lasts from second `begins` to before second `ends` of the signal."""

    what: Fault
    begins: int
    ends: int
    size: float

    def holds(self, second: int) -> bool:
        return self.begins <= second < self.ends


class Faults:
    """All that one device does wrong in a signal of `seconds` seconds."""

    def __init__(self, faults: Sequence[DeviceFault], seconds: int) -> None:
        self._periods = [
            _Period(f.what, begins := round(f.at_min * 60), min(begins + f.for_s, seconds), f.size) for f in faults
        ]
        self._held: list[list[bytes]] = []
        self._spoilt = 0

    def clock_ahead_ms(self, second: int) -> int:
        """Return how far the device's clock is ahead of the true time (below 0: behind)."""
        ahead_s = 0.0
        for p in self._periods:
            if p.what == "clock-jump" and second >= p.begins:
                ahead_s += p.size
            elif p.what == "clock-skew":
                ahead_s += p.size / 3600 * max(0, min(second, p.ends) - p.begins)
        return round(ahead_s * 1000)

    def session_began(self, second: int) -> int:
        """Return the second at which the device was last switched on."""
        return max((p.ends for p in self._periods if p.what == "restart" and p.ends <= second), default=0)

    def is_connected(self, second: int) -> bool:
        """Whether the device is connected to the broker."""
        return not self._is("disconnect", second) and not self._is("restart", second)

    def sent(self, second: int, payload: bytes) -> list[bytes]:
        """Return what is sent, in order, when a second is over. Ask for every second, one after the other."""
        payloads = [payload]
        if self._is("missing", second) or self._is("restart", second):  # switched off: there is nothing to send
            payloads = []
        elif self._is("malformed", second):
            payloads = [MALFORMED[self._spoilt % len(MALFORMED)](payload)]
            self._spoilt += 1
        if self._is("repeat", second):
            payloads *= 2
        if not self._is("late", second):
            return payloads
        self._held.append(payloads)
        if len(self._held) < SENT_BACKWARDS_S and self._is("late", second + 1):
            return []
        backwards = [held for payloads in reversed(self._held) for held in payloads]
        self._held.clear()
        return backwards

    def _is(self, what: Fault, second: int) -> bool:
        return any(p.what == what and p.holds(second) for p in self._periods)
